"""A recording against what should have happened: bits, speed, stage, causes, margins."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sonify.disc.disc import Disc
from sonify.errors import InputError
from sonify.performance import Performance
from sonify.player.timeline import read_times
from sonify.recover.diagnosis.alignment import Design
from sonify.recover.diagnosis.case import Case
from sonify.recover.diagnosis.causes import Cause, likely_causes
from sonify.recover.diagnosis.cautions import cautions_of
from sonify.recover.diagnosis.fits import FITS, fit_of
from sonify.recover.diagnosis.listening import Listening, merged_on, voices_of
from sonify.recover.diagnosis.log_alignment import Sampling, best_threshold, observe_log
from sonify.recover.diagnosis.midi_alignment import observe_midi
from sonify.recover.diagnosis.motion import Motion, motion_of
from sonify.recover.diagnosis.observed import Observed
from sonify.recover.diagnosis.readings import one_reading
from sonify.recover.diagnosis.recount import Miscount, recounted
from sonify.recover.diagnosis.source import LogRecording, MidiRecording, load_recording

__all__ = ["ERRORS", "Comparison", "Margins", "compare"]

ERRORS = np.dtype([("row", "i4"), ("position", "i4"), ("kind", "U6"), ("time_s", "f8")])
"""One bit that went wrong: rows and positions from 0, kind missed, added or wrong."""

COARSE = 0.25  # of a position: ticks so long hide which one a note is
MUCH = 0.55  # of a reading: a recording so short may not fit although it is of this disc
DOUBT = 0.86
BETTER = 0.08
SURELY = 0.5  # a log that fits so well when read otherwise is meant that way
SURE = 0.9  # of what a voice's notes hold, if they don't tell bits and rows may begin anywhere

OF_MOTION = ("wire", "slow-start", "off-centre")
"""Causes that show although no note can be given its place."""

Bits = NDArray[np.int8]


@dataclass(frozen=True, eq=False)
class Margins:
    """How far holes and material can be told apart, in the log's units.

    Attributes
    ----------
    ones, zeros : ndarray
        Levels at holes and where there is none.
    threshold, best : float
        The one that bits were told by, and the one of the fewest errors.
    error_rate : float
        That is to be expected with the best one.
    opening : float
        Of the eye: the share of the swing that stays clear of all but one in 200 levels.
    """

    ones: NDArray[np.float64]
    zeros: NDArray[np.float64]
    threshold: float
    best: float
    error_rate: float
    opening: float


@dataclass(frozen=True, eq=False)
class Comparison:
    """A recording against what should have happened.

    Attributes
    ----------
    show : Performance
    path : Path
    kind : str
        "log" or "midi".
    truth, bits : ndarray of int8, shape (rows, positions)
        What the disc says and what the machine read; -1 unknown.
    errors : ndarray of ERRORS
    motion : Motion
    causes : list of Cause
    margins : Margins or None
        From a log.
    seen : Observed
    agreement : float
        Share of the bits that fit.
    fit : float
        How much of what the disc holds the recording tells, from 0 to 1.
    variant : str
    miscount : Miscount or None
    listening : Listening or None
        What was listened to in a MIDI file.
    """

    show: Performance
    path: Path
    kind: str
    truth: Bits
    bits: Bits
    errors: NDArray[np.void]
    motion: Motion
    causes: list[Cause]
    margins: Margins | None
    seen: Observed
    agreement: float
    variant: str
    miscount: Miscount | None
    listening: Listening | None
    cautions: tuple[str, ...]
    fit: float = 1.0

    @property
    def right(self) -> float | None:
        """The share of the bits in the recording that the machine read correctly."""
        told = int(np.count_nonzero((self.truth >= 0) & (self.seen.bits >= 0)))
        vague = self.listening is not None and self.listening.vague
        return None if vague or not told else 1.0 - len(self.errors) / told

    @property
    def message(self) -> str | None:
        """The message as it should be."""
        return self.show.disc.message

    @property
    def message_read(self) -> str | None:
        """The message as the machine's bits give it, whatever a check says of it."""
        if self.show.disc.code is None:
            return None
        disc = Disc.from_bits(self.bits, code=self.show.disc.code, layout=self.show.disc.layout)
        decoding = disc.decoding
        assert decoding is not None
        return getattr(decoding, "as_read", decoding.text)

    @property
    def delay_s(self) -> float | None:
        """How much later the data detector sees a hole, in s; only a log tells."""
        return None if self.seen.levels is None else self.seen.levels.delay_s

    def character_at(self, row: int, position: int) -> int | None:
        """Which character of the message a place belongs to, from 0; None for none."""
        decoding = self.show.disc.decoding
        if decoding is None or not len(decoding.characters):
            return None
        at = row * self.truth.shape[1] + position
        first = decoding.characters["first_bit"]
        k = int(np.searchsorted(first, at, "right")) - 1
        if k < 0 or at > int(decoding.characters["last_bit"][k]):
            return None
        return k


