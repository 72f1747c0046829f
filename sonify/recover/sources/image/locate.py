"""Where a photograph shows a disc, and how it lies there."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError
from sonify.recover.sources.image.image import Picture, open_picture
from sonify.recover.sources.image.outline import WELL_SEEN, outlines_in, rings_within
from sonify.recover.sources.image.ring import (
    FEWEST,
    View,
    circle_points,
    find_ring,
    fit_view,
    project,
    settled,
)
from sonify.recover.sources.image.sites import clearest
from sonify.recover.sources.image.spots import MOST, Spots, find_spots

__all__ = ["find_disc", "hole_pixels", "tilt"]

Floats = NDArray[np.float64]
Way = tuple[Callable[[NDArray[np.uint8]], Iterator[tuple[list[View], int]]], str]

SMALL_HOLE = 3.2
"""Radius of a hole in pixels below which the picture is read at a larger size."""
LARGER = 4400
FEW = 16
"""Positions below which holes of chance can look like a clock row, unless they lie very evenly."""
COARSE = 1200  # pixels of the longer side, on which the disc is looked for first
CLEAR = 0.03
"""Error of a view, in steps of the clock row, below which no better one is looked for."""
EXACT = 0.005  # error of a view, in steps, below which centres of spots are no more exact
INNER = 1.5  # radii of the rim, above which it tells more of the view than the clock row
RIM_FITS = 6  # rounds, by which the fit to the rim moves no more
FEWER = 1500  # spots among which rings are looked for all over the picture


def find_disc(path: Path, positions: int | None) -> tuple[Picture, View, NDArray[np.float32]]:
    """A photograph, how the disc lies in it, and the mixture of its colours that shows it best.

    Raises
    ------
    InputError
        No disc is seen.
    """
    picture = open_picture(path)
    found = _disc_in(picture, positions)
    if isinstance(found, str) and picture.scale > 1.3:
        picture = open_picture(path, LARGER)
        # spots are looked for in a picture made smaller, so a larger one shows no more of them
        found = _disc_in(picture, positions, [way for way in WAYS if way[0] is _by_outline])
    if isinstance(found, str):
        raise InputError(found, file=path)
    return picture, found, clearest(picture.colour, found)


def _disc_in(picture: Picture, positions: int | None, ways: Sequence[Way] = ()) -> View | str:
    """The best view of a disc in any channel, or why there is none."""
    best: View | None = None
    spots_seen = 0
    channels: dict[str, NDArray[np.uint8]] = {}
    for find, name in ways or WAYS:
        if name not in channels:
            channels[name] = picture.channel(name)
        channel = channels[name]
        for views, among in find(channel):
            spots_seen = max(spots_seen, among)
            views = [v for v in views if positions is None or v.positions == positions]
            # walls of holes and webs make rings too, fainter and less even
            clear = [v for v in views if _clear(v)]
            if clear:
                best = max(clear, key=lambda v: v.strength / max(v.error, EXACT))
                break
            best = max((v for v in (best, *views) if v), key=_standing, default=None)
        if best is None or (best.positions < FEW and best.error > CLEAR):
            continue
        if best.seen >= 0.6 * best.positions:
            if hole_pixels(best) < SMALL_HOLE and picture.scale > 1.3:
                return "its holes are too small in the picture"
            return best
    if best is not None:
        return (
            f"only {best.seen} of about {best.positions} holes of the clock row are in view, and "
            "at least 60 % are needed; photograph the whole disc"
        )
    return (
        "no clock row was found (a closed ring of evenly spaced holes was looked for, among "
        f"{spots_seen} round spots); photograph the whole disc from the front, sharp and in even "
        "light"
    )


def _clear(view: View) -> bool:
    return view.seen >= 0.9 * view.positions and view.error < CLEAR


def _enlarging(scale: float) -> Floats:
    """The matrix that takes pixels of a picture to those of a larger one."""
    half = (scale - 1) / 2
    return np.array([[scale, 0.0, half], [0.0, scale, half], [0.0, 0.0, 1.0]])


def _spots_in(
    channel: NDArray[np.uint8], shrink: float, most: int = MOST
) -> tuple[tuple[int, int], list[Spots]]:
    """The size of a channel made smaller, and its dark and bright spots."""
    import cv2

    if shrink < 1:
        small = cv2.resize(channel, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
        channel = np.asarray(small, np.uint8)
    height, width = channel.shape
    return (height, width), list(find_spots(channel, most))


def _by_outline(channel: NDArray[np.uint8]) -> Iterator[tuple[list[View], int]]:
    """Views of discs whose outlines are seen, each looked at closely."""
    done: list[tuple[Floats, Floats, list[Spots], tuple[int, int], Floats]] = []
    tried = set()
    outlines = outlines_in(channel)
    for outline, _ in outlines:
        half = np.linalg.norm(outline[:2, :2], axis=1)
        low, high = outline[:2, 2] - half, outline[:2, 2] + half
        for region in done:
            # another outline of the same disc
            inside = (region[0] < low + 0.05 * half) & (region[1] > high - 0.05 * half)
            if inside.all() and (region[1] - region[0] < 4 * half).all():
                break
        else:
            first = np.maximum(low - 0.1 * half, 0).astype(int)
            last = np.minimum(high + 0.1 * half, channel.shape[::-1]).astype(int)
            part = channel[first[1] : last[1], first[0] : last[0]]
            shrink = min(1.0, COARSE / max(part.shape))
            shape, both = _spots_in(part, shrink)
            there = np.array([[1, 0, first[0]], [0, 1, first[1]], [0, 0, 1.0]])
            region = (first, last, both, shape, there @ _enlarging(1 / shrink))
            done.append(region)
        _, _, both, shape, there = region
        views: list[View] = []
        for k, spots in enumerate(both):
            for which, place, count in rings_within(spots, np.linalg.inv(there) @ outline, FEWEST):
                key = (id(both), k, count, which.tobytes())
                if key in tried:
                    continue
                tried.add(key)
                view = settled(spots, which, place, count, shape)
                if view is not None:
                    view = replace(view, matrix=there @ view.matrix)
                    views.append(_rimmed(view, outline, outlines))
                    if _clear(view):
                        break
        yield views, max(map(len, both))


def _rimmed(view: View, outline: Floats, outlines: list[tuple[Floats, float]]) -> View:
    """The view with the rim: the widest of the outlines about the same middle that are well seen.

    About a small clock row, the rim tells the perspective best.
    """
    turn = np.linspace(0, 2 * np.pi, 60, endpoint=False)
    circle = np.column_stack([np.cos(turn), np.sin(turn), np.ones(60)])
    around = [
        (circle @ other.T)[:, :2]
        for other, covered in outlines
        if covered > WELL_SEEN and np.linalg.norm(np.linalg.solve(outline, other[:, 2])[:2]) < 0.15
    ]
    if not around:
        return view
    pixels = max(around, key=np.ptp)
    clock = circle_points(view.positions, np.arange(view.positions))
    holes, plain = project(view.matrix, clock), view
    both = np.concatenate([holes, pixels])
    for _ in range(RIM_FITS):
        plane = view.plane(pixels)
        far = np.linalg.norm(plane, axis=1, keepdims=True)
        view = replace(view, rim=float(np.median(far)))
        if not INNER < view.rim < np.inf:
            break
        matrix = fit_view(np.concatenate([clock, view.rim * plane / far]), both)
        view = replace(view, matrix=matrix)
    # another thing's outline, or not a ring about the disc's middle
    moved = np.linalg.norm(project(view.matrix, clock) - holes, axis=1).max()
    return view if view.rim > 1 + view.hole and moved < hole_pixels(plain) else plain


def _by_spots(channel: NDArray[np.uint8]) -> Iterator[tuple[list[View], int]]:
    """Views of discs by rings of spots anywhere in the picture."""
    shrink = min(1.0, COARSE / max(channel.shape))
    shape, both = _spots_in(channel, shrink, FEWER)
    for spots in both:
        views = find_ring(spots, shape)
        yield [replace(v, matrix=_enlarging(1 / shrink) @ v.matrix) for v in views], len(spots)


WAYS = (
    (_by_outline, "light"),
    (_by_spots, "light"),
    (_by_outline, "colour"),
    (_by_spots, "colour"),
)
"""What is looked for, and in which channel: the likeliest and quickest first."""


def _standing(view: View) -> float:
    return view.seen * (1 - 6 * view.error)


def _across(view: View) -> Floats:
    """Pixels for one unit of the plane at the disc's middle: the two steps, as columns."""
    eps = 1e-3
    points = project(view.matrix, np.array([[0.0, 0.0], [eps, 0.0], [0.0, eps]]))
    out: Floats = (points[1:] - points[0]).T / eps
    return out


def hole_pixels(view: View) -> float:
    """Radius of a hole in pixels, on average."""
    return float(view.hole * np.sqrt(np.linalg.norm(_across(view), axis=0).prod()))


def tilt(view: View) -> float:
    """Roughly how far the disc is tilted, in degrees, from the distortion at its middle."""
    long, short = np.linalg.svd(_across(view), compute_uv=False)
    return float(np.degrees(np.arccos(min(1.0, short / long))))
