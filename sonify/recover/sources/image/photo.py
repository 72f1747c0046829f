"""Photographs to a sighting."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sonify.errors import Caution, InputError
from sonify.recover.search.arrangement import ELSEWHERE
from sonify.recover.sighting import THRESHOLD, Sighting, check_size
from sonify.recover.sources.image.front import find_rows
from sonify.recover.sources.image.image import Picture, open_picture
from sonify.recover.sources.image.mark import start_evidence
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
from sonify.recover.sources.image.sites import (
    clearest,
    decide,
    look,
    part_of,
    plane_points,
    sample,
    surroundings,
    uncovered,
)
from sonify.recover.sources.image.spots import MOST, Spots, find_spots

__all__ = ["find_disc", "read_photograph"]

Floats = NDArray[np.float64]
Way = tuple[Callable[[NDArray[np.uint8]], Iterator[tuple[list[View], int]]], str]

SMALL_HOLE = 3.2
"""Radius of a hole in pixels below which the picture is read at a larger size."""
LARGER = 4400
FEW = 16
"""Positions below which holes of chance can look like a clock row, unless they lie very evenly."""
COARSE = 1200  # pixels of the longer side, on which the disc is looked for first
REACHES = (1.9, 1.9, 3.8, 7.6, 15.2)
"""Radii of the clock row within which rows are looked for: again with what the first rows have told
of the view, and further out up to the rim, or while there are some."""
CLEAR = 0.03
"""Error of a view, in steps of the clock row, below which no better one is looked for."""
LEAST = 3  # holes of a row at the rim: the index mark may look like one or two
HIDDEN = 0.01  # of clock holes may be hidden and look like none
NEAR = 3.0  # difference of log likelihoods, 20 to 1, below which another row may be the clock row
EXACT = 0.005  # error of a view, in steps, below which centres of spots are no more exact
INNER = 1.5  # radii of the rim, above which it tells more of the view than the clock row
RIM_FITS = 6  # rounds, by which the fit to the rim moves no more
FEWER = 1500  # spots among which rings are looked for all over the picture
APART = 1.4
"""Standard deviations between holes and webs below which all bits are doubtful."""


def read_photograph(
    path: str | Path, *, positions: int | None = None, overlay: Path | None = None
) -> Sighting:
    """The disc that a photograph shows, from the front.

    Parameters
    ----------
    path : path
    positions : int, optional
        Holes of the clock row, where they are known.
    overlay : path, optional
        Where to write the picture with everything that was seen.

    Raises
    ------
    InputError
        What is missing, and what to do.
    """
    path = Path(path)
    picture, view, image = find_disc(path, positions)
    view, radii, notes = _rows_in(image, view, path)
    fuller, second, hidden = _clock_of(image, view, radii)
    if fuller != 1.0:
        view, radii, notes = _rows_in(image, view.measured_by(fuller), path)
        _, second, hidden = _clock_of(image, view, radii)
    if second is not None:
        notes.append(
            f"row {second + 1} has a hole at nearly every position too; it may be the clock row"
        )
    begins, clear_mark = start_evidence(image, view, radii, hidden)
    holes, confidence, apart = _judged(image, view, radii)
    if apart < APART:
        confidence = confidence * np.float32(max(0.0, apart / APART - 0.3))
        notes.append("holes and material look much the same; use more light or a plain background")
    clear = uncovered(picture.colour, view, np.r_[1.0, radii], np.vstack([~hidden, holes == 1]))[1:]
    if covered := int(((clear < THRESHOLD) & (confidence > 0)).sum()):
        how = "take the picture without it"
        notes.append(f"something seems to lie over {covered} positions; {how}")
    confidence = np.minimum(confidence, clear)
    shift = int(begins.argmax())
    holes, confidence = np.roll(holes, -shift, axis=1), np.roll(confidence, -shift, axis=1)
    outside = int((confidence == 0).sum())
    if outside:
        notes.append(f"{outside} positions lie outside the picture or can't be judged")
    seen = begins.max() >= ELSEWHERE / 2
    if not seen:
        notes.append(
            "no index mark was seen, so the start of the rows follows from the message alone"
        )
    elif not clear_mark:
        notes.append("the index mark is hard to see, so the rows may begin at another position")
    missing = view.positions - view.seen
    if missing:
        notes.append(f"{missing} of {view.positions} clock holes were not seen")
    sighting = Sighting(
        kind="photograph",
        holes=holes,
        confidence=confidence,
        start_known=bool(seen),
        start_evidence=np.roll(begins, -shift),
        cautions=tuple(map(Caution, notes)),
        facts={
            "clock_holes_seen": view.seen,
            "hole_pixels": round(2 * _hole_pixels(view) * picture.scale, 1),
            "tilt_degrees": round(_tilt(view), 1),
            "contrast": round(apart, 2),
            "row_radii": [round(float(r), 4) for r in radii],
        },
    )
    if overlay is not None:
        from sonify.recover.sources.image.overlay import write_overlay

        write_overlay(picture, view, radii, sighting, shift, overlay)
    return sighting


def _rows_in(image: NDArray[np.float32], view: View, path: Path) -> tuple[View, Floats, list[str]]:
    """The rows about a clock row, and the view refined by their holes."""
    for again, reach in enumerate(REACHES):
        reach = min(reach, view.rim)
        radii, notes, fullest = find_rows(image, view, reach)
        if fullest != 1.0:
            view = view.measured_by(fullest)
            radii, notes, _ = find_rows(image, view, reach)
        if len(radii) == 0 and reach < view.rim < np.inf:
            continue
        if len(radii) == 0:
            raise InputError(
                f"a clock row of {view.positions} holes was found, but no data row beside it; take "
                "the picture closer, sharper and in even light",
                file=path,
            )
        check_size(len(radii), view.positions, path)
        if radii.min() > 1 and radii.max() > view.rim:
            # the outline of something on the disc
            view = replace(view, rim=np.inf)
            continue
        view, radii = _refined(image, view, radii)
        end = view.rim if view.rim < np.inf else radii[0] / 0.7
        if again and reach >= end:
            break
    return view, _to_the_rim(image, view, radii), notes


def _to_the_rim(image: NDArray[np.float32], view: View, radii: Floats) -> Floats:
    """The rows, with those so near the rim that holes there are unlike the clock row's."""
    while len(radii) > 1:
        more = np.r_[2 * radii[0] - radii[1], radii]
        if not 1 + 1.6 * view.hole < more[0] < view.rim - view.hole < np.inf:
            break
        holes, confidence, _ = _judged(image, view, more)
        if (holes[0] * confidence[0] > 0.9).sum() < LEAST:
            break
        radii = more
    return radii


