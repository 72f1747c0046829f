"""A pitch scheme and a rhythm rule: small frozen classes whose fields are their settings."""

from __future__ import annotations

from typing import Annotated

import numpy as np

from sonify.controls import control
from sonify.music.bit_stream import BitStream, Events, Index
from sonify.music.pitch.scheme import Scheme, Span
from sonify.music.rhythm.rule import Rule


class Stairs(Scheme, frozen=True, tag="stairs"):
    """Rows and positions climb together, and begin again at the top."""

    span: Span = 7

    def degrees(self, m: BitStream, index: Index) -> Index:
        return (m.row(index) + index) % self.span


class Stamp(Rule, frozen=True, tag="stamp"):
    """Every second position of a row is softer, as one stamps up a path."""

    amount: Annotated[
        float, control("Softer by", "How hard the second step is struck.", 0.1, ge=0, le=1)
    ] = 0.6

    def apply(self, e: Events, m: BitStream) -> Events:
        scale = np.array([1.0, self.amount])
        return e.but(velocity_scale=e.velocity_scale * scale[e.index % m.positions % 2])
