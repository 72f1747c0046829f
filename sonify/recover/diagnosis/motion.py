"""The motor in a recording: speed over time, drift, flutter once a turn, and the rows' changes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sonify.recover.diagnosis.alignment import Design
from sonify.recover.diagnosis.observed import Observed

__all__ = ["Motion", "motion_of"]

Reals = NDArray[np.float64]

SETTLED = 0.9  # of the speed: below this at first, the motor starts slowly


@dataclass(frozen=True, eq=False)
class Motion:
    """How the disc turned.

    Attributes
    ----------
    rpm : float
        On average from the first position read to the last one.
    drift : float
        Change over the recording, as a share of the speed.
    flutter : float
        Swing once a turn, as a share of the speed (amplitude).
    flutter_phase : float
        The position at which the disc is fastest.
    start : float
        The speed at the very first positions, as a share of the settled one.
    settled_s : float
        How long until nine tenths of the settled speed are reached, in s.
    curve_s, curve_rpm : ndarray
        The speed over time, averaged over an eighth of a turn.
    row_start_s, row_end_s : ndarray, shape (rows,)
        When the first and the last position of each reading passed.
    change_s : ndarray, shape (rows - 1,)
        From each row's last position to the next one's first.
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
        """From each row's last position to the next one's first, in s."""
        out: Reals = self.row_start_s[1:] - self.row_end_s[:-1]
        return out


def motion_of(seen: Observed, design: Design) -> Motion:
    """Estimate the motion from the moments at which positions were seen to pass."""
    n, rows = design.positions, design.rows
    start = seen.alignment.start
    slot, time = seen.beat_slot.astype(float), seen.beat_s
    row = np.searchsorted(start, slot, "right") - 1
    inside = (row >= 0) & (slot < start[np.maximum(row, 0)] + n)
    curve_s, curve_rpm = _curve(slot, time, n)
    settled = float(np.median(curve_rpm)) if len(curve_rpm) else float("nan")
    begin, reach = _start(slot, time, float(start[0]), n, settled)
    amplitude, fits = _rows(slot, time, row, inside, start, n, skip_first=begin < SETTLED)
    first, last = np.full(rows, np.nan), np.full(rows, np.nan)
    for r in range(rows):
        times = seen.time_s[r]
        if seen.kind == "log":
            if np.isfinite(times).sum() == n:
                first[r], last[r] = np.min(times), np.max(times)
        elif seen.timing is not None:
            ends = np.array([0.0, n - 1.0]) if seen.span is None else seen.span[r]
            if np.isfinite(times).any():
                first[r], last[r] = seen.timing(start[r] + ends)
        elif begin < SETTLED and r == 0:
            # no parabola follows a slow start
            mine = inside & (row == 0)
            first[0] = _beyond(slot[mine][:3], time[mine][:3], float(start[0]))
            last[0] = _beyond(slot[mine][-3:], time[mine][-3:], float(start[0] + n - 1))
        elif r in fits:
            a, b, c = fits[r]
            ends = (0.0, n - 1.0) if seen.span is None else seen.span[r].astype(float)
            first[r], last[r] = (
                a + b * s + c * s**2 + _wave(amplitude, start[r] + s, n) for s in ends
            )
    whole = np.flatnonzero(np.isfinite(first) & np.isfinite(last))
    if len(whole):
        r0, r1 = int(whole[0]), int(whole[-1])
        if seen.kind == "log":
            at = np.interp([first[r0], last[r1]], seen.slot_s, np.arange(len(seen.slot_s)))
            slots = float(at[1] - at[0])
        else:
            span = np.array([[0, n - 1]] * rows) if seen.span is None else seen.span
            slots = float(start[r1] + span[r1, 1] - start[r0] - span[r0, 0])
        rpm = 60 * slots / (n * (last[r1] - first[r0]))
    else:
        rpm = 60 * (slot[-1] - slot[0]) / (n * (time[-1] - time[0]))
    turn_s = 60 / rpm
    return Motion(
        rpm=float(rpm),
        drift=_drift(slot, time, n, begin < SETTLED),
        flutter=2 * np.pi * float(np.hypot(*amplitude)) / turn_s,
        flutter_phase=_fastest(amplitude, seen.alignment.phase, n),
        start=begin,
        settled_s=reach,
        curve_s=curve_s,
        curve_rpm=curve_rpm,
        row_start_s=first,
        row_end_s=last,
    )


