"""Long sweeps: a sample of them runs always, the rest with `pytest -m nightly`."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from itertools import product
from typing import Any

import pytest

__all__ = ["covering", "late", "nightly", "sampled", "sampled_product", "sampled_rows"]

nightly = pytest.mark.nightly


def sampled(values: Iterable[Any], count: int) -> list[Any]:
    """Values for `parametrize`, of which `count`, spread evenly over them, run always."""
    return sampled_rows(((v,) for v in values), count)


def sampled_rows(rows: Iterable[tuple[Any, ...]], count: int) -> list[Any]:
    """The same for several names, with a value for each in a row."""
    every = list(rows)
    kept = {k * len(every) // count for k in range(count)}
    return [pytest.param(*row) if k in kept else late(*row) for k, row in enumerate(every)]


def sampled_product(*axes: Iterable[Any]) -> list[Any]:
    """All combinations, of which as many as the longest axis has values run always.

    Each value of each axis is in at least one of them.
    """
    lists = [list(axis) for axis in axes]
    longest = max(map(len, lists))
    kept = {tuple(k % len(axis) for axis in lists) for k in range(longest)}
    places = product(*(range(len(axis)) for axis in lists))
    rows = [(at, tuple(axis[k] for axis, k in zip(lists, at, strict=True))) for at in places]
    return [row if at in kept else late(*row) for at, row in rows]


def covering(cases: Mapping[str, Any], parts: Callable[[Any], Iterable[str]]) -> list[Any]:
    """The names of cases, of which those run always that have a part that none before has."""
    seen: set[str] = set()
    out = []
    for name, case in cases.items():
        new = set(parts(case)) - seen
        seen |= new
        out.append(name if new else late(name))
    return out


def late(*values: Any) -> Any:
    """A case that runs nightly only."""
    return pytest.param(*values, marks=nightly)
