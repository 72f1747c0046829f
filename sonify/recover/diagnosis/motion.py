"""The motor in a recording: speed over time, drift, flutter once a turn, and the row changes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sonify.recover.diagnosis.alignment import Design
from sonify.recover.diagnosis.observed import Observed
from sonify.recover.diagnosis.timing_model import fit_timing

__all__ = ["Motion", "motion_of"]

Reals = NDArray[np.float64]

SETTLED = 0.9
"""Of the settled speed: a motor that is below this at first starts slowly."""

PAUSED = 0.4
"""Of the usual speed: a part whose speed is farther from it holds a pause, as motors drift by less
(common practice, no source)."""


@dataclass(frozen=True, eq=False)
class Motion:
    """How the disc turned.

    Attributes
    ----------
    rpm : float
        On average from the first position read to the last.
    drift : float
        Change during the recording, as a share of the speed.
    flutter : float
        Amplitude of the swing once a turn, as a share of the speed.
    flutter_phase : float
        The position at which the disc is fastest.
    start : float
        The speed at the first positions, as a share of the settled one.
    settled_s : float
        How long until nine tenths of the settled speed are reached, in s.
    curve_s, curve_rpm : ndarray
        The speed over time, averaged over an eighth of a turn.
    row_start_s, row_end_s : ndarray, shape (rows,)
        When the first and the last position of each reading passed.
    """

    rpm: float
    drift: float
    flutter: float
    flutter_phase: float
    start: float
    settled_s: float
    curve_s: Reals
    curve_rpm: Reals
    row_start_s: Reals
    row_end_s: Reals

    @property
    def change_s(self) -> Reals:
        """From each row's last position to the next one's first, in s, shape (rows - 1,)."""
        out: Reals = self.row_start_s[1:] - self.row_end_s[:-1]
        return out


def motion_of(seen: Observed, design: Design) -> Motion:
    """Estimate the motion from the moments at which positions were seen to pass."""
    n, rows = design.positions, design.rows
    slot, time = seen.beat_slot.astype(float), seen.beat_s
    curve_s, curve_rpm = _curve(slot, time, n)
    settled = float(np.median(curve_rpm)) if len(curve_rpm) else float("nan")
    begin, reach = _start(slot, time, float(seen.alignment.start[0]), n, settled)
    # without the turn in which a motor starts slowly
    steady = curve_s > time[0] + (60 / settled if begin < SETTLED else 0.0)
    timing = seen.timing or fit_timing(seen.beat_slot, time, n)
    # the slots and times of each reading's first and last position
    span = np.array([[0.0, n - 1.0]] * rows) if seen.span is None else seen.span
    at, ends = (seen.alignment.start[:, None] + span).T, np.full((2, rows), np.nan)
    known = np.isfinite(seen.time_s)
    if seen.kind == "log":
        read = known.all(axis=1)
        ends[:, read] = seen.time_s[read].min(axis=1), seen.time_s[read].max(axis=1)
        at = np.interp(ends, seen.slot_s, np.arange(len(seen.slot_s)))
    elif timing is not None:
        read = known.any(axis=1)
        ends[:, read] = timing(at[:, read])
    whole = np.flatnonzero(np.isfinite(ends).all(axis=0))
    slots, times = slot[[0, -1]], time[[0, -1]]
    if len(whole):
        slots, times = (np.diagonal(x[:, whole[[0, -1]]]) for x in (at, ends))
    rpm = 60 * float(np.diff(slots)[0]) / (n * float(np.diff(times)[0]))
    sine, cosine = (0.0, 0.0) if timing is None else timing.wave
    # the disc is fastest where the delay of the times falls most
    angle = 2 * np.pi * np.arange(n) / n
    fastest = int(np.argmin(sine * np.cos(angle) - cosine * np.sin(angle)))
    return Motion(
        rpm=rpm,
        drift=_drift(curve_s[steady], curve_rpm[steady]),
        flutter=2 * np.pi * float(np.hypot(sine, cosine)) * rpm / 60,
        flutter_phase=float((fastest + seen.alignment.phase) % n),
        start=begin,
        settled_s=reach,
        curve_s=curve_s,
        curve_rpm=curve_rpm,
        row_start_s=ends[0],
        row_end_s=ends[1],
    )


def _curve(slot: Reals, time: Reals, n: int) -> tuple[Reals, Reals]:
    """Speed over time, from moments at least an eighth of a turn apart."""
    wide = max(3, n // 8)
    b = np.searchsorted(slot, slot + wide)
    a = np.flatnonzero(b < len(slot))
    b = b[a]
    # the mean speed over a long rest between rows says little of any moment
    near = slot[b] - slot[a] < 3 * wide
    a, b = a[near], b[near]
    return (time[a] + time[b]) / 2, 60 * (slot[b] - slot[a]) / (n * (time[b] - time[a]))


def _start(slot: Reals, time: Reals, first: float, n: int, settled: float) -> tuple[float, float]:
    """The speed at the start of reading, as a share of the settled one, and how long that took."""
    at = int(np.searchsorted(slot, first - 0.5))
    if at + 4 >= len(slot) or not np.isfinite(settled):
        return 1.0, 0.0
    usual = 60 / (settled * n)
    s, t = slot[at : at + 6], time[at : at + 6]
    if s[-1] - s[0] > n // 2:
        return 1.0, 0.0
    # a stop between two of them is no slow start
    begin = float(np.median(np.diff(s) * usual / np.diff(t)))
    s, t = slot[at : at + n], time[at : at + n]
    reached = np.flatnonzero(np.diff(s) * usual / np.diff(t) > SETTLED)
    return begin, float(t[int(reached[0]) if len(reached) else -1] - t[0])


def _drift(time: Reals, rpm: Reals) -> float:
    """Change of speed over the recording, as a share of it, by a line through all but pauses."""
    usual = float(np.median(rpm)) if len(rpm) else 0.0
    keep = np.abs(rpm - usual) < PAUSED * usual
    if np.count_nonzero(keep) < 3:
        return 0.0
    slope, _ = np.polyfit(time[keep] - time[0], rpm[keep], 1)
    return float(slope * (time[-1] - time[0]) / usual)
