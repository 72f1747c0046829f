"""Calming: changes a show's settings step by step until it is within the flash threshold."""

from __future__ import annotations

import operator
from collections.abc import Callable, Collection
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

import msgspec
import numpy as np

from sonify.light.flash import Flashing
from sonify.light.look import BRIGHTEST, colour, hex_of

__all__ = ["SHARE", "Calmed", "calmed"]

S = TypeVar("S", bound=msgspec.Struct)

# The key of the share of the picture's sides that is used; it is not a setting.
SHARE = "share"


def _paler(lamp: str) -> str:
    # with this much white a colour is not a saturated red, so it can't flash red
    own = np.array(colour(lamp))
    return hex_of(np.rint(own + (255 - own) * 0.6))


# The key that each step changes, and its new value. Tried in this order, each on top of the
# previous ones; own choice: what changes a show's character least comes first.
_STEPS: tuple[tuple[str, Callable[[Any], Any]], ...] = (
    ("light.fade", lambda v: max(v, 0.15)),
    ("player.matrix.scroll", lambda v: round(v * 0.75, 2)),
    (SHARE, lambda v: 0.85),
    ("light.fade", lambda v: max(v, 0.3)),
    ("player.matrix.scroll", lambda v: round(v * 0.75, 2)),
    ("light.brightness", lambda v: min(v, BRIGHTEST // 2)),
    (SHARE, lambda v: 0.7),
    ("light.fade", lambda v: max(v, 0.5)),
    ("light.brightness", lambda v: min(v, BRIGHTEST // 4)),
    (SHARE, lambda v: 0.5),
    ("light.lamp", _paler),
    ("light.fade", lambda v: max(v, 1.0)),
    ("light.brightness", lambda v: 1),
)

_TEXTS = {
    "light.fade": "lamps take {:g} s to change",
    "player.matrix.scroll": "the message scrolls at {:g} columns per second",
    SHARE: "the views take {:.0%} of the picture's sides",
    "light.brightness": f"brightness is {{}} of {BRIGHTEST}",
    "light.lamp": "the lamps are paler, {}",
}


@dataclass(frozen=True)
class Calmed(Generic[S]):
    """The result of calming a show.

    Attributes
    ----------
    setup : Struct
        The settings with all changes.
    changes : dict
        The new values by dotted key, in the order in which they were first changed.
    before, after : Flashing
        The worst second without and with the changes.
    """

    setup: S
    changes: dict[str, Any]
    before: Flashing
    after: Flashing

    @property
    def texts(self) -> tuple[str, ...]:
        """The changes in words."""
        return tuple(_TEXTS[key].format(value) for key, value in self.changes.items())


def calmed(
    setup: S, measure: Callable[[S, float], Flashing], without: Collection[str] = ()
) -> Calmed[S]:
    """Change a show's settings until its worst second is within the threshold.

    Parameters
    ----------
    setup : Struct
        All settings, with `light` and `player.matrix`.
    measure : callable
        The worst second with some settings and some share of the picture's sides.
    without : collection of str
        Keys that stay as they are.
    """
    changes: dict[str, Any] = {}
    before = worst = measure(setup, 1.0)
    for key, change in _STEPS:
        if not worst.over:
            break
        if key in without or (key == "light.lamp" and worst.kind != "red"):
            continue
        old = changes.get(SHARE, 1.0) if key == SHARE else operator.attrgetter(key)(setup)
        new = change(old)
        if new == old:
            continue
        changes[key] = new
        if key != SHARE:
            setup = _with(setup, key, new)
        worst = measure(setup, changes.get(SHARE, 1.0))
    return Calmed(setup, changes, before, worst)


def _with(table: Any, key: str, value: Any) -> Any:
    """Settings with another value at a dotted key."""
    first, _, rest = key.partition(".")
    new = _with(getattr(table, first), rest, value) if rest else value
    return msgspec.structs.replace(table, **{first: new})
