"""Framed messages: those that say themselves where they start and how they run."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from sonify.read.find import Arrangement, Candidate, Wanted

__all__ = ["framed_candidates"]


def framed_candidates(
    bits: NDArray[np.int8],
    choices: list[Arrangement],
    starts: NDArray[np.int64],
    wanted: Wanted,
) -> list[Candidate]:
    """The ways to read the bits that begin and end with a frame, the best first."""
    return []
