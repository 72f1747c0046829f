"""What the C tables need from a performance, or why a machine can't follow it."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import NoReturn

import numpy as np

from sonify.disc.code import reed_solomon
from sonify.disc_player.timeline import read_times
from sonify.errors import InputError
from sonify.export.firmware.alphabet import letters_of
from sonify.export.firmware.keys import FINE, Sounds, allocation_of, sounds_of
from sonify.export.firmware.steps import has_strokes
from sonify.export.firmware.voice_plan import VoicePlan, about, voice_plan
from sonify.light.colours import ages
from sonify.light.fill_rules import LINED
from sonify.light.letters import Letters
from sonify.light.look import Look
from sonify.music.ending import Final, ending_of
from sonify.music.form.plan import Plan
from sonify.music.machine import Machine, Refusal
from sonify.music.pitch.scheme import Frame
from sonify.music.settings import Voice
from sonify.music.theory.scales import find_scale, note_number
from sonify.music.voices import assign_channels
from sonify.performance import Performance

__all__ = ["BY_NOTES", "COLOURS", "FILLS", "RAM", "FirmwarePlan", "VoicePlan", "plan_of"]

# the core's limit, in bytes
RAM = 2048

# bytes of RAM to leave for the caller if the room for a message is not given: 290 for
# player_machine.c, 40 for its stack, 50 for that of its interrupt (avr-size, -fstack-usage)
CALLER = 380

_HALT_POSITIONS, _HALT_S = 16, 2.0
_STACK, _STACK_CHANCE = 210, 20
_STACK_AGAIN = 85

MOST_NOTES = 64
MOST_TEXT = 1024
LEAST_TEXT = 64
MOST_POSITIONS = 8192
MOST_LAMPS = 8192

BY_NOTES = ("voice", "pitch", "velocity")
COLOURS = ("lamp", "row", "character", *BY_NOTES, "age")
FILLS = (*LINED, "rows", "running", "columns", "furrows", "characters", "rolling")


@dataclass(frozen=True, eq=False)
class FirmwarePlan:
    """What the C tables need.

    Attributes
    ----------
    show : Performance
    voices : list of VoicePlan
    sounds : Sounds
    letters : Letters
    period : int
        Of the scale, in semitones; in 256ths of them if sounds are led.
    gap_slots : int
        The usual number of positions between two rows.
    notes, text : int
        Room for notes that are due or sounding, and for characters.
    finals : list of (int, int, Final)
        The notes of the ending, with their voices and keys (or sounds).
    """

    show: Performance
    voices: list[VoicePlan]
    sounds: Sounds
    letters: Letters
    period: int
    gap_slots: int
    notes: int
    text: int = 1
    finals: list[tuple[int, int, Final]] = field(default_factory=list)

    @property
    def form(self) -> Plan:
        """The form."""
        return self.show.grid.plan

    @cached_property
    def planned(self) -> list[int]:
        """The tables of the form that the voices follow."""
        leads = [x for v in self.voices for x in (*v.tones.leads, *v.steps.loud)]
        masks = [s.mask for v in self.voices for s in v.steps.steps if s.mask is not None]
        found = {x.up for x in leads if x.by == "PLAN"}
        return sorted(found | {m.back for m in masks if m.by == "PLAN"})

    def plan_values(self) -> list[int]:
        """The tables of the form that the voices follow, one after another."""
        return [int(x) for table in self.planned for x in self.form.tables[table]]

    @cached_property
    def wired(self) -> bool:
        """Whether the strip runs otherwise than from left to right, row by row."""
        strip = self.show.wiring.strip.reshape(-1)
        return bool((strip != np.arange(len(strip))).any())

    @property
    def vamps(self) -> bool:
        """Whether notes come again while the stage moves."""
        return any(v.vamp for v in self.voices)

    @property
    def alphabet(self) -> str:
        """Name of the code's alphabet; "none" for a disc without a code."""
        code = self.show.disc.code
        return "none" if code is None else code.alphabet

    @property
    def human(self) -> bool:
        """Whether some notes vary at random."""
        return any(s.op in ("SHAKE", "VELOCITY") for v in self.voices for s in v.steps.steps)

    @property
    def past(self) -> int:
        """Number of past bits kept for densities; 0 if 32 are enough."""
        leads = [v.tones.leads[0] for v in self.voices]
        most = max([lead.up for lead in leads if lead.by == "DENSITY"] or [0])
        return 0 if most <= 32 else 1 << (most - 1).bit_length()

    @property
    def stall_ticks(self) -> int:
        """Ticks without a position after which all notes end."""
        slots = 2 * (self.gap_slots + 2 * self.show.disc.positions)
        return min(slots * self.show.grid.step_ticks, 0x10000000)

    @property
    def halt_ticks(self) -> int:
        """The same while a row is read, when every clock hole is reported."""
        positions = max(_HALT_POSITIONS, math.ceil(_HALT_S / self.show.timeline.position_s))
        return min(positions * self.show.grid.step_ticks, self.stall_ticks)

    @property
    def stack(self) -> int:
        """The most stack it takes, in bytes (estimate). Repeated notes pass the rules again."""
        again = [sum(s.op in ("ECHOES", "REPEAT") for s in v.steps.steps) for v in self.voices]
        return _STACK + _STACK_CHANCE * self.human + _STACK_AGAIN * max(again, default=0)

    @property
    def repair(self) -> reed_solomon.Plan | None:
        """The disc's codewords, if it has a Reed-Solomon check."""
        code, disc = self.show.disc.code, self.show.disc
        if code is None or code.check != "reed-solomon":
            return None
        return reed_solomon.plan(disc.rows, disc.positions, code.share)

    @property
    def repair_ram(self) -> int:
        """The RAM that repairing takes, in bytes."""
        rs = self.repair
        return 0 if rs is None else rs.symbols + (rs.symbols + 7) // 8 + 4 * rs.checks + 16

    @property
    def features(self) -> set[str]:
        """What the mapping needs of the core's parts that are left out otherwise."""
        matrix, look = self.show.setup.player.matrix, self.show.setup.light
        used = {
            "lines": matrix.fill in LINED,
            "chance": self.human,
            "bends": bool(self.sounds.bends),
            "led": bool(self.sounds.fine),
            "values": any(v.tones.by_value for v in self.voices),
            "vamp": self.vamps,
            "strokes": any(has_strokes([s.op for s in v.steps.steps]) for v in self.voices),
            "downwards": any(
                s.op == "STRUM" and s.d and not s.b for v in self.voices for s in v.steps.steps
            ),
            "form": bool(self.planned or self.finals),
            "colours": look.colours != "lamp",
            # a lamp that moves grows old anew
            "moved": matrix.fill == "rolling" and look.colours not in ("lamp", "age"),
            "heard": look.colours in BY_NOTES,
            "loud": look.velocity,
            "trail": look.trail > 0,
            "ages": bool(ages(look, self.show.setup.player.turn_s)),
            "repair": self.repair is not None,
        }
        return {name for name, is_used in used.items() if is_used}

    @property
    def needed(self) -> int:
        """Bytes that decoding this disc's message takes, with framing and shifts."""
        bits = self.show.disc.grid.reshape(-1)
        if self.repair is not None:
            bits = bits[: self.repair.data_bits]
        last = np.flatnonzero(bits)
        if self.alphabet == "none" or not len(last):
            return 0
        return int(last[-1]) // self.show.unit_bits + 1

    @property
    def ram(self) -> int:
        """The RAM of the core's variables, in bytes, on a chip that packs its structures."""
        rules = sum(len(v.steps.steps) for v in self.voices)
        row = (self.show.disc.positions + 7) // 8
        lamps = (self.show.setup.player.matrix.lamps + 7) // 8
        per_voice = (31 if self.human else 27) * len(self.voices) + 2 * (rules + 1)
        bent = 2 if self.sounds.bends else 0
        fixed = per_voice + lamps + 2 * row + self.past // 8 + 99 + bent
        fixed += self.repair_ram + ("heard" in self.features)
        for name, each, more in (("moved", 1, 0), ("loud", 1, 2), ("ages", 3, 4)):
            fixed += (each * self.show.setup.player.matrix.lamps + more) * (name in self.features)
        return fixed + self.text + (13 + self.vamps) * self.notes


