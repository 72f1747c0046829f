"""The `[music]` section and its voices."""

from __future__ import annotations

from typing import Annotated, Any, Literal

import msgspec

from sonify.settings import Settings

__all__ = ["Music", "Voice"]

Table = dict[str, Any]


class Voice(Settings, frozen=True):
    """One voice: what it sounds at, which tones, which rhythm, which instrument.

    `pitch` is a pitch scheme with its settings, or its bare name; `rhythm` a list of rhythm
    rules, each a bare name or a table. A voice with a `drum` plays that General MIDI drum on
    channel 10 and needs no pitch. `channel` is 1 to 16; without one, voices take free channels.
    """

    name: str = ""
    source: str = "ones"
    program: str | int = "acoustic grand piano"
    drum: str | int | None = None
    pitch: str | Table = "row-ladder"
    rhythm: str | tuple[str | Table, ...] = ()
    velocity: Annotated[int, msgspec.Meta(ge=1, le=127)] = 84
    octave: Annotated[int, msgspec.Meta(ge=-5, le=5)] = 0
    channel: Annotated[int, msgspec.Meta(ge=1, le=16)] | None = None
    pan: Annotated[float, msgspec.Meta(ge=-1, le=1)] | None = None
    volume: Annotated[int, msgspec.Meta(ge=0, le=127)] | None = None


class Music(Settings, frozen=True):
    """The `[music]` section.

    `step` is the note value of one position. `timing` is "player", true to the machine, or
    "bars", where a row change becomes whole beats of rest that bring the next row to a bar line.
    `metre` is "auto" (a row is whole bars, if any common metre allows it) or such as "7/8".
    Without voices of its own a piece has one, as the plain player: a note for each one.
    """

    root: str = "D4"
    scale: str = "dorian"
    step: str = "1/16"
    timing: Literal["player", "bars"] = "player"
    metre: str = "auto"
    voice: tuple[Voice, ...] = (Voice(name="bells", program="vibraphone", pitch="place"),)
