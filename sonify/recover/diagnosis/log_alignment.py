"""Align a detector log with a disc: what the machine read at each clock pulse."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError
from sonify.recover.diagnosis.alignment import Alignment, Design, agreement, turn_phase
from sonify.recover.diagnosis.channels import white_noise
from sonify.recover.diagnosis.gaps import settle_gaps
from sonify.recover.diagnosis.next_position import align_next_position
from sonify.recover.diagnosis.observed import Levels, Observed
from sonify.recover.diagnosis.row_offsets import RowOffsets, row_offsets
from sonify.recover.diagnosis.row_order import SURE, align, in_order
from sonify.recover.diagnosis.sampling import Sampling, passing
from sonify.recover.diagnosis.source import LogRecording
from sonify.recover.diagnosis.stage_move import stage_move
from sonify.recover.diagnosis.stage_path import StagePath, follow_stage, in_its_turn
from sonify.recover.diagnosis.timing_model import times_of
from sonify.recover.diagnosis.under_detector import BLANK, Dwell, angles_of, dwells_of
from sonify.recover.signal.averages import Integral
from sonify.recover.signal.clock import PulseClock, follow_clock
from sonify.recover.signal.levels import BINS, aligned_cells, cells_of, hole_levels, lag_of
from sonify.recover.signal.slicer import soft_bits, two_levels

__all__ = ["Followed", "follow_log", "observe_log"]

Reals = NDArray[np.float64]
Index = NDArray[np.int64]

MOST_WEB = 0.3
"""Share of the time from which on a level may be that of holes or of webs: neither holes nor webs
take more than 0.7 of a position (common practice, no source). Where the two channels disagree on
the level, a comparator near its limit may make either as long."""

AT_WEB = 0.4
"""Positions from the profile's delay from which on data holes pass with the clock's webs."""

BETWEEN = 0.25
"""The same if holes read low on one channel and high on the other: nearer to webs than to holes."""

LEAST_PART = 3
"""Positions of a row that must be in the log: of fewer, nobody can tell whether they were read."""

LITTLE = 0.01
"""Share of correct bits by which rows in order may be worse than rows out of it: a tenth of
`SURE`'s distance from a perfect reading."""

EXPLAINED = 0.5
"""Of the slots by which a stage seems to leave rows early or late: if less is left once pulses are
counted as the machine does, the count explains it."""

UNSURE = 2.0
"""Standard deviations by which a pulse may be early or late (all but one in twenty are nearer)."""

STOPPED = 2.5
"""Positions without a pulse from which on the disc stood still, if none is missing: two pulses that
jitter are nearer, and so are those on either side of one that is missing."""

MIDDLE = 0.2
"""Of the swing: a threshold nearer than this to the middle of the levels is a good one."""

NOISY = 3.0
"""Standard deviations of a level's noise about the threshold within which it can't be said what the
machine read; a machine that reads well averages over more of a hole."""

FAINT = 0.5
"""Of the deepest row's holes: a threshold in the middle of its levels misses others from there."""

HARDLY = 0.8
"""Of the depth of a row's holes: a threshold farther from the material than this misses some of
those that are not alike (a tenth, own estimate)."""

MOST_TRACES = 4000
"""Positions drawn in the eye diagram."""


class Followed(NamedTuple):
    """A log by its clock, whatever the disc: the pulses, how much later the data detector sees
    holes, in s, the data channel in small parts of each slot and its white noise, and remarks."""

    clock: PulseClock
    delay_s: float
    cells: Reals
    noise: float
    remarks: tuple[str, ...]


