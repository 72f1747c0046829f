"""Whether and how a recording fits the disc: as designed, or read wrong as a whole."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sonify.disc.disc import Disc
from sonify.disc.sizes import Geometry, row_radii
from sonify.disc_player.timeline import Timeline, read_times
from sonify.errors import InputError
from sonify.performance import Performance
from sonify.recover.diagnosis.alignment import Design
from sonify.recover.diagnosis.channels import FEW, LIT, Channels
from sonify.recover.diagnosis.delivery import delivered
from sonify.recover.diagnosis.fits import FITS, fit_of
from sonify.recover.diagnosis.listening import Listening, due_together, merged_on, voices_of
from sonify.recover.diagnosis.log_alignment import follow_log, observe_log
from sonify.recover.diagnosis.midi_alignment import observe_by_score, observe_midi
from sonify.recover.diagnosis.numbering import first_period
from sonify.recover.diagnosis.observed import Observed
from sonify.recover.diagnosis.readings import in_other_order, one_reading
from sonify.recover.diagnosis.sampling import Sampling
from sonify.recover.diagnosis.score_following import MOST, follow_score
from sonify.recover.diagnosis.source import LogRecording, MidiRecording
from sonify.recover.signal.averages import running_mean

__all__ = ["Match", "Observe", "best_voice", "design_of", "log_reader", "match", "why_misfit"]

DOUBT = 0.86
"""Share of correct bits below which other ways to read the disc are tried."""

BETTER = 0.08
"""By how much such a way must be better: more than the best of three wrong ones is by chance."""

SURELY = 0.5
"""Share of the disc's information that a log holds if its channels are swapped for sure."""

COARSE = 0.5
"""Of a position: with longer ticks, notes can't be assigned to positions."""

MUCH = 0.55
"""Of a reading: a shorter recording may not fit although it is of this disc."""

Observe = Callable[[Design], Observed]
Grid = NDArray[np.int8]


def design_of(show: Performance, listening: Listening | None) -> Design:
    """What should have happened, in holes, or in the notes of one voice."""
    player, positions = show.setup.player, show.disc.positions
    step = int(read_times(2, positions, player).row_slot[1])
    move = player.stage + player.settle
    grid = show.disc.grid
    if listening is not None:
        grid = listening.sounds
    elif show.disc.layout.hole_means == 0:
        grid = flipped(grid)
    least = positions + int(0.4 * move / show.timeline.position_s)
    geometry = show.disc.geometry
    return Design(
        grid,
        step,
        player.row_start == "index",
        move,
        least,
        player.stage,
        **({} if geometry is None else _sizes(geometry, show.disc)),
    )


def _sizes(geometry: Geometry, disc: Disc) -> dict[str, Any]:
    """What a design holds of a disc's geometry."""
    radii = row_radii(geometry, disc.layout, disc.rows)
    around = 2 * math.pi * radii / disc.positions
    hole = geometry.hole_diameter
    return {
        "hole": hole / geometry.row_pitch,
        "pitch_mm": geometry.row_pitch,
        "widths": hole / around,
    }


def flipped(grid: Grid) -> Grid:
    """Ones and zeros swapped."""
    return np.where(grid < 0, -1, 1 - grid).astype(np.int8)


def _variants(grid: Grid, unit: int) -> dict[str, Grid]:
    """The ways in which the disc may be read wrong as a whole."""
    flat = grid.reshape(-1).copy()
    whole = len(flat) // unit * unit
    flat[:whole] = flat[:whole].reshape(-1, unit)[:, ::-1].reshape(-1)
    return {
        "inverted": flipped(grid),
        "turned": np.roll(grid[:, ::-1], 1, axis=1),
        "bit-order": flat.reshape(grid.shape),
    }


@dataclass(frozen=True, eq=False)
class Match:
    """The way in which a recording fits the disc best.

    Attributes
    ----------
    seen : Observed
    design : Design
    variant : str
        "normal", or the name of a cause.
    agreement : dict of str to float
        Share of correct bits for each way that was tried.
    """

    seen: Observed
    design: Design
    variant: str
    agreement: dict[str, float]

    @property
    def fit(self) -> float:
        """How much of the disc's information the recording holds, from 0 to 1."""
        return fit_of(self.seen, self.design)


def match(observe: Observe, seen: Observed, design: Design, unit: int) -> Match:
    """As designed if that fits, else in the way that fits best."""
    seen = in_other_order(observe, seen, design)
    usual = seen.alignment.agreement
    best = Match(seen, design, "normal", {"normal": usual})
    if usual >= DOUBT or (seen.offsets is not None and seen.offsets.beside):
        return best
    for name, grid in _variants(design.grid, unit).items():
        other = replace(design, grid=grid)
        one = observe(other)
        now = best.agreement[name] = one.alignment.agreement
        # rows that are all seen, each for a turn, are seen as designed
        as_well = one.stage is not None or best.seen.stage is None
        if as_well and now > max(usual, best.seen.alignment.agreement) + BETTER:
            best = Match(one, other, name, best.agreement)
    return best


def log_reader(
    log: LogRecording,
    show: Performance,
    threshold: float | None,
    sampling: Sampling,
    channels: Channels | None = None,
) -> Observe:
    """What reads a log by a design; its clock is followed once. If its `channels` show that one is
    silent, rows are taken to pass as designed."""
    period, delay = show.timeline.position_s, show.setup.player.delay
    lost = channels is not None and not channels.clock.ever
    if channels is not None and channels.clock.shift > LIT:
        # light from outside hides pulses from a comparator, but not from the eye
        wide = int(FEW * period * log.rate)
        log = replace(log, clock=log.clock - running_mean(log.clock, wide).astype(np.float32))
    followed = follow_log(log, show.disc.positions, period, delay, steady=lost)
    last = math.inf if channels is None else channels.data.last_s
    return lambda design: observe_log(log, followed, design, threshold, sampling, last)


