"""All that the C tables need, worked out from a performance, or why a machine can't follow it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError
from sonify.export.firmware.alphabet import letters_of
from sonify.export.firmware.keys import Keys, Sounds, allocation_of, sounds_of
from sonify.export.firmware.steps import steps_of
from sonify.export.firmware.tones import Tones, tones_of
from sonify.light.letters import Letters
from sonify.midi.general_midi import program_number
from sonify.music.machine import Machine, Refusal, eventually_periodic
from sonify.music.notes import assign_channels, rules_of, scheme_of
from sonify.music.pitch.scheme import Frame
from sonify.music.rhythm.following import ONE, Mask, Steps
from sonify.music.settings import Voice
from sonify.music.sources import find_source
from sonify.music.theory.scales import find_scale, note_number
from sonify.performance import Performance
from sonify.player.timeline import read_times
from sonify.ranges import chosen

__all__ = ["FirmwarePlan", "VoicePlan", "plan_of"]

RAM = 2048
"""Bytes of RAM that the core keeps to."""

CALLER = 256
"""Bytes of RAM left to the caller if the room for a message is not given."""

_HALT_POSITIONS, _HALT_S = 16, 2.0
_STACK, _STACK_CHANCE = 200, 20
_STACK_AGAIN = 85

MOST_NOTES = 64
MOST_TEXT = 1024
LEAST_TEXT = 64
MOST_POSITIONS = 8192
MOST_LAMPS = 8192
_ROWS_SEEN = 2048

_FILLS = ("rows", "running", "columns", "furrows", "characters", "rolling")


@dataclass(frozen=True, eq=False)
class VoicePlan:
    """One voice."""

    voice: Voice
    name: str
    channel: int
    program: int
    source: str
    steps: Steps
    tones: Tones
    keys: Keys


@dataclass(frozen=True, eq=False)
class FirmwarePlan:
    """All that the C tables need.

    Attributes
    ----------
    voices : list of VoicePlan
    sounds : Sounds
    period : int
        Of the scale, in semitones.
    positions, unit_bits, width, height : int
    fill, alphabet : str
        `alphabet` is "none" for a disc without a code.
    hole : int
        The bit that a hole stands for.
    letters : Letters
    step_ticks, bar_ticks : int
    position_s, pause_s, column_s, turn_s, gap_s : float
        `gap_s` is the usual time between two rows.
    notes, text : int
        Room for notes that are due or sounding, and for characters.
    """

    show: Performance
    voices: list[VoicePlan]
    sounds: Sounds
    period: int
    positions: int
    unit_bits: int
    width: int
    height: int
    fill: str
    alphabet: str
    low_first: bool
    framed: bool
    parity: bool
    crc: bool
    index: bool
    hole: int
    letters: Letters
    step_ticks: int
    bar_ticks: int
    position_s: float
    pause_s: float
    column_s: float
    gap_slots: int
    notes: int
    text: int

    @property
    def lamps(self) -> int:
        """Number of lamps."""
        return self.width * self.height

    @property
    def human(self) -> bool:
        """Whether chance changes some notes."""
        return any(s.op in ("SHAKE", "FORCE") for v in self.voices for s in v.steps.steps)

    @property
    def by_value(self) -> bool:
        """Whether some tones are known only when their character has been read."""
        return any(v.tones.by_value for v in self.voices)

    @property
    def past(self) -> int:
        """Number of past bits kept for densities; 0 where 32 are enough."""
        leads = [v.tones.leads[0] for v in self.voices]
        most = max([lead.up for lead in leads if lead.by == "DENSITY"] or [0])
        return 0 if most <= 32 else 1 << (most - 1).bit_length()

    @property
    def stall_ticks(self) -> int:
        """Ticks without a position after which all notes end."""
        return min(2 * (self.gap_slots + 2 * self.positions) * self.step_ticks, 0x10000000)

    @property
    def halt_ticks(self) -> int:
        """The same while a row is read, when every clock hole is reported."""
        positions = max(_HALT_POSITIONS, math.ceil(_HALT_S / self.position_s))
        return min(positions * self.step_ticks, self.stall_ticks)

    @property
    def stack(self) -> int:
        """About how many bytes of stack it takes at most: repeated notes pass the rules again."""
        again = [sum(s.op in ("ECHOES", "REPEAT") for s in v.steps.steps) for v in self.voices]
        return _STACK + _STACK_CHANCE * self.human + _STACK_AGAIN * max(again, default=0)

    @property
    def needed(self) -> int:
        """Bytes that this disc's message takes while it is decoded, with framing and shifts."""
        if self.alphabet == "none":
            return 0
        return units_used(self.show.disc.grid, self.unit_bits)

    def ram(self) -> int:
        """Bytes of RAM of the core on a chip that packs its structures."""
        return fixed_ram(self) + self.text + 13 * self.notes


