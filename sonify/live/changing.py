"""Settings of the music that change while it plays: their ranges, and the schedules made anew."""

from __future__ import annotations

import threading
from collections.abc import Mapping
from typing import Any, NamedTuple

import msgspec
import msgspec.inspect as mi

from sonify.errors import InputError, close_matches
from sonify.live.commands import At, Command
from sonify.live.schedule import schedule_of
from sonify.live.sender import Sender
from sonify.music.pitch.schemes import SCHEMES
from sonify.music.rhythm.rules import RULES
from sonify.performance import Performance, perform
from sonify.performance_settings import Setup
from sonify.settings import assign, convert, to_builtins

__all__ = ["Changer", "Limits", "changed", "limits_of"]


class Limits(NamedTuple):
    """The least and the most of a number, and whether it is whole."""

    least: float
    most: float
    whole: bool


def _table(setup: Setup) -> dict[str, Any]:
    """Settings as tables, with schemes and rules as tables too."""
    table: dict[str, Any] = to_builtins(setup)
    for voice in table["music"]["voice"]:
        rules = voice["rhythm"]
        rules = [rules] if isinstance(rules, str) else rules
        voice["rhythm"] = [{"rule": r} if isinstance(r, str) else r for r in rules]
        if isinstance(voice["pitch"], str):
            voice["pitch"] = {"scheme": voice["pitch"]}
    return table


def limits_of(setup: Setup, setting: str) -> Limits:
    """The range of a setting of the music, as its slider has it.

    Raises
    ------
    InputError
        There is no such number.
    """
    if not setting.startswith("music."):
        raise InputError(f"'{setting}' is no setting of the music, such as music.voice.0.velocity")
    spot: Any = _table(setup)
    kind: Any = Setup
    field: Any = None
    for part in setting.split("."):
        if isinstance(spot, list):
            if not part.isdigit() or int(part) >= len(spot):
                raise InputError(
                    f"'{setting}': '{part}' is not an index here; there are {len(spot)}, from 0"
                )
            spot, field = spot[int(part)], None
        else:
            fields = (
                {} if kind is None else {f.encode_name: f for f in msgspec.structs.fields(kind)}
            )
            if part not in fields:
                known = close_matches(part, fields) or f"; one of: {', '.join(fields)}"
                raise InputError(f"'{setting}': there is no '{part}'{known if fields else ''}")
            field, spot = fields[part], spot.get(part) if isinstance(spot, dict) else None
            kind = next(iter(_kinds(field.type)), None)
        if isinstance(spot, dict) and "rule" in spot:
            kind = RULES[spot["rule"]]
        elif isinstance(spot, dict) and "scheme" in spot:
            kind = SCHEMES[spot["scheme"]]
    found = None if field is None else _range(field.type)
    if found is None:
        raise InputError(f"'{setting}' is no number with a least and a most value")
    return found


def _kinds(kind: Any) -> list[Any]:
    """The sections that a type has."""
    found = [kind, *getattr(kind, "__args__", ())]
    return [k for k in found if isinstance(k, type) and issubclass(k, msgspec.Struct)]


def _range(kind: Any) -> Limits | None:
    soft: Any = None
    kinds = [mi.type_info(kind)]
    while kinds:
        t = kinds.pop()
        if isinstance(t, mi.Metadata):
            soft = (t.extra or {}).get("soft") or soft
            kinds.append(t.type)
        elif isinstance(t, mi.UnionType):
            kinds += t.types
        elif isinstance(t, (mi.IntType, mi.FloatType)):
            least = t.ge if t.ge is not None else t.gt
            most = t.le if t.le is not None else t.lt
            low, high = soft or (least, most)
            if low is not None and high is not None:
                return Limits(float(low), float(high), isinstance(t, mi.IntType))
    return None


def changed(show: Performance, settings: Mapping[str, Any]) -> Performance:
    """A performance with other settings; those that it does not have are left out.

    Raises
    ------
    InputError
        A value that does not fit.
    """
    table = _table(show.setup)
    for setting, value in settings.items():
        if setting not in ("music.root", "music.scale"):
            try:
                limits_of(show.setup, setting)
            except InputError:
                continue
        table = assign(table, setting, value)
    return perform(show.disc, setup=convert(table, Setup))


class Changer(threading.Thread):
    """A thread that makes schedules with other settings while the old ones play.

    Parameters
    ----------
    sender : Sender

    Attributes
    ----------
    said : str
        Why the last settings could not be taken.
    """

    def __init__(self, sender: Sender) -> None:
        super().__init__(name="changer", daemon=True)
        self._sender = sender
        self._wanted, self._end = threading.Event(), False
        self._settings: dict[str, Any] = {}
        self._at: At = "now"
        self.said = ""

    def want(self, settings: Mapping[str, Any], at: At) -> None:
        """Ask for settings; of several requests in a row, the last one counts."""
        self._settings, self._at = dict(settings), at
        self._wanted.set()

    def stop(self) -> None:
        """End the thread."""
        self._end = True
        self._wanted.set()

    def run(self) -> None:
        """Make what is wanted until stopped."""
        while True:
            self._wanted.wait()
            if self._end:
                return
            self._wanted.clear()
            self.make()

    def make(self) -> None:
        """Make the piece that plays anew, with the settings that are wanted."""
        state, at = self._sender.state(), self._at
        old = state.schedule
        try:
            show = changed(old.show, self._settings)
            new = schedule_of(show, speed=old.speed, in_beats=old.in_beats)
            # what is slow to make is made here
            new.prepare()
        except InputError as e:
            self.said = str(e)
            return
        self.said = ""
        self._sender.command(Command("preset", at=at, schedules={state.piece: new}))
