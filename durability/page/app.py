"""What does the page answer to each address? Thin lines over the rooms; no statistics here."""

from __future__ import annotations

import json
import os
import tempfile
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any
from urllib.parse import parse_qsl, quote

from starlette.applications import Starlette
from starlette.background import BackgroundTask
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import FileResponse, HTMLResponse, JSONResponse, RedirectResponse, Response
from starlette.routing import Route

from durability.page import describing, intake, views
from durability.page.door import REPORT_POLICY
from durability.page.render import render
from durability.page.running import Busy, Runs
from durability.page.sheet import Changed, read_sheet
from durability.page.shelf import ORIGINALS, NoStudy, Shelf

MOST_FORM = 2_000_000
_TYPES = {".css": "text/css", ".js": "text/javascript"}


class Page:
    """The addresses of the page over one folder.

    Parameters
    ----------
    folder : in which the studies lie.
    leave : called when the person leaves.
    """

    def __init__(self, folder: Path, leave: Callable[[], None]) -> None:
        self.shelf = Shelf(folder)
        self.runs = Runs()
        self.leave = leave
        self.lock = threading.RLock()  # one change of a study's files at a time
        self.told: dict[Path, list[str]] = {}

    def application(self) -> Starlette:
        """The page as an ASGI application; the door goes before it."""
        get, post = ["GET"], ["POST"]
        study = "/study/{key}"
        routes = [
            Route("/", self.studies, methods=get),
            Route("/page{ending}", self.asset, methods=get),
            Route("/take", self.take, methods=post),
            Route("/leave", self.go, methods=post),
            Route(study, self.study, methods=get),
            Route(f"{study}/work", self.work, methods=get),
            Route(f"{study}/take", self.take, methods=post),
            Route(f"{study}/columns", self.columns, methods=["GET", "POST"]),
            Route(f"{study}/describe", self.describe, methods=["GET", "POST"]),
            Route(f"{study}/text", self.text, methods=["GET", "POST"]),
            Route(f"{study}/mend", self.mend, methods=post),
            Route(f"{study}/run", self.run, methods=post),
            Route(f"{study}/stop", self.stop, methods=post),
            Route(f"{study}/progress", self.progress, methods=get),
            Route(f"{study}/results/{{name}}", self.result, methods=get),
            Route(f"{study}/marked.xlsx", self.marked, methods=get),
            Route(f"{study}/archive.zip", self.archive, methods=get),
        ]
        handlers: dict[Any, Any] = {
            NoStudy: self._gone, HTTPException: self._refused, Exception: self._fault
        }  # fmt: skip
        return Starlette(routes=routes, exception_handlers=handlers)

    # what is shown

    async def studies(self, request: Request) -> Response:
        entries = await run_in_threadpool(self.shelf.studies)
        running = [e.key for e in entries if (r := self.runs.of(e.folder)) and r.state == "running"]
        return _page("studies", entries=entries, running=running, folder=_name(self.shelf.folder))

    async def asset(self, request: Request) -> Response:
        ending = request.path_params["ending"]
        if ending not in _TYPES:
            raise HTTPException(404)
        return Response(render(f"page{ending}"), media_type=_TYPES[ending])

    async def study(self, request: Request) -> Response:
        folder = self._folder(request)
        return _page("study", **await self._work(request, folder))

    async def work(self, request: Request) -> Response:
        return HTMLResponse(render("work.html", **await self._work(request, self._folder(request))))

    async def _work(self, request: Request, folder: Path, **more: Any) -> dict[str, Any]:
        query = request.query_params
        start = query.get("from", "")
        view = await run_in_threadpool(
            views.study_view, folder, file=query.get("file"),
            start=int(start) if start.isascii() and start.isdigit() and len(start) < 8 else None,
        )  # fmt: skip
        run = self.runs.of(folder)
        base = self._base(folder)
        return {
            **view, "key": self._key(folder), "base": base, "run": run.to_dict() if run else None,
            "title": views_title(folder), "told": self.told.get(folder, []), **more,
        }  # fmt: skip

    # what is dropped, named and described

    async def take(self, request: Request) -> Response:
        known = request.path_params.get("key")
        folder = self.shelf.find(known) if known is not None else None
        name = request.query_params.get("name", "")
        try:
            data = await _body(request, intake.MOST_BYTES)
            return JSONResponse({"go": await run_in_threadpool(self._take, folder, name, data)})
        except intake.NotTaken as error:
            return JSONResponse({"words": str(error)}, 422)

    def _take(self, folder: Path | None, name: str, data: bytes) -> str:
        safe = intake.look_at(name, data)
        with self.lock:
            place = folder if folder is not None else self.shelf.new_folder(Path(safe).stem)
            try:
                taken = intake.take(place, name, data)
            except intake.NotTaken:
                if folder is None:
                    place.rmdir()
                raise
            self.told[place] = list(taken.told)
        return f"{self._base(place)}/columns?original={quote(taken.original.name)}"

    async def columns(self, request: Request) -> Response:
        folder = self._folder(request)
        query = request.query_params
        if request.method == "GET":
            try:
                shown = await run_in_threadpool(
                    self._columns, folder, query.get("original", ""), query.get("sheet"),
                    query.get("kind"),
                )  # fmt: skip
            except (intake.NotTaken, FileNotFoundError) as error:
                return _page("sorry", 422, words=str(error), back=self._base(folder))
            return _page("columns", base=self._base(folder), title=views_title(folder), **shown)
        pairs = await _form(request)
        try:
            await run_in_threadpool(self._name_columns, folder, pairs)
        except (ValueError, FileNotFoundError) as error:
            return _page("sorry", 422, words=str(error), back=self._base(folder))
        return _see(f"{self._base(folder)}/describe")

    def _columns(
        self, folder: Path, name: str, sheet: str | None, kind: str | None
    ) -> dict[str, Any]:
        original = self._original(folder, name)
        sheets: tuple[str, ...] = ()
        if original.suffix.casefold() == ".xlsx":
            sheets = intake.sheets_of(original.name, original.read_bytes())
            sheet = sheet if sheet in sheets else sheets[0]
        table = intake.read_original(folder, original, sheet)
        offered = kind if kind in intake.KINDS else intake.likely_kind(table)
        samples = [table.column(i) for i in range(len(table.headers))]
        return {
            "original": original.name, "sheet": sheet, "sheets": sheets, "kind": offered,
            "kinds": intake.KINDS, "rows": len(table.data()),
            "columns": views.columns_view(table.headers, samples, offered),
            "known": intake.known_columns(offered), "told": self.told.get(folder, []),
            "units": intake.UNIT_OFFERS,
        }  # fmt: skip

    def _name_columns(self, folder: Path, pairs: list[tuple[str, str]]) -> None:
        given = dict(pairs)
        kind = given.get("kind", "specimens")
        if kind not in intake.KINDS:
            raise ValueError("Say what stands in a row of the table.")
        original = self._original(folder, given.get("original", ""))
        file = f"{kind}.csv"
        with self.lock:
            self.told[folder] = intake.working_copy(
                folder, original, given.get("sheet") or None, file
            )
            table = read_sheet(folder, file)
            if table is None:
                raise ValueError("The table holds nothing that can be read.")
            table.rename(intake.new_headers(table.headers, given))
            table.save(folder / file)
            if (folder / describing.DESCRIPTION).is_file():
                describing.point_at(folder, kind, file)

    def _original(self, folder: Path, name: str) -> Path:
        for file in sorted((folder / ORIGINALS).glob("*")):
            if file.name == name and file.is_file() and not file.is_symlink():
                return file
        raise FileNotFoundError("There is no such spreadsheet in the study; drop it again.")

    async def describe(self, request: Request) -> Response:
        folder = self._folder(request)
        if request.method == "POST":
            answers = describing.read_form(await _form(request))
            try:
                await run_in_threadpool(self._describe, folder, answers)
            except ValueError as error:
                return _page("sorry", 422, words=str(error), back=f"{self._base(folder)}/describe")
            return _see(self._base(folder))
        try:
            shown = await run_in_threadpool(self._form_view, folder)
        except ValueError:  # study.toml is no TOML: only as text can it be mended
            return _see(f"{self._base(folder)}/text")
        return _page("describe", base=self._base(folder), title=views_title(folder), **shown)

    def _form_view(self, folder: Path) -> dict[str, Any]:
        kind, file, sheet = self._table(folder)
        table = read_sheet(folder, file, sheet)
        heads = [intake.column_name(h) for h in table.headers] if table else []
        return {
            "answers": describing.answers_of(folder, table), "choices": describing.choices(),
            "units": describing.UNITS, "of": describing.OF, "own": describing.OWN_AXIS,
            "asks_width": "peak_force" in heads and "width" not in heads,
            "fills": [c for c in ("material", "exposure") if table and c not in heads],
            "kind": intake.KINDS.get(kind, kind),
        }  # fmt: skip

    def _table(self, folder: Path) -> tuple[str, str, str | None]:
        named = describing.table_of(folder)
        if named is not None:
            return named
        for kind in intake.KINDS:
            if (folder / f"{kind}.csv").is_file():
                return kind, f"{kind}.csv", None
        return "specimens", "specimens.csv", None

    def _describe(self, folder: Path, answers: describing.Answers) -> None:
        with self.lock:
            kind, file, _ = self._table(folder)
            describing.write(folder, answers, kind=kind, file=file)
            table = read_sheet(folder, file) if file.endswith(".csv") else None
            if table is None:
                return
            heads = [intake.column_name(h) for h in table.headers]
            told = self.told.setdefault(folder, [])
            for column, named in (("material", answers.materials), ("exposure", answers.exposures)):
                if column not in heads and len(named) == 1:
                    table.add_column(column, named[0].name)
                    told.append(f"The working copy has a new column {column}: {named[0].name} in"
                                " every row.")  # fmt: skip
            table.save(folder / file)

    async def text(self, request: Request) -> Response:
        folder = self._folder(request)
        words = ""
        if request.method == "POST":
            given = dict(await _form(request))
            try:
                with self.lock:
                    describing.write_text(folder, given.get("text", ""), given.get("was", ""))
                return _see(self._base(folder))
            except Changed as error:
                words = str(error)
        shown = await run_in_threadpool(views.text_view, folder)
        return _page("text", 409 if words else 200, base=self._base(folder), words=words,
                     title=views_title(folder), **shown)  # fmt: skip

    # what is mended and run

    async def mend(self, request: Request) -> Response:
        folder = self._folder(request)
        try:
            asked = json.loads(await _body(request, MOST_FORM))
            words, status = await run_in_threadpool(self._mend, folder, asked), 200
        except Changed as error:
            words, status = str(error), 409
        except (ValueError, KeyError, TypeError, RecursionError) as error:
            words = str(error.args[0]) if isinstance(error, ValueError) and error.args else ""
            words, status = words or "That change could not be read.", 422
        shown = await self._work(request, folder, words=words if status != 200 else "")
        return JSONResponse({"html": render("work.html", **shown), "words": words}, status)

    def _mend(self, folder: Path, asked: dict[str, Any]) -> str:
        file = asked["file"]
        with self.lock:
            view = views.study_view(folder, file=file)
            if file not in view["files"] or view["file"] != file:
                raise ValueError("This file is no table of the study.")
            if not view["editable"]:
                raise ValueError(
                    f"{file} is read as it is. Mend it in a spreadsheet program and drop it here."
                )
            table = read_sheet(folder, file)
            if table is None:
                raise ValueError("The table holds nothing that can be read.")
            if "column_name" in asked:
                name, text = str(asked["column_name"])[:60], str(asked["text"])[:200]
                table.add_column(" ".join(name.split()), " ".join(text.split()))
            else:
                row, column = asked["row"], asked["column"]
                if type(row) is not int or type(column) is not int:
                    raise ValueError("There is no such cell in the table.")
                table.mend(row, column, str(asked["was"]), str(asked["text"]))
            table.save(folder / file)
        return "Changed."

    async def run(self, request: Request) -> Response:
        folder = self._folder(request)
        try:
            run = await run_in_threadpool(self.runs.start, folder)
        except Busy as error:
            return JSONResponse({"words": str(error)}, 409)
        return JSONResponse(run.to_dict(), 202)

    async def stop(self, request: Request) -> Response:
        folder = self._folder(request)
        await run_in_threadpool(self.runs.stop, folder)
        return await self.progress(request)

    async def progress(self, request: Request) -> Response:
        run = self.runs.of(self._folder(request))
        return JSONResponse(run.to_dict() if run else {"state": "none"})

    # what is read and taken along

    async def result(self, request: Request) -> Response:
        folder = self._folder(request)
        name = request.path_params["name"]
        file = folder / "results" / name
        if name not in views.RESULT_FILES or not file.is_file():
            raise HTTPException(404)
        headers = {}
        if name == "report.html":
            headers["content-security-policy"] = REPORT_POLICY
        here = name in ("report.html", "report.pdf") and "download" not in request.query_params
        return FileResponse(
            file, headers=headers, filename=f"{_name(folder)}-{name}",
            content_disposition_type="inline" if here else "attachment",
        )  # fmt: skip

    async def marked(self, request: Request) -> Response:
        from durability.retention.readiness import findings_of
        from durability.study import write_marked

        folder = self._folder(request)

        def write(out: Path) -> None:
            write_marked(folder, out, *findings_of(folder))

        return await _made(folder, ".xlsx", f"{_name(folder)}-marked.xlsx", write)

    async def archive(self, request: Request) -> Response:
        from durability.report.archive import pack
        from durability.report.results import ResultsFolderError

        folder = self._folder(request)
        try:
            return await _made(
                folder, ".zip", f"{_name(folder)}-archive.zip",
                lambda out: pack(folder / "results", out, study=folder),
            )  # fmt: skip
        except ResultsFolderError as error:
            return _page("sorry", 409, words=str(error), back=self._base(folder))

    async def go(self, request: Request) -> Response:
        self.leave()
        return _page("left")

    def _folder(self, request: Request) -> Path:
        return self.shelf.find(request.path_params["key"])

    def _key(self, folder: Path) -> str:
        return "-" if folder == self.shelf.folder else folder.name

    def _base(self, folder: Path) -> str:
        return f"/study/{quote(self._key(folder), safe='')}"

    def _gone(self, request: Request, error: Exception) -> Response:
        return _page("sorry", 404, words=str(error.args[0]), back="/")

    def _refused(self, request: Request, error: Exception) -> Response:
        status = error.status_code if isinstance(error, HTTPException) else 400
        words = {404: "There is nothing at this address.", 413: "That is too large."}
        return _page("sorry", status, words=words.get(status, "This cannot be done."), back="/")

    def _fault(self, request: Request, error: Exception) -> Response:
        words = f"This is a fault of the program, not of your data: {type(error).__name__}."
        return _page("sorry", 500, words=words, back="/")