def variants(grid: Bits, unit: int) -> dict[str, Bits]:
    """The disc as designed, and in the ways in which it may be read wrong as a whole."""

    def inverted(g: Bits) -> Bits:
        return np.where(g < 0, -1, 1 - g).astype(np.int8)

    turned = np.roll(grid[:, ::-1], 1, axis=1)
    flat = grid.reshape(-1).copy()
    whole = len(flat) // unit * unit
    flat[:whole] = flat[:whole].reshape(-1, unit)[:, ::-1].reshape(-1)
    return {
        "normal": grid,
        "inverted": inverted(grid),
        "turned": turned,
        "bits-turned": flat.reshape(grid.shape),
    }


def compare(
    show: Performance,
    path: str | Path,
    *,
    sample_rate: float | None = None,
    threshold: float | None = None,
    sample_at: float | None = None,
    sample_width: float | None = None,
) -> Comparison:
    """Lay a recording along what should have happened, and say what went wrong and why.

    Parameters
    ----------
    show : Performance
        The disc with the player and the preset that it was played with.
    path : path
        A MIDI file from the jack, or a detector log.
    sample_rate : float, optional
        Samples a second of a log without times.
    threshold : float, optional
        The level at which the machine decides, in the log's units.
    sample_at, sample_width : float, optional
        How the machine samples its data detector for a bit: how long after the middle of the
        clock's pulse, in s, and averaged over which share of a position. As the player's profile
        says if not given, and where holes pass if that does not say it either; bits whose level
        lies within the noise of the threshold can't be told for sure then.

    Returns
    -------
    Comparison

    Raises
    ------
    InputError
        Not a recording, an empty one, or one that does not fit the disc.
    """
    recording = load_recording(path, sample_rate)
    period = show.timeline.position_s
    player = show.setup.player
    sampling = Sampling(
        player.sample_at if sample_at is None else sample_at,
        player.sample_width if sample_width is None else sample_width,
    )
    listening = None
    if isinstance(recording, MidiRecording):
        listening, design, seen = _heard_best(recording, show, period)
    else:
        design = _plan(show, None)
        seen = _observe(recording, show, None, design, period, threshold, sampling)

    def observe(
        some: LogRecording | MidiRecording, one: Design, low_holes: bool | None = None
    ) -> Observed:
        return _observe(some, show, listening, one, period, threshold, sampling, low_holes)

    tell = listening is None or listening.exact
    laid = _laid(seen, design, show.unit_bits, partial(observe, recording), tell)
    if isinstance(recording, LogRecording) and not fit_of(laid.seen, laid.design) >= FITS:
        laid = _log_otherwise(recording, laid, design, show.unit_bits, observe)
    seen, variant, chosen, agreement = laid.seen, laid.variant, laid.design, laid.agreement
    fit = fit_of(seen, chosen)
    if not fit >= FITS and not (listening is not None and listening.vague):
        raise InputError(
            f"this recording does not fit the disc '{show.disc.name}': it scores "
            f"{100 * fit:.0f} of 100; recordings of other discs score up to 13, "
            "recordings of this disc with serious faults 36 or more; "
            + _why_misfit(recording, show)
            + ("" if listening is None or listening.exact else f" ({listening.about})"),
            file=path,
        )
    cut = bool((seen.bits < 0).all(axis=1).any())
    if listening is not None and not listening.exact and fit < SURE and (cut or not design.index):
        listening = replace(listening, vague=True)
    miscount = None
    if listening is not None and listening.exact and variant == "normal":
        seen, miscount = recounted(seen, design, listening.pitch)
    result = _result(
        show, Path(path), seen, design, chosen, listening, agreement, variant, miscount
    )
    return replace(result, fit=fit)


@dataclass(frozen=True, eq=False)
class _Laid:
    """A recording laid along the disc in the way in which it fits best."""

    seen: Observed
    variant: str
    design: Design
    agreement: dict[str, float]


def _laid(
    seen: Observed, design: Design, unit: int, observe: Callable[[Design], Observed], tell: bool
) -> _Laid:
    """Along the disc as designed; or, if it does not fit, as it may be read wrong as a whole."""
    agreement = {"normal": seen.alignment.agreement}
    variant, chosen = "normal", design
    if seen.alignment.agreement < DOUBT and tell:
        for name, grid in variants(design.grid, unit).items():
            if name == "normal":
                continue
            other = replace(design, grid=grid)
            one = observe(other)
            agreement[name] = one.alignment.agreement
            if (
                one.alignment.agreement
                > max(agreement["normal"], seen.alignment.agreement) + BETTER
            ):
                seen, variant, chosen = one, name, other
    return _Laid(seen, variant, chosen, agreement)


