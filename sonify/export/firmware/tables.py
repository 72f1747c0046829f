"""The C text of the configuration and the tables."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from sonify.export.firmware.alphabet import ita2_table
from sonify.export.firmware.names import voice_names
from sonify.export.firmware.plan import FirmwarePlan
from sonify.export.firmware.steps import MOST_LOUD
from sonify.midi.channels import channel_setup
from sonify.music.machine import NOTHING, Lead
from sonify.music.rhythm.following import Mask

__all__ = ["config_h", "table_bytes", "tables_c"]

_NOTE = "/* Made by sonify from a disc's code and a preset. Make it again rather than edit it. */"
_ALPHABETS = {"none": 0, "ascii": 1, "ita2": 2, "utf-8": 3}
_FILLS = ("rows", "running", "columns", "furrows", "characters", "rolling")


def config_h(plan: FirmwarePlan) -> str:
    """The header of sizes and speeds."""
    ms = 1000 * plan.position_s
    rate = plan.step_ticks / ms
    whole = int(rate)
    # rounded up, so that what is due on the millisecond is not a millisecond late
    part = min(int((rate - whole) * 2**32) + 1, 2**32 - 1)
    position, position_part = _q16(ms)
    pause, pause_part = _q16(1000 * plan.pause_s)
    column, column_part = _q16(1000 * plan.column_s)
    letters = plan.letters
    voices = voice_names([v.name for v in plan.voices])
    rows: list[tuple[str, object, str]] = [
        ("POSITIONS", plan.positions, "positions of a row"),
        ("HOLE", plan.hole, "the bit that a hole stands for"),
        ("INDEX", int(plan.index), "1: each row waits for the index mark"),
        ("WIDTH", plan.width, "lamps"),
        ("HEIGHT", plan.height, ""),
        ("LAMPS", plan.lamps, ""),
        ("FILL", f"PLAYER_FILL_{plan.fill.upper()}", ""),
        ("ALPHABET", f"PLAYER_ALPHABET_{plan.alphabet.upper().replace('-', '')}", ""),
        ("CODED", int(plan.alphabet != "none"), "whether the bits carry a message"),
        ("UNIT_BITS", plan.unit_bits, "bits of a character"),
        ("DATA_BITS", plan.unit_bits - plan.parity, "... its parity apart"),
        ("PARITY", int(plan.parity), "1: an even parity bit each"),
        ("FRAMED", int(plan.framed), "1: SYN SYN STX text ETX"),
        ("CRC", int(plan.crc), "1: a CRC-16 at the end"),
        ("LOW_FIRST", int(plan.low_first), "1: lowest bit first"),
        ("GAP", f"UINT32_C({plan.gap_slots})", "positions between two rows, usually"),
        ("STEP_TICKS", f"UINT32_C({plan.step_ticks})", "ticks a position"),
        ("BAR_TICKS", f"UINT32_C({plan.bar_ticks})", "ticks a bar"),
        ("TICK_RATE", f"UINT32_C({whole})", "ticks a millisecond"),
        ("TICK_RATE_PART", f"UINT32_C({part})", "... and 2^-32ths of one"),
        ("POSITION_MS", f"UINT32_C({position})", "a position lasts"),
        ("POSITION_PART", f"{position_part}U", "... and 65536ths of a millisecond"),
        ("STALL_TICKS", f"UINT32_C({plan.stall_ticks})", "without a position, all notes end"),
        ("HALT_TICKS", f"UINT32_C({plan.halt_ticks})", "... while a row is read"),
        ("PAUSE_MS", f"UINT32_C({pause})", "before the message"),
        ("PAUSE_PART", f"{pause_part}U", "... and 65536ths of a millisecond"),
        ("COLUMN_MS", f"UINT32_C({column})", "the message moves a column"),
        ("COLUMN_PART", f"{column_part}U", "... and 65536ths of a millisecond"),
        ("LETTERS", len(letters.codes), "letters, and one for all others"),
        ("LETTER_HEIGHT", letters.height, ""),
        ("LETTER_BYTES", -(-letters.height // 8), "a column"),
        ("LETTER_TOP", (plan.height - letters.height) // 2, "first row of a letter"),
        ("LETTER_GAP", letters.spacing, "columns between letters"),
        ("PAST", f"{plan.past}U", "of the last bits are kept"),
        ("NOTES", plan.notes, "that are due or sound at once, at most"),
        ("TEXT", plan.text, "bytes of a message, at most"),
        ("VALUES", int(plan.by_value), "1: tones by the value of a character"),
        ("HUMAN", int(plan.human), "1: chance moves or shapes notes"),
        ("BENT", int(bool(plan.sounds.bends)), "1: tones between the keys"),
        ("SOUNDS", len(plan.sounds.pairs), "0: a voice has one channel for all its tones"),
        ("PERIOD", plan.period, "semitones after which the scale repeats"),
        ("RULES", sum(len(v.steps.steps) for v in plan.voices), ""),
        ("VOICES", len(plan.voices), ""),
    ]
    lines = [_NOTE, "#ifndef PLAYER_CONFIG_H", "#define PLAYER_CONFIG_H", ""]
    lines += [
        "#include <stdint.h>",
        "",
        "/* Chips that keep constant tables in a memory of their own: where the compiler has a",
        " * word for it (gcc's __flash, with -std=gnu99 or later), they go there by themselves.",
        " * Else put the four macros below into a header of yours and name it when you compile,",
        " * -DPLAYER_PORT='\"port.h\"'. */",
        "#ifdef PLAYER_PORT",
        "#include PLAYER_PORT",
        "#endif",
        "#ifndef PLAYER_TABLE",
        "#define PLAYER_TABLE",
        "#define PLAYER_READ8(address) (*(address))",
        "#define PLAYER_READ16(address) (*(address))",
        "#define PLAYER_READ32(address) (*(address))",
        "#if defined(__FLASH) && !defined(__STRICT_ANSI__)",
        "#define PLAYER_SPACE __flash",
        "#endif",
        "#endif",
        "#ifndef PLAYER_SPACE",
        "#define PLAYER_SPACE",
        "#endif",
        "",
    ]
    lines += [f"#define PLAYER_FILL_{f.upper()} {n}" for n, f in enumerate(_FILLS)]
    lines += [
        f"#define PLAYER_ALPHABET_{a.upper().replace('-', '')} {n}" for a, n in _ALPHABETS.items()
    ]
    lines.append("")
    for name, value, about in rows:
        lines.append(f"#define PLAYER_{name} {value}" + (f" /* {about} */" if about else ""))
    lines.append("")
    lines += [f"#define PLAYER_VOICE_{v} {n}" for n, v in enumerate(voices)]
    return "\n".join([*lines, "", "#endif", ""])


def _q16(ms: float) -> tuple[int, int]:
    whole = round(ms * 65536)
    return whole >> 16, whole & 0xFFFF


def _lead(lead: Lead, first_rule: int) -> str:
    up = lead.up + first_rule if lead.by == "NOTE" else lead.up
    return f"{{{lead.count}, {lead.back}, {lead.hold}, {up}, {lead.down}, PLAYER_BY_{lead.by}, 0}}"


def _numbers(values: Iterable[int], width: int = 16) -> list[str]:
    texts = [str(v) + "UL" * (v > 65535) for v in values]
    return ["    " + ", ".join(texts[k : k + width]) + "," for k in range(0, len(texts), width)]


def _array(kind: str, name: str, values: Sequence[int], size: str = "") -> list[str]:
    head = f"const PLAYER_SPACE {kind} player_{name}[{size}] PLAYER_TABLE = {{"
    return [head, *_numbers(values), "};", ""]


class _Masks:
    """All masks' bits, one after the other, each kept once."""

    def __init__(self) -> None:
        self.bits: list[bool] = []
        self._at: dict[tuple[bool, ...], int] = {}

    def offset(self, mask: Mask) -> int:
        if mask.bits not in self._at:
            self._at[mask.bits] = len(self.bits)
            self.bits += mask.bits
        return self._at[mask.bits]

    def bytes(self) -> list[int]:
        packed = np.packbits(np.array([*self.bits, False]), bitorder="little")
        return [int(b) for b in packed]


