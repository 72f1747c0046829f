"""From circles to a disc: centre, rings, clock row, positions, rows, bore and keep-outs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sonify.disc.report import plural
from sonify.disc.sizes import Geometry, KeepOut
from sonify.errors import Caution, InputError
from sonify.recover.sighting import Sighting, check_size
from sonify.recover.sources.drawing.rounds import Rounds
from sonify.recover.sources.rings import (
    Ring,
    common_positions,
    evenly_spaced,
    phase_of,
    rings_of,
    row_ladder,
)

__all__ = ["sighting_of_rounds"]

Floats = NDArray[np.float64]
MAX_NOTES = 12
OFF_GRID = 0.15  # of a hole's diameter: reported
NOT_THERE = 0.40  # of a hole's diameter: not taken for the position's hole


@dataclass(frozen=True)
class _Holes:
    """Circles of one size, seen from a centre: angles clockwise from twelve o'clock."""

    x: Floats
    y: Floats
    diameter: Floats
    radius: Floats
    angle: Floats


def _typical(diameters: Floats) -> float:
    """The diameter that most circles have, to 15 %."""
    logs = np.sort(np.log(diameters))
    last = np.searchsorted(logs, logs + np.log(1.15), "right")
    at = int(np.argmax(last - np.arange(len(logs))))
    return float(np.exp(np.median(logs[at : last[at]])))


def _circle_through(x: Floats, y: Floats) -> tuple[float, float]:
    """Centre of the circle that fits best (Kasa's least squares)."""
    mx, my = x.mean(), y.mean()
    u, v = x - mx, y - my
    a = np.array([[u @ u, u @ v], [u @ v, v @ v]])
    z = u * u + v * v
    try:
        cu, cv = np.linalg.solve(a, np.array([u @ z, v @ z]) / 2)
    except np.linalg.LinAlgError:
        return float(mx), float(my)
    return float(cu + mx), float(cv + my)


def _guess_centre(x: Floats, y: Floats, hole: float) -> tuple[float, float]:
    """The centre of the circle that runs through most hole centres."""
    rng = np.random.default_rng(0)
    n = len(x)
    pick = rng.integers(0, n, (4000, 3))
    ax, ay, bx, by, cx, cy = (v[pick[:, k]] for k in range(3) for v in (x, y))
    d = 2 * (ax * (by - cy) + bx * (cy - ay) + cx * (ay - by))
    with np.errstate(all="ignore"):
        sa, sb, sc = ax**2 + ay**2, bx**2 + by**2, cx**2 + cy**2
        ux = (sa * (by - cy) + sb * (cy - ay) + sc * (ay - by)) / d
        uy = (sa * (cx - bx) + sb * (ax - cx) + sc * (bx - ax)) / d
    radius = np.hypot(ax - ux, ay - uy)
    ok = np.isfinite(ux) & np.isfinite(uy) & (radius < 2 * max(np.ptp(x), np.ptp(y)))
    ux, uy, radius = ux[ok], uy[ok], radius[ok]
    sample = rng.permutation(n)[:2000]
    best, at = -1, (float(x.mean()), float(y.mean()))
    for k in range(0, len(ux), 250):
        far = np.hypot(x[sample] - ux[k : k + 250, None], y[sample] - uy[k : k + 250, None])
        votes = np.count_nonzero(np.abs(far - radius[k : k + 250, None]) < 0.1 * hole, axis=1)
        if len(votes) and votes.max() > best:
            best = int(votes.max())
            m = int(np.argmax(votes))
            on = np.abs(far[m] - radius[k + m]) < 0.1 * hole
            at = _circle_through(x[sample][on], y[sample][on])
    return at


def _seen_from(circles: NDArray[np.void], cx: float, cy: float) -> _Holes:
    x, y = circles["x"] - cx, circles["y"] - cy
    angle = np.degrees(np.arctan2(x, y)) % 360
    return _Holes(circles["x"], circles["y"], circles["diameter"], np.hypot(x, y), angle)


def _place(x: float, y: float, diameter: float) -> str:
    return f"x {x:.2f}, y {y:.2f} mm, diameter {diameter:.2f} mm"


def _some(lines: list[str]) -> list[str]:
    if len(lines) <= MAX_NOTES:
        return lines
    return [*lines[:MAX_NOTES], f"... and {len(lines) - MAX_NOTES} more of that kind"]


