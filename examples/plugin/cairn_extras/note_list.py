"""An export: the notes as a table with tabs, one line a note."""

from __future__ import annotations

from pathlib import Path

from sonify.atomic import atomic_write
from sonify.export.file_formats import Writer
from sonify.performance import Performance
from sonify.settings import Settings

NOTES = Writer("notes", (".tsv",), "cairn_extras.note_list", "-notes")


class Options(Settings, frozen=True):
    """`places` is how many digits of a second are written."""

    places: int = 3


def write(show: Performance, path: Path, options: Options) -> int:
    """Write the table, and return how many notes it has."""
    lines = ["onset_s\tpitch\tvelocity"]
    for note in show.notes:
        onset = round(float(note["onset_s"]), options.places)
        lines.append(f"{onset}\t{float(note['pitch']):g}\t{int(note['velocity'])}")
    with atomic_write(path) as beside:
        beside.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return len(lines) - 1
