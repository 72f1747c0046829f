"""The folder that a maker builds from: the core, its tables, an example and a README."""

from __future__ import annotations

import os
import re
import tempfile
import textwrap
from dataclasses import dataclass
from importlib import resources
from pathlib import Path

from sonify.atomic import cannot_write, make_folder
from sonify.errors import InputError, OutputError
from sonify.export.firmware.names import check_prefix
from sonify.export.firmware.plan import RAM, FirmwarePlan, plan_of
from sonify.export.firmware.tables import config_h, opening_bytes, table_bytes, tables_c
from sonify.performance import Performance

__all__ = ["CODE", "Memory", "firmware_files", "memory_of", "write_firmware"]

CODE: dict[str, tuple[int, str, str]] = {
    "plain": (13_250, "the core alone", "see above"),
    "lines": (450, "fill rules that give each row lines of its own", ""),
    "chance": (
        1_800,
        "random times and velocities (humanise, sparse)",
        "4 for each voice, 20 of stack",
    ),
    "bends": (120, "tones between the keys", "2"),
    "led": (410, "... that are led", ""),
    "values": (510, "tones by the value of a character", "13 for each note that waits"),
    "vamp": (300, "notes that come again while the stage moves", "1 for each note"),
    "strokes": (210, "chords of rows struck several times", ""),
    "downwards": (400, "chords of rows strummed downwards", ""),
    "form": (100, "form", "13 for each note of the ending"),
    "colours": (120, "colours of lamps", "1"),
    "moved": (170, "... of lamps that roll up", "1 for each lamp"),
    "heard": (30, "... by voice, pitch or velocity", "1"),
    "loud": (100, "brightness of lamps by velocity", "1 for each lamp, 2"),
    "trail": (180, "lamps that fade out, with what ages take", ""),
    "ages": (420, "lamps that change as they grow older", "3 for each lamp, 4"),
    "repair": (3_050, "Reed-Solomon", "see above"),
}
"""Program memory that the core's code takes on an 8-bit chip, what each feature adds, and its RAM
in words: measured with avr-size by `python -m tests.export.firmware_flash`, rounded up."""

PROGRAM_MEMORY = 28 * 1024


@dataclass(frozen=True)
class Memory:
    """What the core takes, in bytes: exact for RAM, estimates for the stack and the code."""

    ram: int
    stack: int
    tables: int
    code: int

    @property
    def fits(self) -> bool:
        """Whether it fits 2 KB of RAM, stack included, and 28 KB of program memory."""
        return self.ram + self.stack <= RAM and self.tables + self.code <= PROGRAM_MEMORY


def memory_of(plan: FirmwarePlan) -> Memory:
    """Work out the memory that a plan takes."""
    used = plan.features
    code = sum(size for name, (size, *_) in CODE.items() if name == "plain" or name in used)
    return Memory(plan.ram, plan.stack, table_bytes(plan), code)


def firmware_files(plan: FirmwarePlan, prefix: str = "player") -> dict[str, str]:
    """Make all files, by name."""
    check_prefix(prefix)
    core = resources.files("sonify.export.firmware") / "core"
    files = {f.name: f.read_text(encoding="utf-8") for f in core.iterdir()}
    files["player_config.h"] = config_h(plan, files.pop("player_config.h.in"))
    files["player_tables.c"] = tables_c(plan)
    files["README.md"] = _readme(plan, files.pop("README.md.in"))
    return {_renamed(k, prefix): _renamed(v, prefix) for k, v in files.items()}


def _renamed(text: str, prefix: str) -> str:
    if prefix == "player":
        return text
    text = re.sub(r"\bplayer(?=_|\.(?:c|h|inc)\b)", prefix, text)
    return re.sub(r"(?<![A-Z])PLAYER_|(?<=-D)PLAYER_", f"{prefix.upper()}_", text)


