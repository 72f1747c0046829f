"""Rhythm rules of players: grooves of a drum kit, and ornaments."""

from __future__ import annotations

from typing import Annotated, ClassVar, Literal

import numpy as np
from numpy.typing import NDArray

from sonify.controls import control
from sonify.music.bit_stream import BitStream, Events
from sonify.music.form.plan import Plan
from sonify.music.machine import Lead
from sonify.music.rhythm.choosing_rules import Pattern
from sonify.music.rhythm.following import Follower
from sonify.music.rhythm.grooves import GROOVES, LEVELS
from sonify.music.rhythm.rule import Reach, Rule

__all__ = ["GrooveRule", "Ornament"]


class GrooveRule(Rule, frozen=True, tag="groove"):
    """Notes and accents of one part of a drum kit in a style; the bar may have any metre.

    Attributes
    ----------
    style
        What is played.

        - rock: kick on one and three, snare on two and four
        - shuffle: long and short, for use with swing
        - bossa: an even pulse with a clave on the rim
        - train: brushes in sixteenths
        - march: rolls of a marching snare
        - waltz: one, and two light beats
        - tango: with its push before three
        - jig: six eighths, in two
        - clave: son clave, offbeats, and a running pulse
        - slow: half the pulse, for ballads
    part
        Which part of the kit.

        - kick: the lowest drum
        - snare: the one that answers: snare, rim or clap
        - hats: the one that keeps the pulse: hats, ride or shaker
        - colour: the one beside them: cymbal, clave or low tom
    """

    tells = "always"
    stays: ClassVar[bool] = True
    skips: ClassVar[bool] = True

    style: Literal[
        "rock", "shuffle", "bossa", "train", "march", "waltz", "tango", "jig", "clave", "slow"
    ] = "rock"
    part: Literal["kick", "snare", "hats", "colour"] = "hats"

    def struck(self, marks: str) -> Pattern:
        """The pattern of some of the marks."""
        groove = GROOVES[self.style]
        bar = "".join("x" if m in marks else "." for m in getattr(groove, self.part))
        return Pattern(pattern=bar, value=groove.value, per="bar")

    def levels(self, positions: int, plan: Plan | None) -> NDArray[np.float64]:
        """How loud the steps of a row are, 0 for those that rest."""
        out = np.zeros(positions)
        for mark, level in LEVELS.items():
            out = np.maximum(out, level * self.struck(mark).of_row(positions, plan))
        return out

    def apply(self, e: Events, m: BitStream) -> Events:
        level = self.levels(m.positions, m.plan)[e.index % m.positions]
        return e.but(velocity_scale=e.velocity_scale * level).keep(level > 0)

    def follow(self, f: Follower) -> None:
        self.struck("".join(LEVELS)).follow(f)
        levels = self.levels(f.machine.positions, f.machine.plan)
        f.multiply(Lead("STEP", len(levels)), np.where(levels > 0, levels, 1.0))


_FIGURES = {"grace": (1,), "mordent": (0, -1), "turn": (1, 0, -1)}
"""Degrees before the main note, which follows them: C. P. E. Bach, "Versuch über die wahre Art das
Clavier zu spielen" (1753), the short appoggiatura, the mordent and the turn."""

_MOST = 64


class Ornament(Rule, frozen=True, tag="ornament"):
    """Notes are ornamented within their length, by neighbouring degrees of the scale.

    Attributes
    ----------
    figure
        What is played.

        - grace: a short note from above, on the beat
        - mordent: the note, the one below, the note
        - turn: the one above, the note, the one below, the note
        - trill: the note and the one above in turns to the end
    time : Short notes last
        How many steps each short note lasts.
    least : Notes of at least
        Only notes of at least so many steps are ornamented.
    upside_down
        Whether above and below change places.
    """

    why_not: ClassVar[str] = "the core can't divide a note whose end it does not know yet"
    nearest: ClassVar[str] = "use repeat"
    needs_end: ClassVar[bool] = True

    figure: Literal["grace", "mordent", "turn", "trill"] = "grace"
    time: Annotated[float, control(step=0.05, unit="steps", soft=(0.1, 2), ge=0.05, le=16)] = 0.25
    least: Annotated[float, control(step=0.5, unit="steps", soft=(0, 16), ge=0, le=4096)] = 1.0
    upside_down: bool = False

    def apply(self, e: Events, m: BitStream) -> Events:
        sign = -1 if self.upside_down else 1
        figure = _FIGURES.get(self.figure, (0,))
        long = np.asarray(e.length >= max(self.least, self.time * (len(figure) + 1)))
        plain, some = e.keep(~long), e.keep(long)
        if not len(some):
            return e
        if self.figure == "trill":
            return Events.joined([plain, *self._trilled(some, sign)])
        parts = [
            some.but(
                onset=some.onset + k * self.time,
                length=np.full(len(some), self.time),
                shift=some.shift + sign * shift,
            )
            for k, shift in enumerate(figure)
        ]
        late = len(figure) * self.time
        main = some.but(onset=some.onset + late, length=some.length - late)
        return Events.joined([plain, *parts, main])

    def reach(self, before: Reach, m: BitStream) -> Reach:
        return before._replace(late=before.late + before.length)

    def _trilled(self, some: Events, sign: int) -> list[Events]:
        strokes = np.clip(some.length // self.time, 2, _MOST).astype(np.int64)
        parts = []
        for k in range(int(strokes.max())):
            there = strokes > k
            one = some.keep(there)
            last = strokes[there] == k + 1
            rest = one.length - k * self.time
            parts.append(
                one.but(
                    onset=one.onset + k * self.time,
                    length=np.where(last, rest, self.time),
                    shift=one.shift + sign * (k % 2),
                )
            )
        return parts

    def copies(self) -> int:
        return _MOST if self.figure == "trill" else len(_FIGURES[self.figure]) + 1

    def shifts(self, shifts: set[int]) -> set[int]:
        sign = -1 if self.upside_down else 1
        figure = _FIGURES.get(self.figure, (0, 1))
        return {s + sign * k for s in shifts for k in (0, *figure)}

    def written(self) -> bool:
        return False

    def mark(self) -> str:
        return "with ornaments"