def plan_of(show: Performance, text: int | None = None) -> FirmwarePlan:
    """Work out the tables, or say what a machine can't follow while it reads.

    Parameters
    ----------
    show : Performance
    text : int, optional
        Room for a message, in characters (bytes in utf-8). Default: as much as fits in 2 KB of
        RAM.

    Raises
    ------
    InputError
        What can't be followed and why, in one line; sizes beyond the core's.
    """
    music, player, disc = show.setup.music, show.setup.player, show.disc
    reasons = _beyond(show)
    scale = find_scale(music.scale)
    straight = player.row_start == "index"
    gap = int(read_times(2, disc.positions, player).row_slot[1]) - disc.positions
    plan = show.grid.plan
    machine = Machine(disc.positions, show.unit_bits, straight, gap, plan)
    frame = Frame(scale, float(note_number(music.root)), show.grid)
    channels = assign_channels(music.voice)
    voices = []
    for n, voice in enumerate(music.voice):
        name = voice.name or f"voice {n + 1}"
        reasons += _unlike_notes(voice, name, show.setup.light)
        try:
            voices.append(voice_plan(voice, n, name, frame, machine))
        except Refusal as reason:
            reasons.append(f"voice '{name}': {reason}")
    try:
        with about("music.scale"):
            allocations = allocation_of(music, channels, show.unit_bits, show.grid)
        if len(voices) == len(channels):
            named = [(v.name, v.tones) for v in voices]
            sounds = sounds_of(music, named, channels, allocations, scale.period)
    except Refusal as reason:
        reasons.append(str(reason))
    if show.setup.light.colours == "pitch" and any(v.tones.by_value for v in voices):
        reasons.append(
            "light.colours 'pitch' with tones by a character's value: they are known only after "
            "the lamp lights (use age or velocity)"
        )
    if reasons:
        _refuse(*reasons, hint="give {music.timing}=player" if music.timing == "bars" else "")
    pairs = zip(voices, sounds.keys, strict=True)
    # notes of one tone are one where they begin together, but not while their tone is not known
    notes = sum(
        v.steps.notes(disc.positions, 2**30 if v.tones.by_value else len(np.unique(k.table)))
        for v, k in pairs
    )
    ending = ending_of(music, show.unit_bits, show.grid, disc.positions)
    finals = [(n, sounds.number(n, f.pitch), f) for n, each in enumerate(ending) for f in each]
    finals.sort(key=lambda final: final[2].on)
    notes += len(finals)
    letters = letters_of("none" if disc.code is None else disc.code.alphabet, player.matrix)
    period = max(1, round(scale.period * (FINE if sounds.fine else 1)))
    firmware = FirmwarePlan(
        show, voices, sounds, letters, period, gap, max(4, notes), finals=finals
    )
    _check_counts(firmware)
    if disc.code is None:
        return firmware
    free = RAM - CALLER - firmware.stack - firmware.ram + firmware.text
    room = max(LEAST_TEXT, min(MOST_TEXT, free)) if text is None else text
    # while it is repaired, the disc as it was read lies there
    least = 0 if firmware.repair is None else firmware.repair.symbols
    return replace(firmware, text=max(room, least))