def _clock_of(rings: list[Ring], seen: _Holes) -> tuple[Ring | None, int]:
    """The ring without gaps that fits the other holes best, and its count of positions."""
    full = [r for r in rings if len(r.members) >= 3 and evenly_spaced(seen.angle[r.members])]
    fits = []
    for ring in full:
        n = len(ring.members)
        rest = np.setdiff1d(np.arange(len(seen.angle)), ring.members)
        share = phase_of(seen.angle[rest], n)[1] if len(rest) else 1.0
        fits.append((share > 0.8, n, ring.radius, ring))
    good = [f for f in fits if f[0]]
    if not good:
        return None, 0
    most = max(n for _, n, _, _ in good)
    same = [f for f in good if f[1] == most]
    outermost = max(r.radius for r in rings)
    innermost = min(r.radius for r in rings)
    # rows that are all holes look the same: the clock row is at an edge of the rows
    edge = [f for f in same if f[2] in (outermost, innermost)] or same
    return max(edge, key=lambda f: f[2])[3], most


def sighting_of_rounds(rounds: Rounds, path: object) -> Sighting:
    """The disc that a drawing's circles make.

    Raises
    ------
    InputError
        No holes, or none that lie on rings about one centre at common angles.
    """
    circles = rounds.circles
    circles = circles[np.isfinite(circles["x"]) & np.isfinite(circles["y"])]
    circles = circles[circles["diameter"] > 0]
    notes = list(rounds.notes)
    if len(circles) < 4:
        raise InputError(
            f"{len(circles)} round outlines were found; a disc has a ring of holes with one at "
            "every position, so draw its holes as circles",
            file=path,
        )
    hole = _typical(circles["diameter"])
    is_hole = np.abs(np.log(circles["diameter"] / hole)) < np.log(1.3)
    others = circles[~is_hole]
    holes = circles[is_hole]
    holes, doubled = _without_doubles(holes, hole)
    notes += _some(
        [f"a hole is drawn twice: {_place(*(float(v) for v in c))}" for c in doubled.tolist()]
    )
    outline = _outline_of(others, holes, hole)
    seen, rings, clock, positions = _best_view(holes, outline, hole)
    if positions == 0:
        positions, phase = common_positions(seen.angle)
        if positions == 0:
            raise InputError(
                f"{len(holes)} round holes of about {hole:.2f} mm were found, but no ring of "
                "evenly spaced ones (the clock row), and no common angle between them; is it the "
                "drawing of a disc?",
                file=path,
            )
        clock = next(
            (r for r in rings if len(r.members) >= max(4, 0.9 * positions)),
            None,
        )
        if clock is not None:
            notes.append(
                f"the clock row at radius {clock.radius:.2f} mm has "
                f"{positions - len(clock.members)} of {positions} holes missing"
            )
        else:
            notes.append(
                f"there is no clock row (a ring with a hole at every position); {positions} "
                "positions follow from the common angle of the holes"
            )
    data = np.arange(len(seen.angle))
    if clock is not None:
        phase = phase_of(seen.angle[clock.members], positions)[0]
        data = np.setdiff1d(data, clock.members)
        own, share = phase_of(seen.angle[data], positions)
        away = (own - phase + 0.5) % 1 - 0.5
        if len(data) and share > 0.9 and abs(away) > 0.05:
            notes.append(f"the data holes lie {away:+.2f} positions off the clock row's")
            phase = own
    if len(data) == 0:
        raise InputError(
            "only one ring of holes was found, the clock row; the rows with the bits are missing",
            file=path,
        )
    off_grid = [r for r in rings if r is not clock and _off_grid(seen, r, positions, phase, hole)]
    radii, stray_rings, more = row_ladder(
        [r for r in rings if r is not clock and not any(r is o for o in off_grid)],
        positions,
        hole,
        clock.radius if clock else None,
    )
    stray_rings += off_grid
    notes += more
    check_size(len(radii), positions, path)
    found, confidence, geometry_notes = _fill(
        seen, data, radii, positions, phase, hole, stray_rings
    )
    notes += geometry_notes
    off = (phase + 0.5) % 1 - 0.5
    if abs(off) > 0.02:
        notes.append(
            f"no position lies at twelve o'clock; the nearest, {off * 360 / positions:+.2f} "
            "degrees from it, is taken for position 0"
        )
    geometry, more = _geometry(outline, others, seen, clock, radii, hole, holes)
    notes += more
    if rounds.ignored:
        notes.append(f"{plural(rounds.ignored, 'closed outline')} not round, left out")
    return Sighting(
        kind="drawing",
        holes=found,
        confidence=confidence,
        start_known=True,
        geometry=geometry,
        cautions=tuple(map(Caution, notes)),
        facts={"holes": len(holes), "clock_row": clock is not None},
    )


