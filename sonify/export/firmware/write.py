"""The folder that a maker builds from: the core, its tables, an example and a README."""

from __future__ import annotations

import contextlib
import os
import re
import secrets
import shutil
from dataclasses import dataclass
from importlib import resources
from pathlib import Path

from sonify.atomic import cannot_write, make_folder
from sonify.errors import InputError, OutputError
from sonify.export.firmware.names import check_prefix
from sonify.export.firmware.plan import RAM, FirmwarePlan, plan_of
from sonify.export.firmware.tables import config_h, opening_bytes, table_bytes, tables_c
from sonify.performance import Performance

__all__ = ["CODE_BYTES", "Memory", "firmware_files", "memory_of", "write_firmware"]

CODE_BYTES = 12_500
"""About the program memory of the core's code on an 8-bit chip, optimised for size (measured)."""

_CHANCE_BYTES = 1_800
_BEND_BYTES = 150

PROGRAM_MEMORY = 28 * 1024

_PARTS = ("lamps", "notes", "tones", "rules", "voices", "decode", "scroll")
_CORE = (
    *("player.h", "player_tables.h", "player.c", "example.c"),
    *(f"player_{part}.inc" for part in _PARTS),
)


@dataclass(frozen=True)
class Memory:
    """What the core takes, in bytes: exact for RAM, estimates for the stack and the code."""

    ram: int
    stack: int
    tables: int
    code: int

    @property
    def program(self) -> int:
        """Estimated program memory."""
        return self.tables + self.code

    @property
    def fits(self) -> bool:
        """Whether it fits 2 KB of RAM, stack included, and 28 KB of program memory."""
        return self.ram + self.stack <= RAM and self.program <= PROGRAM_MEMORY


def memory_of(plan: FirmwarePlan) -> Memory:
    """The memory that a plan takes."""
    code = CODE_BYTES + _CHANCE_BYTES * plan.human + _BEND_BYTES * bool(plan.sounds.bends)
    return Memory(plan.ram(), plan.stack, table_bytes(plan), code)


def firmware_files(plan: FirmwarePlan, prefix: str = "player") -> dict[str, str]:
    """All files by name."""
    check_prefix(prefix)
    core = resources.files("sonify.export.firmware") / "core"
    files = {name: (core / name).read_text(encoding="utf-8") for name in _CORE}
    files["player_config.h"] = config_h(plan)
    files["player_tables.c"] = tables_c(plan)
    files["README.md"] = _readme(plan, (core / "README.md.in").read_text(encoding="utf-8"))
    return {_renamed(k, prefix): _renamed(v, prefix) for k, v in files.items()}


def _renamed(text: str, prefix: str) -> str:
    if prefix == "player":
        return text
    text = re.sub(r"\bplayer(?=_|\.(?:c|h|inc)\b)", prefix, text)
    return re.sub(r"(?<![A-Z])PLAYER_|(?<=-D)PLAYER_", f"{prefix.upper()}_", text)


def _readme(plan: FirmwarePlan, text: str) -> str:
    memory = memory_of(plan)
    show = plan.show
    voices = "\n".join(
        f"  - {v.name}: channel {', '.join(str(c + 1) for c in channels)}, "
        + (f"program {v.program + 1}" if v.voice.drum is None else "drums")
        for v, channels in zip(plan.voices, plan.sounds.channels, strict=True)
    )
    coded = (
        f"{plan.alphabet}, {'low' if plan.low_first else 'high'} bit first, "
        f"{plan.unit_bits} bits a character"
        + (", even parity" if plan.parity else "")
        + (", SYN SYN STX text ETX" if plan.framed else "")
        + (", CRC-16" if plan.crc else "")
        if plan.alphabet != "none"
        else "none: bare bits, which carry no message"
    )
    player, layout = show.setup.player, show.disc.layout
    bends = len(plan.sounds.bends)
    values = {
        "READING": layout.reading,
        "TURNING": layout.turning,
        "HOLE": f"a hole is a {('zero', 'one')[plan.hole]}",
        "STAGE": f"{player.stage:g}",
        "SETTLE": f"{player.settle:g}",
        "DELAY": _delay(player.delay),
        "HALT": f"{plan.halt_ticks / plan.step_ticks * plan.position_s:.1f}",
        "STALL": f"{plan.stall_ticks / plan.step_ticks * plan.position_s:.1f}",
        "STACK": f"{memory.stack}",
        "OPENING": f"{len(opening_bytes(plan)) + 3 * plan.notes}",
        "BURST": f"{6 * plan.notes + 3 * bends}",
        "INDEX_IS_HERE": "`index_is_here` (this hole is\nthe first of a row) "
        if plan.index
        else "",
        "AND_INDEX": " && index_is_here()" if plan.index else "",
        "POSITIONS": f"{plan.positions}",
        "CODE": coded,
        "POSITION_MS": f"{1000 * plan.position_s:.2f}",
        "RPM": f"{show.setup.player.rpm:g}",
        "START": "the index mark" if plan.index else "wherever the disc is",
        "MATRIX": f"{plan.width} × {plan.height}",
        "FILL": plan.fill,
        "VOICES": voices,
        "RAM": f"{memory.ram:,}",
        "TABLES": f"{memory.tables:,}",
        "CODE_BYTES": f"{memory.code:,}",
        "TEXT": f"{plan.text:,}",
        "NOTES": f"{plan.notes}",
    }
    for key, value in values.items():
        text = text.replace(f"@{key}@", value)
    return text


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
    """Write the folder: all of it, or nothing.

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
            "the folder is not empty", file=folder, hint="take another, or give {force}"
        )
    plan = plan_of(show, text)
    files = firmware_files(plan, prefix)
    make_folder(folder.parent)
    beside = folder.with_name(f".{folder.name[:40]}-{secrets.token_hex(4)}")
    try:
        beside.mkdir()
        for name, content in files.items():
            (beside / name).write_text(content, encoding="utf-8")
        make_folder(folder)
        for name in files:
            if (folder / name).is_dir():
                raise OutputError("this is a folder; a file is to go there", file=folder / name)
        for name in files:
            os.replace(beside / name, folder / name)
    except OSError as e:
        raise cannot_write(e, folder) from None
    finally:
        with contextlib.suppress(OSError):
            shutil.rmtree(beside)
    return plan
