"""How does a page become text? Fills a template; all text of a study is escaped."""

from __future__ import annotations

import functools
from importlib.resources import files
from typing import Any

from jinja2 import DictLoader, Environment, StrictUndefined


@functools.cache
def _environment() -> Environment:
    folder = files("durability.page") / "templates"
    sources = {p.name: p.read_text(encoding="utf-8") for p in folder.iterdir() if p.is_file()}
    return Environment(
        loader=DictLoader(sources), autoescape=True, undefined=StrictUndefined, trim_blocks=True,
        lstrip_blocks=True,
    )  # fmt: skip


def render(name: str, **shown: Any) -> str:
    """The text of a template with what is shown in it.

    Parameters
    ----------
    name : ``"study.html"``; style and script are ``"page.css"`` and ``"page.js"``.
    """
    file = f"{name}.j2" if name.endswith(".html") else name
    return _environment().get_template(file).render(**shown).lstrip()
