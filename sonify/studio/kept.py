"""A copy of the last project, for pages at another port: browsers keep what they keep by port."""

from __future__ import annotations

import contextlib
import json
import os
import stat
import tempfile
from pathlib import Path
from typing import Any

import anyio.to_thread
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from sonify.atomic import write_data
from sonify.errors import OutputError
from sonify.studio.guard import body_of

__all__ = ["Kept"]


def _file() -> Path | None:
    """The copy's path, in a folder that only this user can read; None if there is no such folder.

    The temporary folder is shared by all users of a machine, so another one could have made it.
    """
    user = getattr(os, "getuid", lambda: None)()
    folder = Path(tempfile.gettempdir(), "sonify" if user is None else f"sonify-{user}")
    try:
        with contextlib.suppress(FileExistsError):
            folder.mkdir(mode=0o700)
        facts = folder.lstat()
    except OSError:
        return None
    ours = user is None or (facts.st_uid == user and not facts.st_mode & 0o077)
    return folder / "studio.json" if ours and stat.S_ISDIR(facts.st_mode) else None


class Kept:
    """Takes and gives the project that a page at any port changed last.

    Parameters
    ----------
    most : int
        Bytes of a project.
    seconds : float
        How long a page may take to send one.
    local : bool
        Whether only this computer is served; for others nothing is kept.
    """

    def __init__(self, most: int, seconds: float, *, local: bool) -> None:
        self._most, self._seconds, self._local = most, seconds, local

    async def put(self, request: Request) -> Response:
        """Keep a project in place of the last one, if that can be done."""
        project = await body_of(request.receive, request.headers, self._most, self._seconds)
        file = _file() if self._local else None
        if file is not None:
            with contextlib.suppress(OutputError):
                await anyio.to_thread.run_sync(write_data, file, project)
        return JSONResponse({})

    async def get(self, _request: Request) -> Response:
        """The last project, or null."""
        return JSONResponse({"project": self._read() if self._local else None})

    def _read(self) -> Any:
        file = _file()
        if file is None:
            return None
        try:
            with open(file, "rb") as data:
                return json.loads(data.read(self._most))
        except (OSError, ValueError, RecursionError):
            return None
