"""What a recording shows, as the causes ask for it: which bits, which rows, which levels."""

from __future__ import annotations

import math
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from sonify.recover.diagnosis.alignment import Design
from sonify.recover.diagnosis.channels import Channels
from sonify.recover.diagnosis.depth import ShallowStart, Sway, dip_of, shallow_start, sway_of
from sonify.recover.diagnosis.error_pattern import ErrorPattern
from sonify.recover.diagnosis.motion import Motion
from sonify.recover.diagnosis.observed import Levels, Observed
from sonify.recover.diagnosis.phase_jumps import NO_JUMPS, PhaseJumps
from sonify.recover.diagnosis.quiet import Quiet, quiet_of, ringing_of
from sonify.recover.diagnosis.recount import Miscount

__all__ = ["FADES", "Case", "LevelSigns"]

Index = NDArray[np.int64]
Reals = NDArray[np.float64]

# Bounds between the levels of sound and faulty simulated players, each fault at each strength
# (tests/benchmarks/takes.py).

MISREAD = math.log(19)  # what a bit weighs of which one in twenty is wrong, as a logarithm
ELSEWHERE = math.log(50)  # how rare a reading of another row is than the one due

SHIFTED = 0.6  # of the errors: from this share on, the material's level is off where bits are wrong
MIDDLE = (0.3, 0.7)  # of the way from the material's level to the holes': a good threshold
OFF = 0.12  # of the swing: from this on, the material's level is off
FEWEST_HOLES = 3  # of a row whose depth is compared: a mean of fewer is mostly chance
PART = 16  # places whose levels are averaged to follow the material's
FAR = 6.0  # standard deviations that lie between the highest and the lowest of a few hundred
BETWEEN = 0.25  # of the swing, from a level: a bit up to there is surely of that level
FEW_SIGMAS = 3.0  # of a level's scatter: one bit in 400 lies farther off
APART_SIGMAS = 5.0  # the same: one in two million
AT_LIMIT = 0.02  # of the swing or the limit: a level this near to that is at it, noise or not
FADES = 0.25  # of the swing: from this on, its level changes during the recording

MOST_PARTS = 200  # parts of a log whose levels are compared: a choice that keeps it fast


