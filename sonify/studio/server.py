"""The studio's server: a document goes in, arrays come out.

It keeps nothing about a page except its running jobs, and a copy of the last project.
"""

from __future__ import annotations

import asyncio
import contextlib
import gc
import json
import os
import shutil
import tempfile
from collections.abc import AsyncIterator, Callable
from functools import partial
from pathlib import Path
from typing import Annotated, Any, TypeVar

import anyio.to_thread
import msgspec
from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, PlainTextResponse, Response
from starlette.routing import Mount, Route

from sonify.errors import InputError, SonifyError
from sonify.settings import Settings, convert, parse_toml, to_builtins
from sonify.studio.document import Command, Document, flash_key, safe_name, trusted
from sonify.studio.downloads import NO_OPTIONS, FileOptions
from sonify.studio.guard import Guard, Refused, Rights, body_of
from sonify.studio.jobs import LONGEST_READ_S, LONGEST_S, Job, Jobs
from sonify.studio.kept import Kept
from sonify.studio.naming import place_of, said

__all__ = ["application"]

MAX_DOCUMENT = 4 * 1024 * 1024
MAX_DROP = 256 * 1024 * 1024
BODY_S = 20.0
DROP_S = 60.0
MAX_WAITING = 96
MAX_DROPS = 4
MAX_FLASHES = 64
MAX_ITEMS = 40
LONGEST_FLASH_S = 120.0
LONGEST_DRAFT_S = 30.0
MAX_VALUE = 20_000
"""The most characters of a value typed as TOML."""

T = TypeVar("T")


class _Lay(Settings, frozen=True):
    setup: dict[str, Any]
    preset: str


class _Notes(Settings, frozen=True):
    notes: list[tuple[float, float, float]]


class _Value(Settings, frozen=True):
    text: str


class _Roll(Settings, frozen=True):
    setup: dict[str, Any]
    seed: int
    locks: tuple[str, ...] = ()


class _Download(Settings, frozen=True):
    document: Document
    what: str
    suffix: str
    calm: bool = False
    options: FileOptions = NO_OPTIONS
    items: tuple[tuple[str, str], ...] = ()


class _Draft(Settings, frozen=True):
    document: Document
    what: str
    suffix: str
    options: FileOptions = NO_OPTIONS
    at: float = 0.0


class _Flash(Settings, frozen=True):
    document: Document
    pace: Annotated[float, msgspec.Meta(ge=0.1, le=10)] = 1.0


class _Holes(Settings, frozen=True):
    document: Document
    places: tuple[int, ...] = ()
    repair: bool = False


class _Drop(Settings, frozen=True):
    name: str
    id: Annotated[str, msgspec.Meta(pattern="^[A-Za-z0-9]{16}$")] | None = None
    setup: dict[str, Any] = msgspec.field(default_factory=dict)
    hints: dict[str, Any] = msgspec.field(default_factory=dict)
    document: Document | None = None


