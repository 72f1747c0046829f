"""What the commands that write files share, and `sonify midi`."""

from __future__ import annotations

import contextlib
import os
import shutil
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from click import Choice, option

from sonify.cli.common import (
    DEFAULT_FOLDER,
    TIMED,
    WRITTEN,
    Request,
    cautions_shown,
    disc_command,
    output_option,
    result,
)
from sonify.cli.progress import progress_shown
from sonify.cli.usual import caution, goes_to_stdout, note, wrote
from sonify.export.file_formats import MOVING, run, writer_of

if TYPE_CHECKING:
    from sonify.disc.disc import Disc
    from sonify.export.outcome import Outcome
    from sonify.export.sound.master import Master
    from sonify.limits import Beside
    from sonify.performance import Performance

__all__ = [
    "caution_bars", "caution_letters", "destination", "midi", "save_project", "usual_name",
    "write_one",
]  # fmt: skip

LOUD_LUFS = -10.0
"""From memory: well above streamed music, most of which is normalised to -14 LUFS."""


@contextlib.contextmanager
def destination(
    output: str | None, usual: str, *, base: Path = DEFAULT_FOLDER, pictures: bool = False
) -> Iterator[Path]:
    """The path to write to: `output`, or the file `usual` in that folder, or in `base`.

    For `-` it is a temporary file, which is then copied to standard output. With `pictures`, a
    name that ends with a slash is itself the path.
    """
    if output == "-":
        with tempfile.TemporaryDirectory() as temporary:
            path = Path(temporary, usual)
            goes_to_stdout(path)
            yield path
            with open(path, "rb") as file:
                shutil.copyfileobj(file, sys.stdout.buffer)
            sys.stdout.buffer.flush()
        return
    path = base / usual if output is None else Path(output)
    slash = output is not None and output.endswith(("/", os.sep))
    yield path / usual if (slash or os.path.isdir(path)) and not (slash and pictures) else path


def save_project(disc: Disc, setup: dict[str, Any], path: Path) -> None:
    """Write a disc with a table of settings as a project file."""
    from sonify.atomic import write_data
    from sonify.studio.document import Document, disc_table
    from sonify.studio.project import Project, project_toml

    project = Project(Document(disc_table(disc), setup, disc.name.removesuffix("-project")))
    write_data(path, project_toml(project))


def usual_name(show: Performance, what: str) -> str:
    """The name of the file that an output usually goes to."""
    row = writer_of(what)
    return f"{show.disc.name}{row.ending}{row.suffixes[0]}"


def write_one(
    show: Performance,
    what: str,
    output: str | None,
    seconds: float | None = None,
    base: Path = DEFAULT_FOLDER,
    begun: Beside[Any] | None = None,
    **options: Any,
) -> None:
    """Write one output to its `destination` and print a line with its length.

    Without `seconds`, the length is the one that the writer reports. What has `begun` is waited
    for.
    """
    usual = usual_name(show, what)
    pictures = what in MOVING and str(output).endswith(("/", os.sep))
    with (
        destination(output, usual, base=base, pictures=pictures) as path,
        cautions_shown(),
        progress_shown(what),
    ):
        if begun is not None:
            outcome = begun.result()
        else:
            outcome = run(show, f"{path}{os.sep}" if pictures else path, what, options)
    if what == "sound":
        _say_sound(path, outcome)
        return
    facts: dict[str, Any] = {"flashing": asdict(outcome.flashing)} if what in MOVING else {}
    result(path, outcome.seconds if seconds is None else seconds, **facts)
    if what in MOVING:
        _say_picture(outcome)