def _refuse(*reasons: str, hint: str = "") -> NoReturn:
    raise InputError("a machine can't follow this as it reads: " + "; ".join(reasons), hint=hint)


def _beyond(show: Performance) -> list[str]:
    """What the core can't do of what the disc and the player ask for."""
    grid, fill = show.grid, show.setup.player.matrix.fill
    positions, lamps = show.disc.positions, show.setup.player.matrix.lamps
    code, disc = show.disc.code, show.disc
    framing, check = (code.framing, code.check) if code else ("plain", "none")
    free = code is not None and code.filling == "free"
    fine = grid.step_ticks > 65535 or grid.bar_ticks * 8 > 2**31
    sized = wide = False
    if check == "reed-solomon" and code is not None:
        words = reed_solomon.plan(disc.rows, disc.positions, code.share)
        sized, wide = words.fits, words.symbols + 255 * words.codewords > 65_535
    small = "the check 'reed-solomon' on a disc that is too small for it"
    bars = "music.timing 'bars' moves rows to bar lines, which the disc does not"
    moving = bool(show.setup.music.form.brightness)
    moving |= any(v.controllers for v in show.setup.music.voice)
    checks = (
        (
            moving,
            "controllers that move (the voices' controllers, music.form.brightness): the core "
            "sends notes only; leave them out",
        ),
        (
            bool(show.setup.note),
            "notes changed by hand ([[note]]): the core follows the mapping; leave them out",
        ),
        (show.setup.music.timing == "bars", bars),
        (positions > MOST_POSITIONS, f"{positions:,} positions, over {MOST_POSITIONS:,}"),
        (lamps > MOST_LAMPS, f"{lamps:,} lamps, over {MOST_LAMPS:,}"),
        (
            fill not in FILLS,
            f"the core does not have player.matrix.fill '{fill}'; the nearest is 'fitted'",
        ),
        (
            fine,
            "a music.metre and music.step this fine need more ticks per position than the core "
            "counts; the nearest are 4/4 and 1/16",
        ),
        (
            framing not in ("plain", "framed"),
            f"the core does not have code.framing '{framing}'; use plain or framed",
        ),
        (check == "reed-solomon" and not sized, small),
        (check == "reed-solomon" and wide, "a disc of more than 65,535 bytes"),
        (
            free,
            "code.filling 'free': the core takes the last end mark for the end of the message; "
            "leave it out",
        ),
    )
    return [reason for refused, reason in checks if refused]


