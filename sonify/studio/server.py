"""The studio's server, which answers documents with arrays.

It keeps nothing about a page except the jobs that it runs.
"""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
import json
import mimetypes
import os
import shutil
import tempfile
from collections.abc import AsyncIterator, Callable
from functools import partial
from importlib.resources import files
from pathlib import Path
from typing import Any, TypeVar

import anyio.to_thread
from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, PlainTextResponse, Response
from starlette.routing import Mount, Route

from sonify.errors import SonifyError
from sonify.settings import convert
from sonify.studio.document import Document, Recipe, flash_key, trusted
from sonify.studio.guard import Guard, Refused, Rights, body_of
from sonify.studio.jobs import LONGEST_READ_S, Job, Jobs, TooManyJobs
from sonify.studio.naming import place_of, said

__all__ = ["application"]

MAX_DOCUMENT = 4 * 1024 * 1024
MAX_DROP = 256 * 1024 * 1024
BODY_S = 20.0
DROP_S = 60.0
MAX_WAITING = 96
MAX_DROPS = 4
MAX_FLASHES = 64
LONGEST_FLASH_S = 120.0

T = TypeVar("T")


class _Static:
    """The page's own files, held in memory; no other file is served."""

    def __init__(self) -> None:
        self._files: dict[str, tuple[bytes, str, str]] = {}
        root = files("sonify.studio") / "static"
        self._add(root, "")

    def _add(self, folder: Any, at: str) -> None:
        for one in folder.iterdir():
            name = f"{at}{one.name}"
            if one.is_dir():
                self._add(one, f"{name}/")
                continue
            data = one.read_bytes()
            kind = {".js": "text/javascript", ".woff2": "font/woff2"}.get(Path(name).suffix) or (
                mimetypes.guess_type(name)[0] or "application/octet-stream"
            )
            if kind.startswith("text/"):
                kind += "; charset=utf-8"
            tag = f'"{hashlib.sha256(data).hexdigest()[:20]}"'
            self._files[name] = (data, kind, tag)

    def answer(self, request: Request) -> Response:
        """One of the files."""
        name = request.path_params.get("name") or "index.html"
        found = self._files.get(name)
        if found is None:
            raise HTTPException(404, "there is nothing here")
        data, kind, tag = found
        headers = {"etag": tag, "cache-control": "no-cache"}
        if request.headers.get("if-none-match") == tag:
            return Response(status_code=304, headers=headers)
        return Response(data, media_type=kind, headers=headers)