def follow_log(
    log: LogRecording, positions: int, period_s: float, about_s: float, *, steady: bool = False
) -> Followed:
    """Follow the clock of a log and find where holes pass in its data channel.

    Data holes pass with the clock's holes. If they seem to pass with its webs, holes are of the
    other level than their length suggests.

    Parameters
    ----------
    log : LogRecording
    positions : int
        Of a row.
    period_s : float
        How long a position should last.
    about_s : float
        The delay in the player's profile, where the search starts.
    steady : bool
        The clock channel is silent: positions are taken to pass as they should.

    Raises
    ------
    InputError
        No pulses, or less than half a row of them.
    """
    noise = white_noise(log.data)
    if steady:
        clock = PulseClock.steady(period_s, len(log.clock) / log.rate)
        cells = cells_of(log.data, log.rate, clock, about_s)
        return Followed(clock, about_s, cells, noise, ())
    low: bool | None = None
    remarks: tuple[str, ...] = ()
    below = float(np.mean(log.clock < sum(two_levels(log.clock)) / 2))
    for _ in range(2):
        clock = follow_clock(log.clock, log.rate, period_s, log.path, low)
        count = len(clock.slot_s)
        if count < positions // 2:
            raise InputError(
                f"{count} positions passed and a row has {positions}: too little to compare",
                file=log.path,
            )
        cells, delay = aligned_cells(log.data, log.rate, clock, about_s)
        same = soft_bits(*hole_levels(cells)).low == clock.low
        far = abs(delay - about_s) > (AT_WEB if same else BETWEEN) * clock.usual_s
        if not far or (same and not MOST_WEB < below < 1 - MOST_WEB):
            break
        low = not clock.low
        remarks = (
            f"holes read {'low' if low else 'high'} on the clock channel; if the machine takes "
            "that for material, swap its comparator's inputs",
        )
    return Followed(clock, delay, cells, noise, remarks)


def _evidence(cells: Reals, clock: PulseClock) -> Reals:
    """The evidence for a hole in each slot, from -1 to 1."""
    bits = soft_bits(*hole_levels(cells))
    # the clock's holes and the data's are of the same level
    return np.clip(2 * bits.level - 1, -1, 1) * (1 if bits.low == clock.low else -1)