def tables_c(plan: FirmwarePlan) -> str:
    """The constant tables."""
    masks = _Masks()
    rules, voices = [], []
    tones: list[int] = []
    velocities: list[int] = []
    first_rule = 0
    for v in plan.voices:
        for s in v.steps.steps:
            a, b, c, d = str(s.a), s.b, s.c, s.d
            if s.mask is not None:
                a = f"PLAYER_BY_{s.mask.by}"
                b, c, d = len(s.mask.bits), masks.offset(s.mask), s.mask.back
            rules.append(f"    {{{c}UL, {d}UL, {b}, PLAYER_RULE_{s.op}, {a}}},")
        loud = [*v.steps.loud, *[NOTHING] * MOST_LOUD][:MOST_LOUD]
        size = v.keys.table[0].size if len(v.keys.table) > 1 else 0
        low, high = v.keys.led or (0, 0)
        voices += [
            f"    /* {_comment(v.name)} */",
            "    {{" + ",\n      ".join(_lead(one, first_rule) for one in v.tones.leads) + "},",
            "     {" + ",\n      ".join(_lead(one, first_rule) for one in loud) + "},",
            f"     {len(tones)}, {size}, {len(velocities)}, PLAYER_FROM_{v.source}, {v.channel}, "
            f"{plan.unit_bits}, {first_rule}, {len(v.steps.steps)}, "
            f"{int(v.keys.led is not None)}, {low}, {high}}},",
        ]
        first_rule += len(v.steps.steps)
        tones += v.keys.table.reshape(-1).tolist()
        velocities += v.steps.velocity_table(plan.human).reshape(-1).tolist()
    letters = plan.letters
    codes = letters.codes.tolist()
    starts = [*letters.starts.tolist(), int(letters.starts[-1] + letters.widths[-1])]
    columns = letter_columns(plan)
    lines = [_NOTE, "", '#include "player_tables.h"', ""]
    lines += [
        "const PLAYER_SPACE player_voice player_voices[PLAYER_VOICES] PLAYER_TABLE = {",
        *voices,
        "};",
        "",
        "const PLAYER_SPACE player_rule player_rules[PLAYER_RULES + 1] PLAYER_TABLE = {",
        *rules,
        "    {0UL, 0UL, 0, 0, 0},",
        "};",
        "",
    ]
    sounds = plan.sounds
    what = "numbers of sounds" if sounds.pairs else "MIDI notes"
    lines += [f"/* {what} */", *_array("uint8_t", "tones", tones)]
    if sounds.pairs:
        lines += ["/* the sounds: MIDI note, channel */"]
        lines += _array("uint8_t", "sounds", [n for pair in sounds.pairs for n in pair])
    if sounds.bends:
        lines += ["/* each channel's bend; 8192 is none */"]
        bends = [sounds.bends.get(c, 8192) for c in range(16)]
        lines += _array("uint16_t", "bends", bends, "16")
    lines += _array("uint32_t" if plan.human else "uint8_t", "velocities", velocities)
    lines += ["/* where rules let notes through, a bit a count */"]
    lines += _array("uint8_t", "masks", masks.bytes())
    lines += ["/* programs, volumes and places of the voices; 255 ends it */"]
    lines += _array("uint8_t", "opening", [*opening_bytes(plan), 255])
    lines += ["/* code points of the letters, rising */"]
    lines += _array("uint16_t", "letter_codes", codes, "PLAYER_LETTERS")
    lines += ["/* their first columns; the letter after the last stands for all others */"]
    lines += _array("uint16_t", "letter_starts", starts, "PLAYER_LETTERS + 2")
    lines += ["/* their columns, lowest bit on top */"]
    lines += _array("uint8_t", "letter_columns", columns)
    if plan.alphabet == "ita2":
        lines += ["/* ITU-T S.1: letters case, figures case */"]
        lines += _array("uint8_t", "alphabet", ita2_table())
    return "\n".join(lines)