class _Server:
    """The handlers of the routes, and their state."""

    def __init__(self, start: dict[str, Any], command: Command) -> None:
        self._start = start
        self._command = command
        self.folder = Path(tempfile.mkdtemp(prefix=f"sonify-studio-{os.getpid()}-"))
        self.jobs = Jobs(self.folder)
        self._threads = anyio.CapacityLimiter(3)
        self._waiting = 0
        self._dropping = 0
        self._flashes: dict[str, dict[str, Any]] = {}
        self._open = contextlib.ExitStack()

    @contextlib.asynccontextmanager
    async def lifespan(self, _app: Starlette) -> AsyncIterator[None]:
        warm = asyncio.create_task(self._warm())
        yield
        warm.cancel()

    def close(self) -> None:
        """End all jobs and processes, and remove the temporary folder."""
        self.jobs.stop()
        self._open.close()
        shutil.rmtree(self.folder, ignore_errors=True)

    async def _warm(self) -> None:
        """Load what the first request needs."""
        from sonify.studio.answer import answer
        from sonify.studio.samples import rendering_apart
        from sonify.studio.tables import tables

        self._open.enter_context(rendering_apart())
        with contextlib.suppress(SonifyError):
            await self._thread(tables)
            await self._thread(answer, convert(self._start["document"], Document))
        # what is loaded by now stays: no collection need go through it while a page waits
        gc.collect()
        gc.freeze()
        # commands collect seldom, because they end soon; a server collects as often as Python 3.11
        gc.set_threshold(700)

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

    async def page(self, request: Request) -> Response:
        """A file of the page, unless the browser has it already."""
        from sonify.studio.page import studio_files

        file = studio_files().get(request.path_params["path"])
        if file is None:
            raise HTTPException(404)
        content, kind, tag = file
        if request.headers.get("if-none-match") == tag:
            return Response(status_code=304, headers={"etag": tag})
        return Response(content, media_type=kind, headers={"etag": tag})

    async def tables(self, request: Request) -> Response:
        from sonify.studio.tables import tables

        return JSONResponse(await self._thread(tables))

    async def start(self, request: Request) -> Response:
        return JSONResponse(self._start)

    async def show(self, request: Request) -> Response:
        from sonify.studio.answer import answer

        document = await _sent(request, Document)
        return _packed(await self._thread(answer, document))

    async def midi(self, request: Request) -> Response:
        """The MIDI messages of a document, by time."""
        from sonify.studio.answer import midi_answer

        return _packed(await self._thread(midi_answer, await _sent(request, Document)))

    async def notes(self, request: Request) -> Response:
        from sonify.studio.samples import samples

        return _packed(await self._thread(samples, (await _sent(request, _Notes)).notes))

    async def command(self, request: Request) -> Response:
        """The shortest command line that makes a file, and the files that it reads."""
        from sonify.studio.downloads import command_for

        sent = await _sent(request, _Download)
        line, needs = await self._thread(
            command_for, sent.document, sent.what, sent.suffix, sent.calm, self._command,
            sent.options,
        )  # fmt: skip
        several = sent.options.several(sent.what)
        return JSONResponse({"command": line, "needs": needs, "several": several})

    async def holes(self, request: Request) -> Response:
        """The disc with some holes flipped, and what that does to its message."""
        from sonify.studio.holes import flipped

        sent = await _sent(request, _Holes)
        return JSONResponse(await self._thread(flipped, sent.document, sent.places, sent.repair))

    async def project(self, request: Request) -> Response:
        """A project as the text of its file."""
        from sonify.studio.project import Project, project_name, project_toml

        sent = await _sent(request, Project)
        text = await self._thread(project_toml, sent)
        return JSONResponse({"text": text, "name": project_name(sent)})

    async def room(self, request: Request) -> Response:
        from sonify.studio.samples import room

        return _packed(await self._thread(room))

    async def lay(self, request: Request) -> Response:
        from sonify.studio.document import lay

        sent = await _sent(request, _Lay)
        return JSONResponse(await self._thread(lay, sent.setup, sent.preset))

    async def value(self, request: Request) -> Response:
        """A value written as TOML."""
        import tomllib

        text = (await _sent(request, _Value)).text[:MAX_VALUE]
        try:
            return JSONResponse({"value": parse_toml(f"v = {text}")["v"]})
        except tomllib.TOMLDecodeError:
            raise Refused(422, f"this is not a TOML value: {text[:60]}") from None

    async def disc(self, request: Request) -> Response:
        from sonify.studio.document import disc_document, names_that_ship

        name = request.path_params["name"]
        if name not in names_that_ship("disc"):
            raise Refused(404, "there is no shipped disc of this name")
        return JSONResponse(await self._thread(disc_document, name))

    async def measures(self, request: Request) -> Response:
        """The measures of all musical presets on the page's disc."""
        from sonify.studio.choosing import measures_of_presets

        return JSONResponse(await self._thread(measures_of_presets, await _sent(request, Document)))

    async def dice(self, request: Request) -> Response:
        from sonify.studio.dice import roll

        sent = await _sent(request, _Roll)
        return JSONResponse(await self._thread(roll, sent.setup, sent.seed, set(sent.locks)))

    async def drop(self, request: Request) -> Response:
        """Read a file that was dropped on the page, or compare it with a document, as a job."""
        if self._dropping >= MAX_DROPS:
            raise Refused(429, "too many files at once; wait for one to finish")
        self._dropping += 1
        try:
            body = await body_of(request.receive, request.headers, MAX_DROP, DROP_S)
        finally:
            self._dropping -= 1
        end = 4 + int.from_bytes(body[:4], "little")
        if len(body) < 4 or end > min(len(body), MAX_DOCUMENT):
            raise Refused(400, "send the header's length, the header and the file")
        sent, data = convert(_object(body[4:end]), _Drop), body[end:]
        suffix = Path(sent.name).suffix.casefold()
        if not suffix or len(suffix) > 6 or not suffix[1:].isalnum():
            raise Refused(422, "the file name needs a suffix such as .svg")
        if not data:
            raise Refused(422, "the file is empty")
        file = safe_name(Path(sent.name).stem) + suffix
        kind = "read" if sent.document is None else "compare"
        spec = {**to_builtins(sent), "kind": kind, "file": file}
        return JSONResponse(await self._result(spec, LONGEST_READ_S, data, sent.id))

    async def progress(self, request: Request) -> Response:
        """How far the reading of a file has come, under the id that the page gave it."""
        job = self.jobs.get(request.path_params["id"])
        return JSONResponse({"progress": None if job is None else job.progress})

    async def download(self, request: Request) -> Response:
        """Start a job that makes a download."""
        from sonify.studio.downloads import file_name

        sent = await _sent(request, _Download)
        name = file_name(sent.document, sent.what, sent.suffix, sent.options)
        if len(sent.items) > MAX_ITEMS:
            raise Refused(422, f"{len(sent.items)} files are too many; at most {MAX_ITEMS}")
        for what, suffix in sent.items:
            file_name(sent.document, what, suffix)
        job = self._job_for({"kind": "download", **to_builtins(sent)}, LONGEST_S)
        return JSONResponse({**job.facts(), "name": name}, 202)

    async def draft(self, request: Request) -> Response:
        """A quick look at a download."""
        spec = {"kind": "draft", **to_builtins(await _sent(request, _Draft))}
        try:
            return JSONResponse((await self._result(spec, LONGEST_DRAFT_S))["draft"])
        except InputError as e:  # what can't be made has no draft, but a reason
            return JSONResponse({"about": said(e)})

    async def flash(self, request: Request) -> Response:
        """Measure how much a show flashes; the latest answers are cached."""
        sent = await _sent(request, _Flash)
        key = f"{flash_key(sent.document)} {sent.pace}"
        if key not in self._flashes:
            spec = {"kind": "flash", **to_builtins(sent)}
            found = (await self._result(spec, LONGEST_FLASH_S))["flash"]
            while len(self._flashes) >= MAX_FLASHES:
                self._flashes.pop(next(iter(self._flashes)))
            self._flashes[key] = found
        return JSONResponse(self._flashes[key])

    async def loudness(self, request: Request) -> Response:
        """How loud a document is, in LUFS; null for silence."""
        spec = {"kind": "loudness", "document": to_builtins(await _sent(request, Document))}
        return JSONResponse({"lufs": (await self._result(spec, LONGEST_FLASH_S))["loudness"]})

    def _job_for(
        self, spec: dict[str, Any], longest_s: float, data: bytes | None = None,
        id: str | None = None,
    ) -> Job:  # fmt: skip
        return self.jobs.start({**spec, "trusted": sorted(trusted)}, longest_s, data, id)

    async def _result(
        self, spec: dict[str, Any], longest_s: float, data: bytes | None = None,
        id: str | None = None,
    ) -> dict[str, Any]:  # fmt: skip
        """The result of a job.

        Raises
        ------
        InputError
            The job failed.
        """
        job = self._job_for(spec, longest_s, data, id)
        await self.jobs.done(job)
        told = dict(job.said)
        await self.jobs.drop(job)
        if "error" in told:
            raise InputError(told["error"], place=told.get("place"))
        return told

    def _known_job(self, request: Request) -> Job:
        job = self.jobs.get(request.path_params["id"])
        if job is None:
            raise Refused(404, "there is no such job; it has expired or was cancelled")
        return job

    async def job(self, request: Request) -> Response:
        return JSONResponse(self._known_job(request).facts())

    async def cancel(self, request: Request) -> Response:
        await self.jobs.drop(self._known_job(request))
        return Response(status_code=204)

    async def file(self, request: Request) -> Response:
        job = self._known_job(request)
        if job.state != "done" or "file" not in job.said:
            raise Refused(409, "the file is not ready")
        name = Path(str(job.said["file"])).name
        return FileResponse(job.folder / name, filename=name)


