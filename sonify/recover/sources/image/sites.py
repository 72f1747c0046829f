"""Every place where a hole may be: how it looks, against holes and webs of the same picture.

The clock row shows what a hole looks like here, and the places between rows what the material
looks like, so nothing is assumed of light, material or what shows through the holes.
"""

from __future__ import annotations

import warnings
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sonify.recover.sources.image.ring import View, project

__all__ = [
    "LIMIT",
    "STANDS_OUT",
    "STEP",
    "clearest",
    "decide",
    "look",
    "part_of",
    "plane_points",
    "polar_map",
    "sample",
    "surroundings",
    "uncovered",
]

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

INNER = np.array(
    [(0.0, 0.0)]
    + [(0.45 * np.cos(a), 0.45 * np.sin(a)) for a in np.arange(6) * np.pi / 3]
    + [(0.72 * np.cos(a), 0.72 * np.sin(a)) for a in np.arange(8) * np.pi / 4]
)
"""Points inside a hole, in its radii."""
ELSEWHERE = 0.1
"""Variance of each channel, in that of all about the clock row, by which the disc is unlike that
elsewhere; with 0.03, the rim of a grey disc drowned its outermost row in one picture of 120."""
STANDS_OUT = 5.0
"""Standard deviations by which an index mark, or what lies over the disc, stands out: chance gives
one in a million, and a disc has up to some ten thousand places to look at."""
STEP = 0.0045
"""Standard deviation of a logarithm of brightness that one step of 8 bits makes at a quarter of the
range: 1/64, over the square root of 12."""
LIMIT = 8.0  # of what is so many times the noise, more counts no more
RIM = np.array([(np.cos(a), np.sin(a)) for a in np.arange(12) * np.pi / 6])


def plane_points(positions: int, radii: Floats, shift: float = 0.0) -> Floats:
    """Places of the sites in the disc's plane, shape (rows, positions, 2)."""
    angle = 2 * np.pi * (np.arange(positions) + shift) / positions
    out: Floats = radii[:, None, None] * np.stack([np.cos(angle), np.sin(angle)], axis=-1)
    return out


def surroundings(view: View, radii: Floats) -> Floats:
    """Four places of bare material about each site, shape (rows, positions, 4, 2)."""
    edges = np.array([view.rim, *np.sort([*radii, 1.0])[::-1], -np.inf])
    at = np.argmin(np.abs(edges[1:-1] - radii[:, None]), axis=1)
    out, into = edges[at] - radii, radii - edges[at + 2]
    most = 1.5 * np.minimum(out, into)
    sides = np.minimum(out, most) / 2, -np.minimum(into, most) / 2
    places = [plane_points(view.positions, radii + side, t) for side in sides for t in (0.5, -0.5)]
    return np.stack(places, axis=2)


def sample(image: NDArray[np.float32], points: Floats) -> NDArray[np.float32]:
    """The picture at points (x, y), bilinear; NaN outside of it."""
    import cv2

    flat = points.reshape(-1, 2).astype(np.float32)
    wide = 4096
    pad = -len(flat) % wide
    grid = np.pad(flat, ((0, pad), (0, 0)), constant_values=-9).reshape(-1, wide, 2)
    out = np.empty(grid.shape[:2], np.float32)
    for k in range(0, len(grid), 4096):
        out[k : k + 4096] = cv2.remap(
            image,
            np.ascontiguousarray(grid[k : k + 4096, :, 0]),
            np.ascontiguousarray(grid[k : k + 4096, :, 1]),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_CONSTANT,
            borderValue=float("nan"),
        )
    return out.reshape(-1)[: len(flat)].reshape(points.shape[:-1])


def polar_map(image: NDArray[np.float32], view: View, rho: Floats, count: int) -> Singles:
    """The logarithm of the brightness at each radius and at `count` angles."""
    angle = 2 * np.pi * np.arange(count) / count
    turn = np.stack([np.cos(angle), np.sin(angle)], axis=-1)
    with np.errstate(all="ignore"):
        level = np.log(sample(image, project(view.matrix, rho[:, None, None] * turn)))
    seen = np.isfinite(level)
    return np.where(seen, level, np.median(level[seen]) if seen.any() else 0).astype(np.float32)


