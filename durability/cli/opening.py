"""How does one work in a browser?"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from durability.cli.app import command, errors_in_words
from durability.cli.groups import without
from durability.cli.options import Told
from durability.terminal import print_json


@command(name="open", epilog="Example:  durability open studies")
def open_page(
    folder: Annotated[
        Path, typer.Argument(help="Folder with studies, or one study; this folder if left out.")
    ] = Path(),
    *,
    port: Annotated[
        int, typer.Option("--port", min=0, max=65535, help="A free one if left out.")
    ] = 0,
    browser: Annotated[
        bool, typer.Option("--browser/--no-browser", help="Open it in the browser.")
    ] = True,
    json: Annotated[
        bool, typer.Option("--json", help="Print the address as one JSON document.")
    ] = False,
    told: Annotated[Told, without("out", "json")],
) -> None:
    """Work in the browser: drop a spreadsheet, mend it, run it, read the report.

    The page is served to this machine alone, under a key that is made anew each time.
    """
    with errors_in_words(json):
        from durability.page import Served, serve

        def tell(served: Served) -> None:
            if json:
                print_json({"address": served.address, "port": served.port})
            else:
                print(f"The page: {served.address}")
            if not told.quiet:
                print("Leave with Ctrl-C, or close it in the page.", file=sys.stderr)
            sys.stdout.flush()
            if browser:
                import webbrowser

                webbrowser.open(served.address)

        serve(folder, port=port, started=tell)
