"""What every reader returns: the holes it saw, and how sure it is of each."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sonify.disc.code.code import Code
from sonify.disc.layout import MAX_BITS
from sonify.disc.sizes import Geometry
from sonify.errors import Caution, InputError, plural

__all__ = ["THRESHOLD", "Sighting"]

THRESHOLD = 0.7
"""Below this confidence a bit is unknown."""


@dataclass(frozen=True, eq=False)
class Sighting:
    """What a reader saw.

    Rows are listed outermost first and positions anticlockwise, as on a disc with the default
    layout; from a log or a recording, both are in the order of time.

    Attributes
    ----------
    kind : str
        grid, drawing, photograph, log or recording.
    holes : ndarray of int8, shape (rows, positions)
        1 a hole, 0 none, -1 unknown, whatever the confidence.
    confidence : ndarray of float32, shape (rows, positions)
        0 (no more than a guess) to 1.
    start_known : bool
        Whether position 0 is where the disc begins (an index mark, twelve o'clock in a drawing).
    order_known : bool
        Whether rows and positions come in the order in which they are read.
    sense_known : bool
        Whether `holes` already says what is a one.
    geometry : Geometry or None
        Sizes in mm, if the source has them.
    code : Code or None
        The code, if the source names it.
    title : str
    cautions : tuple of Caution
        What was repaired and what is in doubt.
    facts : dict
        Measurements of the source by name, plain values only.
    start_evidence : ndarray, shape (positions,), or None
        Bits of evidence that the disc begins at each position, where that isn't certain.
    clockwise : float
        Bits of evidence that it turns clockwise; below 0, that it turns the other way.
    """

    kind: str
    holes: NDArray[np.int8]
    confidence: NDArray[np.float32]
    start_known: bool = False
    order_known: bool = False
    sense_known: bool = False
    geometry: Geometry | None = None
    code: Code | None = None
    title: str = ""
    cautions: tuple[Caution, ...] = ()
    facts: dict[str, Any] = field(default_factory=dict)
    start_evidence: NDArray[np.float64] | None = None
    clockwise: float = 0.0

    def __repr__(self) -> str:
        rows, unknown = plural(self.rows, "row"), int((self.holes < 0).sum())
        return f"<Sighting in a {self.kind}: {rows} of {self.positions}, {unknown} bits unknown>"

    @property
    def rows(self) -> int:
        """How many data rows were seen."""
        return int(self.holes.shape[0])

    @property
    def positions(self) -> int:
        """How many positions a row has."""
        return int(self.holes.shape[1])

    def bits(self, threshold: float = THRESHOLD) -> NDArray[np.int8]:
        """The holes, with those below the threshold unknown, shape (rows, positions)."""
        sure = self.confidence >= threshold
        return np.where(sure, self.holes, np.int8(-1)).astype(np.int8)


def check_size(rows: int, positions: int, file: object) -> None:
    """Refuse more positions than a disc may have, before memory is taken."""
    if rows * positions > MAX_BITS:
        raise InputError(
            f"{rows} rows of {positions} positions are too many; at most {MAX_BITS:,} in all",
            file=file,
        )
