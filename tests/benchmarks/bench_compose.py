"""Compose: fillings scored by the search, beside whole pieces performed and scored one by one."""

from __future__ import annotations

from collections.abc import Iterator

import msgspec

from sonify.compose.choices import USUAL, Choices
from sonify.compose.judge import Budget, Judge, random_fills
from sonify.compose.objectives import Aims
from sonify.disc.code.code import Code
from sonify.disc.layout import Layout
from sonify.disc.sizes import FitSpec
from sonify.performance_settings import load_setup
from tests.benchmarks.measure import alternating

TEXT = "WIND SW 6, CLOUD BASE 900 M"
ALONE, TOGETHER = 10, 4096


def run() -> Iterator[tuple[str, float, str]]:
    """Title, ratio and remark of each measurement."""
    spec = msgspec.structs.replace(FitSpec(), positions=44)
    choices = Choices(((TEXT,),), Code(), Layout(), spec, frozenset(USUAL))
    design = next(
        d
        for pick in range(choices.size)
        if (d := choices.design(_pick(choices, pick))) is not None and len(d.slots.at) > 30
    )
    for preset in ((), ("telegraph",), ("music-box",), ("hut-band",)):
        setup, aims = load_setup(preset), Aims.of({"syncopation": 1.0})
        judge = Judge(setup, aims, 1.5, Budget(1, lambda share: None))
        tail = judge.tail(design)
        fills = random_fills(design, TOGETHER, 1)

        def alone(setup=setup, aims=aims, fills=fills):  # type: ignore[no-untyped-def]
            for grid in fills[:ALONE]:
                # whole pieces: nothing is shared between one and the next
                own = Judge(setup, aims, 1.5, Budget(1, lambda share: None))
                own.scores(design, grid[None])

        def together(judge=judge, fills=fills, tail=tail):  # type: ignore[no-untyped-def]
            judge.scores(design, fills, tail)

        one, many = alternating([alone, together], 3)
        each = many / TOGETHER
        name = preset[0] if preset else "no preset"
        yield (
            f"a whole piece alone / a filling in the search ({name})",
            one / ALONE / each,
            f"{one / ALONE * 1e3:.1f} ms, {each * 1e6:.0f} us; 100 or more wanted",
        )


def _pick(choices: Choices, number: int) -> tuple[int, ...]:
    """A combination by its number."""
    out = []
    for values in choices.axes.values():
        number, k = divmod(number, len(values))
        out.append(k)
    return tuple(out)