def _log_otherwise(
    recording: LogRecording,
    laid: _Laid,
    design: Design,
    unit: int,
    observe: Callable[..., Observed],
) -> _Laid:
    """A log that does not fit: with holes that read the other way, or as it was.

    Raises
    ------
    InputError
        It fits with its channels swapped.
    """
    low = laid.seen.clock is not None and laid.seen.clock.low
    turned = partial(observe, recording, low_holes=not low)
    try:
        other = _laid(turned(design), design, unit, turned, True)
        if fit_of(other.seen, other.design) >= SURELY:
            how = "high" if low else "low"
            note = (
                f"holes read {how} on the clock channel; if the machine takes that for material, "
                "swap its comparator's inputs"
            )
            seen = replace(other.seen, notes=(*other.seen.notes, note))
            return replace(other, seen=seen)
    except InputError:
        pass
    swapped = replace(recording, clock=recording.data, data=recording.clock)
    try:
        other_way = fit_of(observe(swapped, design, None), design) >= SURELY
    except InputError:
        other_way = False
    if other_way:
        raise InputError(
            "it fits with its two channels swapped: name the columns the other way round (clock "
            "is the row with a hole at every position)",
            file=recording.path,
        )
    return laid


def _why_misfit(recording: LogRecording | MidiRecording, show: Performance) -> str:
    """What to look at where a recording does not fit."""
    if isinstance(recording, MidiRecording):
        long = float(np.ptp(recording.notes["on_s"]))
    else:
        long = len(recording.clock) / recording.rate
    player = show.setup.player
    whole = float(read_times(show.disc.rows, show.disc.positions, player).end_slot)
    whole *= show.timeline.position_s
    if long < MUCH * whole:
        return (
            f"it lasts {long:.0f} s, and a reading of the disc takes {whole:.0f} s: record it "
            "whole, from before the first row to after the last"
        )
    position = show.timeline.position_s
    if isinstance(recording, MidiRecording) and recording.tick_s > COARSE * position:
        return (
            f"a tick lasts {1000 * recording.tick_s:.0f} ms and a position {1000 * position:.0f} "
            "ms; record it with more ticks per quarter note"
        )
    return "is it this disc, and was it played with this preset and player?"


def _heard_best(
    recording: MidiRecording, show: Performance, period: float
) -> tuple[Listening, Design, Observed]:
    """The voice that is listened to: the one that tells the bits, or if none does the one whose
    notes fit best in this recording."""
    # a machine keeps its own time, whatever bars the preset has for scores
    player = show.setup.player
    own = read_times(show.disc.rows, show.disc.positions, player)
    own_show = Performance(show.disc, show.setup, own, show.grid)
    merged = merged_on(own_show, recording.notes)
    voices = voices_of(own_show, merged)
    best: tuple[float, Listening, Design, Observed] | None = None
    failed: InputError | None = None
    for voice in voices[:1] if voices[0].exact else voices:
        design = _plan(show, voice)
        try:
            seen = _observe(recording, show, voice, design, period, None)
        except InputError as e:
            failed = failed or e
            continue
        share = float(np.clip((design.grid == 1).mean(), 1e-9, 1 - 1e-9))
        told = fit_of(seen, design) * -(share * np.log2(share) + (1 - share) * np.log2(1 - share))
        if best is None or told > best[0]:
            best = told, voice, design, seen
    if best is None:
        assert failed is not None
        raise failed
    return best[1:]


def _plan(show: Performance, listening: Listening | None) -> Design:
    player = show.setup.player
    grid = show.disc.grid
    two = read_times(2, show.disc.positions, player)
    step = int(two.row_slot[1])
    index = player.row_start == "index"
    move = player.stage + player.settle
    least = show.disc.positions + int(0.4 * move / show.timeline.position_s)
    if listening is not None:
        return Design(listening.sounds, step, index, move, least)
    if show.disc.layout.hole_means == 0:
        grid = np.where(grid < 0, -1, 1 - grid).astype(np.int8)
    return Design(grid, step, index, move, least)