def _off_grid(seen: _Holes, ring: Ring, positions: int, phase: float, hole: float) -> bool:
    """Whether no hole of a ring lies at a position."""
    turn = seen.angle[ring.members] / 360 * positions - phase
    away = np.abs(turn - np.rint(turn)) * 2 * np.pi * ring.radius / positions
    return bool((away > 0.3 * hole).all())


def _without_doubles(
    holes: NDArray[np.void], hole: float
) -> tuple[NDArray[np.void], NDArray[np.void]]:
    """Holes that lie on another to a quarter of their diameter are the same hole."""
    cell = np.stack([np.floor(holes[k] / hole).astype(np.int64) for k in ("x", "y")], axis=1)
    drop = np.zeros(len(holes), bool)
    for shift in ((0, 0), (1, 0), (0, 1), (1, 1)):
        # cells of two holes' width, laid four ways, so that each near pair shares one of them
        keys = (cell + shift) // 2
        order = np.lexsort((np.arange(len(holes)), keys[:, 1], keys[:, 0]))
        for step in (1, 2, 3):
            a, b = order[:-step], order[step:]
            near = np.hypot(holes["x"][a] - holes["x"][b], holes["y"][a] - holes["y"][b])
            same = (keys[a] == keys[b]).all(axis=1) & (near < 0.25 * hole)
            drop[np.maximum(a[same], b[same])] = True
    return holes[~drop], holes[drop]


def _outline_of(
    others: NDArray[np.void], holes: NDArray[np.void], hole: float
) -> NDArray[np.void] | None:
    """The smallest circle that has nearly all the holes inside it."""
    best = None
    for one in others[np.argsort(others["diameter"])]:
        if one["diameter"] < 4 * hole:
            continue
        inside = np.hypot(holes["x"] - one["x"], holes["y"] - one["y"]) < one["diameter"] / 2
        if inside.mean() > 0.95:
            best = one
            break
    return best


def _best_view(
    holes: NDArray[np.void], outline: NDArray[np.void] | None, hole: float
) -> tuple[_Holes, list[Ring], Ring | None, int]:
    centres = []
    if outline is not None:
        centres.append((float(outline["x"]), float(outline["y"])))
    centres.append(_guess_centre(holes["x"], holes["y"], hole))
    first = None
    for centre in centres:
        seen = _seen_from(holes, *centre)
        rings = rings_of(seen.radius, hole)
        clock, positions = _clock_of(rings, seen)
        if clock is not None:
            # the clock row itself gives the best centre
            fine = _circle_through(seen.x[clock.members], seen.y[clock.members])
            if np.hypot(fine[0] - centre[0], fine[1] - centre[1]) > 1e-6:
                again = _seen_from(holes, *fine)
                rings_again = rings_of(again.radius, hole)
                clock_again, positions_again = _clock_of(rings_again, again)
                if clock_again is not None:
                    return again, rings_again, clock_again, positions_again
            return seen, rings, clock, positions
        first = first or (seen, rings, None, 0)
    assert first is not None
    return first


def _fill(
    seen: _Holes,
    data: NDArray[np.int64],
    radii: Floats,
    positions: int,
    phase: float,
    hole: float,
    stray_rings: list[Ring],
) -> tuple[NDArray[np.int8], NDArray[np.float32], list[str]]:
    """Each hole to its place, and what is odd about it."""
    turn = -(seen.angle[data] / 360 * positions - phase)
    place = np.rint(turn).astype(np.int64)
    row = np.argmin(np.abs(seen.radius[data][:, None] - radii[None, :]), axis=1)
    along = (turn - place) * 2 * np.pi * radii[row] / positions
    across = seen.radius[data] - radii[row]
    off = np.hypot(along, across) / hole
    place %= positions
    holes = np.zeros((len(radii), positions), np.int8)
    confidence = np.ones(holes.shape, np.float32)
    stray = np.zeros(len(data), bool)
    out_of_rows = [r.members for r in stray_rings]
    strange = np.isin(data, np.concatenate(out_of_rows)) if out_of_rows else stray
    there = (off <= NOT_THERE) & ~strange
    holes[row[there], place[there]] = 1
    odd = there & (off > OFF_GRID)
    sure = np.clip(1.15 - off, 0, 1).astype(np.float32)
    np.minimum.at(confidence, (row[odd], place[odd]), sure[odd])
    # a hole between places lets some light through at the nearest one
    near = ~there & (off < 0.9)
    touched = near & (holes[row, place] == 0)
    np.minimum.at(confidence, (row[touched], place[touched]), np.float32(0.3))
    notes = []
    for k in np.flatnonzero(odd | ~there):
        d = data[k]
        what = _place(float(seen.x[d]), float(seen.y[d]), float(seen.diameter[d]))
        if there[k]:
            notes.append(
                f"a hole lies {off[k] * hole:.2f} mm off row {row[k] + 1}, "
                f"position {place[k]}: {what}"
            )
        else:
            notes.append(f"a hole lies on no row and position and was left out: {what}")
    size = np.abs(np.log(seen.diameter[data] / hole)) > np.log(1.1)
    for k in np.flatnonzero(size & there):
        d = data[k]
        notes.append(
            f"a hole is of another size at row {row[k] + 1}, position {place[k]}: "
            + _place(float(seen.x[d]), float(seen.y[d]), float(seen.diameter[d]))
        )
    notes = _some(notes)
    notes += _some(_overlaps(holes, radii, positions, hole, seen, data[~there]))
    return holes, confidence, notes


