"""Note values in positions, for rules that keep musical time on any disc."""

from __future__ import annotations

from fractions import Fraction

from sonify.music.form.plan import Plan
from sonify.music.theory.note_values import note_value

__all__ = ["value_positions"]

_SIXTEENTH = Fraction(1, 16)


def value_positions(text: str, plan: Plan | None, place: str) -> Fraction:
    """A note value, in positions."""
    return note_value(text, place) / (_SIXTEENTH if plan is None else plan.step)