def fixed_ram(plan: FirmwarePlan) -> int:
    """Bytes of RAM without notes and text: the sum of the core's variables."""
    rules = sum(len(v.steps.steps) for v in plan.voices)
    row = (plan.positions + 7) // 8
    per_voice = (31 if plan.human else 27) * len(plan.voices) + 2 * (rules + 1)
    bent = 2 if plan.sounds.bends else 0
    return per_voice + (plan.lamps + 7) // 8 + 2 * row + plan.past // 8 + 96 + bent


def plan_of(show: Performance, text: int | None = None) -> FirmwarePlan:
    """Work out the tables, or say what a machine can't follow while it reads.

    Parameters
    ----------
    show : Performance
    text : int, optional
        Room for a message, in characters (bytes in utf-8); as much as fits in 2 KB of RAM if not
        given.

    Raises
    ------
    InputError
        What can't be followed and why, in one line; sizes beyond the core's.
    """
    setup, disc, grid = show.setup, show.disc, show.grid
    matrix = setup.player.matrix
    reasons: list[str] = []
    hint = ""
    if setup.music.timing == "bars":
        reasons.append("timing 'bars' moves rows to bar lines, which the disc does not")
        hint = "give {music.timing}=player"
    scale = find_scale(setup.music.scale)
    if disc.positions > MOST_POSITIONS:
        reasons.append(f"{disc.positions:,} positions a row; the core counts to {MOST_POSITIONS:,}")
    if matrix.lamps > MOST_LAMPS:
        reasons.append(f"{matrix.lamps:,} lamps; the core drives up to {MOST_LAMPS:,}")
    if matrix.fill not in _FILLS:
        reasons.append(f"the core does not know the fill rule '{matrix.fill}'")
    if grid.step_ticks > 65535 or grid.bar_ticks * 8 > 2**31:
        reasons.append("so fine a metre needs more ticks a position than the core counts")
    two = read_times(2, disc.positions, setup.player)
    gap = int(two.row_slot[1]) - disc.positions
    straight = setup.player.row_start == "index"
    machine = Machine(disc.positions, show.unit_bits, straight, gap)
    frame = Frame(scale, float(note_number(setup.music.root)), grid)
    channels = assign_channels(setup.music.voice)
    voices = []
    for n, voice in enumerate(setup.music.voice):
        try:
            voices.append(_voice(show, voice, n, channels[n], frame, machine))
        except Refusal as reason:
            name = voice.name or f"voice {n + 1}"
            reasons.append(f"voice '{name}': {reason}")
    alphabet = "none" if disc.code is None else disc.code.alphabet
    try:
        code_refusal(show)
    except Refusal as reason:
        reasons.append(str(reason))
    try:
        allocations = allocation_of(setup.music, channels, show.unit_bits, grid)
        if len(voices) == len(channels):
            names, tones = [v.name for v in voices], [v.tones for v in voices]
            keys, sounds = sounds_of(setup.music, names, channels, tones, allocations, scale.period)
    except Refusal as reason:
        reasons.append(str(reason))
    if reasons:
        raise InputError(
            "a machine can't follow this as it reads: " + "; ".join(reasons), hint=hint
        )
    tones_of_each = [len(np.unique(k.table)) for k in keys]
    notes = sum(
        v.steps.notes(disc.positions, n) for v, n in zip(voices, tones_of_each, strict=True)
    )
    notes = max(4, notes)
    timeline = show.timeline
    plan = FirmwarePlan(
        show=show,
        voices=[replace(v, keys=k) for v, k in zip(voices, keys, strict=True)],
        sounds=sounds,
        period=max(1, round(scale.period)),
        positions=disc.positions,
        unit_bits=show.unit_bits,
        width=matrix.width,
        height=matrix.height,
        fill=matrix.fill,
        alphabet=alphabet,
        low_first=disc.code is not None and disc.code.bit_order == "low-first",
        framed=disc.code is not None and disc.code.framing == "framed",
        parity=disc.code is not None and disc.code.check == "parity",
        crc=disc.code is not None and disc.code.check == "crc-16",
        index=straight,
        hole=disc.layout.hole_means,
        letters=letters_of(alphabet, matrix),
        step_ticks=grid.step_ticks,
        bar_ticks=grid.bar_ticks,
        position_s=timeline.position_s,
        pause_s=setup.player.message_pause,
        column_s=float(1 / Fraction(matrix.scroll)),
        gap_slots=gap,
        notes=notes,
        text=0,
    )
    if notes > MOST_NOTES:
        raise InputError(
            f"a machine can't follow this as it reads: up to {notes} notes would be due or "
            f"sounding at once, and the core keeps {MOST_NOTES}; take shorter echoes or "
            "fewer voices"
        )
    _check_counts(plan)
    return replace(plan, text=_text_room(plan, text))