class _Server:
    """The handlers of the routes, and their state."""

    def __init__(self, start: dict[str, Any], command: Callable[[Recipe], str]) -> None:
        self._start = start
        self._command = command
        self.folder = Path(tempfile.mkdtemp(prefix=f"sonify-studio-{os.getpid()}-"))
        self._static = _Static()
        self._waiting = 0
        self._dropping = 0
        self._flashes: dict[str, dict[str, Any]] = {}
        self.jobs: Jobs | None = None
        self._threads: anyio.CapacityLimiter | None = None

    @contextlib.asynccontextmanager
    async def lifespan(self, _app: Starlette) -> AsyncIterator[None]:
        self.jobs = Jobs(self.folder)
        self._threads = anyio.CapacityLimiter(3)
        warm = asyncio.create_task(self._warm())
        try:
            yield
        finally:
            warm.cancel()
            self.close()

    def close(self) -> None:
        """End all jobs and remove the temporary folder."""
        if self.jobs is not None:
            self.jobs.stop()
        shutil.rmtree(self.folder, ignore_errors=True)

    async def _warm(self) -> None:
        """Load ahead what the first request needs."""
        from sonify.studio.answer import answer
        from sonify.studio.tables import tables

        with contextlib.suppress(SonifyError):
            await self._thread(tables)
            await self._thread(answer, convert(self._start, Document), self._command)

    async def _thread(self, function: Callable[..., T], *args: Any) -> T:
        """Compute in a thread; refuse if too many requests wait."""
        if self._waiting >= MAX_WAITING:
            raise Refused(503, "too many requests at once; try again in a moment")
        self._waiting += 1
        try:
            return await anyio.to_thread.run_sync(
                partial(function, *args), limiter=self._threads, abandon_on_cancel=True
            )
        finally:
            self._waiting -= 1

    async def static(self, request: Request) -> Response:
        return self._static.answer(request)

    async def tables(self, request: Request) -> Response:
        from sonify.studio.tables import tables

        return JSONResponse(await self._thread(tables))

    async def start(self, request: Request) -> Response:
        return JSONResponse(self._start)

    async def show(self, request: Request) -> Response:
        from sonify.studio.answer import answer

        document = convert(await _json(request), Document)
        return Response(
            await self._thread(answer, document, self._command),
            media_type="application/octet-stream",
            headers={"cache-control": "no-store"},
        )

    async def notes(self, request: Request) -> Response:
        from sonify.studio.samples import samples

        data = await _json(request)
        wanted = data.get("notes")
        if not isinstance(wanted, list) or not all(
            isinstance(w, list) and len(w) == 3 and all(_number(x) for x in w) for w in wanted
        ):
            raise Refused(422, "'notes' must be a list of [instrument, pitch, seconds]")
        packed = await self._thread(samples, [tuple(w) for w in wanted])
        return Response(packed, media_type="application/octet-stream")

    async def room(self, request: Request) -> Response:
        from sonify.studio.samples import room

        return Response(await self._thread(room), media_type="application/octet-stream")

    async def lay(self, request: Request) -> Response:
        from sonify.studio.document import lay

        data = await _json(request)
        setup, name = data.get("setup"), data.get("preset")
        if not isinstance(setup, dict) or not isinstance(name, str):
            raise Refused(422, "'setup' must be a table and 'preset' a name")
        return JSONResponse(await self._thread(lay, setup, name))

    async def value(self, request: Request) -> Response:
        """A value written as TOML."""
        import tomllib

        text = (await _json(request)).get("text")
        if not isinstance(text, str) or len(text) > 20_000:
            raise Refused(422, "'text' must be a short text")
        try:
            return JSONResponse({"value": tomllib.loads(f"v = {text}")["v"]})
        except (tomllib.TOMLDecodeError, RecursionError):
            raise Refused(422, f"this is not a TOML value: {text[:60]}") from None

    async def disc(self, request: Request) -> Response:
        from sonify.presets import shipped
        from sonify.studio.document import disc_document

        name = request.path_params["name"]
        if not any(s.name == name and s.kind == "disc" for s in shipped()):
            raise Refused(404, "there is no shipped disc of this name")
        return JSONResponse(await self._thread(disc_document, name))

    async def dice(self, request: Request) -> Response:
        from sonify.studio.dice import LOCKS, roll

        data = await _json(request)
        setup, seed, locks = data.get("setup"), data.get("seed"), data.get("locks", [])
        if not (
            isinstance(setup, dict)
            and isinstance(seed, int)
            and isinstance(locks, list)
            and all(x in LOCKS for x in locks)
        ):
            raise Refused(422, f"'setup', a whole 'seed', and 'locks' of {', '.join(LOCKS)}")
        return JSONResponse(await self._thread(roll, setup, seed, set(locks)))

    async def drop(self, request: Request) -> Response:
        """Read a file that was dropped on the page, as a job."""
        from sonify.studio.document import safe_name

        assert self.jobs is not None
        if self._dropping >= MAX_DROPS:
            raise Refused(429, "too many files at once; wait for one to finish")
        self._dropping += 1
        try:
            body = await body_of(request.receive, request.headers, MAX_DROP, DROP_S)
        finally:
            self._dropping -= 1
        size = int.from_bytes(body[:4], "little")
        if len(body) < 4 or 4 + size > min(len(body), MAX_DOCUMENT):
            raise Refused(400, "send the header's length, the header and the file")
        head = _object(body[4 : 4 + size])
        name, setup = head.get("name"), head.get("setup", {})
        hints = head.get("hints", {})
        if not isinstance(name, str) or not isinstance(setup, dict) or not isinstance(hints, dict):
            raise Refused(422, "'name' must be a text, 'setup' and 'hints' tables")
        suffix = Path(name).suffix.casefold()
        if not suffix or len(suffix) > 6 or not suffix[1:].isalnum():
            raise Refused(422, "the file name needs a suffix such as .svg")
        data = body[4 + size :]
        if not data:
            raise Refused(422, "the file is empty")
        spec = {
            "kind": "read",
            "file": f"dropped{suffix}",
            "name": f"{safe_name(Path(name).stem)}{suffix}",
            "setup": setup,
            "hints": hints,
            "trusted": sorted(trusted),
        }
        job = self._start_job(spec, data, LONGEST_READ_S)
        await self.jobs.done(job)
        told = dict(job.said)
        await self.jobs.drop(job)
        if "error" in told:
            return _wrong(told["error"], told.get("place"))
        return JSONResponse(told)

    def _start_job(self, spec: dict[str, Any], data: bytes | None, longest_s: float) -> Job:
        assert self.jobs is not None
        try:
            return self.jobs.start(spec, data, longest_s)
        except TooManyJobs:
            raise Refused(429, "too many files are being made; wait for one to finish") from None

    async def download(self, request: Request) -> Response:
        """Start to make a download."""
        from sonify.settings import to_builtins
        from sonify.studio.downloads import file_name

        data = await _json(request)
        document = convert(data.get("document") or {}, Document)
        what, suffix = str(data.get("what")), str(data.get("suffix"))
        name = file_name(document, what, suffix)
        spec = {
            "kind": "download", "document": to_builtins(document), "what": what, "suffix": suffix,
            "trusted": sorted(trusted), "calm": bool(data.get("calm")),
        }  # fmt: skip
        from sonify.studio.jobs import LONGEST_S

        job = self._start_job(spec, None, LONGEST_S)
        return JSONResponse({**job.facts(), "name": name}, 202)

    async def flash(self, request: Request) -> Response:
        """Measure how much a show flashes; the latest answers are cached."""
        from sonify.settings import to_builtins

        assert self.jobs is not None
        document = convert(await _json(request), Document)
        key = flash_key(document)
        if key not in self._flashes:
            spec = {
                "kind": "flash", "document": to_builtins(document), "trusted": sorted(trusted),
            }  # fmt: skip
            job = self._start_job(spec, None, LONGEST_FLASH_S)
            await self.jobs.done(job)
            told = dict(job.said)
            await self.jobs.drop(job)
            if "flash" not in told:
                return _wrong(told.get("error", "it could not be measured"), told.get("place"))
            while len(self._flashes) >= MAX_FLASHES:
                self._flashes.pop(next(iter(self._flashes)))
            self._flashes[key] = told["flash"]
        return JSONResponse({**self._flashes[key], "key": key})

    def _job(self, request: Request) -> Job:
        assert self.jobs is not None
        job = self.jobs.get(request.path_params["id"])
        if job is None:
            raise Refused(404, "there is no such job; it has expired or was cancelled")
        return job

    async def job(self, request: Request) -> Response:
        return JSONResponse(self._job(request).facts(), headers={"cache-control": "no-store"})

    async def cancel(self, request: Request) -> Response:
        assert self.jobs is not None
        await self.jobs.drop(self._job(request))
        return Response(status_code=204)

    async def file(self, request: Request) -> Response:
        job = self._job(request)
        if job.state != "done" or "file" not in job.said:
            raise Refused(409, "the file is not ready")
        name = Path(str(job.said["file"])).name
        return FileResponse(job.folder / name, filename=name, headers={"cache-control": "no-store"})


