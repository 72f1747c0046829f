"""The holes of a drawing, and of another disc, in the mm of a design."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sonify.disc.disc import Disc
from sonify.errors import InputError
from sonify.recover.sources.drawing.plan import best_view, typical
from sonify.recover.sources.rings import phase_of
from sonify.recover.sources.source import rounds_in
from sonify.recover.survey.sites import READS, Floats, Seen, Sites, apply

__all__ = ["seen_in_drawing", "seen_on_disc"]


def seen_on_disc(disc: Disc, other: Disc, sites: Sites, path: Path) -> Seen:
    """The holes of another disc of the same rows and positions.

    Raises
    ------
    InputError
        Other rows or positions.
    """
    if other.grid.shape != disc.grid.shape:
        a, b = (f"{d.rows} rows of {d.positions} positions" for d in (other, disc))
        raise InputError(f"it has {a}, and '{disc.name}' has {b}; compare like discs", file=path)
    own = Sites.of(other).meant
    ones = np.ones(np.count_nonzero(own == 1))
    at = np.where(own == 1, np.cumsum(own == 1).reshape(own.shape) - 1, -1)
    differs = (other.layout, other.geometry) != (disc.layout, disc.geometry)
    said = ["its layout or sizes differ, too; only holes are compared"] * differs
    return Seen(sites.xy[own == 1], ones, ones > 0, at, own < 0, said)


def seen_in_drawing(path: Path, sites: Sites) -> Seen:
    """The holes of a drawing, wherever and whichever way round the disc lies in it.

    Raises
    ------
    InputError
        Too few holes, or those of another disc.
    """
    import cv2

    drawn = rounds_in(path)
    circles, said, n = drawn.circles, list(drawn.notes), sites.xy.shape[1]
    if len(circles) < 4:
        raise InputError(f"it has {len(circles)} circles; draw each hole as one", file=path)
    usual = typical(circles["diameter"])
    holes = circles[np.abs(np.log(circles["diameter"] / usual)) < np.log(2)]
    view = best_view(holes, None, usual)
    scale = 1.0
    if view.clock is not None and view.positions == n:
        scale = view.clock.radius / sites.geometry.clock_radius
    if abs(scale - 1) > 0.005:
        said.append(f"it is drawn at {scale:.4g} times the size of the disc; mm are the disc's")
    if abs(usual / scale / sites.hole - 1) > 0.02:
        said.append(f"its holes are {usual / scale:.2f} mm and the disc's {sites.hole:g} mm")
    z = (holes["x"] + 1j * holes["y"] - complex(*view.centre)) / scale
    z *= np.exp(2j * np.pi * phase_of(view.angle, n)[0] / n)
    own = np.stack([z.real, z.imag], axis=-1)
    plain, mirrored = (np.sign(_at(own * [s, 1], sites)[:-1] + 0.5) for s in (1, -1))
    turn, more = sites.turned((plain, mirrored), path)
    own = apply(np.linalg.inv(turn), own)
    # odd holes may have moved the centre; LMEDS lets them go
    row, place, off = sites.nearest(own)
    good = np.hypot(*off.T) < READS * sites.hole
    move, _ = cv2.estimateAffinePartial2D(own[good], sites.xy[row, place][good], method=cv2.LMEDS)
    if move is not None:
        own = apply(np.vstack([move, [0, 0, 1]]), own)
    at, size = _at(own, sites), (holes["diameter"] / usual) ** 2
    return Seen(own, size, size > 0, at, at < -1, said + more)


def _at(xy: Floats, sites: Sites) -> NDArray[np.int64]:
    """The hole at each site; -1 for none."""
    row, place, off = sites.nearest(xy)
    away = np.hypot(*off.T)
    at = np.full(sites.meant.shape, -1)
    # of several the nearest comes last
    order = np.argsort(-away)
    order = order[away[order] < READS * sites.hole]
    at[row[order], place[order]] = order
    return at