def clearest(colour: NDArray[np.uint8], view: View) -> NDArray[np.float32]:
    """The mixture of colours in which clock holes stand out most from the webs between them.

    Fisher's linear discriminant (The use of multiple measurements in taxonomic problems, 1936) of
    the logarithms of the three channels, so that uneven light and shadows matter little.
    """
    import cv2

    logs = np.asarray(cv2.LUT(colour, np.log(np.arange(256, dtype=np.float32) + 6)), np.float32)
    n = view.positions
    places = np.concatenate([plane_points(n, np.ones(1), shift)[0] for shift in (0.0, 0.5)])
    pixels = project(view.matrix, places[:, None, :] + 0.5 * view.hole * INNER[:7])
    seen = np.stack([sample(logs[:, :, k], pixels).mean(axis=1) for k in range(3)], axis=1)
    step = seen[:n] - (seen[n:] + np.roll(seen[n:], 1, axis=0)) / 2
    step = step[np.isfinite(step).all(axis=1)]
    usual = np.median(step, axis=0)
    away = step - usual
    limit = 3 * np.median(np.abs(away), axis=0)
    away = np.clip(away, -limit, limit)
    spread = away.T @ away / len(away)
    spread += np.eye(3) * (ELSEWHERE * np.trace(spread) + 1e-6)
    mix = np.linalg.solve(spread, usual)
    level = cv2.transform(logs, mix[None] / np.abs(mix).sum())
    return np.asarray(cv2.exp(level - level.min()), np.float32)


def uncovered(
    colour: NDArray[np.uint8], view: View, radii: Floats, holes: NDArray[np.bool_]
) -> NDArray[np.float32]:
    """How sure it is that nothing hides a hole, where none is seen; 1 where one is.

    What lies over a disc has another colour than its material, and a glare on dark material may be
    as bright as its holes. But holes may be seen there: as many of those that must be there as are
    not seen at such places may be hidden at the others.

    Parameters
    ----------
    colour : ndarray of uint8, shape (height, width, 3)
    view : View
    radii : ndarray, shape (rows,)
        The clock row first.
    holes : ndarray of bool, shape (rows, positions)
        Where one is seen.
    """
    import cv2

    logs = cv2.split(cv2.LUT(colour, np.log(np.arange(256, dtype=np.float32) + 6)))

    def colours(points: Floats) -> Floats:
        pixels = project(view.matrix, points[..., None, :] + 0.5 * view.hole * INNER[:7])
        red, green, blue = (sample(np.asarray(v), pixels).mean(axis=-1) for v in logs)
        parts = [red - green, (red + green) / 2 - blue, (red + green + blue) / 3]
        return np.stack(parts, axis=-1).astype(float)

    def waves(points: Floats) -> Floats:
        x, y = points[..., 0], points[..., 1]
        return np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=-1)

    around, places = surroundings(view, radii), plane_points(view.positions, radii)
    seen, web = colours(places), colours(around)
    inside = np.isfinite(web).all(axis=-1)
    if not inside.any() or not holes.any():
        return np.ones(holes.shape, np.float32)
    known = waves(around[inside])

    def unusual(parts: slice) -> tuple[Floats, Floats]:
        """How unlike the material each place and those around it are, in standard deviations."""
        # the material changes smoothly over the disc, whatever lies over a part of it
        level = web[inside][:, parts]
        weight = np.ones((len(level), 1))
        for _ in range(6):  # by which the weights move no more
            fit = np.linalg.lstsq(known * weight, level * weight, rcond=None)[0]
            away = level - known @ fit
            usual = 1.4826 * np.median(np.abs(away), axis=0) + STEP
            weight = 1 / (1 + ((away / usual) ** 2).sum(axis=1, keepdims=True) / 4)
        own, about = (
            (all_of_it[..., parts] - waves(at) @ fit) / usual
            for all_of_it, at in ((seen, places), (web, around))
        )
        return own, about

    # where material is nearer to the brightness of holes than to its own, a hole may not show
    own, about = (x[..., 0] for x in unusual(slice(2, 3)))
    glaring = about.mean(axis=2) / np.nanmedian(own[holes]) > 0.5
    own, about = unusual(slice(2))
    hole = np.nanmedian(own[holes], axis=0)

    def foreign(odd: Floats) -> NDArray[np.bool_]:
        # a colour between those of the material and of holes may be that of a blurred hole nearby
        mixed = np.clip(odd @ hole / max(float(hole @ hole), 1e-9), 0, 1)
        away: Floats = np.linalg.norm(odd - mixed[..., None] * hole, axis=-1)
        return away > STANDS_OUT

    # noise colours a place alone, and what lies over the disc colours those beside it, too
    webs, order = foreign(about).sum(axis=2), np.argsort(radii)
    lone = (foreign(own) & ~holes)[order]
    rows = np.pad(lone, ((1, 1), (0, 0)))
    beside = rows[:-2] | rows[2:] | np.roll(lone, 1, axis=1) | np.roll(lone, -1, axis=1)
    covered = lone & (beside | (webs[order] > 0))
    share = float(holes[1:].mean())

    def sure(odd: NDArray[np.bool_]) -> NDArray[np.float32]:
        meant = odd[0].sum() + share * odd[1:].sum()
        # Jeffreys' estimate of a share
        rate = (max(meant - (odd & holes).sum(), 0.0) + 0.5) / (meant + 1)
        hidden = rate * share / (rate * share + 1 - share + 1e-9)
        return np.where(odd & ~holes, max(0.0, 1 - 2 * hidden), 1.0).astype(np.float32)

    return np.minimum(sure(np.where(holes, webs > 1, covered[np.argsort(order)])), sure(glaring))


