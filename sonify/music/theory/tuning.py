"""Tuning: scales from a table, and concert pitch."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from itertools import pairwise

from sonify.errors import InputError
from sonify.music.theory.scale_table import Scale
from sonify.settings import Settings

__all__ = ["OwnScale", "concert_shift", "own_scale", "parse_ratio"]

MAX_TONES = 512
_PLACE = "music.scale"


class OwnScale(Settings, frozen=True):
    """A custom scale: a table in place of a name.

    Exactly one of `semitones`, `cents`, `ratios` and `divisions` gives its tones, from 0 (or
    "1/1") at the root upwards. `period` is the interval after which it repeats, in the same
    unit: an octave if it is not given. With `divisions`, the interval `of` ("2/1") is divided
    into that many equal steps, and `steps` picks some of them.
    """

    name: str = "own"
    semitones: tuple[float, ...] | None = None
    cents: tuple[float, ...] | None = None
    ratios: tuple[str | float, ...] | None = None
    divisions: int | None = None
    of: str | float = "2/1"
    steps: tuple[int, ...] | None = None
    period: str | float | None = None


def parse_ratio(value: str | float, place: str) -> float:
    """A ratio such as "3/2", 1.5 or "5" as semitones.

    Raises
    ------
    InputError
        Not a ratio, or not above zero.
    """
    text = str(value).strip()
    found = re.fullmatch(r"([-+]?\d{1,10}(?:\.\d{1,12})?)(?:\s*[/:]\s*([-+]?\d{1,10}))?", text)
    if not found:
        raise InputError(f"'{value}' is not a ratio; write one such as 3/2", place=place)
    above, below = float(found.group(1)), float(found.group(2) or 1)
    if above <= 0 or below <= 0:
        raise InputError(f"the ratio {value} is not above zero; write one such as 3/2", place=place)
    return 12 * math.log2(above / below)


def own_scale(own: OwnScale) -> Scale:
    """The scale that a table describes.

    Raises
    ------
    InputError
        No tones, several kinds of tones, steps that don't rise, or a bad ratio.
    """
    given = [k for k in ("semitones", "cents", "ratios", "divisions") if getattr(own, k)]
    if own.divisions is not None and own.divisions < 1:
        raise InputError(
            f"{own.divisions} divisions are not possible; give at least 1",
            place=f"{_PLACE}.divisions",
        )
    if len(given) != 1:
        what = f"{' and '.join(given)} are both given" if given else "no tones are given"
        raise InputError(f"{what}; give one of semitones, cents, ratios or divisions", place=_PLACE)
    kind = given[0]
    if kind != "divisions" and own.steps is not None:
        raise InputError("steps go with divisions only", place=f"{_PLACE}.steps")
    if kind == "divisions":
        tones, period = _divisions(own)
    elif kind == "ratios":
        tones = [parse_ratio(r, f"{_PLACE}.ratios[{n}]") for n, r in enumerate(own.ratios or ())]
        period = 12.0 if own.period is None else parse_ratio(own.period, f"{_PLACE}.period")
    else:
        unit = 100 if kind == "cents" else 1
        tones = [t / unit for t in (own.cents or own.semitones or ())]
        period = _plain_period(own, 12.0 * unit) / unit
    _check(tones, period, f"{_PLACE}.{kind if own.steps is None else 'steps'}")
    return Scale(own.name, tuple(tones), "custom", period=period)


def _plain_period(own: OwnScale, usual: float) -> float:
    if own.period is None:
        return usual
    if isinstance(own.period, str):
        raise InputError(
            f"'{own.period}' is of the wrong type; a number is needed", place=f"{_PLACE}.period"
        )
    return float(own.period)


def _divisions(own: OwnScale) -> tuple[list[float], float]:
    count = own.divisions or 1
    if count > MAX_TONES:
        raise InputError(
            f"{count} divisions are too many; give at most {MAX_TONES}", place=f"{_PLACE}.divisions"
        )
    if own.period is not None:
        raise InputError(
            "with divisions, `of` is the interval that repeats; leave out the period",
            place=f"{_PLACE}.period",
        )
    whole = parse_ratio(own.of, f"{_PLACE}.of")
    steps: Sequence[int] = range(count) if own.steps is None else own.steps
    return [whole * k / count for k in steps], whole


def _check(tones: list[float], period: float, place: str) -> None:
    if not tones or len(tones) > MAX_TONES:
        raise InputError(f"{len(tones)} tones are not possible; give 1 to {MAX_TONES}", place=place)
    if not 0.01 <= period <= 120:
        raise InputError(
            f"a period of {period:g} semitones is out of range; give 0.01 to 120",
            place=f"{_PLACE}.of" if place.endswith(("divisions", "steps")) else f"{_PLACE}.period",
        )
    if abs(tones[0]) > 1e-9:
        raise InputError("the first tone is the root; begin with 0 (as a ratio, 1/1)", place=place)
    for n, (a, b) in enumerate(pairwise(tones), 1):
        if b <= a:
            raise InputError(
                f"tone {n + 1} does not lie above tone {n}; give them rising", place=f"{place}[{n}]"
            )
    if tones[-1] >= period:
        raise InputError(
            f"the last tone lies {tones[-1]:g} semitones up and the scale repeats after "
            f"{period:g}; leave it out or give a longer period",
            place=f"{place}[{len(tones) - 1}]",
        )


def concert_shift(concert_pitch: float) -> float:
    """How far the concert pitch lies from A4 = 440 Hz (ISO 16), in semitones."""
    return 0.0 if concert_pitch == 440.0 else 12 * math.log2(concert_pitch / 440.0)