def _clock_of(
    image: NDArray[np.float32], view: View, radii: Floats
) -> tuple[float, int | None, NDArray[np.bool_]]:
    """The radius of the row that is likeliest to have a hole at each position, the data row that
    is nearly as likely to, and where holes of the clock row are not seen."""
    holes, confidence, _ = _judged(image, view, np.r_[1.0, radii])
    full = np.clip(0.5 + np.where(holes == 1, 0.5, -0.5) * confidence, HIDDEN, 1)
    likely = np.log(full).sum(axis=1)
    order = np.argsort(-likely, kind="stable")
    near = likely[order[1]] > likely[order[0]] - NEAR
    hidden = holes[0] * confidence[0] < 0.9
    return (1.0, *radii)[order[0]], int(max(order[:2])) - 1 if near else None, hidden


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
            if _hole_pixels(best) < SMALL_HOLE and picture.scale > 1.3:
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
    return view if view.rim > 1 + view.hole and moved < _hole_pixels(plain) else plain


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


def _hole_pixels(view: View) -> float:
    """Radius of a hole in pixels, on average."""
    return float(view.hole * np.sqrt(np.linalg.norm(_across(view), axis=0).prod()))


def _tilt(view: View) -> float:
    """Roughly how far the disc is tilted, in degrees, from the distortion at its middle."""
    long, short = np.linalg.svd(_across(view), compute_uv=False)
    return float(np.degrees(np.arccos(min(1.0, short / long))))


def _judged(
    image: NDArray[np.float32], view: View, radii: Floats
) -> tuple[NDArray[np.int8], NDArray[np.float32], float]:
    n = view.positions
    # the clock row as one of the rows, so that all are looked at alike
    every = np.concatenate([[1.0], radii])
    places = plane_points(n, every).reshape(-1, 2)
    seen = look(image, view, places, surroundings(view, every).reshape(len(places), -1, 2))
    holes, confidence, apart = decide(part_of(seen, slice(n)), part_of(seen, slice(n, None)))
    shape = (len(radii), n)
    return holes.reshape(shape), confidence.reshape(shape), apart


def _refined(image: NDArray[np.float32], view: View, radii: Floats) -> tuple[View, Floats]:
    """The view, fitted again to the centres of all holes that stand out clearly."""
    n = view.positions
    every = np.concatenate([[1.0], radii])
    for _ in range(2):
        holes, confidence, _ = _judged(image, view, every[1:])
        sure = np.concatenate([np.ones((1, n), bool), (holes == 1) & (confidence > 0.9)])
        points = plane_points(n, every)[sure]
        pixels, fine = _centres(image, view, points)
        if fine.sum() < 12:
            break
        row = np.broadcast_to(np.arange(len(every))[:, None], sure.shape)[sure][fine]
        angle = np.arctan2(points[fine][:, 1], points[fine][:, 0])
        # the radii of the rows from where their holes lie, then the view from all of them
        seen = np.linalg.norm(view.plane(pixels[fine]), axis=1)
        for k in range(1, len(every)):
            if (row == k).sum() >= 3:
                every[k] = float(np.median(seen[row == k]))
        plane = every[row][:, None] * np.stack([np.cos(angle), np.sin(angle)], axis=1)
        matrix = fit_view(plane, pixels[fine])
        off = np.linalg.norm(project(matrix, plane) - pixels[fine], axis=1)
        good = off < 3 * np.median(off) + 0.5
        matrix = fit_view(plane[good], pixels[fine][good])
        step = np.linalg.norm(np.diff(project(matrix, circle_points(n, np.arange(2))), axis=0))
        error = float(np.sqrt(np.mean(off[good] ** 2)) / step)
        view = replace(view, matrix=matrix, error=error)
    return view, every[1:]


def _centres(
    image: NDArray[np.float32], view: View, points: Floats
) -> tuple[Floats, NDArray[np.bool_]]:
    """Where holes near places of the plane really are in the picture."""
    offsets = np.stack(np.meshgrid(np.linspace(-1.5, 1.5, 13), np.linspace(-1.5, 1.5, 13)), -1)
    spread = offsets.reshape(-1, 2) * view.hole
    where = project(view.matrix, points[:, None, :] + spread)
    values = sample(image, where)
    inside = np.isfinite(values).all(axis=1)
    values = np.where(np.isfinite(values), values, 0)
    far = np.linalg.norm(offsets.reshape(-1, 2), axis=1)
    web = np.median(values[:, far > 1.3], axis=1, keepdims=True)
    weight = np.abs(values - web) * (far < 1.4)
    weight = np.maximum(weight - 0.3 * weight.max(axis=1, keepdims=True), 0)
    total = weight.sum(axis=1)
    fine = inside & (total > 0)
    centre = (weight[:, :, None] * where).sum(axis=1) / np.maximum(total, 1e-9)[:, None]
    return centre, fine
