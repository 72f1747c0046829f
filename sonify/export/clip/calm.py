"""Calm clips: softened step by step until their worst second is within the threshold."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import msgspec

from sonify.export.clip.views import mixed
from sonify.light.look import BRIGHTEST, colour

if TYPE_CHECKING:
    from sonify.export.clip.job import Job

__all__ = ["calmed"]


def _with_light(job: Job, **new: Any) -> Job:
    setup = job.show.setup
    light = msgspec.structs.replace(setup.light, **new)
    show = replace(job.show, setup=msgspec.structs.replace(setup, light=light))
    return replace(job, show=show)


def _faded(seconds: float) -> Callable[[Job], tuple[Job, str]]:
    def step(job: Job) -> tuple[Job, str]:
        now = max(job.look.fade, seconds)
        return _with_light(job, fade=now), f"lamps take {now:g} s to change"

    return step


def _slowed(share: float) -> Callable[[Job], tuple[Job, str]]:
    def step(job: Job) -> tuple[Job, str]:
        setup = job.show.setup
        now = round(setup.player.matrix.scroll * share, 2)
        matrix = msgspec.structs.replace(setup.player.matrix, scroll=now)
        player = msgspec.structs.replace(setup.player, matrix=matrix)
        show = replace(job.show, setup=msgspec.structs.replace(setup, player=player))
        return replace(job, show=show), f"the message scrolls at {now:g} columns a second"

    return step


def _smaller(share: float) -> Callable[[Job], tuple[Job, str]]:
    def step(job: Job) -> tuple[Job, str]:
        return replace(job, shrink=share), f"the scenes take {share:.0%} of the picture's sides"

    return step


def _dimmed(share: float) -> Callable[[Job], tuple[Job, str]]:
    def step(job: Job) -> tuple[Job, str]:
        now = max(1, round(BRIGHTEST * share))
        now = min(now, job.look.brightness)
        job = replace(_with_light(job, brightness=now), dim=share)
        return job, f"brightness is {now} of {BRIGHTEST}"

    return step


def _paler(job: Job) -> tuple[Job, str]:
    """A red that is no longer saturated can't flash red."""
    pale = mixed(colour(job.look.lamp), (255, 255, 255), 0.6)
    text = "#{:02x}{:02x}{:02x}".format(*pale)
    return _with_light(job, lamp=text), f"the lamps' colour is paler, {text}"


STEPS: tuple[Callable[[Job], tuple[Job, str]], ...] = (
    _faded(0.15),
    _slowed(0.75),
    _smaller(0.85),
    _faded(0.3),
    _slowed(0.75),
    _dimmed(0.5),
    _smaller(0.7),
    _faded(0.5),
    _dimmed(0.25),
    _smaller(0.5),
    _paler,
    _dimmed(1 / BRIGHTEST),
)
"""Tried in this order, each on top of those before."""


def calmed(job: Job, suffix: str) -> tuple[Job, list[str]]:
    """A clip that passes, and what was changed in it.

    Each step is kept, whether it helps by itself or not; a later one of the same kind takes the
    place of an earlier one.
    """
    said: dict[str, str] = {}
    worst = job.measured(suffix)
    for step in STEPS:
        if not worst.over:
            break
        if step is _paler and worst.kind != "red":
            continue
        if job.show.scroll is None and step.__qualname__.startswith("_slowed"):
            continue
        job, text = step(job)
        said[step.__qualname__] = text
        worst = job.measured(suffix)
    return job, list(said.values())
