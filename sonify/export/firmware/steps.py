"""A voice's rules and curves as steps of the core, and all velocities it may play."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np

from sonify.music.form.plan import DYNAMICS
from sonify.music.machine import Lead, Machine, Refusal, common
from sonify.music.rhythm.following import Follower, Step
from sonify.music.rhythm.rule import Rule
from sonify.music.settings import Voice
from sonify.music.voice_sources import Source

__all__ = ["MOST_LOUD", "has_strokes", "steps_of"]

MOST_VELOCITIES = 2048
# steps that leave the times of notes alone
_TIMELESS = ("CHANGES", "THINNED", "MASK", "WHEN", "SPARSE", "COUNT", "VELOCITY")
MOST_LOUD = 3


def steps_of(
    rules: list[Rule],
    voice: Voice,
    filters: list[Step],
    source: Source,
    machine: Machine,
) -> Follower:
    """Turn a voice's rules into the core's steps.

    Parameters
    ----------
    rules : list of Rule
    voice : Voice
    filters : list of Step
        Where the voice may sound.
    source : Source
        The voice's.
    machine : Machine

    Raises
    ------
    Refusal
        What can't be followed, and why.
    """
    f = Follower(machine)
    # a drone ends where the next row begins, whether the voice sounds there or not
    if source.follow is not None:
        source.follow(f)
    f.steps += filters
    for rule in rules:
        rule.follow(f)
    if f.ghosts:
        # zeros that a rule added must lie in the voice's places too
        f.steps += filters
    _check_strum([s for s in f.steps if s.op not in _TIMELESS])
    _check_strokes([s.op for s in f.steps])
    plan = machine.plan
    if plan is not None and "dynamics" in voice.arcs and plan.dynamics != (1.0,):
        f.multiply(Lead("PLAN", len(plan.dynamics), up=DYNAMICS), np.asarray(plan.dynamics))
    for curve in voice.curves:
        curve.follow(f)
    _velocities(f, voice.velocity)
    return f


def _check_strum(timed: list[Step]) -> None:
    """Refuse rules that move notes of a row's chord that are moved once more as others are read."""
    for s, after in pairwise(timed):
        if s.op == "STRUM" and s.d and not s.b:
            raise Refusal(
                f"'{after.op.lower()}' after 'strum' downwards of row-end-chords: the core moves "
                "their notes as it reads more of them (put strum last)"
            )


def has_strokes(ops: list[str]) -> bool:
    """Whether a row's chord is struck several times within a length that may still change."""
    if "AFTER" not in ops or "REPEAT" not in ops:
        return False
    return "LENGTH" not in ops[: ops.index("REPEAT")]


def _check_strokes(ops: list[str]) -> None:
    """Refuse lengths that keep the core from moving strokes when their chord's length is known."""
    if has_strokes(ops) and "LENGTH" in ops:
        raise Refusal(
            "'length' after 'repeat' of row-end-chords: how long the last row's chord lasts, and "
            "so when it is struck, is known only at the disc's end (put length before repeat)"
        )


def _velocities(f: Follower, velocity: int) -> None:
    """All velocities that may be played, along the leads of all factors."""
    leads: list[Lead] = []
    for lead in (lead for factors in f.factors for lead, _ in factors if lead.by != "NOTHING"):
        both = [common(other, lead) for other in leads]
        n = next((n for n, one in enumerate(both) if one is not None), None)
        if n is None:
            leads.append(lead)
        else:
            leads[n] = both[n] or lead
    if len(leads) > MOST_LOUD:
        raise Refusal(
            f"its loudness depends on {len(leads)} counts; the core takes {MOST_LOUD} (use "
            "fewer accents and curves)"
        )
    counts = [lead.count for lead in leads]
    size = len(f.factors) * math.prod(counts)
    if size > MOST_VELOCITIES:
        raise Refusal(
            f"its loudness needs {size:,} velocities; a table holds {MOST_VELOCITIES:,} (use "
            "shorter accents)"
        )
    levels = []
    for factors in f.factors:
        scale = np.ones(tuple(reversed(counts)))
        for lead, values in factors:
            if lead.by == "NOTHING":
                scale = scale * values[0]
                continue
            axis = next(n for n, other in enumerate(leads) if common(other, lead))
            along = values[np.arange(counts[axis]) % len(values)]
            # the first lead is the last axis
            scale = scale * along.reshape(-1, *[1] * axis)
        levels.append(velocity * scale)
    f.loud = leads
    f.velocities = np.stack(levels)
