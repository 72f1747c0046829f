"""The `sonify` command and its subcommands, each imported when it is called."""

from __future__ import annotations

import gc
import importlib
import os
import sys
from typing import Any

import click

from sonify import __version__

__all__ = ["COMMANDS", "main", "sonify"]

# matrices here are small: threads for them cost more, at the start and after each, than they save
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

COMMANDS: dict[str, tuple[str, str]] = {
    "make": ("sonify.cli.make", "A disc's music and light, all at once, into a folder."),
    "midi": ("sonify.cli.outputs", "A disc as a Standard MIDI file."),
    "lights": ("sonify.cli.light", "The matrix filling while the disc is read."),
    "message": ("sonify.cli.light", "The message scrolling by."),
    "sound": ("sonify.cli.sound", "The music as a sound file."),
    "play": ("sonify.cli.play", "The music now: speakers, or a MIDI port."),
    "score": ("sonify.cli.score", "The music as a score to read."),
    "clip": ("sonify.cli.clip", "The show as a clip with its sound, for a video."),
    "audition": ("sonify.cli.audition", "A disc under many presets, side by side, on a page."),
    "watch": ("sonify.cli.watch", "The matrix in the terminal, in real time."),
    "encode": ("sonify.cli.encode", "A message as a disc that can be cut."),
    "draw": ("sonify.cli.draw", "A disc at 1:1, to cut, and as a picture."),
    "read": ("sonify.cli.read", "A photograph, drawing, log, recording or grid to a disc."),
    "inspect": ("sonify.cli.inspect", "A disc's message, rows, times and cautions."),
    "compare": ("sonify.cli.compare", "What the real player did against what it should have done."),
    "firmware": ("sonify.cli.firmware", "The mapping as C tables and a core for the real player."),
    "presets": ("sonify.cli.presets", "The presets that ship, and one in full."),
    "studio": ("sonify.cli.studio", "A page on this machine to shape music and light in."),
}
"""Name of a command to the module it is in and its line in the list."""


class _Lazy(click.Group):
    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, name: str) -> click.Command | None:
        row = COMMANDS.get(name)
        if row is None:
            return None
        command: click.Command = getattr(importlib.import_module(row[0]), name.replace("-", "_"))
        return command

    def resolve_command(self, ctx: click.Context, args: list[str]) -> Any:
        name = args[0]
        if name not in COMMANDS and not name.startswith("-"):
            from sonify.errors import close_matches

            ctx.fail(
                f"there is no command '{name}'{close_matches(name, COMMANDS)}; see `sonify --help`"
            )
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, row[1]) for name, row in COMMANDS.items()])


@click.group(
    cls=_Lazy,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 96},
    epilog="Start with `sonify make cairn-small`, then `sonify presets`.",
)
@click.version_option(__version__, "--version", prog_name="sonify", message="%(prog)s %(version)s")
def sonify() -> None:
    """From a punched disc to the music and the light show that its player makes.

    A DISC is a disc file (see `sonify inspect`) or the name of one that ships
    (`sonify presets --discs`). Presets shape the music, the player and the look: give as many as
    you like with --preset, later ones win, and single settings with --set section.key=value.

    Caution: moving light can harm people with photosensitive epilepsy, and sudden loud sound
    can hurt ears. Look and listen with care before you show it to others.
    """


def main() -> None:
    """Run the command line: one line for an error, no traceback."""
    try:
        _run()
    finally:
        # what is left goes with the process, so nobody need look for cycles in it
        gc.freeze()


def _run() -> None:
    from sonify.errors import SonifyError

    try:
        status = sonify.main(standalone_mode=False)
    except SonifyError as e:
        from sonify.cli.common import option

        click.echo(f"sonify: {e.say(option)}", err=True)
        sys.exit(e.exit_status)
    except click.exceptions.Abort:
        click.echo("sonify: stopped", err=True)
        sys.exit(1)
    except click.ClickException as e:
        e.show()
        sys.exit(e.exit_code)
    except KeyboardInterrupt:
        click.echo("sonify: stopped", err=True)
        sys.exit(130)
    except BrokenPipeError:
        sys.stderr.close()
        sys.exit(1)
    except MemoryError:
        click.echo("sonify: there is not enough memory for this disc; take a range", err=True)
        sys.exit(1)
    sys.exit(status if isinstance(status, int) else 0)