def observe_log(
    log: LogRecording,
    followed: Followed,
    design: Design,
    threshold: float | None,
    sampling: Sampling,
    last_s: float = math.inf,
    offsets: RowOffsets | None = None,
) -> Observed:
    """Read a log as the machine did.

    Parameters
    ----------
    log : LogRecording
    followed : Followed
    design : Design
        With a hole as 1.
    threshold : float or None
        The machine's own threshold, in the log's units; found from the log if None.
    sampling : Sampling
    last_s : float
        When the data channel showed a hole for the last time: from there on, rows are taken to be
        read as designed.
    offsets : RowOffsets, optional
        Where the detector stood, if that is known: rows were then read as designed.
    """
    clock, delay, cells, noise, remarks = followed
    seen = _evidence(cells, clock)
    blind, beside = not last_s > 0, offsets is not None
    settled = clock if blind else settle_gaps(clock, seen, design.grid)
    if settled is not clock:
        clock = settled
        cells = cells_of(log.data, log.rate, clock, delay)
        seen = _evidence(cells, clock)
    gone = np.zeros(len(seen), bool)
    for begin_s, long_s in log.lost:
        gone |= (clock.slot_s > begin_s) & (clock.slot_s < begin_s + long_s)
    seen = np.where(gone, 0.0, seen)
    low, n, period = clock.low, design.positions, passing(clock)
    sums = Integral(log.data, log.rate)
    at = clock.slot_s + delay
    # the level at each hole's place, and that of the webs beside it
    web = (
        sums.mean(at - 0.56 * period, at - 0.44 * period)
        + sums.mean(at + 0.44 * period, at + 0.56 * period)
    ) / 2
    window = sampling.window(design, noise)
    level = np.where(gone, np.nan, sampling.levels(sums, clock, clock.slot_s, delay, window))
    levels = two_levels(level[np.isfinite(level)].astype(np.float32))
    middle = sum(levels) / 2
    used = middle if threshold is None else threshold
    good = ~clock.extra
    passed = times_of(np.arange(-n, len(seen) + 5 * n), clock.slot_s)
    stage, stays = None, list[Dwell]()
    if blind:
        every = np.arange(design.rows)
        phase, alignment = 0, Alignment(every * design.step, every, 0, 0.5)
    elif offsets is not None:
        phase, start, every = offsets.way.phase, offsets.way.start, np.arange(design.rows)
        if design.index and offsets.kind == "moved":
            start = in_its_turn(seen, design, phase, start)
        found = agreement(seen, design, phase, True, start, every)
        alignment = Alignment(start, every, phase, found)
    else:
        told = seen[: int(np.searchsorted(clock.slot_s, last_s + clock.usual_s)) + 1]
        phase, _ = turn_phase(told, design.grid)
        # beyond the rows, a stage that works shows no holes either
        for part in (told, seen)[: 1 + (len(told) < len(seen))]:
            stays = dwells_of(part, design.grid, phase)
            stage = follow_stage(stays, design, phase, passed, len(seen))
            if stage is not None:
                break
        # where samples were lost, the disc was at other angles; chance finds a path at one as well
        for turned in {a for _, _, a in angles_of(told, design.grid)} if stage is None else ():
            elsewhere = dwells_of(told, design.grid, turned)
            moved = follow_stage(elsewhere, design, turned, passed, len(seen))
            if moved and _alignment_of(moved, told, design, turned).agreement >= SURE:
                stage, phase, stays, part = moved, turned, elsewhere, told
                break
        if stage is None:
            alignment = align(told, design, phase, passed)
            if design.index and not alignment.rows_off:
                start = in_its_turn(told, design, phase, alignment.start)
                found = agreement(told, design, phase, True, start, alignment.seen_row)
                alignment = replace(alignment, start=start, agreement=found)
        else:
            if stage.index == design.index:
                move = stage_move(seen, design, phase, stage.start, stage.shown, clock.usual_s)
                stage = replace(stage, move=move)
            alignment = _alignment_of(stage, part, design, phase)
        if alignment.rows_off and len(told) < len(seen) - n:
            # nobody saw the stage in the rows after the last hole
            plain = in_order(told, design, phase)
            if plain.agreement > alignment.agreement - LITTLE:
                stage, alignment = None, plain
    if stage is not None and not stage.timely and (clock.extra.any() or len(clock.missing)):
        plain = alignment if design.index else align(told, design, phase, passed)
        plain, first = _firsts(seen, design, plain, clock, design.index)
        last = np.clip(first + n - 1, 0, len(clock.pulse_s) - 1)
        # a machine whose clock is miscounted ends its rows too early or too late
        left = (stage.start + n + stage.left - clock.pulse_slot[last] - 1)[:-1]
        if np.abs(left).sum() < EXPLAINED * np.abs(stage.left[:-1]).sum():
            stage, alignment = None, plain
    usual = stage is None or stage.usual_timing(design)
    at_index = blind or beside or design.index or not usual
    alignment, first = _firsts(seen, design, alignment, clock, at_index)
    index = design.index if stage is None else stage.index
    alignment = replace(alignment, turning=True)
    # a doubled pulse has a sample of its own
    pulse_hole, unsure = _sampled(sampling, sums, clock, delay, used, window)
    hole = np.where(np.isfinite(level), (level < used) == low, -1).astype(np.int8)
    near = NOISY * noise / math.sqrt(max(1.0, window * clock.usual_s * log.rate))
    if sampling != Sampling() and threshold is None:
        # the machine's own threshold is only about there
        own = sampling.levels(sums, clock, clock.pulse_s, delay, window)
        unsure = unsure | (np.abs(own - used) < near)
    elif sampling == Sampling() and abs(used - middle) < MIDDLE * (levels[1] - levels[0]):
        # a whole hole shows what a level near the threshold does not
        hole = np.where(np.abs(level - used) < near, seen > 0, hole).astype(np.int8)
        own = sampling.levels(sums, clock, clock.pulse_s, delay, window)
        whole = seen[np.clip(clock.pulse_slot, 0, len(seen) - 1)] > 0
        pulse_hole = np.where(np.abs(own - used) < near, whole, pulse_hole).astype(np.int8)
    pulse_hole[gone[np.clip(clock.pulse_slot, 0, len(seen) - 1)]] = -1
    bits, time = _counted(clock, pulse_hole, replace(design, index=index), alignment, first)
    doubtful = _counted(clock, unsure, replace(design, index=index), alignment, first)[0] > 0
    bits[doubtful & (bits != design.grid)] = -1
    inside = np.clip(alignment.start[:, None] + np.arange(n), 0, len(seen) - 1)
    deep = np.where(seen > 0, np.abs(np.nan_to_num(web - level)), 0.0)[inside].max(axis=1)
    odd = threshold is None and float(np.median(deep)) < FAINT * deep.max()
    # or its own threshold hardly lets it see the holes of a row
    depth = np.abs(web - level)
    shows = np.where((seen > 0) & (depth > 0), depth, np.nan)
    part = (np.abs(web - used) / shows)[inside]
    part = part[np.isfinite(part).any(axis=1)]
    odd |= threshold is not None and bool((np.nanmedian(part, axis=1) > HARDLY).any())
    odd |= (wrong := design.errors(bits)) > 0 or alignment.rows_off > 0 or alignment.cut(len(seen))
    if odd and not blind and offsets is None:
        depth = np.nan_to_num(web - level) * (1 if low else -1)
        offsets = row_offsets(depth, np.nan_to_num(web), design, alignment, passed, window, stays)
        if offsets is not None and (
            offsets.beside
            or offsets.kind == "dead"
            or (offsets.kind == "moved" and offsets.even and alignment.agreement < SURE)
        ):
            other = observe_log(log, followed, design, threshold, sampling, last_s, offsets)
            then, known = design.errors(other.bits), int((bits >= 0).sum())
            # what was read right in another turn was not beside the detector
            in_place = wrong > 0 or then <= bits.size - known
            if offsets.beside:
                fits = in_place and offsets.explains(other.bits, design.grid, known - n)
            else:
                fits = then < wrong
            if fits:
                return other
            if offsets.beside and (wrong or not in_place):
                offsets = None
    slot = alignment.start[:, None] + np.arange(n + 3)
    there = (slot >= 0) & (slot < len(seen))
    there[there[:, :n].sum(axis=1) < LEAST_PART] = False
    slot = np.clip(slot, 0, len(seen) - 1)
    rows, place = np.arange(design.rows)[:, None], (slot[:, :n] + phase) % n

    def by_place(values: Reals) -> Reals:
        """Values by slot, put at the row and position that each passed."""
        out = np.full((design.rows, n), np.nan)
        out[rows, place] = np.where(there[:, :n], values[slot[:, :n]], np.nan)
        return out

    truth = design.grid[alignment.seen_row]
    if stage is not None:
        truth[stage.shown == BLANK] = 0
    elif beside and offsets is not None:
        truth = offsets.under(design.grid)
    traces, trace_bits = _traces(cells, by_place(np.arange(len(seen), dtype=float)), truth)
    return Observed(
        kind="log",
        bits=bits,
        time_s=time,
        under=np.where(there, hole[slot], -1).astype(np.int8),
        beat_slot=clock.pulse_slot[good],
        beat_s=clock.pulse_s[good],
        slot_s=clock.slot_s,
        alignment=alignment,
        told=1.0,
        remarks=remarks,
        stage=stage,
        offsets=offsets,
        followed=beside and offsets is not None and offsets.beside,
        clock=clock,
        levels=Levels(
            level=by_place(level),
            web=by_place(web),
            seen=np.nan_to_num(by_place(np.sign(seen))).astype(np.int8),
            truth=truth,
            threshold=used,
            low=low,
            traces=traces,
            trace_bits=trace_bits,
            delay_s=delay,
            lag=lag_of(cells, seen > 0, low),
            passed=np.column_stack([level, web])[seen > 0],
            slots=seen,
        ),
    )