def _unlike_notes(voice: Voice, name: str, look: Look) -> list[str]:
    """Why lamps can't follow the notes of a voice."""
    if voice.source != "row-changes":
        return []
    by_notes = look.colours in BY_NOTES
    asked = [f"light.colours '{look.colours}' (use row or age)"] * by_notes
    asked += ["light.velocity (use false)"] * look.velocity
    return [
        f"{each} with row-changes in voice '{name}': whether a row's last lamp has a note depends "
        "on whether another row follows"
        for each in asked
    ]


def _check_counts(plan: FirmwarePlan) -> None:
    """Refuse more than the core can count or keep."""
    if plan.notes > MOST_NOTES:
        _refuse(
            f"up to {plan.notes} notes would be due or sounding at once, and the core keeps "
            f"{MOST_NOTES}; use shorter echoes or fewer voices"
        )
    steps = [v.steps for v in plan.voices]
    masks = {s.mask.bits for each in steps for s in each.steps if s.mask is not None}
    for count, most, what in (
        (sum(len(each.steps) for each in steps), 254, "rhythm rules"),
        (sum(k.table.size for k in plan.sounds.keys), 65_535, "tones in tables"),
        (sum(each.velocities.size for each in steps), 65_535, "velocities in tables"),
        (sum(map(len, masks)), 65_535, "places that rows, positions, places and patterns select"),
    ):
        if count > most:
            _refuse(
                f"{count:,} {what} in all voices, and the core counts to {most:,}; use fewer voices"
            )
