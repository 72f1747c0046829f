"""Room to go back in a file, for formats that state a count before the contents."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from typing import IO, BinaryIO

IN_MEMORY = 1 << 22


@contextmanager
def seekable(out: BinaryIO) -> Iterator[IO[bytes]]:
    """Yield ``out``, or a temporary file that is copied to it on success."""
    if out.seekable():
        yield out
        return
    with tempfile.SpooledTemporaryFile(max_size=IN_MEMORY) as spool:
        yield spool
        spool.seek(0)
        shutil.copyfileobj(spool, out)