def _overlaps(
    holes: NDArray[np.int8],
    radii: Floats,
    positions: int,
    hole: float,
    seen: _Holes,
    strays: NDArray[np.int64],
) -> list[str]:
    out = []
    for r, radius in enumerate(radii):
        chord = 2 * radius * np.sin(np.pi / positions)
        if chord < hole and positions > 1:
            both = (holes[r] == 1) & (np.roll(holes[r], -1) == 1)
            if both.any():
                p = int(np.flatnonzero(both)[0])
                out.append(
                    f"holes overlap in row {r + 1} (radius {radius:.2f} mm, "
                    f"diameter {hole:.2f} mm), "
                    f"{int(both.sum())} pairs, the first at position {p}"
                )
    for s in strays:
        near = np.hypot(seen.x - seen.x[s], seen.y - seen.y[s])
        near[s] = np.inf
        k = int(np.argmin(near))
        if near[k] < (seen.diameter[s] + seen.diameter[k]) / 2:
            out.append(
                "holes overlap: "
                + _place(float(seen.x[s]), float(seen.y[s]), float(seen.diameter[s]))
                + " and "
                + _place(float(seen.x[k]), float(seen.y[k]), float(seen.diameter[k]))
            )
    return out


def _geometry(
    outline: NDArray[np.void] | None,
    others: NDArray[np.void],
    seen: _Holes,
    clock: Ring | None,
    radii: Floats,
    hole: float,
    holes: NDArray[np.void],
) -> tuple[Geometry | None, list[str]]:
    notes: list[str] = []
    # the centre that the angles were measured from
    cx = float(np.mean(seen.x - seen.radius * np.sin(np.radians(seen.angle))))
    cy = float(np.mean(seen.y - seen.radius * np.cos(np.radians(seen.angle))))
    reach = float(seen.radius.max())
    if outline is None:
        outer = 2 * (reach + hole)
        notes.append(f"no outline was drawn; a diameter of {outer:.1f} mm is assumed")
    else:
        outer = float(outline["diameter"])
        away = float(np.hypot(outline["x"] - cx, outline["y"] - cy))
        if away > 0.1:
            notes.append(f"the outline's centre lies {away:.2f} mm off the clock row's")
    bore = 0.0
    keep_out = []
    inner = float(min(radii.min(), clock.radius if clock else np.inf))
    for one in others:
        away = float(np.hypot(one["x"] - cx, one["y"] - cy))
        size = float(one["diameter"])
        if away < 0.5 and size / 2 < inner:
            bore = max(bore, size)
        elif away + size / 2 < outer / 2 - 1e-6 and size > 1.3 * hole:
            angle = float(np.degrees(np.arctan2(one["x"] - cx, one["y"] - cy)) % 360)
            keep_out.append(
                KeepOut(radius=round(away, 4), angle=round(angle, 4), diameter=round(size, 4))
            )
    if bore == 0.0:
        bore = min(8.0, max(1.0, inner))
        notes.append(f"no bore was drawn; a diameter of {bore:.1f} mm is assumed")
    if not 0 < outer <= 10_000:
        notes.append("its sizes are no sizes of a disc in mm, so none are kept")
        return None, notes
    pitch = float(np.mean(np.abs(np.diff(radii)))) if len(radii) > 1 else 2 * hole
    return Geometry(
        outer_diameter=round(outer, 4),
        bore_diameter=round(bore, 4),
        clock_radius=round(clock.radius if clock else reach + 2 * hole, 4),
        first_row_radius=round(float(radii[0]), 4),
        row_pitch=round(pitch, 4),
        hole_diameter=round(hole, 4),
        keep_out=tuple(keep_out[:64]),
    ), notes