def _midi_reader(midi: MidiRecording, voice: Listening, show: Performance) -> Observe:
    period = show.timeline.position_s

    def observe(design: Design) -> Observed:
        return one_reading(
            midi, design, voice, lambda some: observe_midi(some, voice, design, period)
        )

    return observe


def best_voice(
    midi: MidiRecording, show: Performance
) -> tuple[Listening, Observe, Observed, Design]:
    """The voice to listen to: the one that gives the bits; if none does, the one whose notes fit
    best in this recording."""
    # a machine keeps its own time, whatever bars the preset has; a file that was exported has bars
    own = read_times(show.disc.rows, show.disc.positions, show.setup.player)
    best = _best_in_time(midi, show, own)
    if any(_astray(best[2])) and not np.array_equal(own.row_slot, show.timeline.row_slot):
        return min(best, _best_in_time(midi, show, show.timeline), key=lambda b: _astray(b[2]))
    return best


def _astray(seen: Observed) -> tuple[float, float]:
    """How many notes came without being due, and how many others did not come."""
    sent = seen.delivery
    return (math.inf, math.inf) if sent is None else (sent.stray, sent.lost)


def _best_in_time(
    midi: MidiRecording, show: Performance, timeline: Timeline
) -> tuple[Listening, Observe, Observed, Design]:
    """The same if rows are read as a timeline has them."""
    own_show = Performance(show.disc, show.setup, timeline, show.grid)
    voices = voices_of(own_show, merged_on(own_show, midi.notes))
    best: tuple[Listening, Observe, Observed, Design] | None = None
    most, failed = 0.0, None
    for voice in voices[:1] if voices[0].exact else voices:
        design = design_of(show, voice)
        observe = _midi_reader(midi, voice, show)
        try:
            seen = observe(design)
        except InputError as e:
            failed = failed or e
            continue
        p = float(np.clip((design.grid == 1).mean(), 1e-9, 1 - 1e-9))
        told = fit_of(seen, design) * -(p * np.log2(p) + (1 - p) * np.log2(1 - p))
        if best is None or told > most:
            best, most = (voice, observe, seen, design), told
    if best is None:
        assert failed is not None
        raise failed
    voice, observe, seen, design = best
    n, position_s = show.disc.positions, show.timeline.position_s
    if midi.tick_s > COARSE * position_s:
        return best
    score, keys = due_together(voices, midi.notes, MOST // len(midi.notes))
    known = keys >= 0
    on = midi.notes["on_s"]
    period = first_period(on[voice.of(midi.notes)], position_s, voice.swing)
    mine = voice.of(midi.notes[known])
    followed = follow_score(score, keys[known], on[known], period, n, midi.tick_s, mine)
    if followed is None:
        return best
    sent = delivered(followed, show.disc.rows, position_s)
    if mine.any():
        part, last = followed.part(voice.voice, mine), int(followed.slot.max())
        scored = observe_by_score(midi, voice, design, part, last)
        if sent.whole:  # late notes may lie beside their rows
            bits = np.where(design.grid >= 0, design.grid, scored.bits)
        else:
            bits = scored.bits.copy()
            bits[sent.gone if sent.unread else []] = -1
        scored = replace(scored, bits=bits.astype(np.int8))
        # of two ways to place the same notes, the one that needs fewer errors is likelier; rows of
        # which other voices came were read
        silent = np.setdiff1d(np.flatnonzero((seen.bits < 0).all(axis=1)), sent.gone)
        errors, heard = design.errors(seen.bits), scored.bits.copy()
        heard[silent] = -1
        fewer = design.errors(heard) < errors + bool(len(silent))
        if fewer or fit_of(seen, design) < FITS:
            seen = scored
    return voice, observe, replace(seen, delivery=sent), design


def why_misfit(
    recording: LogRecording | MidiRecording, show: Performance, sampling: Sampling
) -> str:
    """What to check if a recording does not fit."""
    position = show.timeline.position_s
    if isinstance(recording, LogRecording):
        swapped = replace(recording, clock=recording.data, data=recording.clock)
        design = design_of(show, None)
        try:
            seen = log_reader(swapped, show, None, sampling)(design)
            if fit_of(seen, design) >= SURELY:
                return (
                    "it fits with its two channels swapped: swap the names of the columns (the "
                    "clock row has a hole at every position)"
                )
        except InputError:
            pass
        long = len(recording.clock) / recording.rate
    else:
        long = float(np.ptp(recording.notes["on_s"]))
    player = show.setup.player
    whole = position * float(read_times(show.disc.rows, show.disc.positions, player).end_slot)
    if long < MUCH * whole:
        return (
            f"it lasts {long:.0f} s, and a reading of the disc takes {whole:.0f} s: record all of "
            "it, from before the first row to after the last"
        )
    if isinstance(recording, MidiRecording) and recording.tick_s > COARSE * position:
        return (
            f"a tick lasts {1000 * recording.tick_s:.0f} ms and a position {1000 * position:.0f} "
            "ms; record it with more ticks per quarter note"
        )
    return "is it this disc, and was it played with this preset and player?"
