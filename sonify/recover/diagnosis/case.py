"""What a recording shows, as the causes ask for it: which bits, which rows, which levels."""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from sonify.recover.diagnosis.alignment import Design
from sonify.recover.diagnosis.likelihoods import Burst, posterior, stories
from sonify.recover.diagnosis.motion import Motion
from sonify.recover.diagnosis.observed import Observed
from sonify.recover.diagnosis.recount import Miscount

__all__ = [
    "FADES", "MIDDLE", "SHALLOW", "SHONE_ON", "Case", "Pattern", "depths", "other_rows",
    "threshold_place", "web_drift", "web_shift",
]  # fmt: skip

Index = NDArray[np.int64]

SHONE_ON = 0.6  # of the errors: where the material's own level is off
SHALLOW = 0.8  # of the usual depth of holes: the stage is beside the row
MIDDLE = (0.3, 0.7)  # of the way from the material's level to the holes': good for a threshold
OFF = 0.12  # of the swing: the material's level is off
FADES = 0.25  # of the swing: by so much its level sinks or rises through the recording
SEEN = 8.0  # what a log's levels speak for a cause that they show, as a logarithm


@dataclass(frozen=True, eq=False)
class Case:
    """All that the tests look at.

    Attributes
    ----------
    seen : Observed
    design : Design
        With ones as 1, in the order and sense of the disc's design.
    motion : Motion
    truth : ndarray of int8, shape (rows, positions)
    missed, added : ndarray of bool, shape (rows, positions)
    variant : str
        "normal", or the way in which the disc fits better than as designed.
    agreement : dict of str to float
        For each way that was tried.
    miscount : Miscount or None
    """

    seen: Observed
    design: Design
    motion: Motion
    truth: NDArray[np.int8]
    missed: NDArray[np.bool_]
    added: NDArray[np.bool_]
    variant: str
    agreement: dict[str, float]
    miscount: Miscount | None

    @cached_property
    def wrong(self) -> NDArray[np.bool_]:
        """Where a bit is wrong, whichever way."""
        out: NDArray[np.bool_] = self.missed | self.added
        return out

    @property
    def count(self) -> int:
        """How many bits are wrong."""
        return int(self.wrong.sum())

    @cached_property
    def one_kind(self) -> float:
        """The share of errors that are of the commoner kind."""
        m, a = int(self.missed.sum()), int(self.added.sum())
        return max(m, a) / max(1, m + a)

    @cached_property
    def at(self) -> tuple[Index, Index]:
        """Rows and positions of the errors, in the order of reading."""
        r, p = np.nonzero(self.wrong)
        return r, p

    @cached_property
    def could(self) -> NDArray[np.bool_]:
        """Where an error of the commoner kind could be."""
        missed = int(self.missed.sum()) >= int(self.added.sum())
        out: NDArray[np.bool_] = (self.truth == 1) if missed else (self.truth == 0)
        return out

    @cached_property
    def pattern(self) -> Pattern:
        """What the pattern of the errors, and the levels of a log, speak for."""
        return _pattern(self)


@dataclass(frozen=True)
class Pattern:
    """How sure each cause is that only a pattern tells of; the stretch in which light may have
    been on; and the row that the stage may have missed."""

    sure: dict[str, float]
    burst: Burst | None
    row: int


def _pattern(case: Case) -> Pattern:
    if not case.count:
        return Pattern({}, None, 0)
    position = abs(60 / (case.motion.rpm * case.design.positions))
    logs, burst, row = stories(case.wrong, case.could, case.seen.time_s, position)
    if case.seen.levels is not None:
        shifted = web_shift(case)
        shone = shifted is not None and shifted[0] > SHONE_ON
        fades = abs(web_drift(case)) > FADES
        if "ambient-light" in logs and shifted is not None and shifted[2] < 0:
            # material that reads more like a hole gets too little of its own light, from then on
            dark = logs.pop("ambient-light")
            logs["threshold"] = max(logs.get("threshold", dark), dark)
        elif "ambient-light" in logs:
            logs["ambient-light"] += SEEN if shone else -SEEN
        depth = depths(case)
        if "stage" in logs and depth is not None and np.isfinite(depth[row]):
            # where the light fades all holes get shallow, whatever the stage does
            logs["stage"] += SEEN if depth[row] < SHALLOW and not fades else -SEEN / 2
        place = threshold_place(case)
        if "threshold" in logs and place is not None:
            off = fades or not MIDDLE[0] <= place <= MIDDLE[1]
            logs["threshold"] += SEEN / 2 if off else -SEEN / 4
    return Pattern(posterior(logs), burst, row)


