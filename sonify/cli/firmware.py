"""`sonify firmware`: the mapping as C for the real player."""

from __future__ import annotations

from pathlib import Path

from click import IntRange, option

from sonify.cli.common import SETTINGS, WRITTEN, Request, disc_command
from sonify.cli.usual import caution, wrote

__all__ = ["firmware"]


@disc_command(
    option(
        "-o", "--output", "folder", type=WRITTEN, metavar="DIR", required=True,
        help="The folder to write.",
    ),
    *SETTINGS,
    option(
        "--prefix", metavar="NAME", default="player", show_default=True,
        help="The start of all names in C and of all file names.",
    ),
    option(
        "--text", type=IntRange(1, 60_000), metavar="BYTES",
        help="Space for the message. [default: what fits in 2 KB of RAM, at most 1024]",
    ),
    option("--force", is_flag=True, help="Write even if the folder is not empty."),
)  # fmt: skip
def firmware(request: Request, folder: str, prefix: str, text: int | None, force: bool) -> None:
    """Write the mapping as portable C99 for the microcontroller of a real player.

    You get tables, the core of a player, a whole machine around it for which you write about ten
    short functions (detectors, stage, MIDI, lamps, log), and a README. The firmware plays any disc
    with the same code and positions; it does not contain this disc's bits. Settings that need bits
    before they are read are refused, with the nearest that can be followed.

    Caution: use visible light of class 1 or 2 (IEC 60825-1) only, and keep beams out of eyes;
    infrared is worse, as it is invisible. Mains voltage can kill. Rotating parts can catch hair and
    sleeves: fit guards. Flashing light can harm people with photosensitive epilepsy, and loud sound
    harms hearing. Your local rules come first.

    \b
    Examples:
      sonify firmware cairn-small -o player
      sonify firmware my.toml -p music-box -p quick -o player --prefix hut
    """
    from sonify.export.firmware import write_firmware
    from sonify.export.firmware.write import memory_of

    plan = write_firmware(request.perform(), folder, prefix=prefix, text=text, force=force)
    memory = memory_of(plan)
    wrote(
        Path(folder), "",
        f"{memory.ram:,} bytes of RAM and about {memory.stack:,} of stack, "
        f"{memory.tables:,} of tables and about {memory.code:,} of code in program memory",
        ram=memory.ram, stack=memory.stack, tables=memory.tables, code=memory.code,
    )  # fmt: skip
    if not memory.fits:
        caution(
            f"this needs more than 2 KB of RAM (with {memory.stack} bytes of stack) or 28 KB of "
            "program memory; try a shorter --text, fewer voices or shorter echoes"
        )
    if plan.needed > plan.text:
        caution(
            f"this disc's message takes {plan.needed:,} bytes but there is space for only "
            f"{plan.text:,}, so it would be cut off; add --text {plan.needed}"
        )
