"""Compare a recording with what should have happened: bits, speed, stage, causes, margins."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sonify.disc_player.timeline import read_times
from sonify.errors import InputError
from sonify.performance import Performance
from sonify.recover.diagnosis.alignment import Design
from sonify.recover.diagnosis.case import Case
from sonify.recover.diagnosis.causes import Finding, likely_causes
from sonify.recover.diagnosis.cautions import cautions_of
from sonify.recover.diagnosis.channels import Channels, channels_of
from sonify.recover.diagnosis.fits import FITS
from sonify.recover.diagnosis.gaps import filled
from sonify.recover.diagnosis.listening import Listening
from sonify.recover.diagnosis.matching import (
    Match,
    Observe,
    best_voice,
    design_of,
    flipped,
    log_reader,
    match,
    why_misfit,
)
from sonify.recover.diagnosis.motion import Motion, motion_of
from sonify.recover.diagnosis.phase_jumps import NO_JUMPS, phase_jumps
from sonify.recover.diagnosis.recount import recounted
from sonify.recover.diagnosis.result import ERRORS, Comparison, margins_of
from sonify.recover.diagnosis.sampling import Sampling
from sonify.recover.diagnosis.source import LogRecording, MidiRecording, load_recording

__all__ = ["compare"]

SURE = 0.9
"""Share of what a voice's notes hold that a recording must give, if they don't give the bits and
rows may start anywhere."""

EXPLAINED = 0.75
"""Of the wrong bits, that are left once samples that were lost are put in: noise that looks like a
leap leaves nearly all (own choice)."""

EXACT = 0.02
"""How far notes of an exported file may lie off, in positions: times in files are rounded (own
choice; a machine's lie several times as far)."""

Flags = NDArray[np.bool_]


def compare(
    show: Performance,
    path: str | Path,
    *,
    sample_rate: float | None = None,
    threshold: float | None = None,
    sample_at: float | None = None,
    sample_width: float | None = None,
) -> Comparison:
    """Compare a recording with what should have happened, and say what went wrong and why.

    Parameters
    ----------
    show : Performance
        The disc with the player and the preset that it was played with.
    path : path
        A MIDI file from the player's MIDI output, or a detector log.
    sample_rate : float, optional
        Samples per second of a log without times.
    threshold : float, optional
        The level at which the machine decides, in the log's units; found from the log if not given.
    sample_at, sample_width : float, optional
        How the machine samples its data detector: how long after the middle of the clock pulse, in
        s, and averaged over which share of a position. Taken from the player's profile if not
        given, and from where holes pass if the profile does not say it either; then bits whose
        level lies within the noise of the threshold are uncertain.

    Raises
    ------
    InputError
        Not a recording, an empty one, or one that does not fit the disc.
    """
    recording = load_recording(path, sample_rate)
    player = show.setup.player
    sampling = Sampling(
        player.sample_at if sample_at is None else sample_at,
        player.sample_width if sample_width is None else sample_width,
    )
    listening: Listening | None = None
    channels: Channels | None = None
    if isinstance(recording, MidiRecording):
        listening, observe, seen, design = best_voice(recording, show)
    else:
        design = design_of(show, None)
        channels, observe = _log(recording, show, threshold, sampling)
        seen = observe(design)
        bad = design.errors(seen.bits)
        if channels.data.ever and bad:
            whole = filled(recording, seen, design.grid)
            if whole.lost:
                other = _log(whole, show, threshold, sampling)
                again = other[1](design)
                if design.errors(again.bits) < EXPLAINED * bad:
                    recording, seen, (channels, observe) = whole, again, other
    blind = channels is not None and not channels.data.ever
    if not blind and (listening is None or listening.exact):
        found = match(observe, seen, design, show.unit_bits)
    else:
        found = Match(seen, design, "normal", {"normal": seen.alignment.agreement})
    fit, followed = found.fit, found.seen.followed
    # rows that are all seen, each for a turn, are of no other disc, whenever they were read
    fits = fit >= FITS or followed or found.seen.stage is not None
    if listening is not None and followed:
        listening = replace(listening, vague=False)
    elif listening is not None and not listening.exact and fit < SURE:
        cut = bool((found.seen.bits < 0).all(axis=1).any())
        listening = replace(listening, vague=listening.vague or cut or not design.index)
    vague = listening is not None and listening.vague
    miscount = None
    exact = listening is not None and listening.exact and not followed
    if fits and listening is not None and exact and found.variant == "normal":
        seen, miscount = recounted(found.seen, design, listening.pitch)
        found = replace(found, seen=seen)
    seen = found.seen
    known = (design.grid >= 0) & (seen.bits >= 0)
    if vague or not (fits or blind):
        known[:] = False
    missed = known & (design.grid == 1) & (seen.bits == 0)
    added = known & (design.grid == 0) & (seen.bits == 1)
    jumps = NO_JUMPS
    if isinstance(recording, LogRecording) and seen.clock is not None and not blind:
        low = seen.clock.low if seen.levels is None else seen.levels.low
        jumps = phase_jumps(recording, seen.clock, low)
    case = Case(
        seen=seen,
        design=design,
        motion=motion_of(seen, design),
        missed=missed,
        added=added,
        variant=found.variant,
        agreement=found.agreement,
        miscount=miscount,
        rpm=player.rpm,
        delay_s=player.delay,
        channels=channels,
        gaps=recording.gaps if isinstance(recording, LogRecording) else (),
        lost=recording.lost if isinstance(recording, LogRecording) else (),
        jumps=jumps,
        fits=fits,
        vague=vague,
        tells=_tells(channels, threshold),
    )
    causes = likely_causes(case)
    if not (causes or vague or case.fits):
        about = "" if listening is None or listening.exact else f" ({listening.about})"
        raise InputError(
            f"this recording does not fit the disc '{show.disc.name}': it scores "
            f"{100 * fit:.0f} of 100; recordings of other discs score up to 13, recordings "
            "of this disc with serious faults 36 or more; "
            f"{why_misfit(recording, show, sampling)}{about}",
            file=path,
        )
    result = _result(show, Path(path), found, case, causes, listening, fit)
    if isinstance(recording, MidiRecording) and not len(result.errors):
        return _of_export(result, recording)
    return result


def _log(
    log: LogRecording, show: Performance, threshold: float | None, sampling: Sampling
) -> tuple[Channels, Observe]:
    """What the channels of a log show, and what reads it by a design."""
    period_s = show.timeline.position_s
    channels = channels_of(log.clock, log.data, log.rate, period_s, show.disc.positions)
    return channels, log_reader(log, show, threshold, sampling, channels)


def _of_export(result: Comparison, recording: MidiRecording) -> Comparison:
    """The same for a file that was exported with rows at bar lines, where no machine has them: it
    has all notes of the music at their times, whatever its speed."""
    show = result.show
    timeline, player = show.timeline, show.setup.player
    own = read_times(show.disc.rows, show.disc.positions, player)
    due, got = np.sort(show.notes["onset_s"]), np.sort(recording.notes["on_s"])
    if np.array_equal(own.row_slot, timeline.row_slot) or not 2 < len(due) == len(got):
        return result
    pace, start = np.polyfit(due, got, 1)
    off_s = np.abs(got - start - pace * due).max()
    if off_s > EXACT * timeline.position_s + recording.tick_s:
        return result
    ends = np.stack([timeline.row_slot, timeline.row_slot + timeline.positions - 1])
    row_s = start + pace * timeline.seconds(ends)
    motion = Motion(
        rpm=player.rpm / pace, drift=0.0, flutter=0.0, flutter_phase=0.0, start=1.0, settled_s=0.0,
        curve_s=row_s[0], curve_rpm=np.full(len(row_s[0]), player.rpm / pace),
        row_start_s=row_s[0], row_end_s=row_s[1],
    )  # fmt: skip
    said = (
        "this is the music as it is exported, with rows at bar lines; it tells nothing of a "
        "machine, which keeps its own time"
    )
    return replace(result, causes=[], motion=motion, cautions=(*result.cautions, said))


def _tells(channels: Channels | None, threshold: float | None) -> str:
    """What tells the machine's bits."""
    if channels is None:
        return "notes"
    if channels.data.digital:
        return "comparator"
    return "levels" if threshold is None else "threshold"


def _result(
    show: Performance,
    path: Path,
    found: Match,
    case: Case,
    causes: list[Finding],
    listening: Listening | None,
    fit: float,
) -> Comparison:
    seen, design, miscount = case.seen, case.design, case.miscount
    missed, added = case.missed, case.added
    wrong = np.zeros_like(missed)
    if miscount is None and found.variant == "normal" and listening is not None:
        wrong = _wrong_pitches(found, design, listening)
    # from holes or notes to the disc's bits
    if listening is None:
        turn = show.disc.layout.hole_means == 0
    else:
        turn = listening.exact and not listening.ones
    bits = flipped(seen.bits) if turn else seen.bits
    if turn:
        missed, added = added, missed
    if listening is not None:
        # where the voice's rules say nothing of a bit, the disc's own is the best guess
        exact = np.where(listening.tells, bits, show.disc.grid)
        bits = exact.astype(np.int8) if listening.exact else np.full_like(bits, -1)
    return Comparison(
        show=show,
        path=path,
        truth=show.disc.grid,
        bits=bits,
        errors=_errors(missed, added, wrong, seen.time_s),
        motion=case.motion,
        causes=causes,
        margins=None if seen.levels is None else margins_of(seen.levels),
        seen=seen,
        miscount=miscount,
        listening=listening,
        cautions=cautions_of(seen, design, listening, case.fits),
        fit=fit,
        fits=case.fits,
        tells=case.tells,
    )


def _wrong_pitches(found: Match, design: Design, listening: Listening) -> Flags:
    """Where a note came, but with another pitch than its place has."""
    out = np.zeros(design.grid.shape, bool)
    if listening.pitch is None or found.seen.under_pitch is None:
        return out
    rows, place = np.arange(design.rows)[:, None], found.seen.alignment.places(design)
    heard, meant = found.seen.under_pitch[:, : design.positions], listening.pitch[rows, place]
    sounds = (heard >= 0) & (meant >= 0) & (design.grid[rows, place] == 1)
    out[rows, place] = sounds & (heard != meant)
    return out


def _errors(
    missed: Flags, added: Flags, wrong: Flags, time: NDArray[np.float64]
) -> NDArray[np.void]:
    r, p = np.nonzero(missed | added | wrong)
    out = np.empty(len(r), ERRORS)
    out["row"], out["position"] = r, p
    out["kind"] = np.where(missed[r, p], "missed", np.where(added[r, p], "added", "wrong"))
    out["time_s"] = time[r, p]
    return out