@dataclass(frozen=True, eq=False)
class Case:
    """All that the causes look at.

    Attributes
    ----------
    seen : Observed
    design : Design
        With ones as 1, in the order and sense of the disc's design.
    motion : Motion
    missed, added : ndarray of bool, shape (rows, positions)
    variant : str
        "normal", or the way in which the disc fits better than as designed.
    agreement : dict of str to float
        For each way that was tried.
    miscount : Miscount or None
    rpm : float
        The speed that is set, in turns per minute.
    delay_s : float
        The delay that is set, of the data detector after the clock detector, in s.
    channels : Channels or None
        What each channel of a log shows by itself.
    gaps : tuple of tuple of float
        When samples are missing in a log by its own times, and for how long, in s.
    lost : tuple of tuple of float
        The same by where the disc is before and after.
    jumps : PhaseJumps
        Where the channels of a log jump, together or against each other.
    fits : bool
        Whether the recording is one of this disc by its bits.
    vague : bool
        Whether notes can't be assigned to their places.
    tells : str
        What tells the machine's bits: a key of `result.HIDDEN`.
    """

    seen: Observed
    design: Design
    motion: Motion
    missed: NDArray[np.bool_]
    added: NDArray[np.bool_]
    variant: str
    agreement: dict[str, float]
    miscount: Miscount | None
    rpm: float
    delay_s: float = 0.0
    channels: Channels | None = None
    gaps: tuple[tuple[float, float], ...] = ()
    lost: tuple[tuple[float, float], ...] = ()
    jumps: PhaseJumps = NO_JUMPS
    fits: bool = True
    vague: bool = False
    tells: str = "notes"

    @property
    def harmed(self) -> bool:
        """Whether anything is wrong with the bits, or must be by how shallow rows look."""
        offsets = self.seen.offsets
        return not self.fits or bool(self.count) or (offsets is not None and offsets.beside)

    @cached_property
    def quiet(self) -> Quiet | None:
        """The data channel of a log, if it falls silent, or what such a one makes a voice play."""
        if self.channels is None:
            return ringing_of(self.seen, self.design.grid)
        return quiet_of(self.channels, self.seen, 60 / self.rpm, self.fits)

    def told(self, times: Sequence[float]) -> list[float]:
        """Those of some moments at which the data channel was not silent: what both channels show
        together, or against each other, a silent one can't."""
        until = math.inf if self.quiet is None else self.quiet.since_s
        return [t for t in times if t <= until]

    @cached_property
    def wrong(self) -> NDArray[np.bool_]:
        """Where a bit is wrong, either way."""
        out: NDArray[np.bool_] = self.missed | self.added
        return out

    @property
    def count(self) -> int:
        """How many bits are wrong."""
        return int(self.wrong.sum())

    @cached_property
    def at(self) -> tuple[Index, Index]:
        """Rows and positions of the errors, in the order of reading."""
        r, p = np.nonzero(self.wrong)
        return r, p

    @cached_property
    def errors(self) -> ErrorPattern:
        """Where and when bits went wrong."""
        more = self.missed.sum() >= self.added.sum()
        position = abs(60 / (self.motion.rpm * self.design.positions))
        return ErrorPattern(self.wrong, self.design.grid == int(more), self.seen.time_s, position)

    @cached_property
    def levels(self) -> LevelSigns | None:
        """What the levels of a log show besides its bits."""
        v = self.seen.levels
        return None if v is None else LevelSigns(v, self.at)

    @cached_property
    def lit_rows(self) -> bool:
        """Whether the material's level of a log is at its limit in some rows and not in others:
        light comes and goes, an amplifier stays at its limit."""
        v, c = self.seen.levels, self.channels
        if v is None or c is None or c.data.digital:
            return False
        near = np.abs(v.web - c.data.limit) < AT_LIMIT * max(c.data.swing, abs(c.data.limit))
        known = np.isfinite(v.web).sum(axis=1)
        share = near.sum(axis=1)[known > 0] / known[known > 0]
        return bool(len(share)) and float(np.ptp(share)) > 0.5

    @cached_property
    def shown(self) -> Index:
        """The row that each reading saw; -1 for solid material."""
        if self.seen.stage is not None:
            return self.seen.stage.shown
        rows, n = self.design.rows, self.design.positions
        order = self.seen.alignment.seen_row
        # a reading behind the last row, after one was skipped, is of none
        behind = order[-1] < rows - 1 and not self.other_rows[-1]
        if (np.sort(order) == np.arange(rows)).all() and not behind:
            return order
        heard = self.seen.under[:, None, :n]
        meant = self.design.grid[:, self.seen.alignment.places(self.design)].swapaxes(0, 1)
        wrong = ((heard >= 0) & (meant >= 0) & (heard != meant)).sum(axis=2)
        gain = (np.diag(wrong)[:, None] - wrong) * MISREAD
        best = np.argmax(gain, axis=1)
        return np.where(gain.max(axis=1) > ELSEWHERE + math.log(rows), best, np.arange(rows))

    @cached_property
    def shallow(self) -> ShallowStart | None:
        """How shallow the rows of a log start, if they do."""
        v = self.seen.levels
        return None if v is None or not self.fits else shallow_start(v, self.seen.time_s)

    @cached_property
    def sway(self) -> Sway | None:
        """How the material's level in a log moves with the turn, if it does."""
        v, c = self.seen.levels, self.channels
        return None if v is None or c is None or not self.fits else sway_of(v, c.data.swing)

    @cached_property
    def dip(self) -> Sway | None:
        """How the depth of a log's holes moves with the turn, if it does and the stage waits while
        rows are read."""
        v, stage = self.seen.levels, self.seen.stage
        moves = stage is not None and stage.move is not None and stage.move.kind != "sound"
        moves |= self.shallow is not None
        return None if v is None or not self.fits or moves else dip_of(v, self.seen.time_s)

    @cached_property
    def other_rows(self) -> Index:
        """By how many rows each reading was off, if its ones are really those of the other row."""
        alignment, grid = self.seen.alignment, self.design.grid
        off: Index = alignment.seen_row - np.arange(self.design.rows)
        place = alignment.places(self.design)
        for r in np.flatnonzero(off):
            heard = self.seen.under[r, : self.design.positions]
            fit = []
            for row in (int(r), int(alignment.seen_row[r])):
                ones = grid[row, place[r]] == 1
                fit.append(float((heard[ones] == 1).mean()) if ones.any() else 0.0)
            if fit[1] < 0.6 or fit[1] < fit[0] + 0.15:
                off[r] = 0
        return off