def _comment(text: str) -> str:
    return text.replace("*/", "* /").replace("\n", " ").encode("ascii", "replace").decode()


def letter_columns(plan: FirmwarePlan) -> list[int]:
    """The letters' columns as bytes, the top row in the lowest bit."""
    packed = np.packbits(plan.letters.atlas.T, axis=1, bitorder="little")
    return [int(b) for b in packed.reshape(-1)]


def opening_bytes(plan: FirmwarePlan) -> list[int]:
    """What is sent before the first note: bend ranges, programs, volumes, stereo places."""
    out: list[int] = []
    for v, channels in zip(plan.voices, plan.sounds.channels, strict=True):
        program = v.program if v.voice.drum is None else None
        for c in channels:
            bent = c in plan.sounds.bends or len(channels) > 1
            volume, pan = v.voice.volume, v.voice.pan
            for m in channel_setup(c, bent=bent, program=program, volume=volume, pan=pan):
                out += m
    return out


def table_bytes(plan: FirmwarePlan) -> int:
    """Bytes of program memory that the tables take."""
    lead, rule = 12, 12
    total = 0
    for v in plan.voices:
        total += (3 + MOST_LOUD) * lead + 14
        total += rule * len(v.steps.steps) + v.keys.table.size
        total += v.steps.velocities.size * (4 if plan.human else 1)
    total += 2 * len(plan.sounds.pairs) + (32 if plan.sounds.bends else 0)
    masks = {s.mask.bits for v in plan.voices for s in v.steps.steps if s.mask is not None}
    total += rule + sum(map(len, masks)) // 8 + 1 + len(opening_bytes(plan)) + 1
    total += 4 * len(plan.letters.codes) + 4 + len(letter_columns(plan))
    return total + (64 if plan.alphabet == "ita2" else 0)