async def _sent(request: Request, kind: type[T]) -> T:
    """The JSON object that a page sent."""
    body = await body_of(request.receive, request.headers, MAX_DOCUMENT, BODY_S)
    return convert(_object(body), kind)


def _object(raw: bytes) -> dict[str, Any]:
    try:
        data = json.loads(raw)
    except (ValueError, RecursionError):
        raise Refused(400, "the request is not JSON") from None
    if not isinstance(data, dict):
        raise Refused(400, "the request must be a JSON object")
    return data


def _packed(data: bytes) -> Response:
    return Response(data, media_type="application/octet-stream")


async def _sonify_error(_request: Request, e: Exception) -> Response:
    assert isinstance(e, SonifyError)
    return JSONResponse({"error": said(e), "place": place_of(e)}, 422)


async def _http_error(_request: Request, e: Exception) -> Response:
    assert isinstance(e, HTTPException)
    return JSONResponse({"error": e.detail, "place": None}, e.status_code, e.headers)


async def _unexpected(_request: Request, _e: Exception) -> Response:
    return PlainTextResponse("internal error; the page can still be used\n", 500)


def application(start: dict[str, Any], rights: Rights, command: Command) -> tuple[Guard, _Server]:
    """The application for the document that a page opens with, and its server, to be closed."""
    s = _Server(start, command)
    kept = Kept(MAX_DOCUMENT, BODY_S, local=rights.token is None)
    asked = {"/tables": s.tables, "/start": s.start, "/disc/{name}": s.disc, "/room": s.room}
    posted = {
        "/show": s.show, "/notes": s.notes, "/value": s.value, "/lay": s.lay, "/dice": s.dice,
        "/flash": s.flash, "/drop": s.drop, "/jobs": s.download, "/command": s.command,
        "/project": s.project, "/holes": s.holes, "/measures": s.measures,
        "/loudness": s.loudness, "/draft": s.draft, "/midi": s.midi,
    }  # fmt: skip
    routes = [
        *(Route(path, answer) for path, answer in asked.items()),
        *(Route(path, answer, methods=["POST"]) for path, answer in posted.items()),
        Route("/kept", kept.get),
        Route("/kept", kept.put, methods=["POST"]),
        Route("/progress/{id}", s.progress),
        Route("/jobs/{id}", s.job),
        Route("/jobs/{id}", s.cancel, methods=["DELETE"]),
        Route("/jobs/{id}/file", s.file),
    ]
    app = Starlette(
        routes=[Mount("/api", routes=routes), Route("/{path:path}", s.page)],
        exception_handlers={
            SonifyError: _sonify_error,
            HTTPException: _http_error,
            Exception: _unexpected,
        },
        lifespan=s.lifespan,
    )
    return Guard(app, rights), s