def _readme(plan: FirmwarePlan, text: str) -> str:
    memory, show = memory_of(plan), plan.show
    player, layout, code = show.setup.player, show.disc.layout, show.disc.code
    slot_s = show.timeline.position_s / show.grid.step_ticks
    voices = "\n".join(
        f"  - {v.name}: channel {', '.join(str(c + 1) for c in channels)}, "
        + (f"program {v.program + 1}" if v.voice.drum is None else "drums")
        for v, channels in zip(plan.voices, plan.sounds.channels, strict=True)
    )
    coded = "none: bare bits, which carry no message"
    if code is not None:
        coded = f"{code.alphabet}, {code.bit_order.removesuffix('-first')} bit first, "
        coded += f"{show.unit_bits} bits per character"
        coded += {"parity": ", even parity"}.get(code.check, "")
        coded += {"framed": ", SYN SYN STX text ETX"}.get(code.framing, "")
        coded += {"crc-16": ", CRC-16", "reed-solomon": ", Reed-Solomon"}.get(code.check, "")
    index = player.row_start == "index"
    used = plan.features | {"plain"}
    for key, value in {
        "READING": layout.reading,
        "TURNING": layout.turning,
        "HOLE": f"a hole is a {('zero', 'one')[layout.hole_means]}",
        "STAGE": f"{player.stage:g}",
        "SETTLE": f"{player.settle:g}",
        "DELAY": _delay(player.delay),
        "HALT": f"{plan.halt_ticks * slot_s:.1f}",
        "STALL": f"{plan.stall_ticks * slot_s:.1f}",
        "STACK": memory.stack,
        "OPENING": len(opening_bytes(plan)) + 3 * plan.notes,
        "BURST": 6 * plan.notes + 3 * len(plan.sounds.bends),
        "INDEX_IS_HERE": "`index_is_here` (this hole is\nthe first of a row) " if index else "",
        "AND_INDEX": " && index_is_here()" if index else "",
        "POSITIONS": show.disc.positions,
        "ROWS": show.disc.rows,
        "ORDER": player.matrix.colour_order,
        "BRIGHTNESS": f"{player.matrix.brightness:.0%}",
        "CODE": coded,
        "POSITION_MS": f"{1000 * show.timeline.position_s:.2f}",
        "RPM": f"{player.rpm:g}",
        "START": "the index mark" if index else "wherever the disc is",
        "MATRIX": f"{player.matrix.width} × {player.matrix.height}",
        "FILL": player.matrix.fill,
        "VOICES": voices,
        "RAM": f"{memory.ram:,}",
        "TABLES": f"{memory.tables:,}",
        "CODE_BYTES": f"{memory.code:,}",
        "FLASH": "\n".join(
            f"| {about} | {size:,} | {'yes' if name in used else ''} | {ram} |"
            for name, (size, about, ram) in CODE.items()
        ),
        "REPAIR": _repair(plan),
        "TEXT": f"{plan.text:,}",
        "NOTES": plan.notes,
    }.items():
        text = text.replace(f"@{key}@", str(value))
    return text


def _repair(plan: FirmwarePlan) -> str:
    """What repairing takes, as a paragraph; empty without Reed-Solomon."""
    rs = plan.repair
    if rs is None:
        return ""
    clean = rs.codewords * -(-rs.length // (1 + 128 // rs.checks)) + rs.data_symbols // 16
    damaged = clean + rs.codewords * 3 * rs.checks
    words = (
        f"Reed-Solomon takes {plan.repair_ram:,} of these bytes of RAM, and its disc has exactly "
        f"{rs.rows} rows. After the disc's end it works for about {clean:,} ms on a clean disc, "
        f"{damaged:,} ms on a damaged one, and up to {rs.rows * damaged / 1000:.1f} s where it "
        "must find out which row was misread, a little each millisecond; the message "
        "scrolls when it is done."
    )
    return "\n" + textwrap.fill(words, 100) + "\n"


def _delay(seconds: float) -> str:
    if not seconds:
        return "It is what the data detector sees at that moment."
    when = "after" if seconds > 0 else "before"
    return (
        f"It is what the data detector sees {1000 * abs(seconds):.1f} ms {when} that moment, as "
        "the player's profile says."
    )


def write_firmware(
    show: Performance,
    folder: str | Path,
    *,
    prefix: str = "player",
    text: int | None = None,
    force: bool = False,
) -> FirmwarePlan:
    """Write the whole folder, or nothing.

    Parameters
    ----------
    show : Performance
    folder : path
        New, empty, or any with `force` (files of other names stay).
    prefix : str
        The beginning of all names in C and of all files.
    text : int, optional
        Room for a message, in characters.
    force : bool
        Write into a folder that is not empty.

    Raises
    ------
    InputError
        A mapping that a machine can't follow, names that collide, or a folder that is not empty.
    OutputError
        The folder can't be written.
    """
    folder = Path(folder)
    check_prefix(prefix)
    if folder.is_dir() and any(folder.iterdir()) and not force:
        raise InputError(
            "the folder is not empty", file=folder, hint="use another, or give {force}"
        )
    plan = plan_of(show, text)
    files = firmware_files(plan, prefix)
    make_folder(folder)
    try:
        with tempfile.TemporaryDirectory(dir=folder.parent, prefix=f".{folder.name[:40]}-") as new:
            for name, content in files.items():
                Path(new, name).write_text(content, encoding="utf-8")
                if (folder / name).is_dir():
                    raise OutputError("there is a folder where a file must go", file=folder / name)
            for name in files:
                os.replace(Path(new, name), folder / name)
    except OSError as e:
        raise cannot_write(e, folder) from None
    return plan
