"""Starts, watches and stops jobs, each in its own process. A quick job's is kept for the next."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import secrets
import shutil
import signal
import sys
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from sonify.studio.guard import Refused

__all__ = ["LONGEST_READ_S", "LONGEST_S", "Job", "Jobs"]

MAX_RUNNING = 2
MAX_GOING = 24
MAX_MADE = 24
"""Files that are kept for the page; older ones are deleted."""
LEFT_AFTER_S = 15.0
MADE_FOR_S = 1800.0
"""How long a file is kept that no page asks about: pages in the background ask once a minute or not
at all, and sleep with the machine (own choice)."""
LONGEST_S = 3600.0
LONGEST_READ_S = 180.0
QUICK = {"draft", "flash", "loudness"}
"""Kinds of jobs that take about as long as a process takes to load what it needs."""
IDLE_S = 120.0
"""How long a process without a job is kept (own choice: while someone works with the page)."""
RESULTS = {"error", "file", "disc", "setup", "project", "flash", "loudness", "compared", "draft"}
"""What jobs end with."""


@dataclass
class Job:
    """A job and its state."""

    id: str
    folder: Path
    longest_s: float
    kind: str
    state: str = "waiting"
    progress: float | None = None
    said: dict[str, Any] = field(default_factory=dict)
    asked: float = field(default_factory=time.monotonic)
    process: asyncio.subprocess.Process | None = None
    task: asyncio.Task[None] | None = None
    keep: bool = False

    @property
    def ended(self) -> bool:
        """Whether it is done or has failed."""
        return self.state in ("done", "failed")

    def facts(self) -> dict[str, Any]:
        """What the page is told about the job."""
        told = ("error", "place", "file", "size", "cautions", "notes")
        state = {"id": self.id, "state": self.state, "progress": self.progress}
        return state | {k: v for k, v in self.said.items() if k in told}


class Jobs:
    """The jobs of a server."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._jobs: dict[str, Job] = {}
        self._places = asyncio.Semaphore(MAX_RUNNING)
        self._drafts = asyncio.Semaphore(1)  # files don't wait for drafts
        self._watch: asyncio.Task[None] | None = None
        self._idle: asyncio.subprocess.Process | None = None
        self._idle_since = 0.0

    def get(self, id: str) -> Job | None:
        """A job by its id. Jobs that nobody asks about are dropped after a while."""
        job = self._jobs.get(id)
        if job is not None:
            job.asked = time.monotonic()
        return job

    def start(
        self, spec: dict[str, Any], longest_s: float, data: bytes | None = None,
        id: str | None = None,
    ) -> Job:  # fmt: skip
        """Start a job, or queue it; the page may give its id.

        Raises
        ------
        Refused
            Too many jobs are running or waiting, or there is one with this id.
        """
        if sum(not job.ended for job in self._jobs.values()) >= MAX_GOING:
            raise Refused(429, "too many files are being made; wait for one to finish")
        id = id or secrets.token_urlsafe(12)
        if id in self._jobs:
            raise Refused(409, "there is a job with this id")
        folder = self._folder / id
        folder.mkdir(mode=0o700)
        (folder / "job.json").write_text(json.dumps(spec), encoding="utf-8")
        if data is not None:
            (folder / "dropped").mkdir()
            (folder / "dropped" / spec["file"]).write_bytes(data)
        job = Job(id, folder, longest_s, spec["kind"])
        self._jobs[id] = job
        job.task = asyncio.create_task(self._run(job))
        if self._watch is None:
            self._watch = asyncio.create_task(self._sweep())
        return job

    async def done(self, job: Job) -> None:
        """Wait for the end of a job; if the wait is cancelled, the job is too."""
        assert job.task is not None
        job.keep = True
        try:
            await asyncio.shield(job.task)
        except asyncio.CancelledError:
            await self.drop(job)
            raise
        finally:
            job.keep = False

    async def _run(self, job: Job) -> None:
        async with self._drafts if job.kind == "draft" else self._places:
            job.state = "working"
            quick, whole = job.kind in QUICK, False
            process = job.process = await self._process(job, quick)
            try:
                whole = await asyncio.wait_for(self._listen(job, process), job.longest_s)
            except TimeoutError:
                job.said = {"error": f"this took longer than {job.longest_s:.0f} s and was stopped"}
            finally:
                if whole and self._idle is None:
                    job.process, self._idle = None, process
                    self._idle_since = time.monotonic()
                else:
                    _kill(process)
                    with contextlib.suppress(ProcessLookupError):
                        await process.wait()
        if job.said.get("file"):
            path = job.folder / str(job.said["file"])
            if path.is_file():
                job.said["size"] = path.stat().st_size
        if not job.said.keys() & RESULTS:
            job.said["error"] = "the job ended without a result"
        if "error" in job.said:
            job.state = "failed"
        else:
            job.state, job.progress = "done", 1.0

    async def _process(self, job: Job, quick: bool) -> asyncio.subprocess.Process:
        """A process that works on a job: for quick ones the last one's, if that still waits."""
        process, folder = None, str(job.folder)
        if quick:
            process, self._idle = self._idle, None
        if process is None or process.returncode is not None:
            process = await asyncio.create_subprocess_exec(
                sys.executable, "-m", "sonify.studio.job", *([] if quick else [folder]),
                stdin=asyncio.subprocess.PIPE if quick else asyncio.subprocess.DEVNULL,
                stdout=asyncio.subprocess.PIPE,
                stderr=asyncio.subprocess.DEVNULL,
                limit=64 * 1024 * 1024,
                start_new_session=True,
                env={**os.environ, "PYTHONPATH": os.pathsep.join(p for p in sys.path if p)},
            )  # fmt: skip
        if process.stdin is not None:
            process.stdin.write(f"{folder}\n".encode())
        return process

    @staticmethod
    async def _listen(job: Job, process: asyncio.subprocess.Process) -> bool:
        """Take in what a process says about a job; whether it then waits for another one."""
        assert process.stdout is not None
        async for line in process.stdout:
            with contextlib.suppress(ValueError):
                said = json.loads(line)
                if "waits" in said:
                    return True
                job.progress = said.pop("progress", job.progress)
                job.said.update(said)
        return False

    async def drop(self, job: Job) -> None:
        """Stop a job and delete its files."""
        self._jobs.pop(job.id, None)
        _kill(job.process)
        if job.task is not None and not job.task.done():
            job.task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await job.task
        shutil.rmtree(job.folder, ignore_errors=True)

    async def tidy(self) -> None:
        """Drop jobs that nobody asks about any more, and all but the latest files."""
        now = time.monotonic()
        ended = [job for job in self._jobs.values() if job.ended and not job.keep]
        old = ended[:-MAX_MADE]
        for job in list(self._jobs.values()):
            longest = MADE_FOR_S if job.state == "done" else LEFT_AFTER_S
            if not job.keep and (job in old or job.asked < now - longest):
                await self.drop(job)

    async def _sweep(self) -> None:
        """Tidy up once a second."""
        while True:
            await asyncio.sleep(1.0)
            await self.tidy()
            if self._idle is not None and self._idle_since < time.monotonic() - IDLE_S:
                _kill(self._idle)
                self._idle = None

    def stop(self) -> None:
        """Kill all jobs and processes."""
        for process in [self._idle, *(job.process for job in self._jobs.values())]:
            _kill(process)


def _kill(process: asyncio.subprocess.Process | None) -> None:
    """Kill a process and those that it started."""
    if process is not None and process.returncode is None:
        with contextlib.suppress(ProcessLookupError, PermissionError):
            os.killpg(process.pid, signal.SIGKILL)
