"""Files that the pages' commands take from the world: photographs, logs, recordings, tunes."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import mido
from PIL import Image

import sonify
from tests.recover.diagnosis.machine import Machine, Recording

Run = Callable[..., Any]


def photo(path: Path, run: Run) -> None:
    """The disc of `note.toml` on a dark table, with one hole left uncut."""
    folder = path.parent
    run("edit", folder / "note.toml", "clear 1:2", "-o", folder / "cut.toml")
    run("draw", folder / "cut.toml", "-o", folder / "cut.png", "--size", 480)
    with Image.open(folder / "cut.png") as disc:
        table = Image.new("RGBA", (600, 600), (38, 40, 44, 255))
        table.alpha_composite(disc.convert("RGBA"), (60, 60))
    table.convert("RGB").save(path, quality=92)


def played(disc: str | Path, **faults: Any) -> Recording:
    """A disc, played by a machine that the program does not know."""
    found = sonify.load_disc(disc)
    assert found.code is not None
    return Machine(found.grid.tolist(), found.code.unit_bits, **faults).run()


def log(path: Path, run: Run) -> None:
    """A log of a healthy player with the disc `note.toml`."""
    played(path.with_name("note.toml")).write_log(path)


def log_of_stage(path: Path, run: Run) -> None:
    """A log of the shipped disc, whose stage stops beside row 7."""
    played("cairn-middle", rpm=9.9, stage_error={6: 0.31}, flutter=0.004, seed=4).write_log(path)


def log_mended(path: Path, run: Run) -> None:
    """The same player when its belt is tight."""
    played("cairn-middle", rpm=9.9, flutter=0.004, seed=5).write_log(path)


def recording(path: Path, run: Run) -> None:
    """What the player's MIDI output sent for `note.toml`."""
    run("midi", path.with_name("note.toml"), "-p", "ridge-run", "-o", path)


def strip(path: Path, run: Run) -> None:
    """Where lamps of a strip lit that winds through 12 by 8 places."""
    places = [(x if y % 2 == 0 else 11 - x, y) for y in range(8) for x in range(12)]
    lines = (f"{x + 1},{y + 1},{lamp + 1}" for lamp, (x, y) in enumerate(places))
    path.write_text("\n".join(["column,row,lamp", *lines]), "utf-8")


def tune(path: Path, run: Run) -> None:
    """A bar in D dorian, in eighths."""
    file = mido.MidiFile(ticks_per_beat=480)
    track = mido.MidiTrack()
    file.tracks.append(track)
    for pitch in (62, 65, 69, 65, 67, 64, 60, 64):
        track.append(mido.Message("note_on", note=pitch, velocity=90, time=0))
        track.append(mido.Message("note_off", note=pitch, time=240))
    file.save(path)


INPUTS: dict[str, Callable[[Path, Run], None]] = {
    "photo.jpg": photo,
    "log.npy": log,
    "player-log.npy": log_of_stage,
    "next-log.npy": log_mended,
    "recording.mid": recording,
    "seen.csv": strip,
    "tune.mid": tune,
}
"""What makes each file, the first time that a command of a page names it."""
