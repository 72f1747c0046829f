"""Give free memory back to the system where the C library would keep it.

The GNU C library keeps freed memory for later (malloc_trim(3), mallopt(3)). With other libraries
these functions do nothing.
"""

from __future__ import annotations

import contextlib
import ctypes

__all__ = ["give_back", "give_back_large"]

_MMAP_THRESHOLD = -3  # M_MMAP_THRESHOLD of malloc.h
_LARGE = 1 << 20


def give_back() -> None:
    """Give back what is free now, after work that took much memory."""
    with contextlib.suppress(OSError, AttributeError, TypeError):
        ctypes.CDLL(None).malloc_trim(0)


def give_back_large() -> None:
    """From now on, give back pieces of a megabyte and more as soon as they are free.

    Otherwise memory would grow with a clip's length, because every frame is allocated anew.
    """
    with contextlib.suppress(OSError, AttributeError, TypeError):
        ctypes.CDLL(None).mallopt(_MMAP_THRESHOLD, _LARGE)
