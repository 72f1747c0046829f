"""Objectives: what makes one disc better than another, each as a number from 0 to 1."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from sonify.compose.pieces import Counts, Ground
from sonify.disc.geometry.cautions import OFF_CENTRE
from sonify.disc.layout import Layout
from sonify.disc.sizes import Geometry, row_radii
from sonify.errors import InputError, look_up
from sonify.music.measures.alignment import Tune, tune_likeness
from sonify.music.measures.key import key_fits
from sonify.music.measures.phrases import PARTS
from sonify.music.measures.rhythm import evenness, metrical_weights, swaps_to_even, syncopation

__all__ = ["OBJECTIVES", "Aims", "Objective", "Picture", "values_of"]

Bits = NDArray[np.int8]
Reals = NDArray[np.float64]

ARCH = np.interp(np.linspace(0, 1, PARTS), [0.0, 0.6, 1.0], [0.3, 1.0, 0.5])
"""The density arc that is sought: a rise to a climax after three fifths, and a fall. The shapes of
the presets' forms; common practice, no source."""

WIDE = 2.0
"""Webs count as wide from so many times the least web on. Own choice."""


@dataclass(frozen=True)
class Aims:
    """What is sought.

    Attributes
    ----------
    weights : mapping
        Of the objectives by name. A negative weight seeks the opposite.
    tune : Tune or None
        To be near to in onsets and pitches.
    rhythm : Tune or None
        To be near to in onsets alone; its pitches are all 0.
    """

    weights: Mapping[str, float] = field(default_factory=dict)
    tune: Tune | None = None
    rhythm: Tune | None = None

    @classmethod
    def of(
        cls, given: Mapping[str, float], tune: Tune | None = None, rhythm: Tune | None = None
    ) -> Aims:
        """The usual weights with those given in their place.

        Raises
        ------
        InputError
            An objective that is not known or lacks its tune, or no weight but 0.
        """
        for name in given:
            look_up(OBJECTIVES, name, "objective", "weight")
        weights = {name: o.weight for name, o in OBJECTIVES.items()} | dict(given)
        for name, key, has in (("tune", "like", tune), ("rhythm", "like-rhythm", rhythm)):
            if has is None:
                if given.get(name):
                    raise InputError(
                        f"the objective '{name}' needs a MIDI file to be near to",
                        key="weight",
                        hint=f"give {{{key}}}",
                    )
                weights.pop(name)
        weights = {name: w for name, w in weights.items() if w}
        if not weights:
            raise InputError("all weights are 0; give one objective another", key="weight")
        return cls(weights, tune, rhythm)

    def total(self, values: Mapping[str, Reals]) -> Reals:
        """The mean of the values by their weights; of a negative weight, of what lacks to 1."""
        whole = sum(abs(w) for w in self.weights.values())
        parts = [w * (values[n] if w > 0 else values[n] - 1) for n, w in self.weights.items()]
        out: Reals = np.sum(parts, axis=0) / whole
        return out


@dataclass(frozen=True, eq=False)
class Picture:
    """The holes of many discs of one size.

    Attributes
    ----------
    holes : ndarray of bool, shape (discs, rows, positions)
    layout : Layout
    geometry : Geometry
    least_web : float
        In mm.
    """

    holes: NDArray[np.bool_]
    layout: Layout
    geometry: Geometry
    least_web: float


def _symmetry(p: Picture) -> Reals:
    """The best correlation of the holes with their mirror image, over all axes."""
    x = p.holes - p.holes.mean(axis=2, keepdims=True)
    turned = np.fft.rfft(x, axis=2)
    mirrored = np.fft.irfft((turned**2).sum(axis=1), x.shape[2], axis=1).max(axis=1)
    whole = (x**2).sum(axis=(1, 2))
    out: Reals = np.clip(mirrored / np.where(whole > 0, whole, 1), 0, 1)
    return out


def _balance(p: Picture) -> Reals:
    """1 with the centre of mass on the axis, 0 where the disc would get a caution."""
    g, positions = p.geometry, p.holes.shape[2]
    hole = np.pi * (g.hole_diameter / 2) ** 2
    angle = 2 * np.pi * np.arange(positions) / positions
    radii = row_radii(g, p.layout, p.holes.shape[1])
    off = (p.holes * radii[:, None]).sum(axis=1) @ np.column_stack([np.sin(angle), np.cos(angle)])
    rim, bore = np.pi * np.square([g.outer_diameter / 2, g.bore_diameter / 2])
    area = rim - bore - hole * (p.holes.sum(axis=(1, 2)) + positions)
    offset = hole * np.hypot(*off.T) / np.maximum(area, hole)
    out: Reals = np.clip(1 - offset / (OFF_CENTRE * g.outer_diameter / 2), 0, 1)
    return out


def _webs(p: Picture) -> Reals:
    """The thinnest web if every position had its hole, against the least one allowed."""
    g = p.geometry
    discs, rows, positions = p.holes.shape
    radii = row_radii(g, p.layout, rows)
    every = np.append(radii, g.clock_radius)
    edges = (every.min() - g.bore_diameter / 2, g.outer_diameter / 2 - every.max())
    gaps = (np.diff(np.sort(every)).min(), 2 * every.min() * np.sin(np.pi / max(positions, 2)))
    web = min(*gaps, *(e + g.hole_diameter / 2 for e in edges)) - g.hole_diameter
    return np.full(discs, np.clip(web / (WIDE * p.least_web), 0, 1))


def _bars(c: Counts, ground: Ground) -> NDArray[np.bool_]:
    return c.onsets.reshape(-1, ground.bar_steps)


