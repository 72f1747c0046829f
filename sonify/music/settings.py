"""The `[music]` section and its voices."""

from __future__ import annotations

from typing import Annotated, Any, Literal

import msgspec

from sonify.music.curves import Curve
from sonify.music.theory.tuning import OwnScale
from sonify.settings import Settings

__all__ = ["Music", "Voice"]

Table = dict[str, Any]


class Voice(Settings, frozen=True):
    """One voice: what it sounds at, which tones, which rhythm, which instrument.

    `pitch` is a pitch scheme with its settings, or its bare name; `rhythm` a list of rhythm
    rules, each a bare name or a table. A voice with a `drum` plays that General MIDI drum on
    channel 10 and needs no pitch; with a list of drums, its pitch scheme's degrees choose among
    them. `channel` is 1 to 16; without one, voices take free channels. `rows`, `positions` and
    `places` (within a character) keep a voice to some of them: numbers from 1 and ranges, such
    as "1-4, 7, 9-", "odd", or "1-/3". `curves` shape its velocity over a character, a row or the
    piece.
    """

    name: str = ""
    source: str = "ones"
    program: str | int = "acoustic grand piano"
    drum: str | int | tuple[str | int, ...] | None = None
    pitch: str | Table = "row-ladder"
    rhythm: str | tuple[str | Table, ...] = ()
    velocity: Annotated[int, msgspec.Meta(ge=1, le=127)] = 84
    octave: Annotated[int, msgspec.Meta(ge=-5, le=5)] = 0
    channel: Annotated[int, msgspec.Meta(ge=1, le=16)] | None = None
    pan: Annotated[float, msgspec.Meta(ge=-1, le=1)] | None = None
    volume: Annotated[int, msgspec.Meta(ge=0, le=127)] | None = None
    curves: tuple[Curve, ...] = ()
    rows: str | None = None
    positions: str | None = None
    places: str | None = None


class Music(Settings, frozen=True):
    """The `[music]` section.

    `step` is the note value of one position. `timing` is "player", with the machine's own pauses,
    or "bars", where a row change becomes whole beats of rest up to a bar line.
    `metre` is "auto" (the most usual one in which a row is whole bars) or such as "7/8". `scale`
    is a name or a table (see `sonify.music.theory.tuning.OwnScale`); `concert_pitch` is A4 in Hz.
    Without voices of its own a piece has one, as the plain player: a note for each one.
    """

    root: str = "D4"
    scale: str | OwnScale = "dorian"
    concert_pitch: Annotated[float, msgspec.Meta(ge=390, le=490)] = 440.0
    step: str = "1/16"
    timing: Literal["player", "bars"] = "player"
    metre: str = "auto"
    voice: tuple[Voice, ...] = (Voice(name="bells", program="vibraphone", pitch="place"),)

    @property
    def scale_name(self) -> str:
        """The scale's name, its own or that of the table."""
        return self.scale if isinstance(self.scale, str) else self.scale.name
