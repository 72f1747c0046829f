"""The `sonify` command and its subcommands, each imported when it is called."""

from __future__ import annotations

import errno
import gc
import importlib
import os
import sys
from typing import TYPE_CHECKING, Any, NoReturn

import click

from sonify import __version__

if TYPE_CHECKING:
    from sonify.errors import SonifyError

__all__ = ["COMMANDS", "main", "sonify"]

# matrices here are small: threads would cost more time than they save
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

COMMANDS: dict[str, tuple[str, str]] = {
    "make": ("make", "Make the music and light show of a disc, all in one folder."),
    "midi": ("outputs", "Write the music as a MIDI file."),
    "tuning": ("tuning", "Write the scale as a Scala file."),
    "sound": ("sound", "Write the music as a sound file."),
    "score": ("score", "Write the music in staff notation."),
    "lights": ("light", "Show how the LED matrix fills, as an animation."),
    "message": ("light", "Show how the message scrolls, as an animation."),
    "clip": ("light", "Make a video of the show with its sound."),
    "stills": ("light", "Lay out pictures of the show for print."),
    "page": ("page", "Make one web page that plays the show, to share."),
    "play": ("play", "Play the disc now, through the speakers or a MIDI port."),
    "watch": ("play", "Watch the LED matrix in the terminal."),
    "studio": ("studio", "Edit music and light on a page in your browser."),
    "audition": ("audition", "Compare many presets on one page."),
    "batch": ("batch", "Make many discs or presets from a list."),
    "presets": ("presets", "List the presets and discs that ship."),
    "encode": ("encode", "Turn a message into a disc that you can cut."),
    "edit": ("edit", "Flip, move and clear holes; see what changes."),
    "compose": ("compose", "Find the disc that sounds best, or plays a tune."),
    "explain": ("explain", "Show on a sheet how text becomes holes, bits, lamps and notes."),
    "draw": ("draw", "Draw a disc at actual size, for cutting."),
    "inspect": ("inspect", "Show a disc's message, bits, sizes and times."),
    "read": ("read", "Read a disc back from a photograph, drawing, log or recording."),
    "compare": ("compare", "Find out which bits a real player got wrong, and why."),
    "firmware": ("firmware", "Write the mapping as C for a real player."),
}
"""Each command's module in `sonify.cli`, and its line in the list."""


class _Lazy(click.Group):
    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, name: str) -> click.Command | None:
        row = COMMANDS.get(name)
        if row is None:
            return None
        module = importlib.import_module(f"sonify.cli.{row[0]}")
        from sonify.cli.usual import with_usual

        return with_usual(getattr(module, name))

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
    """Turn a punched disc into the music and light show that a disc player makes of it.

    DISC is a disc file, a project, a drawing, photograph, log or recording of a disc, the name of
    a disc that ships (`sonify presets --discs`), or - for standard input. Presets
    define the music, the player and the look: give --preset as often as you like (later ones win)
    and change single settings with --set section.key=value.

    Caution: moving light can harm people with photosensitive epilepsy, and sudden loud sound
    can damage hearing. Check what you made before you show it to others.
    """


def main() -> None:
    """Run the command line; an error is one line, without a traceback."""
    try:
        _run()
    finally:
        # the process ends here, so there is no point in collecting garbage
        gc.freeze()


def _run() -> None:
    from sonify.errors import SonifyError

    try:
        status = sonify.main(prog_name="sonify", standalone_mode=False)
    except SonifyError as e:
        _stop(e)
    except ModuleNotFoundError as e:
        from sonify.extras import extra_of

        error = extra_of(e)
        if error is None:
            raise
        _stop(error)
    except (click.exceptions.Abort, KeyboardInterrupt):
        click.echo("sonify: stopped", err=True)
        sys.exit(130)
    except click.ClickException as e:
        e.show()
        sys.exit(e.exit_code)
    except BrokenPipeError:
        sys.stderr.close()
        sys.exit(1)
    except OSError as e:
        if not _terminal_closed(e):
            raise
        # nobody reads what is still to be written; 128 + SIGHUP, as if the signal had come first
        with open(os.devnull, "wb") as nothing:
            for number in (1, 2):
                os.dup2(nothing.fileno(), number)
        sys.exit(129)
    except MemoryError:
        click.echo("sonify: there is not enough memory for this disc; choose a range", err=True)
        sys.exit(1)
    sys.exit(status if isinstance(status, int) else 0)


def _terminal_closed(error: OSError) -> bool:
    """Whether an error is that of writing to a terminal that was closed (POSIX `write`, EIO)."""
    if error.errno != errno.EIO or error.filename is not None:
        return False
    for number in (1, 2):
        try:
            os.get_terminal_size(number)
        except OSError as e:
            if e.errno == errno.EIO:
                return True
    return False


def _stop(error: SonifyError) -> NoReturn:
    from sonify.cli.usual import option_name

    click.echo(f"sonify: {error.say(option_name)}", err=True)
    sys.exit(error.exit_status)
