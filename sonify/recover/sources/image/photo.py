"""Photographs to a sighting."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sonify.errors import Caution, InputError
from sonify.recover.search.arrangement import ELSEWHERE
from sonify.recover.sighting import THRESHOLD, Sighting, check_size
from sonify.recover.sources.image.front import find_rows, innermost
from sonify.recover.sources.image.locate import find_disc, hole_pixels, tilt
from sonify.recover.sources.image.mark import marks_of
from sonify.recover.sources.image.ring import View, circle_points, fit_view, project
from sonify.recover.sources.image.sites import (
    decide,
    look,
    part_of,
    plane_points,
    sample,
    surroundings,
    uncovered,
)

__all__ = ["read_photograph"]

Floats = NDArray[np.float64]

REACHES = (1.9, 1.9, 3.8, 7.6, 15.2)
"""Radii of the clock row within which rows are looked for: again with what the first rows have told
of the view, and further out up to the rim, or while there are some."""
FEWEST_SURE, LEAST = 2, 3
"""Holes of a row that only its place tells, where nothing else is in doubt there, and elsewhere: in
208 pictures, the mark and engraving looked like one and two."""
HIDDEN = 0.01  # of clock holes may be hidden and look like none
NEAR = 3.0  # difference of log likelihoods, 20 to 1, below which another row may be the clock row
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
    marks = marks_of(image, view, radii, hidden)
    holes, confidence, apart = _judged(image, view, radii)
    if apart < APART:
        confidence = confidence * np.float32(max(0.0, apart / APART - 0.3))
        notes.append("holes and material look much the same; use more light or a plain background")
    clear = uncovered(picture.colour, view, np.r_[1.0, radii], np.vstack([~hidden, holes == 1]))[1:]
    if covered := int(((clear < THRESHOLD) & (confidence > 0)).sum()):
        how = "take the picture without it"
        notes.append(f"something seems to lie over {covered} positions; {how}")
    confidence = np.minimum(confidence, clear)
    shift = int(marks.start.argmax())
    holes, confidence = np.roll(holes, -shift, axis=1), np.roll(confidence, -shift, axis=1)
    outside = int((confidence == 0).sum())
    if outside:
        notes.append(f"{outside} positions lie outside the picture or can't be judged")
    seen = marks.start.max() >= ELSEWHERE / 2
    if not seen:
        notes.append(
            "no index mark was seen, so the start of the rows follows from the message alone"
        )
    elif marks.mark < ELSEWHERE:
        mark = "the index mark is hard to see"
        if marks.arrow > marks.mark:
            mark = "the index mark was not seen, only the arrow about the bore"
        notes.append(f"{mark}, so the rows may begin at another position")
    missing = view.positions - view.seen
    if missing:
        notes.append(f"{missing} of {view.positions} clock holes were not seen")
    sighting = Sighting(
        kind="photograph",
        holes=holes,
        confidence=confidence,
        start_known=bool(seen),
        start_evidence=np.roll(marks.start, -shift),
        clockwise=marks.clockwise,
        cautions=tuple(map(Caution, notes)),
        facts={
            "clock_holes_seen": view.seen,
            "hole_pixels": round(2 * hole_pixels(view) * picture.scale, 1),
            "tilt_degrees": round(tilt(view), 1),
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
    return view, _continued(image, view, radii), notes


def _continued(image: NDArray[np.float32], view: View, radii: Floats) -> Floats:
    """The rows, with those beyond them in which holes are unlike the clock row's: so near the rim
    that the light there differs, or so far inside that something else shows through."""
    for _ in range(2):
        while len(radii) > 1:
            more = np.r_[radii, 2 * radii[-1] - radii[-2]]
            outside = 1 < more[-1] < view.rim - view.hole < np.inf
            inside = innermost(view) < more[-1] < 1
            apart = np.abs(np.r_[1.0, radii] - more[-1]).min() > 1.6 * view.hole
            if not apart or not (outside or inside):
                break
            holes, confidence, _ = _judged(image, view, more, between=True)
            row, beside = holes[-2:] == 1
            sure, sure_beside = confidence[-2:] > 0.9
            # engraving goes on between the positions, and parts of it are like neither
            odd = (beside | ~sure_beside).sum()
            least = max(LEAST, 0.12 * view.positions, 3 * odd)
            if sure.all() and not odd:
                least = FEWEST_SURE
            if (row & sure).sum() < least or sure.mean() < 0.8:
                break
            radii = more
        radii = radii[::-1]
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


def _judged(
    image: NDArray[np.float32], view: View, radii: Floats, *, between: bool = False
) -> tuple[NDArray[np.int8], NDArray[np.float32], float]:
    """Holes and confidence of rows, and last, if asked for, between the positions of the last row;
    and how far holes and webs lie apart."""
    n = view.positions
    # the clock row as one of the rows, so that all are looked at alike
    every = np.concatenate([[1.0], radii])
    places, around = plane_points(n, every), surroundings(view, every)
    if between:
        shifted = plane_points(n, every[-1:], 0.5)
        places = np.concatenate([places, shifted])
        around = np.concatenate([around, around[-1:] + (shifted - places[-2:-1])[:, :, None]])
    seen = look(image, view, places.reshape(-1, 2), around.reshape(-1, 4, 2))
    holes, confidence, apart = decide(part_of(seen, slice(n)), part_of(seen, slice(n, None)))
    return holes.reshape(-1, n), confidence.reshape(-1, n), apart


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
