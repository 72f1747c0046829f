"""What the C tables need from one voice, or why a machine can't follow it."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from sonify.export.firmware.steps import steps_of
from sonify.export.firmware.tones import Tones, tones_of
from sonify.midi.general_midi import program_number
from sonify.music.form.plan import DENSITY, SECTION
from sonify.music.machine import Machine, Refusal, eventually_periodic
from sonify.music.notes import sections_of, thinning
from sonify.music.pitch.scheme import Frame
from sonify.music.rhythm.following import ONE, Follower, Mask, Step
from sonify.music.settings import Voice
from sonify.music.voice_sources import find_source
from sonify.music.voices import rules_of, scheme_of
from sonify.ranges import chosen

__all__ = ["VoicePlan", "about", "voice_plan"]

_ROWS_SEEN = 2048


@dataclass(frozen=True, eq=False)
class VoicePlan:
    """One voice."""

    voice: Voice
    name: str
    program: int
    source: str
    steps: Follower
    tones: Tones

    @property
    def vamp(self) -> int:
        """How many positions it repeats while the stage moves; 0 for none."""
        return next((s.c for s in self.steps.steps if s.op == "VAMP"), 0)


@contextlib.contextmanager
def about(key: str) -> Iterator[None]:
    """Let refusals name the setting."""
    try:
        yield
    except Refusal as reason:
        raise Refusal(f"{key}: {reason}") from None


def voice_plan(voice: Voice, number: int, name: str, frame: Frame, machine: Machine) -> VoicePlan:
    """One voice's part in the tables.

    Raises
    ------
    Refusal
        What a machine can't follow.
    """
    place = f"music.voice[{number}]"
    source = find_source(voice.source, f"{place}.source")
    if not source.core:
        raise Refusal(f"{place}.source '{source.name}': {source.why_not}")
    own = Frame(frame.scale, frame.root + 12 * voice.octave, frame.grid, f"{place}.pitch")
    with about(f"{place}.rows"):
        filters = [Step("MASK", mask=m) for m in _filters(voice, place, machine)]
    filters += _by_form(voice, number, place, machine)
    with about(f"{place}.rhythm"):
        steps = steps_of(rules_of(voice, place), voice, filters, source, machine)
    with about(f"{place}.pitch"):
        tones = tones_of(voice, scheme_of(voice, place), steps.shifts, machine, own)
        if tones.led is not None:
            _check_led(steps, tones, machine)
        if tones.by_value and any(s.op == "STRUM" and s.d and not s.b for s in steps.steps):
            raise Refusal(
                "a tone by a character's value in chords that are strummed downwards (use "
                'way = "up")'
            )
        if tones.by_value:
            _check_late(voice, steps, tones, machine)
    program = program_number(voice.program, f"{place}.program")
    return VoicePlan(voice, name, program, source.core, steps, tones)


def _check_led(steps: Follower, tones: Tones, machine: Machine) -> None:
    """Refuse voice-leading in another order than that of reading."""
    what = ""
    for s in steps.steps:
        if s.op == "REPEAT" or (s.op == "ECHOES" and s.c):
            what = "echoes of tones led from one to the next: other tones come in between"
        if s.op == "STRUM" and (s.d or s.a * s.c >= ONE):
            what = "a strum in a different order from that in which its tones are led"
    if steps.mixed:
        what = f"tones led from one to the next, where '{steps.mixed}' changes their order"
    if tones.by_value and machine.positions % machine.unit_bits:
        what = "tones led by the value of a character that may end in the next row"
    if what:
        raise Refusal(f'{what}; the core leads a tone when it is read (use leading = "free")')


def _check_late(voice: Voice, steps: Follower, tones: Tones, machine: Machine) -> None:
    """Refuse notes that begin before the value of their character is known."""
    last = machine.unit_bits - 1
    first = 0
    if voice.places is not None and voice.source != "character-starts":
        which = chosen(voice.places, machine.unit_bits, "places")[: machine.unit_bits]
        first = int(np.argmax(which)) if which.any() else last
    whole = machine.positions % machine.unit_bits == 0
    wait = float(last - first + (0 if whole else machine.gap))
    if not machine.straight:
        raise Refusal(
            "a tone by a character's value where rows begin anywhere: some of the character is "
            'read only at the turn\'s end (use player.row-start = "index", or a scheme that takes '
            "bits, such as number)"
        )
    if steps.room < wait - 1e-9 and not (whole and steps.when_over):
        raise Refusal(
            f"a tone by a character's value, which is known only when its last bit has been read "
            f'(add {{ rule = "entry", steps = {wait:g} }} to its rhythm, or use last-character)'
        )
    if tones.leads[1].count * tones.leads[2].count > 256:
        raise Refusal(
            "a tone by a character's value in more than 256 chords and places (use fewer)"
        )


def _filters(voice: Voice, place: str, machine: Machine) -> list[Mask]:
    """Where a voice may sound."""
    out: list[Mask] = []
    if voice.rows is not None:
        which = chosen(voice.rows, 4 * _ROWS_SEEN, f"{place}.rows")
        try:
            count, back = eventually_periodic(which.__getitem__, 512)
        except Refusal:
            raise Refusal(
                "its choice of rows does not repeat soon enough (use a range such as 2-/3)"
            ) from None
        out.append(Mask("ROW", tuple(which[:count].tolist()), back))
    for by, picks, size in (
        ("POSITION", voice.positions, machine.positions),
        ("PLACE", voice.places, machine.unit_bits),
    ):
        if picks is not None:
            which = chosen(picks, size, f"{place}.{by.lower()}s")
            out.append(Mask(by, tuple(which[:size].tolist())))
    return out


def _by_form(voice: Voice, number: int, place: str, machine: Machine) -> list[Step]:
    """The steps that keep a voice to its sections and thin it as the form asks."""
    plan = machine.plan
    assert plan is not None
    out = []
    plays = sections_of(voice, number, plan, place)
    if plays is not None:
        out.append(Step("MASK", mask=Mask("PLAN", tuple(plays.tolist()), SECTION)))
    fine = plan.places(machine.positions)
    shares = thinning(voice, plan)
    for n, share in enumerate(shares):
        kept = tuple((fine <= share).tolist())
        if not all(kept):
            level = tuple(k == n for k in range(len(shares)))
            out.append(Step("WHEN", mask=Mask("PLAN", level, DENSITY)))
            out.append(Step("MASK", mask=Mask("STEP", kept)))
    return out