class Looks(NamedTuple):
    """How places look.

    Attributes
    ----------
    step : ndarray
        How much darker (below 0) or brighter than its surroundings a place is, as a logarithm.
    edge : ndarray
        The contrast across its rim, as a logarithm.
    rough : ndarray
        How unlike its surroundings its parts are, as a logarithm: a hole's wall may be as bright
        as its bottom is dark.
    inside : ndarray of bool
        Whether it lies in the picture.
    """

    step: Floats
    edge: Floats
    rough: Floats
    inside: NDArray[np.bool_]


def part_of(looks: Looks, which: slice) -> Looks:
    """Some of the places."""
    step, edge, rough, inside = looks
    return Looks(step[which], edge[which], rough[which], inside[which])


def look(image: NDArray[np.float32], view: View, points: Floats, around: Floats) -> Looks:
    """How places in the plane look.

    Parameters
    ----------
    image : ndarray of float32
        With the brightness from 1 on.
    view : View
    points : ndarray, shape (places, 2)
    around : ndarray, shape (places, neighbours, 2)
        Places near each where there is only material.
    """
    r = view.hole
    inner = sample(image, project(view.matrix, points[:, None, :] + r * INNER))
    rim_in = sample(image, project(view.matrix, points[:, None, :] + 0.72 * r * RIM))
    rim_out = sample(image, project(view.matrix, points[:, None, :] + 1.28 * r * RIM))
    web = sample(image, project(view.matrix, around[:, :, None, :] + 0.5 * r * INNER[:7]))
    inside = np.isfinite(inner).all(axis=1)
    with np.errstate(all="ignore"), warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # of places with no neighbour in view
        near = np.nanmedian(web.mean(axis=2), axis=1)
        about = np.where(np.isfinite(near), near, rim_out.mean(axis=1))
        step = np.log(inner.mean(axis=1) / about)
        edge = np.log(rim_in / rim_out).mean(axis=1)
        rough = np.sqrt((np.log(inner / about[:, None]) ** 2).mean(axis=1))
    inside &= np.isfinite(step) & np.isfinite(edge)
    step, edge, rough = (np.where(inside, v, 0.0).astype(float) for v in (step, edge, rough))
    return Looks(step, edge, rough, inside)