def _over_bars(c: Counts, ground: Ground, measure: Callable[[NDArray[np.bool_]], Reals]) -> Reals:
    """The mean of a measure over the bars of each piece where it is a number; 0 without any."""
    bars = _bars(c, ground)
    packed = np.ascontiguousarray(np.packbits(bars, axis=1))
    kinds = packed.view(np.dtype((np.void, packed.shape[1]))).reshape(-1)
    _, first, which = np.unique(kinds, return_index=True, return_inverse=True)
    each = measure(bars[first])[which.reshape(-1)].reshape(len(c.onsets), -1)
    some = ~np.isnan(each)
    out: Reals = np.where(some, each, 0).sum(axis=1) / np.maximum(some.sum(axis=1), 1)
    return out


def _near_euclidean(bars: NDArray[np.bool_]) -> Reals:
    count = bars.sum(axis=1)
    some = (count > 1) & (count < bars.shape[1])
    swaps = np.where(some, swaps_to_even(bars), np.nan)
    out: Reals = np.maximum(0, 1 - swaps / np.maximum(count, 1))
    return out


def _syncopation(c: Counts, ground: Ground) -> Reals:
    weights = metrical_weights(ground.show.grid.metre, ground.bar_steps)
    total = syncopation(c.onsets, weights).sum(axis=1)
    out: Reals = np.minimum(1, total / np.maximum(c.onsets.sum(axis=1), 1))
    return out


def _cadence(c: Counts, ground: Ground) -> Reals:
    out: Reals = np.nan_to_num(c.ends).mean(axis=1)
    return out


def _arc(c: Counts, ground: Ground) -> Reals:
    dense = c.density - c.density.mean(axis=1, keepdims=True)
    arch = ARCH - ARCH.mean()
    norm = np.sqrt((dense**2).sum(axis=1) * (arch**2).sum())
    out: Reals = np.clip(dense @ arch / np.where(norm > 0, norm, 1), 0, 1)
    return out


def _key(c: Counts, ground: Ground) -> Reals:
    out: Reals = np.clip(key_fits(c.classes).max(axis=1), 0, 1)
    return out


def _rhythm(rhythm: Tune, c: Counts, ground: Ground) -> Reals:
    """The likeness of onsets that follow the bits, each counted once."""
    grid = ground.show.grid
    piece, at = np.nonzero(c.onsets)
    bar, step = np.divmod(at, ground.bar_steps)
    beat = (bar * grid.bar_ticks + step * grid.step_ticks) / grid.ticks_per_quarter
    count = np.bincount(piece, minlength=len(c.onsets))
    table = np.zeros((len(count), int(count.max(initial=0))))
    table[piece, np.arange(len(piece)) - np.repeat(np.cumsum(count) - count, count)] = beat
    return tune_likeness(rhythm, table, np.zeros_like(table), count)


@dataclass(frozen=True)
class Objective:
    """One objective.

    Attributes
    ----------
    about : str
        Its definition, on one line.
    weight : float
        Its usual weight. Own choice: sound before picture, and a tune that is asked for before all.
    of_music : callable, optional
        Its values from what is counted of pieces.
    of_picture : callable, optional
        Its values from pictures.
    """

    about: str
    weight: float
    of_music: Callable[[Counts, Ground], Reals] | None = None
    of_picture: Callable[[Picture], Reals] | None = None


OBJECTIVES: dict[str, Objective] = {
    "tune": Objective(
        "the share of its notes and the tune's that pair up in time and pitch "
        "(alignment: Mongeau and Sankoff 1990)", 10.0),
    "rhythm": Objective(
        "the same for onsets alone, against a rhythm (Mongeau and Sankoff 1990)", 10.0),
    "even": Objective(
        "how evenly notes are spread over each bar (Clough and Douthett 1991)", 1.0,
        lambda c, g: _over_bars(c, g, evenness)),
    "euclid": Objective(
        "how few steps a note of each bar is from a Euclidean rhythm (Toussaint 2004, 2005)", 0.5,
        lambda c, g: _over_bars(c, g, _near_euclidean)),
    "syncopation": Objective(
        "metrical levels by which notes come before stronger silent steps, for each note "
        "(Longuet-Higgins and Lee 1984)", 0.0, _syncopation),
    "cadence": Objective(
        "rows whose last bass is the root; half for the fifth, or the root above "
        "(Caplin 1998)", 1.0, _cadence),
    "arc": Objective(
        "how well the density follows an arch over the piece (own definition)", 0.5, _arc),
    "key": Objective(
        "how clear the key is (Krumhansl and Kessler 1982)", 1.0, _key),
    "symmetry": Objective(
        "how much the holes look like their mirror image (own definition)", 0.25,
        of_picture=_symmetry),
    "balance": Objective(
        "how near the centre of mass is to the axis (exact; limit of the cautions)", 0.5,
        of_picture=_balance),
    "webs": Objective(
        "the thinnest web that any holes could leave, up to twice the least", 0.5,
        of_picture=_webs),
}  # fmt: skip
"""All objectives by name; `Aims` gives the two tunes."""


def values_of(
    aims: Aims, c: Counts, ground: Ground, pictures: Sequence[Picture]
) -> dict[str, Reals]:
    """The values of all objectives with a weight, each of shape (pieces,).

    The pictures are those of all pieces in order; there may be several of different sizes.
    """
    out: dict[str, Reals] = {}
    for name in aims.weights:
        o = OBJECTIVES[name]
        if name == "tune" and aims.tune is not None:
            out[name] = tune_likeness(aims.tune, *c.notes.table(len(c.onsets)))
        elif name == "rhythm" and aims.rhythm is not None:
            out[name] = _rhythm(aims.rhythm, c, ground)
        elif o.of_music is not None:
            out[name] = o.of_music(c, ground)
        elif o.of_picture is not None:
            out[name] = np.concatenate([o.of_picture(p) for p in pictures])
    return out
