"""Discs from wherever they come, and back to a disc file."""

from __future__ import annotations

from pathlib import Path

from sonify.disc.disc import Disc
from sonify.disc.file import disc_to_toml, read_disc_file
from sonify.errors import InputError
from sonify.presets import find_disc
from sonify.write.whole import whole

__all__ = ["load_disc", "save_disc"]


def load_disc(source: str | Path) -> Disc:
    """A disc from the name of one that ships, or from a file.

    Parameters
    ----------
    source : str or Path

    Returns
    -------
    Disc

    Raises
    ------
    InputError
        There is no such file, or it holds no disc; with the place in it.
    """
    path = source if isinstance(source, Path) else find_disc(source)
    if path.suffix.casefold() != ".toml" and path.is_file():
        raise InputError("this kind of file is not read; give a disc file (.toml)", file=path)
    return read_disc_file(path)


def save_disc(disc: Disc, path: str | Path) -> Path:
    """Write a disc file. Reading it back gives the same disc.

    Raises
    ------
    OutputError
        The place can't be written.
    """
    path = Path(path)
    text = disc_to_toml(disc)
    with whole(path) as beside:
        beside.write_text(text, encoding="utf-8")
    return path