def decide(clock: Looks, sites: Looks) -> tuple[NDArray[np.int8], NDArray[np.float32], float]:
    """Holes and confidence of the sites.

    Two classes, each a normal distribution of the looks: holes as the clock row shows them,
    and webs; refined by expectation and maximisation over all sites.

    Returns
    -------
    holes : ndarray of int8, shape (sites,)
    confidence : ndarray of float32
    apart : float
        How far the classes lie apart, in standard deviations.
    """
    x = np.column_stack(sites[:3])
    known = np.column_stack(clock[:3])[clock.inside]
    hole = np.median(known, axis=0)
    usable = sites.inside
    # the side of zero on which holes lie, and the part of sites that is surely not there
    toward = hole / np.abs(hole).max()
    along = x @ toward / (hole @ toward)
    webs = usable & (along < 0.4)
    web = np.median(x[webs], axis=0) if webs.any() else np.zeros(3)
    spread = _covariance(known - hole, hole - web)
    spread_web = _covariance(x[webs] - web, hole - web) if webs.sum() > 3 else spread

    def odds_of(points: Floats) -> Floats:
        out: Floats = _log_normal(points, hole, spread) - _log_normal(points, web, spread_web)
        return out

    for _ in range(6):
        odds = odds_of(x)
        is_hole, is_web = usable & (odds > 2), usable & (odds < -2)
        if is_hole.sum() > 3:
            both = np.concatenate([x[is_hole], known])
            hole = both.mean(axis=0)
            spread = _covariance(both - hole, hole - web)
        if is_web.sum() > 3:
            web = x[is_web].mean(axis=0)
            spread_web = _covariance(x[is_web] - web, hole - web)
    odds = odds_of(x)
    # beyond both classes the one that is nearer is no more certain than at its middle
    line = (x - web) @ (hole - web) / ((hole - web) @ (hole - web))
    at_hole, at_web = odds_of(np.stack([hole, web])) / 2
    odds = np.where(line > 1, np.maximum(odds, at_hole), odds)
    odds = np.where(line < 0, np.minimum(odds, at_web), odds)
    # a look that is like neither
    strange = np.minimum(_distance(x - hole, spread), _distance(x - web, spread_web))
    strange[(line > 1) | (line < 0)] *= 0.5
    confidence = np.tanh(np.abs(odds) / 4) * np.clip(1.6 - strange / 9.0, 0.0, 1.0)
    confidence = np.where(usable, confidence, 0.0)
    middle = _covariance(known - hole, hole - web)
    apart = float(np.sqrt((hole - web) @ np.linalg.solve(middle + spread_web, hole - web)))
    return (odds > 0).astype(np.int8), confidence.astype(np.float32), apart


def _covariance(away: Floats, size: Floats) -> Floats:
    """The covariance of deviations, never tighter than a share of the classes' distance."""
    floor = np.diag((0.09 * np.maximum(np.abs(size), 0.3 * np.abs(size).max())) ** 2)
    if len(away) < 3:
        return floor * 4
    limit = 3 * np.median(np.abs(away), axis=0) + np.sqrt(np.diag(floor))
    kept = np.clip(away, -2 * limit, 2 * limit)
    out: Floats = kept.T @ kept / len(kept) + floor
    return out


def _distance(away: Floats, spread: Floats) -> Floats:
    out: Floats = np.sqrt(np.einsum("...i,ij,...j->...", away, np.linalg.inv(spread), away))
    return out


def _log_normal(x: Floats, middle: Floats, spread: Floats) -> Floats:
    out: Floats = -0.5 * (_distance(x - middle, spread) ** 2 + np.linalg.slogdet(spread)[1])
    return out