def views_title(folder: Path) -> str:
    from durability.page.shelf import title_of

    return title_of(folder)


def _name(folder: Path) -> str:
    return folder.resolve().name


def _page(name: str, status: int = 200, **shown: Any) -> HTMLResponse:
    return HTMLResponse(render(f"{name}.html", **shown), status)


def _see(address: str) -> RedirectResponse:
    return RedirectResponse(address, 303)


async def _body(request: Request, most: int) -> bytes:
    """The body, refused as soon as it is larger than it may be."""
    parts, size = [], 0
    try:
        async for part in request.stream():
            size += len(part)
            if size > most:
                raise HTTPException(413)
            parts.append(part)
    except ClientDisconnect as error:
        raise HTTPException(400) from error
    return b"".join(parts)


async def _form(request: Request) -> list[tuple[str, str]]:
    text = (await _body(request, MOST_FORM)).decode("utf-8", "replace")
    try:
        return parse_qsl(text, keep_blank_values=True, max_num_fields=2_000)
    except ValueError as error:
        raise HTTPException(413) from error


async def _made(
    folder: Path, ending: str, name: str, write: Callable[[Path], object]
) -> FileResponse:
    """A file made for this answer in the study folder, and removed once it is sent."""
    handle, path = tempfile.mkstemp(prefix=".sending-", suffix=ending, dir=folder)
    os.close(handle)
    os.unlink(path)
    try:
        await run_in_threadpool(write, Path(path))
    except BaseException:
        Path(path).unlink(missing_ok=True)
        raise
    return FileResponse(path, filename=name, background=BackgroundTask(os.unlink, path))