def _say_sound(path: Path, done: Master) -> None:
    """Print a line for a sound file, and cautions about its level."""
    level = done.level
    silent = level.peak_db == float("-inf")
    told = "silent" if silent else f"{level.lufs:.1f} LUFS, true peak {level.peak_db:.1f} dBTP"
    facts: dict[str, Any] = (
        {} if silent else {"lufs": round(level.lufs, 2), "peak_db": round(level.peak_db, 2)}
    )
    result(path, done.seconds, told, **facts)
    if silent:
        caution("no note plays, so the sound is silent")
        return
    if level.short_db > 0.2:
        caution(
            f"the sound is {level.short_db:.1f} LU quieter than you asked for: if it were louder, "
            "its peaks would have to be reduced by more than 12 dB"
        )
    if level.lufs > LOUD_LUFS:
        caution("this is loud; turn the volume down before you play it")


def _say_picture(outcome: Outcome) -> None:
    """Print an animation's other files, what was softened, and how much it flashes."""
    for path in outcome.beside:
        wrote(path)
    if outcome.given_up:
        note(f"to fit the size: {', '.join(outcome.given_up)}")
    if outcome.changes:
        note(f"calmer: {'; '.join(outcome.changes)}")
    if outcome.flashing.over:
        caution(f"it flashes more than WCAG 2.2 SC 2.3.1 allows: {outcome.flashing}; try --calm")
    else:
        note(f"flashing: {outcome.flashing}")


def caution_letters(show: Performance) -> None:
    """Warn about characters of the message that the matrix font lacks."""
    missing = () if show.scroll is None else show.scroll.missing
    if missing:
        shown = " ".join(c if c.isprintable() else f"U+{ord(c):04X}" for c in missing[:12])
        caution(
            f"the matrix font lacks {shown}{' and more' * (len(missing) > 12)}; a box is shown "
            "instead (use another font with --set player.matrix.letters=FILE.ttf)"
        )


def caution_bars(show: Performance) -> None:
    """Warn if rows miss the bar lines."""
    if show.off_bars is not None:
        caution(show.off_bars)


def caution_wire(show: Performance) -> None:
    """Warn if a player that sends over a 5-pin MIDI line would fall behind."""
    from sonify.midi.bandwidth import caution_of, keeps_up, traffic_of

    tick_s = show.grid.tick_s(show.timeline.least_s)
    if not all(keeps_up(((p.on, p.off) for p in b.parts), tick_s) for b in show.blocks()):
        late = caution_of(traffic_of(show.event_blocks(), show.seconds))
        if late is not None:
            caution(late)


@disc_command(
    output_option("The file, .mid; - for standard output. [default: out/DISC.mid]"),
    *TIMED,
    option(
        "--tracks", type=Choice(["voices", "apart", "one"]), default="voices", show_default=True,
        help="A track per voice, one per channel and drum, or a single one (format 0).",
    ),
    option(
        "--lyrics", type=Choice(["first", "melody", "both"]), default="first", show_default=True,
        help="The message on the first track, or on the notes of the melody.",
    ),
    option(
        "--mixer", type=Choice(["usual", "full", "none"]), default="usual", show_default=True,
        help="Programs, volumes and pans; with a General MIDI reset and all else; or none.",
    ),
    option("--split", type=WRITTEN, metavar="DIR", help="Also write a file per voice."),
    option(
        "--drum-map", type=WRITTEN, metavar="FILE",
        help="Also write the names of the drums: .midnam (MIDI XML names), or a plain .txt.",
    ),
    option("--only-notes", is_flag=True, help="Leave out everything but the notes and the tempo."),
)  # fmt: skip
def midi(request: Request, output: str | None, **options: Any) -> None:
    """Write the disc's music as a MIDI file, for a DAW or any other music software.

    The file is a Standard MIDI File with one track per voice. A first track holds title, tempo,
    metre, key, a marker for each row, and each character of the message as a lyric at the time
    when it is read. Rests fill the last bar, so the file loops seamlessly, and its end undoes what
    it bent or moved.

    \b
    Examples:
      sonify midi cairn-small
      sonify midi my.toml -p bell-tower --set music.root=E3 -o my.mid
      sonify midi my.toml -p hut-band --tracks apart --lyrics melody -o parts.mid
    """
    show = request.perform()
    write_one(show, "midi", output, **options)
    caution_bars(show)
    caution_wire(show)
