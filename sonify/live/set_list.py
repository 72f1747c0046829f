"""Set lists: the pieces of an evening, and the cues that start and change them."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import msgspec

from sonify.errors import InputError
from sonify.live.commands import At, Do, Piece
from sonify.live.playing import Wire, together
from sonify.live.schedule import Schedule, schedule_of
from sonify.settings import Settings, convert, load_toml

if TYPE_CHECKING:
    from sonify.performance import Performance

__all__ = ["Cue", "Disc", "SetList", "SetPiece", "load_set_list", "pieces_of"]

NAMED_KEYS = ("space", "enter", "tab", "left", "right", "up", "down")

SevenBits = Annotated[int, msgspec.Meta(ge=0, le=127)]
FromOne = Annotated[int, msgspec.Meta(ge=1)]


class Disc(Settings, frozen=True):
    """A disc with its presets and single settings, such as "music.root=E3"."""

    disc: str
    preset: tuple[str, ...] = ()
    set: tuple[str, ...] = ()


class SetPiece(Disc, frozen=True):
    """A piece of a set.

    Attributes
    ----------
    start
        "follow": it follows the piece before. "cue": it waits for a cue.
    change
        Where cues take effect: at the next row, at the next bar or now.
    crossfade
        How long it fades in while the piece before fades out, in s.
    layer
        Discs that play with it. The piece ends with its own disc.
    """

    title: str = ""
    start: Literal["follow", "cue"] = "follow"
    change: At = "row"
    crossfade: Annotated[float, msgspec.Meta(ge=0, le=60)] = 0.0
    speed: Annotated[float, msgspec.Meta(ge=0.1, le=10)] = 1.0
    layer: tuple[Disc, ...] = ()


class Cue(Settings, frozen=True):
    """What starts or changes something: a key, a note, a controller, or a time of day.

    Attributes
    ----------
    key
        A character, or space, enter, tab, left, right, up or down.
    note, controller
        A note, or a controller that rises to 64 or more, such as a footswitch.
    channel
        1 to 16. Empty: any.
    time
        A time of day, such as "21:30".
    do
        start, next, pause, jump, loop, mute, layer, preset or transpose.
    at
        "row", "bar" or "now". Empty: as the piece says.
    """

    key: str | None = None
    note: SevenBits | None = None
    controller: SevenBits | None = None
    channel: Annotated[int, msgspec.Meta(ge=1, le=16)] | None = None
    time: str | None = None
    do: Do = "next"
    at: At | None = None
    piece: FromOne | None = None
    row: FromOne | None = None
    voice: str | FromOne | None = None
    layer: FromOne | None = None
    preset: tuple[str, ...] = ()
    semitones: Annotated[int, msgspec.Meta(ge=-48, le=48)] | None = None


class SetList(Settings, frozen=True):
    """A set list: `[[piece]]` in order, and `[[cue]]`."""

    title: str = ""
    piece: tuple[SetPiece, ...] = ()
    cue: tuple[Cue, ...] = ()


_NEEDS = {"mute": "voice", "layer": "layer", "preset": "preset", "jump": "row",
          "transpose": "semitones"}  # fmt: skip
_MAY = {"start": "piece", "loop": "row", **_NEEDS}


def load_set_list(path: Path) -> SetList:
    """A set list from a TOML file; its discs and presets lie beside it or ship.

    Raises
    ------
    InputError
        With the file and the place in it.
    """
    out = convert(load_toml(path), SetList, path)
    if not out.piece:
        raise InputError("it has no piece; write [[piece]] and disc = ...", file=path)
    for n, cue in enumerate(out.cue):
        try:
            _check(cue, len(out.piece))
        except InputError as e:
            raise InputError(e.what, file=path, place=f"cue[{n}]") from None
    change = msgspec.structs.replace
    pieces = tuple(
        change(_beside(path, p), layer=tuple(_beside(path, one) for one in p.layer))
        for p in out.piece
    )
    cues = tuple(change(c, preset=_paths(path, c.preset)) for c in out.cue)
    return change(out, piece=pieces, cue=cues)


def _paths(path: Path, names: Iterable[str]) -> tuple[str, ...]:
    """Names of files beside a file as paths, and others as they are."""
    return tuple(str(path.parent / n) if (path.parent / n).is_file() else n for n in names)


def _beside(path: Path, disc: Disc) -> Disc:
    return msgspec.structs.replace(
        disc, disc=_paths(path, [disc.disc])[0], preset=_paths(path, disc.preset)
    )


def _check(cue: Cue, pieces: int) -> None:
    given = [n for n in ("key", "note", "controller", "time") if getattr(cue, n) is not None]
    if len(given) != 1:
        raise InputError("give one of key, note, controller and time")
    if cue.key is not None and len(cue.key) != 1 and cue.key not in NAMED_KEYS:
        raise InputError(f"'{cue.key}' is not a key; a character, or {', '.join(NAMED_KEYS)}")
    if cue.key in ("q", "?"):
        raise InputError(f"the key {cue.key} has its own meaning; choose another")
    if cue.time is not None and not re.fullmatch(r"([01]?\d|2[0-3]):[0-5]\d(:[0-5]\d)?", cue.time):
        raise InputError(f"'{cue.time}' is not a time of day; write it as 21:30 or 21:30:15")
    needed = _NEEDS.get(cue.do)
    if needed and getattr(cue, needed) in (None, ()):
        raise InputError(f"'{cue.do}' needs the key '{needed}'")
    for name in ("piece", "row", "voice", "layer", "preset", "semitones"):
        if getattr(cue, name) not in (None, ()) and _MAY.get(cue.do) != name:
            raise InputError(f"'{cue.do}' takes no '{name}'")
    if cue.piece is not None and cue.piece > pieces:
        raise InputError(f"there is no piece {cue.piece}; there are 1 to {pieces}")


Perform = Callable[[Disc], "Performance"]


def pieces_of(
    settings: Sequence[SetPiece], perform: Perform, *, in_beats: bool = False
) -> list[Piece]:
    """The pieces of a set, ready to play.

    Parameters
    ----------
    settings : sequence of SetPiece
    perform : callable
        Makes the performance of a disc.
    in_beats : bool
        Places are quarter notes.

    Raises
    ------
    InputError
        Discs that play together need more than 16 channels.
    """
    out: list[Piece] = []
    for n, one in enumerate(settings):
        schedules = tuple(
            schedule_of(perform(disc), speed=one.speed, in_beats=in_beats)
            for disc in (one, *one.layer)
        )
        for schedule in schedules:
            schedule.prepare()
        name = one.title or schedules[0].show.disc.display_name
        piece = Piece(name, schedules, one.start == "cue", one.change, one.crossfade)
        _fit(schedules, f"piece {n + 1} '{name}' with its layers")
        if out and one.crossfade:
            both = (*out[-1].schedules, *schedules)
            _fit(both, f"the crossfade into piece {n + 1} '{name}'")
        out.append(piece)
    return out


def _fit(schedules: tuple[Schedule, ...], what: str) -> None:
    if together(schedules, Wire(lambda _: None), set()) is None:
        count = sum(len(s.channels) for s in schedules)
        raise InputError(
            f"{what} needs {count} MIDI channels at once, and there are 16, one of them for "
            "drums; use presets with fewer voices"
        )
