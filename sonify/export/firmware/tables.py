"""The C text of the configuration and the tables."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import NamedTuple

import numpy as np

from sonify.disc.code.gf256 import EXP, LOG
from sonify.export.firmware.alphabet import ita2_table
from sonify.export.firmware.names import voice_names
from sonify.export.firmware.plan import BY_NOTES, COLOURS, FILLS, FirmwarePlan
from sonify.export.firmware.steps import MOST_LOUD
from sonify.light.colours import SILENT, ages, palette_of
from sonify.light.fill_rules import Lines
from sonify.light.look import colour
from sonify.midi.channels import BEND_CENTRE, bend_range, channel_setup
from sonify.music.machine import NOTHING, Lead
from sonify.performance import Performance

__all__ = ["config_h", "opening_bytes", "table_bytes", "tables_c"]

_NOTE = "/* Made by sonify from a disc's code and a preset. Don't edit it; make it again. */"
_CHANNELS = ("red", "green", "blue", "white")
_ALPHABETS = ("none", "ascii", "ita2", "utf-8")
_SIZES = {"uint8_t": 1, "uint16_t": 2, "uint32_t": 4}

# sizes of the structures in player_tables.h; a voice without its leads
_VOICE_BYTES, _RULE_BYTES, _LEAD_BYTES, _FINAL_BYTES = 18, 12, 12, 12


def config_h(plan: FirmwarePlan, template: str) -> str:
    """Fill in the header of sizes and speeds."""
    show, letters = plan.show, plan.letters
    code, matrix, grid = show.disc.code, show.setup.player.matrix, show.grid
    look = show.setup.light
    hues = [] if look.colours == "lamp" else [look.lamp, *palette_of(look)]
    lowest, highest = show.lamp_bits.bounds(look) if look.colours in BY_NOTES else (0, 0)
    aged = _Ages.of(show)
    own = Lines.of(matrix.fill, show.disc.rows, show.disc.positions, matrix)
    parity = code is not None and code.check == "parity"
    rs = plan.repair
    low_first = code is not None and code.bit_order == "low-first"
    index = show.setup.player.row_start == "index"
    by_value = any(v.tones.by_value for v in plan.voices)
    bar = grid.bar / grid.step
    ms = 1000 * show.timeline.position_s
    rate = grid.step_ticks / ms
    whole = int(rate)
    # rounded up, so that what is due at a millisecond is not one late
    part = min(int((rate - whole) * 2**32) + 1, 2**32 - 1)
    position, position_part = _q16(ms)
    pause, pause_part = _q16(1000 * show.setup.player.message_pause)
    column, column_part = _q16(1000 * float(1 / Fraction(matrix.scroll)))
    rows: list[tuple[str, object, str]] = [
        ("POSITIONS", show.disc.positions, "positions of a row"),
        ("ROWS_MADE_FOR", f"{show.disc.rows}U", "rows of the disc it was made with"),
        ("HOLE", show.disc.layout.hole_means, "the bit that a hole stands for"),
        ("INDEX", int(index), "1: each row waits for the index mark"),
        ("WIDTH", matrix.width, "lamps"),
        ("HEIGHT", matrix.height, ""),
        ("LAMPS", matrix.lamps, ""),
        ("FILL", f"PLAYER_FILL_{matrix.fill.upper()}", ""),
        ("FOLD", own.fold, "lines of a row, if each has its own"),
        ("SEGMENT", own.segment, "positions of a line"),
        ("LINES", own.lines, "lines that are seen at once"),
        ("PAGE_ROWS", f"{own.rows or 65535}U", "rows that are seen at once"),
        ("COLUMN_EDGES", ", ".join(f"{v}U" for v in own.x), "first lamp, lamps, parts"),
        ("LINE_EDGES", ", ".join(f"{v}U" for v in own.y), ""),
        ("HUES", len(hues), "colours of a lamp, its own first; 0: it has but one"),
        ("HUES_MOVE", int("moved" in plan.features), "1: with lamps that roll up"),
        ("HUE_BY_NOTES", int(look.colours in BY_NOTES), "1: colours follow notes ..."),
        ("HEARD_LOW", f"{lowest}U", "... which sound from here ..."),
        ("HEARD_SPAN", f"{highest - lowest + 1}U", "... over so many"),
        ("LEVELS", int(bool(plan.features & {"loud", "trail"})), "1: lamps are dimmed, too"),
        ("LOUD", int("loud" in plan.features), "1: notes set the level of lamps ..."),
        ("SILENT", f"{SILENT}U", "... from that of a lamp without a note"),
        ("TRAIL", int("trail" in plan.features), "1: lamps fade out"),
        ("AGE_COLOURS", int(look.colours == "age"), "1: lamps change colour as they grow older"),
        ("AGES", f"{aged.number}U", "ages that a lamp goes through; 0: none ..."),
        ("LAST_AGE", f"{int(not look.trail)}U", "... down to this one, which stays ..."),
        ("AGE_SHIFT", aged.shift, "... counted in 2^this ticks ..."),
        ("AGE_TIMES", _listed(aged.times), "... each this long ..."),
        ("AGE_HUES", _listed(aged.hues), "... in this colour ..."),
        ("AGE_SHARES", _listed(aged.shares), "... at so many 65536ths of the level"),
        ("STRIP", show.wiring.length, "lamps on the strip"),
        (
            "WIRED",
            int(plan.wired),
            "0: the strip runs from left to right, row by row",
        ),
        ("CHANNELS", len(matrix.colour_order), "bytes of a lamp, and which of them is ..."),
        *(
            (f"{name.upper()}_AT", matrix.colour_order.index(name[0]), name)
            for name in _CHANNELS
            if name[0] in matrix.colour_order
        ),
        ("BRIGHTNESS", round(255 * matrix.brightness), "the most to send to a colour"),
        ("LAMP", "{{{}U, {}U, {}U}}".format(*colour(look.lamp)), "a lamp's red, green and blue"),
        ("ALPHABET", f"PLAYER_ALPHABET_{plan.alphabet.upper().replace('-', '')}", ""),
        ("CODED", int(code is not None), "whether the bits carry a message"),
        ("UNIT_BITS", show.unit_bits, "bits of a character"),
        ("DATA_BITS", show.unit_bits - parity, "... without parity"),
        ("PARITY", int(parity), "1: an even parity bit each"),
        ("FRAMED", int(code is not None and code.framing == "framed"), "1: SYN SYN STX text ETX"),
        ("CRC", int(code is not None and code.check == "crc-16"), "1: a CRC-16 at the end"),
        ("RS", int(rs is not None), "1: a Reed-Solomon check"),
        *(
            ()
            if rs is None
            else (
                ("RS_ROWS", f"{rs.rows}U", "rows that it covers"),
                ("SYMBOLS", f"{rs.symbols}U", "bytes of the disc"),
                ("CODEWORDS", f"{rs.codewords}U", ""),
                ("LENGTH", f"{rs.length}U", "symbols of a codeword ..."),
                ("CHECKS", f"{rs.checks}U", "... of which repair it"),
                ("DATA_SYMBOLS", f"{rs.data_symbols}U", "symbols of text"),
            )
        ),
        ("LOW_FIRST", int(low_first), "1: lowest bit first"),
        ("GAP", _u32(plan.gap_slots), "positions between two rows, usually"),
        ("STEP_TICKS", _u32(grid.step_ticks), "ticks per position"),
        ("BAR", _u32(bar.numerator), "positions per bar ..."),
        ("BAR_PARTS", _u32(bar.denominator), "... divided by this"),
        ("TICK_RATE", _u32(whole), "ticks a millisecond"),
        ("TICK_RATE_PART", _u32(part), "... and 2^-32ths of a tick"),
        ("POSITION_MS", position, "how long a position lasts"),
        ("POSITION_PART", position_part, "... and 65536ths of a millisecond"),
        ("STALL_TICKS", _u32(plan.stall_ticks), "all notes end after as long without a position"),
        ("HALT_TICKS", _u32(plan.halt_ticks), "... while a row is read"),
        ("PAUSE_MS", pause, "before the message"),
        ("PAUSE_PART", pause_part, "... and 65536ths of a millisecond"),
        ("COLUMN_MS", column, "time for the message to move a column"),
        ("COLUMN_PART", column_part, "... and 65536ths of a millisecond"),
        ("LETTERS", len(letters.pictures), "letters, and one for all others"),
        ("LETTER_HEIGHT", letters.height, ""),
        ("LETTER_BYTES", -(-letters.height // 8), "a column"),
        ("LETTER_TOP", (matrix.height - letters.height) // 2, "first row of a letter"),
        ("LETTER_GAP", letters.spacing, "columns between letters"),
        ("PAST", f"{plan.past}U", "how many of the last bits are kept"),
        ("NOTES", plan.notes, "the most that are due or sound at once"),
        ("TEXT", plan.text, "the most bytes of a message"),
        ("VALUES", int(by_value), "1: tones by the value of a character"),
        ("HUMAN", int(plan.human), "1: notes vary at random"),
        ("BENT", int(bool(plan.sounds.bends)), "1: tones between the keys"),
        ("SOUNDS", len(plan.sounds.pairs), "0: a voice has one channel for all its tones"),
        ("LED_SOUNDS", int(bool(plan.sounds.fine)), "1: tones between the keys are led"),
        ("PERIOD", plan.period, "semitones (or 256ths) after which the scale repeats"),
        ("PLAN_ROWS", f"{len(plan.planned) and plan.form.rows}U", "rows of the form; 0: none"),
        ("PLAN_CELLS", f"{plan.form.cells}U", "bars of a row"),
        ("CELL", _u32(plan.form.cell.numerator), "positions of such a bar ..."),
        ("CELL_PARTS", _u32(plan.form.cell.denominator), "... divided by this"),
        ("VAMP", int(plan.vamps), "1: notes come again while the stage moves"),
        (
            "STROKES",
            int("strokes" in plan.features),
            "1: chords of rows are struck several times",
        ),
        (
            "DOWNWARDS",
            int("downwards" in plan.features),
            "1: chords of rows are strummed downwards",
        ),
        ("FINALS", len(plan.finals), "notes of the ending"),
        ("RULES", sum(len(v.steps.steps) for v in plan.voices), ""),
        ("VOICES", len(plan.voices), ""),
    ]
    numbered = [f"#define PLAYER_FILL_{f.upper()} {n}" for n, f in enumerate(FILLS)]
    for n, name in enumerate(_ALPHABETS):
        numbered.append(f"#define PLAYER_ALPHABET_{name.upper().replace('-', '')} {n}")
    sizes = [
        f"#define PLAYER_{name} {value}" + (f" /* {about} */" if about else "")
        for name, value, about in rows
    ]
    if hues:
        values = ", ".join("{{{}U, {}U, {}U}}".format(*colour(c)) for c in hues)
        for n, name in enumerate(COLOURS[1:]):
            numbered.append(f"#define PLAYER_HUE_BY_{name.upper()} {n + 1}")
        sizes.append(f"#define PLAYER_HUE_BY PLAYER_HUE_BY_{look.colours.upper()}")
        sizes.append(f"#define PLAYER_COLOURS {{{values}}}")
    names = voice_names([v.name for v in plan.voices])
    voices = [f"#define PLAYER_VOICE_{v} {n}" for n, v in enumerate(names)]
    for key, lines in (("NUMBERED", [*numbered, ""]), ("SIZES", sizes), ("VOICES", voices)):
        template = template.replace(f"@{key}@", "\n".join(lines))
    return template


class _Ages(NamedTuple):
    """The ages that a lamp goes through, the oldest first."""

    number: int
    shift: int
    times: list[int]
    hues: list[int]
    shares: list[int]

    @classmethod
    def of(cls, show: Performance) -> _Ages:
        look = show.setup.light
        older = ages(look, show.setup.player.turn_s)
        ticks = [0.0, *(age.after_s / show.tick_s for age in older)]
        longest = max(np.diff(ticks), default=0.0)
        # 14 bits are told apart as 16 wrap
        shift = max(0, int(longest).bit_length() - 14)
        ends = [round(t / 2**shift) for t in ticks]
        last = len(palette_of(look)) if look.colours == "age" else 1
        # without a trail the last one stays, and the one before it, none, is not used
        none = [] if look.trail else [0]
        return cls(
            len(older) + len(none) if older else 0,
            shift,
            [*none, 0, *np.diff(ends).tolist()[::-1]],
            [*none, *(last - age.darker for age in older[::-1]), last],
            [*none, *(min(65535, int(65536 * age.share)) for age in older[::-1]), 65535],
        )


def _listed(values: list[int]) -> str:
    return "{" + ", ".join(f"{n}U" for n in values) + "}"


def _u32(value: int) -> str:
    return f"UINT32_C({value})"


def _q16(ms: float) -> tuple[str, str]:
    whole = round(ms * 65536)
    return _u32(whole >> 16), f"{whole & 0xFFFF}U"


@dataclass(frozen=True)
class _Leads:
    """Writes the leads of a voice."""

    first_rule: int
    planned: Sequence[int]

    def _up(self, lead: Lead) -> int:
        if lead.by == "PLAN":
            return self.planned.index(lead.up)
        return lead.up + self.first_rule if lead.by == "NOTE" else lead.up

    def __call__(self, leads: Sequence[Lead]) -> str:
        return ",\n      ".join(
            f"{{{x.count}, {x.back}, {x.hold}, {self._up(x)}, {x.down}, PLAYER_BY_{x.by}, 0}}"
            for x in leads
        )


def _array(kind: str, name: str, size: str, about: str, values: Sequence[int]) -> list[str]:
    lines = [f"/* {about} */"] if about else []
    lines.append(f"const PLAYER_SPACE {kind} player_{name}[{size}] PLAYER_TABLE = {{")
    texts = [str(v) + "UL" * (v > 65535) for v in values]
    lines += ["    " + ", ".join(texts[k : k + 16]) + "," for k in range(0, len(texts), 16)]
    return [*lines, "};", ""]


_Array = tuple[str, str, str, str, Sequence[int]]
"""Type, name, size in C, comment and values."""


def _tables(plan: FirmwarePlan) -> tuple[list[str], list[str], list[_Array]]:
    """The voices and the rules as C, and all other tables."""
    rules: list[str] = []
    voices: list[str] = []
    tones: list[int] = []
    velocities: list[int] = []
    # the bits of all masks, equal ones only once
    bits: list[bool] = []
    offsets: dict[tuple[bool, ...], int] = {}
    sounds, letters = plan.sounds, plan.letters
    for v, keys, channels in zip(plan.voices, sounds.keys, sounds.channels, strict=True):
        first = len(rules)
        for s in v.steps.steps:
            a, b, c, d = str(s.a), s.b, s.c, s.d
            if s.mask is not None:
                if s.mask.bits not in offsets:
                    offsets[s.mask.bits] = len(bits)
                    bits += s.mask.bits
                a = f"PLAYER_BY_{s.mask.by}"
                b, c, d = len(s.mask.bits), offsets[s.mask.bits], s.mask.back
                if s.mask.by == "PLAN":
                    d = plan.planned.index(d)
            rules.append(f"    {{{c}UL, {d}UL, {b}, PLAYER_RULE_{s.op}, {a}}},")
        loud = [*v.steps.loud, *[NOTHING] * MOST_LOUD][:MOST_LOUD]
        size = keys.table[0].size if len(keys.table) > 1 else 0
        low, high = keys.led or (0, 0)
        written = _Leads(first, plan.planned)
        comment = v.name.replace("*/", "* /").replace("\n", " ").encode("ascii", "replace").decode()
        voices += [
            f"    /* {comment} */",
            "    {{" + written(v.tones.leads) + "},",
            "     {" + written(loud) + "},",
            f"     {len(tones)}, {size}, {len(velocities)}, {v.vamp}, PLAYER_FROM_{v.source}, "
            f"{channels[0]}, {plan.show.unit_bits}, {first}, {len(rules) - first}, "
            f"{int(keys.led is not None)}, {low}, {high}, {int(v.voice.drum is not None)}, 0}},",
        ]
        tones += keys.table.reshape(-1).tolist()
        velocities += v.steps.velocity_table(plan.human).reshape(-1).tolist()
    masks = np.packbits([*bits, False], bitorder="little").tolist()
    codes = sorted(letters.pictures)
    # the letter after the last stands for all others
    starts = np.cumsum([0, *(cell.shape[1] for cell in letters.cells)]).tolist()
    columns = np.packbits(np.hstack(letters.cells).T, 1, bitorder="little").ravel().tolist()
    pairs = [number for pair in sounds.pairs for number in pair]
    bends = [sounds.bends.get(c, BEND_CENTRE) for c in range(16)] if sounds.bends else []
    strip = (plan.show.wiring.strip.reshape(-1) % 65536).tolist() if plan.wired else []
    ita2 = ita2_table() if plan.alphabet == "ita2" else []
    exp = EXP[:255].tolist() if plan.repair else []
    log = LOG.tolist() if plan.repair else []
    what = "numbers of sounds" if pairs else "MIDI notes"
    opening = [*opening_bytes(plan), 255]
    loudness = "uint32_t" if plan.human else "uint8_t"
    arrays: list[_Array] = [
        ("uint8_t", "tones", "", what, tones),
        ("uint8_t", "sounds", "", "the sounds: MIDI note, channel", pairs),
        ("uint16_t", "fine", "", "pitches of sounds that are led, in 256ths", sounds.fine),
        ("uint16_t", "bends", "16", "each channel's bend; 8192 is none", bends),
        (loudness, "velocities", "", "", velocities),
        ("uint8_t", "plan", "", "the form, table by table", plan.plan_values()),
        ("uint8_t", "masks", "", "where rules let notes through, a bit for each count", masks),
        ("uint8_t", "opening", "", "programs, volumes and panning; 255 ends it", opening),
        ("uint16_t", "strip", "PLAYER_LAMPS", "the lamps on the strip; 65535: none", strip),
        ("uint16_t", "letter_codes", "PLAYER_LETTERS", "code points of the letters", codes),
        ("uint16_t", "letter_starts", "PLAYER_LETTERS + 2", "their first columns", starts),
        ("uint8_t", "letter_columns", "", "their columns, lowest bit on top", columns),
        ("uint8_t", "exp", "255", "powers of 2 in GF(256)", exp),
        ("uint8_t", "log", "256", "their exponents", log),
        ("uint8_t", "alphabet", "", "ITU-T S.1: letters case, figures case", ita2),
    ]
    return voices, rules, [each for each in arrays if each[4]]


def tables_c(plan: FirmwarePlan) -> str:
    """Write the constant tables."""
    voices, rules, arrays = _tables(plan)
    lines = [
        *(_NOTE, "", '#include "player_tables.h"', ""),
        "const PLAYER_SPACE player_voice player_voices[PLAYER_VOICES] PLAYER_TABLE = {",
        *voices,
        *("};", ""),
        "const PLAYER_SPACE player_rule player_rules[PLAYER_RULES + 1] PLAYER_TABLE = {",
        *rules,
        *("    {0UL, 0UL, 0, 0, 0},", "};", ""),
        "const PLAYER_SPACE player_final player_finals[PLAYER_FINALS + 1] PLAYER_TABLE = {",
        *(
            f"    {{{f.on}UL, {f.length}UL, {key}, {f.velocity}, {n}, 0}},"
            for n, key, f in plan.finals
        ),
        *("    {0UL, 0UL, 0, 0, 0, 0},", "};", ""),
    ]
    for each in arrays:
        lines += _array(*each)
    return "\n".join(lines)


def opening_bytes(plan: FirmwarePlan) -> list[int]:
    """List what is sent before the first note: bend ranges, programs, volumes, panning, glides."""
    out: list[int] = []
    for v, channels in zip(plan.voices, plan.sounds.channels, strict=True):
        program = v.program if v.voice.drum is None else None
        for c in channels:
            bent = c in plan.sounds.bends or len(channels) > 1
            own = v.voice
            setup = channel_setup(
                c,
                program=program,
                bank=own.bank,
                volume=own.volume,
                pan=own.pan,
                glide=own.glide,
            )
            for m in [*(bend_range(c) if bent else ()), *setup]:
                out += m
    return out


def table_bytes(plan: FirmwarePlan) -> int:
    """Add up the bytes of program memory that the tables take."""
    _, rules, arrays = _tables(plan)
    voice = _VOICE_BYTES + (3 + MOST_LOUD) * _LEAD_BYTES
    fixed = voice * len(plan.voices) + _RULE_BYTES * (len(rules) + 1)
    fixed += _FINAL_BYTES * (len(plan.finals) + 1)
    return fixed + sum(_SIZES[kind] * len(values) for kind, _, _, _, values in arrays)
