"""A job of `sonify batch`, in a process of its own. The workers of a cluster import only this."""

from __future__ import annotations

import contextlib
import importlib
import json
import os
import runpy
import select
import signal
import subprocess
import sys
import tempfile
import threading
from pathlib import Path
from typing import NamedTuple

from sonify.cli.batch_list import Job, digest

__all__ = ["Made", "end", "make", "stop"]

_COMMON = (
    "numpy.ma", "sonify.cli.outputs", "sonify.disc.geometry.fit", "sonify.export.file_formats",
    "sonify.export.midi", "sonify.load", "sonify.performance",
)  # fmt: skip
"""What most jobs load."""
_COPIES = sys.platform == "linux"
"""Whether a process that has loaded them can be copied; libraries of macOS may not survive it."""

_running: set[subprocess.Popen[str]] = set()
_idle: list[subprocess.Popen[str]] = []


class Made(NamedTuple):
    """What became of a job: its files with their digests, in a folder, and what was said."""

    folder: Path
    files: dict[str, str]
    said: list[str]
    error: str | None


def make(job: Job, home: Path, folder: Path) -> Made:
    """Run a job.

    Parameters
    ----------
    job : Job
    home : Path
        The folder of the list, where relative paths begin.
    folder : Path
        Where to make a folder for what the job writes.
    """
    place = Path(tempfile.mkdtemp(dir=folder))
    heard = place.with_name(f"{place.name}.said")
    process = _starter()
    _running.add(process)
    try:
        assert process.stdin is not None
        assert process.stdout is not None
        with contextlib.suppress(BrokenPipeError):
            process.stdin.write(json.dumps([job.into(place), str(home), str(heard)]) + "\n")
            process.stdin.flush()
        told = process.stdout.readline()
    finally:
        _running.discard(process)
    status = int(told) if told else process.wait()
    if told:
        _idle.append(process)
    said = heard.read_text("utf-8").replace(f"{place}/", "").splitlines() if heard.exists() else []
    heard.unlink(missing_ok=True)
    if status:
        return Made(place, {}, said, _reason(status, said))
    files = sorted(p for p in place.rglob("*") if p.is_file())
    return Made(place, {p.relative_to(place).as_posix(): digest(p) for p in files}, said, None)


def _starter() -> subprocess.Popen[str]:
    """A process that waits for a job: the last one's, if it still does."""
    with contextlib.suppress(IndexError):
        while True:
            process = _idle.pop()
            if process.poll() is None:
                return process
    own = {
        "PYTHONPATH": os.pathsep.join(p for p in sys.path if p),
        "PYTHONIOENCODING": "utf-8:backslashreplace",
    }
    # -P: don't import from the list's folder
    return subprocess.Popen(
        [sys.executable, "-P", "-m", __name__], env=os.environ | own, text=True, encoding="utf-8",
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
    )  # fmt: skip


def stop() -> None:
    """End the jobs that this process started."""
    for process in tuple(_running):
        process.terminate()


def end() -> None:
    """End the processes that wait for jobs."""
    while _idle:
        _idle.pop().communicate()


def _reason(status: int, said: list[str]) -> str:
    if status < 0:
        with contextlib.suppress(ValueError):
            return f"it was ended by {signal.Signals(-status).name}"
    told = [line for line in said if line.startswith("sonify: ")] or said[-1:]
    return told[-1].removeprefix("sonify: ") if told else f"it ended with status {status}"


def _wait() -> None:
    """Wait for jobs; return in a process that is to run one, with its words, folder and stderr."""
    if _COPIES:
        for name in _COMMON:
            importlib.import_module(name)
        # a terminal sends it to the copy, too
        signal.signal(signal.SIGINT, signal.SIG_IGN)
    for line in sys.stdin:
        watched = _copied() if _COPIES else 0
        if watched is None:
            continue
        threading.Thread(target=_end_with, args=(watched,), daemon=True).start()
        sys.argv[1:], home, heard = json.loads(line)
        for number, path in ((1, os.devnull), (2, heard)):
            new = os.open(path, os.O_WRONLY | os.O_CREAT, 0o600)
            os.dup2(new, number)
            os.close(new)
        os.chdir(home)
        return
    sys.exit()


def _copied() -> int | None:
    """Copy this process.

    Returns
    -------
    int or None
        In the copy, a file that can be read as soon as this process ends; here, None when the copy
        has ended and its status is told.
    """
    watched, held = os.pipe()
    # no signal is lost while it is not known to whom it goes
    signal.pthread_sigmask(signal.SIG_BLOCK, [signal.SIGTERM])
    copy = os.fork()
    if copy:
        signal.signal(signal.SIGTERM, lambda number, frame: os.kill(copy, number))
    else:
        signal.signal(signal.SIGTERM, signal.SIG_DFL)
        signal.signal(signal.SIGINT, signal.default_int_handler)
    signal.pthread_sigmask(signal.SIG_UNBLOCK, [signal.SIGTERM])
    if not copy:
        os.close(held)
        return watched
    os.waitid(os.P_PID, copy, os.WEXITED | os.WNOWAIT)
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    _, status = os.waitpid(copy, 0)
    os.close(watched)
    os.close(held)
    print(os.waitstatus_to_exitcode(status), flush=True)
    return None


def _end_with(watched: int) -> None:
    """End this process when the batch ends, or the process that waits for jobs, even if killed."""
    # nobody writes while a job runs
    if _COPIES:
        select.select([0, watched], [], [])
    else:
        os.read(0, 1)
    os._exit(1)


if __name__ == "__main__":
    _wait()
    runpy.run_module("sonify", run_name="__main__")
