"""The tempo and the length of a piece: what a step, and a speed of the disc, can do for them.

The disc's speed and its positions give the time of a position; its note value gives the tempo. A
tempo that is asked for is reached by the note value, and exactly only if the player's speed may
change (`rpm-range` of the player).
"""

from __future__ import annotations

import math
from fractions import Fraction
from typing import NamedTuple

import msgspec

from sonify.disc_player.profile import Player
from sonify.disc_player.timeline import read_times
from sonify.errors import InputError
from sonify.music.metre import grid_of, in_best_metre, rows_to_bars
from sonify.music.settings import Music
from sonify.music.theory.note_values import note_value

__all__ = ["STEPS", "USUAL_TEMPO", "Timing", "timed"]

USUAL_TEMPO = 110.0
"""Quarters a minute that `step = "auto"` comes nearest to: the middle, by ratio, of 60 to 200 (own
choice)."""

FASTEST = 200.0
"""The fastest usual tempo; a tempo that is asked for may be faster."""

STEPS = tuple(Fraction(1, n) for n in (1, 2, 4, 8, 16, 32, 64))

_HALVINGS = 60
LONGEST = 1e9
"""Seconds or bars, of which 30 years are enough, so that nothing made of them overflows."""
_CLOSE = 0.005


class Timing(NamedTuple):
    """Music and player with the step, the metre and the speed that were chosen, and what is to be
    said."""

    music: Music
    player: Player
    said: tuple[str, ...] = ()


def _bpm(rpm: float, positions: int, step: Fraction) -> float:
    return rpm * positions * float(step * 4)


def _written(step: Fraction) -> str:
    return f"{step.numerator}/{step.denominator}"


def timed(music: Music, player: Player, rows: int, positions: int) -> Timing:
    """Choose the step, the metre and, where the player allows it, the speed.

    Parameters
    ----------
    music : Music
    player : Player
    rows, positions : int
        Of the disc.

    Raises
    ------
    InputError
        A length, a step or a metre that does not parse.
    """
    if music.step != "auto":
        note_value(music.step, "music.step")  # a tempo has another, which must not hide an error
    said: list[str] = []
    if music.tempo is None and music.step == "auto":

        def unusual(step: Fraction) -> float:
            """How far its tempo lies from the usual one, at the speed that the length needs."""
            own = msgspec.structs.replace(music, step=_written(step))
            at = _of_length(own, player, rows, positions, []) if music.length else player
            return abs(math.log(_bpm(at.rpm, positions, step) / USUAL_TEMPO))

        music = msgspec.structs.replace(music, step=_written(min(STEPS, key=unusual)))
    if music.length:
        player = _of_length(music, player, rows, positions, said)
    if music.tempo is not None:
        music, player = _of_tempo(music, player, positions, said)
    return Timing(in_best_metre(music, player, positions), player, tuple(said))


def _of_tempo(
    music: Music, player: Player, positions: int, said: list[str]
) -> tuple[Music, Player]:
    wanted = music.tempo
    assert wanted is not None
    speeds = {s: wanted / (positions * float(s * 4)) for s in STEPS}
    low, high = player.rpm_range or (player.rpm, player.rpm)
    if music.length:
        low = high = player.rpm  # the length has the speed

    def away(step: Fraction) -> tuple[bool, float, float]:
        """Whether its tempo is faster than usual, and how far its speed is out of reach, and from
        the player's own."""
        rpm = speeds[step]
        kept = min(max(rpm, low), high)
        fast = _bpm(kept, positions, step) > max(FASTEST, wanted)
        return fast, abs(math.log(rpm / kept)), abs(math.log(rpm / player.rpm))

    step = min(STEPS, key=away)
    rpm = speeds[step]
    kept = min(max(rpm, low), high)
    found = _bpm(kept, positions, step)
    words = f"a position is {_written(step)} at {kept:g} rpm"
    if abs(found - wanted) <= _CLOSE:
        said.append(f"tempo {found:g}: {words}")
    else:
        said.append(
            f"tempo {found:g} in place of {wanted:g}: {words}; {wanted:g} needs {rpm:.4g} rpm, "
            "which player.rpm-range does not allow"
        )
    music = msgspec.structs.replace(music, step=_written(step))
    return music, msgspec.structs.replace(player, rpm=kept)


def _seconds(music: Music, player: Player, rows: int, positions: int) -> float:
    """How long a disc is read."""
    music = in_best_metre(music, player, positions)
    line = read_times(rows, positions, player)
    if music.timing == "bars":
        line = rows_to_bars(line, grid_of(music, positions, rows), player)
    return line.end_s


def _of_length(music: Music, player: Player, rows: int, positions: int, said: list[str]) -> Player:
    wanted = _parse_length(music, player, positions)
    low, high = player.rpm_range or (player.rpm, player.rpm)
    for _ in range(_HALVINGS):
        middle = math.sqrt(low * high)
        trial = msgspec.structs.replace(player, rpm=middle)
        if _seconds(music, trial, rows, positions) > wanted:
            low = middle
        else:
            high = middle
    player = msgspec.structs.replace(player, rpm=high)
    found = _seconds(music, player, rows, positions)
    if abs(found - wanted) <= wanted * _CLOSE:
        said.append(f"length {found:.1f} s at {player.rpm:.4g} rpm")
    else:
        rpm = player.rpm * found / wanted
        said.append(
            f"length {found:.1f} s at {player.rpm:.4g} rpm in place of {wanted:g} s, which needs "
            f"about {rpm:.3g} rpm or {max(1, round(rows * wanted / found))} rows"
        )
    return player


def _parse_length(music: Music, player: Player, positions: int) -> float:
    text = (music.length or "").strip()
    number, _, unit = text.partition(" ")
    try:
        value = float(number.removesuffix("s"))
    except ValueError:
        value = 0.0
    if not 0 < value <= LONGEST or unit.strip() not in ("", "s", "bar", "bars"):
        raise InputError(
            f"'{music.length}' is not a length; write seconds or bars, such as \"90 s\" or "
            '"32 bars"',
            place="music.length",
        )
    if unit.strip().startswith("bar"):
        timing = timed(msgspec.structs.replace(music, length=None), player, 1, positions)
        grid = grid_of(timing.music, positions)
        return value * float(grid.bar / grid.step) * 60.0 / (timing.player.rpm * positions)
    return value