class LevelSigns:
    """Signs in the levels of a log, as shares of the swing between holes and solid material.

    Attributes
    ----------
    depth : ndarray, shape (rows,)
        How deep each row's holes look, 1 as usual.
    drift : float
        By how much the material's level moves towards the holes' during the recording, from the
        first rows to the last; below 0 away from it.
    threshold_place : float or None
        How far the threshold lies from the material's level (0) to the holes' (1).
    shift : float
        By how much the material's level is off where bits are wrong, in the middle.
    moved : float
        By how much the material's level moves over the reading, at most.
    moves : bool
        Whether that is much.
    both : float
        By how much the material's level and the holes' move the same way, over the whole log.
    stretch : float
        How much of the changes of the material's level is one stretch at another level.
    shifted : bool
        Whether it is off at most of them.
    darkened : bool
        Whether it is then nearer to the holes' level: less of the detector's own light.
    plain : bool
        Whether wrong bits are as deep as the other kind of bit, which noise does not make them.
    smeared : bool
        Whether noise alone takes bits across the middle.
    """

    def __init__(self, v: Levels, at: tuple[Index, Index]) -> None:
        ones = v.truth == 1
        towards = 1.0 if v.low else -1.0
        with np.errstate(all="ignore"), warnings.catch_warnings():
            warnings.simplefilter("ignore", RuntimeWarning)  # rows or bits without any level
            height = np.abs(v.web - v.level)
            row = np.nanmean(np.where(ones, height, np.nan), axis=1)
            self.depth: Reals = row / np.nanmedian(row)
            swing = float(np.nanmedian(height[ones])) if ones.any() else 1.0
            material = np.nanmedian(v.web, axis=1)
            fine = np.ones(v.web.shape, bool)
            fine[at] = False
            # light may be on for most of the reading
            usual = float(np.nanmedian(v.web[fine if fine.any() else ~fine]))
            spread = 1.4826 * float(np.nanmedian(np.abs(v.web - usual)))
            away = v.web[at] - usual
            far, moved = float(np.nanmedian(np.abs(away))), towards * float(np.nanmedian(away))
            parts = np.array_split(v.web.reshape(-1), max(1, v.web.size // PART))
            webs = np.array([np.nanmedian(p) for p in parts])
            inside = [np.nanmedian(np.abs(p - w)) for p, w in zip(parts, webs, strict=True)]
            chance = _chance(float(np.nanmedian(inside)))
            both = max(_both(v.level[ones], v.web[ones]), _both(*v.passed.T))
            self.both = both / max(swing, 1e-9)
            some = np.array_split(v.passed[:, 1], max(1, min(len(v.passed) // PART, MOST_PARTS)))
            self.stretch = _one_stretch(np.array([np.nanmedian(p) for p in some]))
            self.moved = (float(np.nanmax(webs) - np.nanmin(webs)) - chance) / max(swing, 1e-9)
        self.moves = self.moved > FADES
        material = material[np.isfinite(material)]
        part = max(1, len(material) // 5)
        self.drift = 0.0
        if len(material) >= 4 and swing > 0:
            change = float(np.median(material[:part]) - np.median(material[-part:]))
            self.drift = towards * change / swing
        self.fades = abs(self.drift) > FADES
        zeros = v.level[(v.truth == 0) & np.isfinite(v.level)]
        self.threshold_place = None
        enough = np.isfinite(row) & (ones.sum(axis=1) >= FEWEST_HOLES)
        if len(zeros) and enough.any():
            # holes beside the detector are no measure of a threshold
            zero = float(np.mean(zeros))
            one = zero - towards * float(row[enough].max())
            self.threshold_place = (v.threshold - zero) / (one - zero) if one != zero else None
        place = self.threshold_place
        self.threshold_off = place is not None and not MIDDLE[0] <= place <= MIDDLE[1]
        off = np.abs(away) > max(6 * spread, OFF * swing)
        self.shift = far / max(swing, 1e-9)
        self.shifted = bool(len(off)) and float(off.mean()) > SHIFTED
        self.darkened = moved <= -OFF * swing
        height = height / max(swing, 1e-9)
        told = np.isfinite(height) & (v.truth >= 0)
        wrong = np.zeros(ones.shape, bool)
        wrong[at] = True
        right = told & ~wrong
        other = np.where(ones, 0.0, 1.0)[wrong & told]
        # by how much bits that were read well scatter about their own level
        levels = (height[right & kind] for kind in (ones, ~ones))
        each = [float(np.median(np.abs(x - np.median(x)))) for x in levels if x.size]
        scatter = 1.4826 * max(each, default=1.0)
        near = np.abs(height[wrong & told] - other) < max(BETWEEN, FEW_SIGMAS * scatter)
        self.plain = bool(near.all()) and APART_SIGMAS * scatter < 0.5
        self.smeared = FEW_SIGMAS * scatter > 0.5


def _both(holes: Reals, webs: Reals) -> float:
    """By how much two levels move the same way, beyond chance, between the parts in which they are
    highest and lowest; below 0 if they move against each other."""
    count = max(1, len(holes) // PART)
    parts = [np.array_split(x, count) for x in (holes, webs)]
    ends = np.array([[np.nanmedian(p) for p in x] for x in parts])
    inside = [[np.nanmedian(np.abs(p - np.nanmedian(p))) for p in x] for x in parts]
    known = np.isfinite(ends).all(axis=0)
    if not known.any():
        return 0.0
    ends = ends[:, known]
    middle = ends.mean(axis=0)
    moved = float((ends[:, np.argmax(middle)] - ends[:, np.argmin(middle)]).min())
    return moved - _chance(float(np.nanmedian(inside)))


def _one_stretch(x: Reals) -> float:
    """How much of the variance of values over time is that of one stretch at another level."""
    x = x[np.isfinite(x)]
    x = x - x.mean() if len(x) else x
    total = np.concatenate([[0.0], np.cumsum(x)])
    first, end = np.triu_indices(len(total), 1)
    long = end - first
    first, end, long = (v[long < len(x)] for v in (first, end, long))
    if not len(long):
        return 0.0
    explained = (total[end] - total[first]) ** 2 * (1 / long + 1 / (len(x) - long))
    return float(explained.max() / max(x @ x, 1e-30))


def _chance(inside: float) -> float:
    """By how much medians of `PART` places differ by chance, by the median deviation of places."""
    # a median of places scatters by 1.25 times what their mean does
    return FAR * 1.25 * 1.4826 * inside / math.sqrt(PART)
