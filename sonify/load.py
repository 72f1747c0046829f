"""Load a disc from any source, and save it as a disc file."""

from __future__ import annotations

import os
import warnings
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

import sonify.hooks as hooks
from sonify.atomic import Target, write_data
from sonify.disc.disc import Disc
from sonify.disc.file import disc_from_table, disc_to_toml
from sonify.errors import InputError
from sonify.log import info
from sonify.presets import find_disc
from sonify.settings import load_toml

if TYPE_CHECKING:
    from sonify.recover.search.arrangement import Wanted
    from sonify.recover.search.find import Found
    from sonify.recover.sources.options import ReadOptions

__all__ = ["find_in", "load_disc", "read_disc_file", "save_disc"]


def load_disc(source: str | Path) -> Disc:
    """A disc from the name of one that ships, a disc file, a project, or any other source.

    A drawing (.svg .dxf, a .csv of holes), a photograph, a detector log (.csv .vcd .npy .wav), a
    recording (.mid) and a grid (.txt .csv .npy) are read as `sonify read` does without options.

    Parameters
    ----------
    source : str or Path

    Returns
    -------
    Disc

    Raises
    ------
    InputError
        There is no such file, or it holds no disc; the message names the place in the file.

    Warns
    -----
    Caution
        What was repaired or is in doubt, where the source is not a disc file.
    """
    path = source if isinstance(source, Path) else find_disc(source)
    info(__name__, "%s: read", path)
    if path.suffix.casefold() == ".toml" or not os.path.isfile(path):
        return read_disc_file(path)
    from sonify.recover.sources.source import KINDS, suffix_of

    if not path.suffix and suffix_of(path) not in KINDS:
        return read_disc_file(path)
    found = find_in(path)
    for caution in (*found.sighting.cautions, *found.cautions):
        warnings.warn(caution, stacklevel=2)
    return found.disc


def read_disc_file(path: Path) -> Disc:
    """Read a disc file, or the disc of a project.

    Raises
    ------
    InputError
        With the file, the place in it, what is wrong and what would be right.
    """
    from sonify.performance_settings import is_preset

    disc: Disc | None = hooks.disc_of_project(path)
    if disc is not None:
        return disc
    table = load_toml(path)
    if is_preset(table):
        raise InputError("this is a preset, not a disc", file=path, hint="give it with {preset}")
    return disc_from_table(table, name=path.stem, file=path)


def find_in(
    source: str | Path,
    options: ReadOptions | None = None,
    wanted: Wanted | None = None,
    threshold: float | None = None,
) -> Found:
    """A disc from any source, with everything that was found.

    Parameters
    ----------
    source : str or Path
    options : ReadOptions, optional
        What helps the reader.
    wanted : Wanted, optional
        What is known about the arrangement and the code.
    threshold : float, optional
        The confidence (0 to 1) below which a bit is unknown.

    Raises
    ------
    InputError
        It can't be read; the message says what is missing and what to do.
    """
    from sonify.recover.search.find import find_message
    from sonify.recover.sighting import THRESHOLD
    from sonify.recover.sources.source import read_source

    path = source if isinstance(source, Path) else find_disc(source)
    if path.suffix.casefold() == ".toml":
        return _as_it_is(read_disc_file(path), wanted, path)
    sighting = read_source(path, options)
    try:
        return find_message(
            sighting,
            wanted,
            threshold=THRESHOLD if threshold is None else threshold,
            name=path.stem,
        )
    except InputError as e:
        raise e.at(path) from None


def _as_it_is(disc: Disc, wanted: Wanted | None, path: Path) -> Found:
    """What a disc file says, which nobody has to search for."""
    from sonify.recover.search.find import Arrangement, Found
    from sonify.recover.sighting import Sighting

    for key, value in ({} if wanted is None else vars(wanted)).items():
        if value is not None:
            raise InputError(
                "a disc file says itself how it is read",
                file=path,
                hint=f"leave {{{key.replace('_', '-')}}} out",
            )
    sighting = Sighting(
        "disc file", disc.grid, (disc.grid >= 0).astype(np.float32), True, True, True,
        disc.geometry, disc.code, disc.title,
    )  # fmt: skip
    layout = disc.layout
    how = Arrangement(0, layout.turning, layout.reading, layout.hole_means)
    return Found(disc, sighting, how, (), ())


def save_disc(disc: Disc, target: Target) -> Path | None:
    """Write a disc file, or into a buffer. Reading it back gives the same disc.

    Raises
    ------
    OutputError
        The place can't be written.
    """
    try:
        data = disc_to_toml(disc).encode()
    except UnicodeEncodeError as e:
        raise InputError(f"{e.object[e.start]!r} in its texts is no character") from None
    return write_data(target, data)
