"""What lamps show of each bit: colours by a rule, brightness by velocity, and trails that fade."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sonify.disc_player.timeline import Timeline
from sonify.light.fill_rules import LIT, Shown
from sonify.light.look import Look, linear

__all__ = ["DISTINCT", "SILENT", "Age", "Bits", "ages", "faded", "lamp_colours", "palette_of"]

# Colours for things that have no order: seven of the eight of Okabe and Ito 2008, "Color Universal
# Design" (all but black), from memory.
_APART = ("#e69f00", "#56b4e9", "#009e73", "#f0e442", "#0072b2", "#d55e00", "#cc79a7")
# Colours in order, each lighter than the one before (own choice).
_RISING = ("#3b4cc0", "#6a5acd", "#9c5fc4", "#cf6a9f", "#f08060", "#f5ad4a", "#f7e08a")

# Rules whose colours have no order; those of the others go from dark to light.
DISTINCT = ("row", "voice", "character")
# A lamp whose bit sounds no note, where brightness follows velocity.
SILENT = 64
# Steps in which a trail fades: as many as brightness has.
_STEPS = 16
# A trail's light falls evenly to the eye: about by this power (common displays).
_EVEN = 2.2


def palette_of(look: Look) -> tuple[str, ...]:
    """The colours of a look's rule, without the lamp's own; none if there is no rule."""
    if look.colours == "lamp":
        return ()
    return look.palette or (_APART if look.colours in DISTINCT else _RISING)


def lamp_colours(look: Look) -> NDArray[np.float64]:
    """The colours that a lamp can have, in linear light, shape (hues, 3); the first is its own."""
    return np.array([linear(c) for c in (look.lamp, *palette_of(look))])


@dataclass(frozen=True)
class Bits:
    """Bits in the order of reading, and where to find their notes if a rule needs them.

    Attributes
    ----------
    bits : ndarray of int8, shape (n,)
    timeline : Timeline
    unit_bits : int
        Bits of a character's code unit.
    parts : callable
        Gives the notes, voice by voice, as `sonify.music.notes.Part`.
    """

    bits: NDArray[np.int8]
    timeline: Timeline
    unit_bits: int
    parts: Callable[[], Iterable[Any]]

    def shown(self, look: Look) -> Shown:
        """What each bit makes its lamps show: level and hue times 256; 0 if it is not one."""
        level: NDArray[np.int64] | int = LIT
        if look.velocity:
            loudest = self._notes(lambda p: p.velocity.astype(np.int64))
            level = np.where(loudest < 0, SILENT, SILENT + (LIT - SILENT) * loudest // 127)
        return np.where(self.bits > 0, level + 256 * self._hues(look), 0).astype(np.uint16)

    def _hues(self, look: Look) -> NDArray[np.int64] | int:
        t, rule, count = self.timeline, look.colours, len(palette_of(look))
        if rule == "row":
            return 1 + t.places() // t.positions % count
        if rule == "character":
            return 1 + t.places() // self.unit_bits % count
        if rule == "voice":
            voice = self._notes(lambda p: np.full(len(p.index), p.number))
            return np.where(voice < 0, 0, 1 + voice % count)
        if rule in ("pitch", "velocity"):
            value = self._heard(rule)
            low, high = self.bounds(look)
            shade = (np.clip(value, low, high) - low) * count // (high - low + 1)
            return np.where(value < 0, 0, 1 + shade)
        # what was just read is lightest
        return count if rule == "age" else 0

    def _heard(self, rule: str) -> NDArray[np.int64]:
        return self._notes(
            lambda p: np.rint(getattr(p, rule)).astype(np.int64), drums=rule != "pitch"
        )

    def bounds(self, look: Look) -> tuple[int, int]:
        """The lowest and the highest pitch or velocity that colours tell apart; 0, 0 for none."""
        value = self._heard(look.colours) if look.colours in ("pitch", "velocity") else np.zeros(0)
        heard = value[value >= 0]
        return (int(heard.min()), int(heard.max())) if len(heard) else (0, 0)

    def _notes(
        self, of: Callable[[Any], NDArray[np.int64]], drums: bool = True
    ) -> NDArray[np.int64]:
        """A property of the notes at each bit, the greatest of several; -1 where none begins."""
        out = np.full(len(self.bits), -1, np.int64)
        for part in self.parts():
            if drums or part.voice.drum is None:
                inside = part.index < len(out)
                np.maximum.at(out, part.index[inside], of(part)[inside])
        return out


class Age(NamedTuple):
    """What a lamp shows from some time after it was lit: a share of its level, and which colour,
    counted down from the one that it was lit in."""

    after_s: float
    share: float
    darker: int


def ages(look: Look, turn_s: float) -> list[Age]:
    """The steps in which lamps fade out and age, in the order of time; none if they stay."""
    hues = len(palette_of(look)) if look.colours == "age" else 1
    fades = [k * look.trail / _STEPS for k in range(1, _STEPS + 1) if look.trail]
    shades = [k * turn_s / hues for k in range(1, hues)]
    out = []
    for after in sorted({*fades, *shades}):
        faded_by, aged_by = (sum(end <= after for end in ends) for ends in (fades, shades))
        share = (1 - faded_by / _STEPS) ** _EVEN
        # as exact as the firmware's
        out.append(Age(after, round(65536 * share) / 65536, aged_by))
        if faded_by == _STEPS:
            break
    return out


def faded(lights: NDArray[np.void], look: Look, turn_s: float) -> NDArray[np.void]:
    """The lights with the steps in which lamps fade out and age until they change again.

    Parameters
    ----------
    lights : ndarray of LIGHTS
    look : Look
    turn_s : float
        How long a turn of the disc takes, after which a lamp is as old as colours show.
    """
    older = ages(look, turn_s)
    if not older or not len(lights):
        return lights
    order = np.lexsort((lights["time_s"], lights["led"]))
    own = lights[order]
    until = np.full(len(own), np.inf)
    same = own["led"][1:] == own["led"][:-1]
    until[:-1] = np.where(same, own["time_s"][1:], np.inf)
    made = [own]
    for age in older:
        step = own.copy()
        step["time_s"] += age.after_s
        step["level"] = np.rint(own["level"] * age.share)
        step["hue"] = np.where(step["level"] > 0, own["hue"] - np.uint8(age.darker), 0)
        made.append(step[(own["level"] > 0) & (step["time_s"] < until)])
    out = np.concatenate(made)
    out = out[np.lexsort((out["led"], out["time_s"]))]
    return _moved(out)


def _moved(lights: NDArray[np.void]) -> NDArray[np.void]:
    """Only the changes of a lamp."""
    order = np.lexsort((lights["time_s"], lights["led"]))
    shown = lights["level"] + 256 * lights["hue"].astype(np.int64)
    led, now = lights["led"][order], shown[order]
    before = np.zeros_like(now)
    before[1:] = np.where(led[1:] == led[:-1], now[:-1], 0)
    out: NDArray[np.void] = lights[np.sort(order[before != now])]
    return out