def _curve(slot: Reals, time: Reals, n: int) -> tuple[Reals, Reals]:
    """Speed over time, from moments at least an eighth of a turn apart."""
    wide = max(3, n // 8)
    ahead = np.searchsorted(slot, slot + wide)
    keep = ahead < len(slot)
    a = np.flatnonzero(keep)
    b = ahead[keep]
    # a rest between rows is one long step: its mean speed says little of any moment
    near = slot[b] - slot[a] < 3 * wide
    a, b = a[near], b[near]
    rpm = 60 * (slot[b] - slot[a]) / (n * (time[b] - time[a]))
    return (time[a] + time[b]) / 2, rpm


def _start(slot: Reals, time: Reals, first: float, n: int, settled: float) -> tuple[float, float]:
    """The speed at the start of reading as a share of the settled one, and how long it took."""
    at = int(np.searchsorted(slot, first - 0.5))
    if at + 4 >= len(slot) or not np.isfinite(settled):
        return 1.0, 0.0
    usual = 60 / (settled * n)
    part = slice(at, min(at + 6, len(slot)))
    s, t = slot[part], time[part]
    if s[-1] - s[0] > n // 2:
        return 1.0, 0.0
    begin = float((s[1:] - s[0])[-1] * usual / (t[-1] - t[0]))
    # the slope of the first steps against those of the settled speed, most weight to the first
    later = slice(at, min(at + n, len(slot)))
    share = np.diff(slot[later]) * usual / np.diff(time[later])
    reached = np.flatnonzero(share > SETTLED)
    until = time[later][int(reached[0])] - time[at] if len(reached) else time[later][-1] - time[at]
    return begin, float(until)


def _beyond(slot: Reals, time: Reals, at: float) -> float:
    """The time of a slot, from the few moments nearest to it."""
    if len(slot) < 2:
        return float("nan")
    return (
        float(np.polyval(np.polyfit(slot - at, time, 1), 0.0))
        if at < slot[0] or (at > slot[-1])
        else float(np.interp(at, slot, time))
    )


def _wave(amplitude: tuple[float, float], slot: float, n: int) -> float:
    angle = 2 * np.pi * slot / n
    return float(amplitude[0] * np.sin(angle) + amplitude[1] * np.cos(angle))


def _rows(
    slot: Reals,
    time: Reals,
    row: NDArray[np.int64],
    inside: NDArray[np.bool_],
    start: NDArray[np.int64],
    n: int,
    skip_first: bool,
) -> tuple[tuple[float, float], dict[int, tuple[float, float, float]]]:
    """A parabola for each row's times and one wave a turn for all of them, by least squares.

    The wave is found from what remains of times and of sine and cosine after each row's own
    parabola is taken off.
    """
    wave_a, wave_b = [], []
    own: dict[int, tuple[Reals, Reals, Reals]] = {}
    for r in range(len(start)):
        mine = inside & (row == r)
        if np.count_nonzero(mine) < 4:
            continue
        s = slot[mine] - start[r]
        angle = 2 * np.pi * slot[mine] / n
        both = np.stack([np.sin(angle), np.cos(angle)], axis=1)
        own[r] = (s, time[mine], both)
        if skip_first and r == 0 and len(start) > 1:
            continue
        # taking off a straight line only keeps most of the wave
        base = np.vander(s, 2)
        q, _ = np.linalg.qr(base)
        wave_a.append(both - q @ (q.T @ both))
        wave_b.append(time[mine] - q @ (q.T @ time[mine]))
    amplitude = (0.0, 0.0)
    if wave_a:
        a, b = np.concatenate(wave_a), np.concatenate(wave_b)
        if len(a) > 6:
            found, *_ = np.linalg.lstsq(a, b, rcond=None)
            amplitude = float(found[0]), float(found[1])
    fits = {}
    for r, (s, t, both) in own.items():
        rest = t - both @ np.array(amplitude)
        degree = 2 if len(s) >= 8 and np.ptp(s) > n / 2 else 1
        found = np.polyfit(s, rest, degree)[::-1]
        fits[r] = (
            float(found[0]),
            float(found[1]),
            float(found[2]) if degree == 2 else 0.0,
        )
    return amplitude, fits


def _fastest(amplitude: tuple[float, float], phase: int, n: int) -> float:
    """The position at which the times fall behind least: where the disc is fastest."""
    # times are late by A sin + B cos; the speed is highest where that falls fastest
    slots = np.arange(n)
    angle = 2 * np.pi * slots / n
    slope = amplitude[0] * np.cos(angle) - amplitude[1] * np.sin(angle)
    return float((slots[int(np.argmin(slope))] + phase) % n)


def _drift(slot: Reals, time: Reals, n: int, slow: bool) -> float:
    """Change of speed from the first turn to the last, by a line through whole turns' speeds."""
    if slow:
        keep = slot > slot[0] + n
        slot, time = slot[keep], time[keep]
    if len(slot) < 8 or slot[-1] - slot[0] < 2 * n:
        return 0.0
    edges = np.arange(slot[0], slot[-1], n)
    times = np.interp(edges, slot, time)
    speed = 1 / np.diff(times)
    if len(speed) < 3:
        return 0.0
    middle = (times[1:] + times[:-1]) / 2
    slope, _ = np.polyfit(middle, speed, 1)
    return float(slope * (time[-1] - time[0]) / speed.mean())
