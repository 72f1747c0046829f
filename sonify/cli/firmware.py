"""`sonify firmware`: the mapping as C for the real player."""

from __future__ import annotations

import click

from sonify.cli.common import caution, disc_argument, perform_from, setting_options

__all__ = ["firmware"]


@click.command()
@disc_argument
@click.option("-o", "--output", "folder", metavar="DIR", required=True, help="The folder.")
@setting_options
@click.option(
    "--prefix", metavar="NAME", default="player", show_default=True,
    help="What all names in C and all files begin with.",
)  # fmt: skip
@click.option(
    "--text", type=click.IntRange(1, 60_000), metavar="BYTES",
    help="Room for the message. [default: what fits in 2 KB of RAM, at most 1024]",
)  # fmt: skip
@click.option("--force", is_flag=True, help="Write into a folder that is not empty.")
def firmware(
    disc: str,
    folder: str,
    presets: tuple[str, ...],
    assignments: tuple[str, ...],
    prefix: str,
    text: int | None,
    force: bool,
) -> None:
    """Write the mapping as portable C99: tables, a player's core, an example, how to wire it.

    The disc's content is not in it, only its code, its positions and the mapping. What needs to
    know bits before they are read is refused, with the reason.

    Caution: laser beams can blind (classes of IEC 60825-1; never into the eye), mains can kill,
    turning parts can catch hair and sleeves. Guards and local rules come first.

    \b
    Examples:
      sonify firmware cairn-small -o player
      sonify firmware my.toml -p music-box -p quick -o player --prefix hut
    """
    from sonify.export.firmware import write_firmware
    from sonify.export.firmware.write import memory_of

    show = perform_from(disc, presets, assignments)
    plan = write_firmware(show, folder, prefix=prefix, text=text, force=force)
    memory = memory_of(plan)
    click.echo(
        f"{folder}  {memory.ram:,} bytes of RAM and about {memory.stack:,} of stack, "
        f"{memory.tables:,} of tables and about {memory.code:,} of code in program memory"
    )
    if not memory.fits:
        caution(
            f"this is more than 2 KB of RAM ({memory.stack} bytes of them for the stack) or 28 KB "
            "of program memory; take a shorter --text, fewer voices or shorter echoes"
        )
    if plan.needed > plan.text:
        caution(
            f"this disc's message takes {plan.needed:,} bytes as it is decoded, and there is room "
            f"for {plan.text:,}: it would be cut; add --text {plan.needed}"
        )
