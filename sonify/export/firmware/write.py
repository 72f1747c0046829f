"""The folder that a maker builds from: the core, its tables, an example and a README."""

from __future__ import annotations

import os
import re
import tempfile
from dataclasses import dataclass
from importlib import resources
from pathlib import Path

from sonify.atomic import cannot_write, make_folder
from sonify.errors import InputError, OutputError
from sonify.export.firmware.names import check_prefix
from sonify.export.firmware.plan import RAM, FirmwarePlan, plan_of
from sonify.export.firmware.tables import config_h, opening_bytes, table_bytes, tables_c
from sonify.light.fill_rules import LINED
from sonify.performance import Performance

__all__ = ["CODE_BYTES", "Memory", "firmware_files", "memory_of", "write_firmware"]

# program memory of the core's code on an 8-bit chip, optimised for size: about, measured
CODE_BYTES = 13_200

_CHANCE_BYTES = 1_800
_BEND_BYTES = 150
# ... and of fill rules that give each row lines of its own
_LINES_BYTES = 400

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
    code = CODE_BYTES + _CHANCE_BYTES * plan.human + _BEND_BYTES * bool(plan.sounds.bends)
    code += _LINES_BYTES * (plan.show.setup.player.matrix.fill in LINED)
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
        coded += {"crc-16": ", CRC-16"}.get(code.check, "")
    index = player.row_start == "index"
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
        "TEXT": f"{plan.text:,}",
        "NOTES": plan.notes,
    }.items():
        text = text.replace(f"@{key}@", str(value))
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
