"""A job of `sonify batch`, in a process of its own. The workers of a cluster import only this."""

from __future__ import annotations

import contextlib
import os
import runpy
import signal
import subprocess
import sys
import tempfile
import threading
from pathlib import Path
from typing import NamedTuple

from sonify.cli.batch_list import Job, digest

__all__ = ["Made", "make", "stop"]

_running: set[subprocess.Popen[str]] = set()


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
    own = {
        "PYTHONPATH": os.pathsep.join(p for p in sys.path if p),
        "PYTHONIOENCODING": "utf-8:backslashreplace",
    }
    # -P: don't import from the list's folder
    process = subprocess.Popen(
        [sys.executable, "-P", "-m", __name__, *job.into(place)], cwd=home, env=os.environ | own,
        stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE,
        text=True, encoding="utf-8",
    )  # fmt: skip
    _running.add(process)
    try:
        assert process.stderr is not None
        said = process.stderr.read().replace(f"{place}/", "").splitlines()
        status = process.wait()
    finally:
        _running.discard(process)
        process.communicate()
    if status:
        return Made(place, {}, said, _reason(status, said))
    files = sorted(p for p in place.rglob("*") if p.is_file())
    return Made(place, {p.relative_to(place).as_posix(): digest(p) for p in files}, said, None)


def stop() -> None:
    """End the jobs that this process started."""
    for process in tuple(_running):
        process.terminate()


def _reason(status: int, said: list[str]) -> str:
    if status < 0:
        with contextlib.suppress(ValueError):
            return f"it was ended by {signal.Signals(-status).name}"
    told = [line for line in said if line.startswith("sonify: ")] or said[-1:]
    return told[-1].removeprefix("sonify: ") if told else f"it ended with status {status}"


def _end_with_parent() -> None:
    # the parent never writes; the pipe is closed when it ends, even if it is killed
    os.read(0, 1)
    os._exit(1)


if __name__ == "__main__":
    threading.Thread(target=_end_with_parent, daemon=True).start()
    runpy.run_module("sonify", run_name="__main__")
