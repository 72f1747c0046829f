"""Single notes changed by hand: silenced, struck harder or softer, moved in pitch.

A change names a place on the disc, so it outlives a change of the mapping.
"""

from __future__ import annotations

from typing import Annotated

import msgspec
import numpy as np
from numpy.typing import NDArray

from sonify.settings import Settings

__all__ = ["NoteChange", "effect", "outside"]

Ints = NDArray[np.int64]

MAX_KEY = 127.0
"""The highest MIDI note."""


class NoteChange(Settings, frozen=True, omit_defaults=True):
    """A change to the notes of one place of the disc; a `[[note]]` in a preset.

    Attributes
    ----------
    row, position
        Where, from 1.
    voice
        The name of the only voice that it changes. Empty: all voices.
    mute
        The notes are left out.
    accent
        Added to the velocity.
    semitones
        How far the notes are moved in pitch; drums stay as they are. A note that would leave the
        range of MIDI stays too.
    """

    row: Annotated[int, msgspec.Meta(ge=1)]
    position: Annotated[int, msgspec.Meta(ge=1)]
    voice: str = ""
    mute: bool = False
    accent: Annotated[int, msgspec.Meta(ge=-126, le=126)] = 0
    semitones: Annotated[int, msgspec.Meta(ge=-48, le=48)] = 0


def effect(
    changes: tuple[NoteChange, ...], voice: str, drum: bool, row: Ints, position: Ints,
    pitch: NDArray[np.float64], velocity: NDArray[np.uint8],
) -> tuple[NDArray[np.bool_], NDArray[np.float64], NDArray[np.uint8]]:  # fmt: skip
    """What changes do to the notes of a voice.

    Parameters
    ----------
    changes : tuple of NoteChange
        Those of one place add up.
    voice : str
        The voice's name.
    drum : bool
    row, position : ndarray of int64, shape (notes,)
        From 0.
    pitch, velocity : ndarray, shape (notes,)

    Returns
    -------
    tuple of ndarray
        Which notes are left out, and the pitches and velocities.
    """
    silent, struck = np.zeros(len(row), bool), velocity.astype(np.int64)
    for one in changes:
        if one.voice not in ("", voice):
            continue
        meant = (row == one.row - 1) & (position == one.position - 1)
        silent |= meant & one.mute
        struck = struck + meant * one.accent
        if one.semitones and not drum:
            moved = pitch + meant * one.semitones
            pitch = np.where((moved >= 0) & (moved <= MAX_KEY), moved, pitch)
    return silent, pitch, np.clip(struck, 1, 127).astype(np.uint8)


def outside(changes: tuple[NoteChange, ...], rows: int, positions: int) -> int:
    """How many changes are for places that a disc does not have."""
    return sum(c.row > rows or c.position > positions for c in changes)
