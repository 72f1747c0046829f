"""The motor in a recording: speed over time, drift, flutter once a turn, and the row changes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sonify.recover.diagnosis.alignment import Design
from sonify.recover.diagnosis.observed import Observed

__all__ = ["Motion", "motion_of"]

Reals = NDArray[np.float64]

SETTLED = 0.9
"""Of the settled speed: a motor that is below this at first starts slowly."""


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
    start = seen.alignment.start
    slot, time = seen.beat_slot.astype(float), seen.beat_s
    row = np.searchsorted(start, slot, "right") - 1
    row[slot >= start[np.maximum(row, 0)] + n] = -1
    curve_s, curve_rpm = _curve(slot, time, n)
    settled = float(np.median(curve_rpm)) if len(curve_rpm) else float("nan")
    begin, reach = _start(slot, time, float(start[0]), n, settled)
    slow = begin < SETTLED
    wave, fits = _fits(slot, time, row, start, n, skip_first=slow)
    # the slots of each reading's first and last position, from its start
    span = np.array([[0.0, n - 1.0]] * rows) if seen.span is None else seen.span
    ends = np.full((2, rows), np.nan)
    for r in range(rows):
        times, mine = seen.time_s[r], row == r
        if seen.kind == "log":
            if np.isfinite(times).sum() == n:
                ends[:, r] = np.min(times), np.max(times)
        elif seen.timing is not None:
            if np.isfinite(times).any():
                ends[:, r] = seen.timing(start[r] + span[r])
        elif slow and r == 0:
            # no parabola follows a slow start
            ends[0, 0] = _beyond(slot[mine][:3], time[mine][:3], float(start[0]))
            ends[1, 0] = _beyond(slot[mine][-3:], time[mine][-3:], float(start[0] + n - 1))
        elif r in fits:
            ends[:, r] = np.polyval(fits[r], span[r]) + _waves(start[r] + span[r], n) @ wave
    whole = np.flatnonzero(np.isfinite(ends).all(axis=0))
    if len(whole):
        r0, r1 = int(whole[0]), int(whole[-1])
        slots = start[r1] + span[r1, 1] - start[r0] - span[r0, 0]
        if seen.kind == "log":
            passed = np.arange(len(seen.slot_s))
            slots = np.diff(np.interp([ends[0, r0], ends[1, r1]], seen.slot_s, passed))[0]
        rpm = 60 * float(slots) / (n * (ends[1, r1] - ends[0, r0]))
    else:
        rpm = 60 * (slot[-1] - slot[0]) / (n * (time[-1] - time[0]))
    return Motion(
        rpm=float(rpm),
        drift=_drift(slot, time, n, slow),
        flutter=2 * np.pi * float(np.hypot(*wave)) * rpm / 60,
        flutter_phase=_fastest(wave, seen.alignment.phase, n),
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
    begin = float((s[-1] - s[0]) * usual / (t[-1] - t[0]))
    s, t = slot[at : at + n], time[at : at + n]
    reached = np.flatnonzero(np.diff(s) * usual / np.diff(t) > SETTLED)
    return begin, float(t[int(reached[0]) if len(reached) else -1] - t[0])


def _beyond(slot: Reals, time: Reals, at: float) -> float:
    """The time of a slot, from the few moments nearest to it."""
    if len(slot) < 2:
        return float("nan")
    if slot[0] <= at <= slot[-1]:
        return float(np.interp(at, slot, time))
    return float(np.polyfit(slot - at, time, 1)[1])


def _waves(slot: Reals, n: int) -> Reals:
    """Sine and cosine once a turn, shape (slots, 2)."""
    angle = 2 * np.pi * slot / n
    return np.stack([np.sin(angle), np.cos(angle)], axis=-1)


def _fits(
    slot: Reals, time: Reals, row: NDArray[np.int64], start: NDArray[np.int64], n: int,
    skip_first: bool,
) -> tuple[Reals, dict[int, Reals]]:  # fmt: skip
    """A parabola for each row's times and one wave a turn for all of them, by least squares.

    The wave is fitted to what is left of the times, and of sine and cosine, once each row's own
    straight line is removed; removing more would remove most of the wave.
    """
    own: dict[int, tuple[Reals, Reals, Reals]] = {}
    left: list[tuple[Reals, Reals]] = []
    for r in range(len(start)):
        mine = row == r
        if np.count_nonzero(mine) < 4:
            continue
        s, t, both = slot[mine] - start[r], time[mine], _waves(slot[mine], n)
        own[r] = s, t, both
        if not (skip_first and r == 0 and len(start) > 1):
            q, _ = np.linalg.qr(np.vander(s, 2))
            left.append((both - q @ (q.T @ both), t - q @ (q.T @ t)))
    wave: Reals = np.zeros(2)
    if sum(len(t) for _, t in left) > 6:
        a, b = (np.concatenate(x) for x in zip(*left, strict=True))
        wave = np.linalg.lstsq(a, b, rcond=None)[0]
    fits = {}
    for r, (s, t, both) in own.items():
        degree = 2 if len(s) >= 8 and np.ptp(s) > n / 2 else 1
        fits[r] = np.polyfit(s, t - both @ wave, degree)
    return wave, fits


def _fastest(wave: Reals, phase: int, n: int) -> float:
    """The position at which the disc is fastest: where the delay of the times falls most."""
    sine, cosine = _waves(np.arange(n, dtype=float), n).T
    return float((int(np.argmin(wave[0] * cosine - wave[1] * sine)) + phase) % n)


def _drift(slot: Reals, time: Reals, n: int, slow: bool) -> float:
    """Change of speed from the first turn to the last, by a line through whole turns' speeds."""
    if slow:
        keep = slot > slot[0] + n
        slot, time = slot[keep], time[keep]
    if len(slot) < 8 or slot[-1] - slot[0] < 2 * n:
        return 0.0
    times = np.interp(np.arange(slot[0], slot[-1], n), slot, time)
    speed = 1 / np.diff(times)
    if len(speed) < 3:
        return 0.0
    slope, _ = np.polyfit((times[1:] + times[:-1]) / 2, speed, 1)
    return float(slope * (time[-1] - time[0]) / speed.mean())