def _check_counts(plan: FirmwarePlan) -> None:
    """Refuse more than the core's numbers can count."""
    masks = {s.mask.bits for v in plan.voices for s in v.steps.steps if s.mask is not None}
    velocities = sum(v.steps.velocities.size for v in plan.voices)
    for count, most, what in (
        (sum(len(v.steps.steps) for v in plan.voices), 254, "rhythm rules"),
        (sum(v.keys.table.size for v in plan.voices), 65_535, "tones in tables"),
        (velocities, 65_535, "velocities in tables"),
        (
            sum(map(len, masks)),
            65_535,
            "places that rows, positions, places and patterns pick from",
        ),
    ):
        if count > most:
            raise InputError(
                f"a machine can't follow this as it reads: {count:,} {what} in all voices, and "
                f"the core counts to {most:,}; take fewer voices"
            )


def units_used(grid: NDArray[np.int8], unit_bits: int) -> int:
    """Number of code units up to the last one that is not all zeros."""
    last = np.flatnonzero(grid.reshape(-1))
    return int(last[-1]) // unit_bits + 1 if len(last) else 0


def _text_room(plan: FirmwarePlan, text: int | None) -> int:
    if plan.alphabet == "none":
        return 1
    if text is not None:
        return text
    free = RAM - CALLER - plan.stack - plan.ram()
    return max(LEAST_TEXT, min(MOST_TEXT, free))


def code_refusal(show: Performance) -> None:
    """Refuse codes that the core can't decode."""
    code = show.disc.code
    if code is None:
        return
    if code.framing not in ("plain", "framed"):
        raise Refusal(f"the core does not know the framing '{code.framing}'")
    if code.check not in ("none", "parity", "crc-16"):
        raise Refusal(
            f"the check '{code.check}': the core does not repair bits, and would show a message "
            "that it can't check; take parity or crc-16"
        )


def _voice(
    show: Performance, voice: Voice, n: int, channel: int, frame: Frame, machine: Machine
) -> VoicePlan:
    place = f"music.voice[{n}]"
    source = find_source(voice.source, f"{place}.source")
    if not source.core:
        raise Refusal(f"the source '{source.name}': {source.why_not}")
    own = Frame(frame.scale, frame.root + 12 * voice.octave, frame.grid, f"{place}.pitch")
    masks = _filters(voice, place, machine)
    steps = steps_of(rules_of(voice, place), voice.velocity, voice.curves, masks, source, machine)
    tones = tones_of(voice, scheme_of(voice, place), steps.shifts, machine, own)
    if tones.led is not None:
        _check_led(steps, tones, machine)
    if tones.by_value:
        _check_late(voice, steps, tones, machine)
    return VoicePlan(
        voice=voice,
        name=voice.name or f"voice {n + 1}",
        channel=channel,
        program=program_number(voice.program, f"{place}.program"),
        source=source.core,
        steps=steps,
        tones=tones,
        keys=Keys(np.zeros(0, np.uint8)),
    )


def _check_led(steps: Steps, tones: Tones, machine: Machine) -> None:
    """Refuse voice-leading in another order than that of reading."""
    how = 'leads a tone when it is read (take leading = "free")'
    for s in steps.steps:
        if s.op == "REPEAT" or (s.op == "ECHOES" and s.c):
            raise Refusal(
                f"echoes of tones that are led from one to the next: others come between, and the "
                f"core {how}"
            )
        if s.op == "STRUM" and (s.d or s.a * s.c >= ONE):
            raise Refusal(
                f"a strum in another order than tones are led in from one to the next: the core "
                f"{how}"
            )
    if steps.mixed:
        raise Refusal(
            f"tones led from one to the next where '{steps.mixed}' brings them into another order: "
            f"the core {how}"
        )
    if tones.by_value and machine.positions % machine.unit_bits:
        raise Refusal(
            "tones led from one to the next by the value of a character that may end in the next "
            f"row: the core {how}"
        )


def _check_late(voice: Voice, steps: Steps, tones: Tones, machine: Machine) -> None:
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
            "read only at the turn's end"
        )
    if steps.room < wait - 1e-9 and not (whole and steps.when_over):
        raise Refusal(
            f"a tone by a character's value, which is known only when its last bit has been read "
            f'(add {{ rule = "entry", steps = {wait:g} }} to its rhythm, or take last-character)'
        )
    if tones.leads[1].count * tones.leads[2].count > 256:
        raise Refusal("a tone by a character's value in more than 256 chords and places")


def _filters(voice: Voice, place: str, machine: Machine) -> list[Mask]:
    out = []
    if voice.rows is not None:
        which = chosen(voice.rows, 4 * _ROWS_SEEN, f"{place}.rows")
        try:
            count, back = eventually_periodic(which.__getitem__, 512)
        except Refusal:
            raise Refusal("its choice of rows does not repeat soon enough") from None
        out.append(Mask("ROW", _bools(which[:count]), back))
    if voice.positions is not None:
        which = chosen(voice.positions, machine.positions, f"{place}.positions")
        out.append(Mask("POSITION", _bools(which[: machine.positions])))
    if voice.places is not None:
        which = chosen(voice.places, machine.unit_bits, f"{place}.places")
        out.append(Mask("PLACE", _bools(which[: machine.unit_bits])))
    return out


def _bools(which: NDArray[np.bool_]) -> tuple[bool, ...]:
    return tuple(bool(b) for b in which)