def other_rows(case: Case) -> NDArray[np.int64]:
    """By how many rows each reading was off, where its ones are truly those of the other row."""
    n, rows = case.design.positions, case.design.rows
    off: NDArray[np.int64] = case.seen.alignment.seen_row - np.arange(rows)
    alignment = case.seen.alignment
    for r in np.flatnonzero(off):
        first = 0 if case.design.index else int(alignment.start[r] + alignment.phase) % n
        place = (first + np.arange(n)) % n
        heard = case.seen.under[r, :n]
        fit = []
        for row in (int(r), int(alignment.seen_row[r])):
            ones = case.design.grid[row, place] == 1
            fit.append(float((heard[ones] == 1).mean()) if ones.any() else 0.0)
        if fit[1] < 0.6 or fit[1] < fit[0] + 0.15:
            off[r] = 0
    return off


def depths(case: Case) -> NDArray[np.float64] | None:
    """How deep each row's holes show, 1 as usual."""
    v = case.seen.levels
    if v is None:
        return None
    deep = np.where(v.truth == 1, np.abs(v.web - v.level), np.nan)
    with np.errstate(all="ignore"), warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)
        row = np.nanmean(deep, axis=1)
        usual = np.nanmedian(row)
    out: NDArray[np.float64] = row / usual
    return out


def web_shift(case: Case) -> tuple[float, float, float] | None:
    """The share of errors where the material's level is off, by how much of the swing, and the
    same with its sign: above 0 away from the holes' level."""
    v = case.seen.levels
    if v is None:
        return None
    web = v.web
    usual = float(np.nanmedian(web))
    spread = 1.4826 * float(np.nanmedian(np.abs(web - usual)))
    deep = np.abs(web - v.level)[v.truth == 1]
    swing = float(np.nanmedian(deep)) if len(deep) else 1.0
    r, p = case.at
    off = np.abs(web[r, p] - usual)
    limit = max(6 * spread, OFF * swing)
    share = float((off > limit).mean())
    way = 1.0 if v.low else -1.0
    moved = way * float(np.nanmedian(web[r, p] - usual))
    if abs(moved) < OFF * swing:
        moved = 0.0
    return share, float(np.nanmedian(off)) / max(swing, 1e-9), moved / max(swing, 1e-9)


def web_drift(case: Case) -> float:
    """By how much of the swing the material's level moves towards the holes' through a log, from
    its first rows to its last; below 0 away from it."""
    v = case.seen.levels
    if v is None:
        return 0.0
    with np.errstate(all="ignore"), warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)
        row = np.nanmedian(v.web, axis=1)
        deep = np.nanmedian(np.abs(v.web - v.level)[v.truth == 1])
    row = row[np.isfinite(row)]
    part = max(1, len(row) // 5)
    if len(row) < 4 or not deep > 0:
        return 0.0
    moved = float(np.median(row[:part]) - np.median(row[-part:]))
    return (moved if v.low else -moved) / float(deep)


def threshold_place(case: Case) -> float | None:
    """How far from the material's level (0) to the holes' (1) the threshold lies."""
    v = case.seen.levels
    if v is None:
        return None
    ones, zeros = v.level[v.truth == 1], v.level[v.truth == 0]
    ones, zeros = ones[np.isfinite(ones)], zeros[np.isfinite(zeros)]
    if not len(ones) or not len(zeros):
        return None
    swing = float(np.mean(ones) - np.mean(zeros))
    return (v.threshold - float(np.mean(zeros))) / swing if swing else None