def _number(value: Any) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool) and value == value


async def _json(request: Request) -> dict[str, Any]:
    return _object(await body_of(request.receive, request.headers, MAX_DOCUMENT, BODY_S))


def _object(raw: bytes) -> dict[str, Any]:
    """The JSON object in a body."""
    try:
        data = json.loads(raw)
    except (ValueError, RecursionError):
        raise Refused(400, "the request is not JSON") from None
    if not isinstance(data, dict):
        raise Refused(400, "the request must be a JSON object")
    return data


def _wrong(what: str, place: str | None, status: int = 422) -> Response:
    return JSONResponse({"error": what, "place": place}, status)


async def _sonify_error(_request: Request, e: Exception) -> Response:
    assert isinstance(e, SonifyError)
    return _wrong(said(e), place_of(e))


async def _refused(_request: Request, e: Exception) -> Response:
    assert isinstance(e, Refused)
    return JSONResponse({"error": e.what, "place": None}, e.status, {"connection": "close"})


async def _http_error(_request: Request, e: Exception) -> Response:
    assert isinstance(e, HTTPException)
    return JSONResponse({"error": e.detail, "place": None}, e.status_code, e.headers)


async def _unexpected(_request: Request, _e: Exception) -> Response:
    return PlainTextResponse("internal error; the page can still be used\n", 500)


def application(
    start: dict[str, Any], rights: Rights, command: Callable[[Recipe], str]
) -> tuple[Guard, _Server]:
    """The application, and its server, which is to be closed at the end.

    Parameters
    ----------
    start : dict
        The document that a page opens with.
    rights : Rights
    command : callable
        Gives the command line of a recipe.
    """
    s = _Server(start, command)
    app = Starlette(
        routes=[
            Route("/", s.static),
            Mount(
                "/api",
                routes=[
                    Route("/tables", s.tables),
                    Route("/start", s.start),
                    Route("/disc/{name}", s.disc),
                    Route("/show", s.show, methods=["POST"]),
                    Route("/notes", s.notes, methods=["POST"]),
                    Route("/room", s.room),
                    Route("/value", s.value, methods=["POST"]),
                    Route("/lay", s.lay, methods=["POST"]),
                    Route("/dice", s.dice, methods=["POST"]),
                    Route("/flash", s.flash, methods=["POST"]),
                    Route("/drop", s.drop, methods=["POST"]),
                    Route("/jobs", s.download, methods=["POST"]),
                    Route("/jobs/{id}", s.job),
                    Route("/jobs/{id}", s.cancel, methods=["DELETE"]),
                    Route("/jobs/{id}/file", s.file),
                ],
            ),
            Route("/{name:path}", s.static),
        ],
        exception_handlers={
            SonifyError: _sonify_error,
            Refused: _refused,
            HTTPException: _http_error,
            Exception: _unexpected,
        },
        lifespan=s.lifespan,
    )
    return Guard(app, rights), s
