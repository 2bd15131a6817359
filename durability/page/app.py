"""What does the page answer to each address? Thin lines over the rooms; no statistics here."""

from __future__ import annotations

import json
import os
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any
from urllib.parse import parse_qsl

from starlette.applications import Starlette
from starlette.background import BackgroundTask
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import FileResponse, HTMLResponse, JSONResponse, RedirectResponse, Response
from starlette.routing import Route

from durability.page import describing, intake, planning, views
from durability.page.door import REPORT_POLICY
from durability.page.render import render
from durability.page.running import Busy, Runs
from durability.page.sheet import Changed
from durability.page.shelf import NoStudy, Shelf, title_of
from durability.page.steps import Steps

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
        self.steps = Steps(self.shelf)

    def application(self) -> Starlette:
        """The page as an ASGI application; the door goes before it."""
        get, post = ["GET"], ["POST"]
        study = "/study/{key}"
        routes = [
            Route("/", self.studies, methods=get),
            Route("/page{ending}", self.asset, methods=get),
            Route("/take", self.take, methods=post),
            Route("/plan", self.plan, methods=["GET", "POST"]),
            Route("/leave", self.go, methods=post),
            Route(study, self.study, methods=get),
            Route(f"{study}/work", self.work, methods=get),
            Route(f"{study}/take", self.take, methods=post),
            Route(f"{study}/record", self.take, methods=post),
            Route(f"{study}/columns", self.columns, methods=["GET", "POST"]),
            Route(f"{study}/describe", self.describe, methods=["GET", "POST"]),
            Route(f"{study}/text", self.text, methods=["GET", "POST"]),
            Route(f"{study}/mend", self.mend, methods=post),
            Route(f"{study}/run", self.run, methods=post),
            Route(f"{study}/stop", self.stop, methods=post),
            Route(f"{study}/progress", self.progress, methods=get),
            Route(f"{study}/results/{{name}}", self.result, methods=get),
            Route(f"{study}/plan/{{name}}", self.plan_file, methods=get),
            Route(f"{study}/marked.xlsx", self.marked, methods=get),
            Route(f"{study}/archive.zip", self.archive, methods=get),
        ]
        handlers: dict[Any, Any] = {
            NoStudy: self._gone, HTTPException: self._refused, Exception: self._fault
        }  # fmt: skip
        made = Starlette(routes=routes, exception_handlers=handlers)
        made.router.redirect_slashes = False
        return made

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
        base = self.steps.base(folder)
        return {
            **view, "base": base, "run": run.to_dict() if run else None,
            "title": title_of(folder), "told": self.steps.told.get(folder, []), **more,
        }  # fmt: skip

    # what is dropped, named and described

    async def take(self, request: Request) -> Response:
        known = request.path_params.get("key")
        folder = self.shelf.find(known) if known is not None else None
        name = request.query_params.get("name", "")
        try:
            data = await _body(request, intake.MOST_BYTES)
            exposure = request.query_params.get("exposure")
            if folder is not None and exposure is not None:
                go = await run_in_threadpool(self.steps.record, folder, exposure, name, data)
            else:
                go = await run_in_threadpool(self.steps.take, folder, name, data)
            return JSONResponse({"go": go})
        except intake.NotTaken as error:
            return JSONResponse({"words": str(error)}, 422)

    async def columns(self, request: Request) -> Response:
        folder = self._folder(request)
        query = request.query_params
        if request.method == "GET":
            try:
                shown = await run_in_threadpool(
                    self.steps.columns, folder, query.get("original", ""), query.get("sheet"),
                    query.get("kind"),
                )  # fmt: skip
            except (intake.NotTaken, FileNotFoundError) as error:
                return _page("sorry", 422, words=str(error), back=self.steps.base(folder))
            return _page("columns", base=self.steps.base(folder), title=title_of(folder), **shown)
        pairs = await _form(request)
        try:
            await run_in_threadpool(self.steps.name_columns, folder, pairs)
        except (ValueError, FileNotFoundError) as error:
            return _page("sorry", 422, words=str(error), back=self.steps.base(folder))
        return _see(f"{self.steps.base(folder)}/describe")

    async def describe(self, request: Request) -> Response:
        folder = self._folder(request)
        if request.method == "POST":
            answers = describing.read_form(await _form(request))
            try:
                await run_in_threadpool(self.steps.describe, folder, answers)
            except ValueError as error:
                return _page(
                    "sorry", 422, words=str(error), back=f"{self.steps.base(folder)}/describe"
                )
            return _see(self.steps.base(folder))
        try:
            shown = await run_in_threadpool(self.steps.form_view, folder)
        except ValueError:  # study.toml is no TOML: only as text can it be mended
            return _see(f"{self.steps.base(folder)}/text")
        return _page("describe", base=self.steps.base(folder), title=title_of(folder), **shown)

    async def text(self, request: Request) -> Response:
        folder = self._folder(request)
        words = ""
        if request.method == "POST":
            given = dict(await _form(request))
            try:
                await run_in_threadpool(
                    self.steps.write_text, folder, given.get("text", ""), given.get("was", "")
                )
                return _see(self.steps.base(folder))
            except Changed as error:
                words = str(error)
        shown = await run_in_threadpool(views.text_view, folder)
        return _page("text", 409 if words else 200, base=self.steps.base(folder), words=words,
                     title=title_of(folder), **shown)  # fmt: skip

    async def plan(self, request: Request) -> Response:
        words, wanted = "", planning.Wanted()
        if request.method == "POST":
            wanted = planning.Wanted.of(dict(await _form(request)))
            try:
                return _see(await run_in_threadpool(self.steps.plan, wanted))
            except (ValueError, LookupError) as error:
                words = str(error.args[0])
        lamps = describing.choices()["lamps"]
        return _page("plan", 422 if words else 200, words=words, wanted=wanted, lamps=lamps)

    async def plan_file(self, request: Request) -> Response:
        folder, name = self._folder(request), request.path_params["name"]
        if name not in planning.PLAN_FILES or not (folder / name).is_file():
            raise HTTPException(404)
        return FileResponse(folder / name, filename=f"{_name(folder)}-{name}")

    # what is mended and run

    async def mend(self, request: Request) -> Response:
        folder = self._folder(request)
        try:
            asked = json.loads(await _body(request, MOST_FORM))
            await run_in_threadpool(self.steps.mend, folder, asked)
            words, status = "", 200
        except Changed as error:
            words, status = str(error), 409
        except (ValueError, KeyError, TypeError, RecursionError) as error:
            words = str(error.args[0]) if isinstance(error, ValueError) and error.args else ""
            words, status = words or "That change could not be read.", 422
        shown = await self._work(request, folder, words=words)
        return JSONResponse({"html": render("work.html", **shown), "words": words}, status)

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
        if name == views.PRINTED and not file.is_file():
            try:
                await run_in_threadpool(self.steps.print_report, folder)
            except ValueError as error:
                return _page("sorry", 409, words=str(error.args[0]), back=self.steps.base(folder))
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
            return _page("sorry", 409, words=str(error), back=self.steps.base(folder))

    async def go(self, request: Request) -> Response:
        self.leave()
        return _page("left")

    def _folder(self, request: Request) -> Path:
        return self.shelf.find(request.path_params["key"])

    def _gone(self, request: Request, error: Exception) -> Response:
        return _page("sorry", 404, words=str(error.args[0]), back="/")

    def _refused(self, request: Request, error: Exception) -> Response:
        status = error.status_code if isinstance(error, HTTPException) else 400
        words = {404: "There is nothing at this address.", 413: "That is too large."}
        return _page("sorry", status, words=words.get(status, "This cannot be done."), back="/")

    def _fault(self, request: Request, error: Exception) -> Response:
        words = f"This is a fault of the program, not of your data: {type(error).__name__}."
        return _page("sorry", 500, words=words, back="/")


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