def _sampled(
    sampling: Sampling,
    sums: Integral,
    clock: PulseClock,
    delay_s: float,
    threshold: float,
    window: float,
) -> tuple[NDArray[np.int8], NDArray[np.int8]]:
    """The bit of each pulse, -1 for unknown; and where a pulse that jitters, or a disc that stands
    still beside it, could have given the other one, if the log does not tell the machine's own
    moments."""
    jitter = UNSURE * 1.4826 * float(np.median(np.abs(np.diff(clock.pulse_s, 2)))) / math.sqrt(6)
    told = sampling.at_s is not None or sampling.width is not None
    moments = [clock.pulse_s + away for away in ((0,) if told else (0, -jitter, jitter))]
    levels = np.stack([sampling.levels(sums, clock, at, delay_s, window) for at in moments])
    hole = np.where(np.isfinite(levels), (levels < threshold) == clock.low, -1).astype(np.int8)
    good = np.flatnonzero(~clock.extra)
    still = np.diff(clock.pulse_s[good]) > STOPPED * clock.usual_s
    beside = np.zeros(len(clock.pulse_s), bool)
    for a in np.flatnonzero(still).tolist():
        beside[good[max(a - 1, 0)] : good[min(a + 2, len(good) - 1)] + 1] = True
    return hole[0], ((hole != hole[0]).any(axis=0) | (beside & (not told))).astype(np.int8)