def _observe(
    recording: LogRecording | MidiRecording,
    show: Performance,
    listening: Listening | None,
    design: Design,
    period: float,
    threshold: float | None,
    sampling: Sampling | None = None,
    low_holes: bool | None = None,
) -> Observed:
    if isinstance(recording, LogRecording):
        delay = show.setup.player.delay
        return observe_log(recording, design, period, threshold, delay, sampling, low_holes)
    assert listening is not None
    voice = listening
    part = one_reading(
        recording, design, voice, lambda some: observe_midi(some, voice, design, period)
    )
    if part.count == 1:
        return part.seen
    return replace(
        part.seen,
        notes=(
            *part.seen.notes,
            f"the recording holds {part.count} readings: number {part.number} is compared, from "
            f"{part.begin_s:.1f} s to {part.end_s:.1f} s",
        ),
    )


def _result(
    show: Performance,
    path: Path,
    seen: Observed,
    design: Design,
    chosen: Design,
    listening: Listening | None,
    agreement: dict[str, float],
    variant: str,
    miscount: Miscount | None,
) -> Comparison:
    truth = design.grid
    known = (truth >= 0) & (seen.bits >= 0)
    missed = known & (truth == 1) & (seen.bits == 0)
    added = known & (truth == 0) & (seen.bits == 1)
    if listening is not None and listening.vague:
        missed, added = np.zeros_like(missed), np.zeros_like(added)
    motion = motion_of(seen, design)
    wrong = _wrong_tones(seen, listening, show, design, miscount, variant)
    case = Case(seen, design, motion, truth, missed, added, variant, agreement, miscount)
    causes = likely_causes(case)
    if listening is not None and listening.vague:
        causes = [c for c in causes if c.name in OF_MOTION]
    if listening is None:
        turn = show.disc.layout.hole_means == 0
    else:
        turn = listening.exact and not listening.ones
    as_bits = _bits_of(seen.bits, turn)
    if listening is not None and not listening.exact:
        as_bits = np.full_like(seen.bits, -1)
    if turn:
        missed, added = added, missed
    if listening is not None and listening.exact:
        # where the voice is silent by its rules, the disc's own bit is the best guess
        as_bits = np.where(listening.tells, as_bits, show.disc.grid).astype(np.int8)
    return Comparison(
        show=show,
        path=path,
        kind=seen.kind,
        truth=show.disc.grid,
        bits=as_bits,
        errors=_errors(missed, added, wrong, seen.time_s),
        motion=motion,
        causes=causes,
        margins=_margins(seen),
        seen=seen,
        agreement=seen.alignment.agreement,
        variant=variant,
        miscount=miscount,
        listening=listening,
        cautions=cautions_of(seen, design, listening),
    )


def _bits_of(bits: Bits, turn: bool) -> Bits:
    return np.where(bits < 0, -1, 1 - bits).astype(np.int8) if turn else bits


def _wrong_tones(
    seen: Observed,
    listening: Listening | None,
    show: Performance,
    design: Design,
    miscount: Miscount | None,
    variant: str,
) -> NDArray[np.bool_]:
    """Where a note came, but with another pitch than its place has."""
    out = np.zeros(design.grid.shape, bool)
    if (
        listening is None
        or listening.pitch is None
        or seen.under_pitch is None
        or miscount is not None
        or variant != "normal"
    ):
        return out
    n, rows = design.positions, design.rows
    for r in range(rows):
        start = int(seen.alignment.start[r])
        place = np.arange(n) if design.index else (start + seen.alignment.phase + np.arange(n)) % n
        heard = seen.under_pitch[r, :n]
        meant = listening.pitch[r, place]
        out[r, place] = (
            (heard >= 0) & (meant >= 0) & (heard != meant) & (design.grid[r, place] == 1)
        )
    return out


def _errors(
    missed: NDArray[np.bool_],
    added: NDArray[np.bool_],
    wrong: NDArray[np.bool_],
    time: NDArray[np.float64],
) -> NDArray[np.void]:
    every = missed | added | wrong
    r, p = np.nonzero(every)
    out = np.empty(len(r), ERRORS)
    out["row"], out["position"] = r, p
    out["kind"] = np.where(missed[r, p], "missed", np.where(added[r, p], "added", "wrong"))
    out["time_s"] = time[r, p]
    return out


def _margins(seen: Observed) -> Margins | None:
    v = seen.levels
    if v is None:
        return None
    ones, zeros = v.level[v.truth == 1], v.level[v.truth == 0]
    ones, zeros = ones[np.isfinite(ones)], zeros[np.isfinite(zeros)]
    if len(ones) < 2 or len(zeros) < 2:
        return None
    best, rate = best_threshold(ones, zeros)
    swing = abs(float(np.mean(ones) - np.mean(zeros)))
    if v.low:
        clear = float(np.percentile(zeros, 0.5) - np.percentile(ones, 99.5))
    else:
        clear = float(np.percentile(ones, 0.5) - np.percentile(zeros, 99.5))
    return Margins(ones, zeros, v.threshold, best, rate, clear / max(swing, 1e-12))
