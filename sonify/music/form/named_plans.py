"""The named plans: sections and arcs under the names that the trade gives them.

The sections are those of the textbook forms; the arcs are the project's own (common practice, no
source).
"""

from __future__ import annotations

from typing import Literal, NamedTuple

from sonify.music.form.settings import Form

__all__ = ["PLANS", "NamedPlan", "completed"]


class NamedPlan(NamedTuple):
    """Sections in order, and points of arcs over the piece."""

    sections: str = "A"
    dynamics: tuple[float, ...] = (1.0,)
    register: tuple[float, ...] = (0.0,)
    density: tuple[float, ...] = (1.0,)
    entries: Literal["sections", "staggered"] = "sections"


PLANS: dict[str, NamedPlan] = {
    "none": NamedPlan(),
    "song": NamedPlan(
        sections="A A' B A''",
        dynamics=(0.78, 0.84, 0.86, 0.94, 0.72, 0.8, 0.96, 1.0),
        register=(0, 0, 1, 0),
        density=(0.75, 1, 0.5, 1),
    ),
    "arch": NamedPlan(
        sections="A B C B' A'",
        dynamics=(0.68, 0.82, 1.0, 0.86, 0.66),
        register=(0, 0, 1, 0, 0),
        density=(0.5, 0.75, 1, 0.75, 0.5),
    ),
    "strophic": NamedPlan(
        sections="A A' A'' A'''",
        dynamics=(0.74, 0.86, 0.8, 0.92, 0.84, 1.0),
        register=(0, 0, 0, 1),
        density=(0.5, 0.75, 0.75, 1),
    ),
    "rondo": NamedPlan(
        sections="A B A' C A''",
        dynamics=(0.86, 0.7, 0.9, 0.74, 1.0),
        register=(0, 1, 0, 1, 0),
        density=(1, 0.75, 1, 0.5, 1),
    ),
    "crescendo": NamedPlan(
        sections="A A' A'' A'''",
        dynamics=(0.55, 0.7, 0.85, 1.0),
        register=(0, 0, 0, 1),
        density=(0.4, 0.6, 0.8, 1),
        entries="staggered",
    ),
    "canon": NamedPlan(sections="A B C D", dynamics=(0.78, 0.88, 1.0, 0.9), entries="staggered"),
    "passacaglia": NamedPlan(
        sections="A A' A'' A''' A''''",
        dynamics=(0.66, 0.76, 0.88, 1.0, 0.8),
        register=(0, 0, 0, 1, 0),
        density=(0.5, 0.75, 1, 1, 0.75),
    ),
}


def completed(form: Form) -> NamedPlan:
    """The sections and arcs of a form: its own, or those of its plan."""
    named = PLANS[form.plan]
    return NamedPlan(
        form.sections.strip() or named.sections,
        form.dynamics or named.dynamics,
        form.register or named.register,
        form.density or named.density,
        form.entries or named.entries,
    )