def _firsts(
    seen: Reals, design: Design, alignment: Alignment, clock: PulseClock, index: bool
) -> tuple[Alignment, Index]:
    """The pulse with which each row starts, of those that an alignment has or of those that are
    next when the stage is ready."""
    if not index:
        return align_next_position(seen, design, alignment, clock)
    good = ~clock.extra
    at_start = np.searchsorted(clock.pulse_slot[good], alignment.start)
    return alignment, np.append(np.flatnonzero(good), len(clock.pulse_s))[at_start]


def _counted(
    clock: PulseClock, hole: NDArray[np.int8], design: Design, alignment: Alignment, first: Index
) -> tuple[NDArray[np.int8], Reals]:
    """The bits, and when they were read, by the places to which a machine that counts pulses puts
    them; `first` is the pulse with which each row starts."""
    n, count = design.positions, len(clock.pulse_s)
    bits, time = np.full((design.rows, n), -1, np.int8), np.full((design.rows, n), np.nan)
    origin: int | None = None
    for r, start in enumerate(alignment.start.tolist()):
        skipped, j0 = max(0, -start), max(0, int(first[r]))
        if min(n - skipped, count - j0) < LEAST_PART:
            continue
        if origin is None:
            origin = j0 - skipped - (start + alignment.phase) % n
        pulses = np.arange(j0, min(j0 + n - skipped, count))
        place = skipped + np.arange(len(pulses)) if design.index else (pulses - origin) % n
        bits[r, place], time[r, place] = hole[pulses], clock.pulse_s[pulses]
    return bits, time


def _alignment_of(stage: StagePath, seen: Reals, design: Design, phase: int) -> Alignment:
    """The readings on the stage's path; material beyond the rows counts as the row that was due."""
    on = stage.shown != BLANK
    found = agreement(seen, design, phase, True, stage.start[on], stage.shown[on])
    shown = np.where(on, stage.shown, np.arange(design.rows))
    return Alignment(stage.start, shown, phase, found)


def _traces(cells: Reals, slots: Reals, truth: NDArray[np.int8]) -> tuple[Reals, NDArray[np.int8]]:
    """The data channel for one and a half positions around the slots that were read, shape
    (traces, parts), and what their bits should be."""
    read = np.flatnonzero(np.isfinite(slots))
    read = read[:: max(1, -(-len(read) // MOST_TRACES))]
    first = slots.reshape(-1)[read].astype(np.int64) * BINS - BINS // 4
    at = np.clip(first[:, None] + np.arange(BINS + BINS // 2), 0, cells.size - 1)
    return cells.reshape(-1)[at], truth.reshape(-1)[read]
