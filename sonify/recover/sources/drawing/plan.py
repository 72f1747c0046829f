"""From circles to a disc: centre, rings, clock row, positions, rows, bore and keep-outs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sonify.disc.geometry.webs import close_pairs
from sonify.disc.sizes import LARGEST, Geometry, KeepOut
from sonify.errors import Caution, InputError, plural
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

__all__ = ["best_view", "sighting_of_rounds", "typical"]

Floats = NDArray[np.float64]
Index = NDArray[np.int64]
MAX_NOTES = 12
OFF_GRID = 0.15  # of a hole's diameter: reported
NOT_THERE = 0.40  # of a hole's diameter: not taken for the position's hole
MAX_KEEP_OUTS = 64


@dataclass(frozen=True, eq=False)
class Seen:
    """Holes of one size seen from a centre (angles clockwise from twelve o'clock), their rings,
    and the clock row with its count of positions."""

    centre: tuple[float, float]
    circles: NDArray[np.void]
    radius: Floats
    angle: Floats
    rings: list[Ring]
    clock: Ring | None
    positions: int

    @classmethod
    def of(cls, circles: NDArray[np.void], centre: tuple[float, float], hole: float) -> Seen:
        """Holes as they are seen from a centre."""
        x, y = circles["x"] - centre[0], circles["y"] - centre[1]
        radius, angle = np.hypot(x, y), np.degrees(np.arctan2(x, y)) % 360
        rings = rings_of(radius, hole)
        return cls(centre, circles, radius, angle, rings, *_clock_of(rings, angle))


def _place(circle: np.void) -> str:
    return "x {:.2f}, y {:.2f} mm, diameter {:.2f} mm".format(*circle.tolist())


def typical(diameters: Floats) -> float:
    """The diameter that most circles have, within 15 %."""
    logs = np.sort(np.log(diameters))
    last = np.searchsorted(logs, logs + np.log(1.15), "right")
    at = int(np.argmax(last - np.arange(len(logs))))
    return float(np.exp(np.median(logs[at : last[at]])))


def _circle_through(x: Floats, y: Floats) -> tuple[float, float]:
    """Centre of the circle that fits best (Kasa's least squares)."""
    mx, my = float(x.mean()), float(y.mean())
    u, v = x - mx, y - my
    fit = np.linalg.lstsq(np.column_stack((2 * u, 2 * v, np.ones(len(u)))), u * u + v * v)[0]
    return float(fit[0]) + mx, float(fit[1]) + my


def _guess_centre(x: Floats, y: Floats, hole: float) -> tuple[float, float]:
    """The centre of the circle that runs through most hole centres."""
    rng = np.random.default_rng(0)
    z = x + 1j * y
    a, b, c = z[rng.integers(0, len(z), (4000, 3))].T
    b, c = b - a, c - a
    with np.errstate(all="ignore"):
        away = (abs(c) ** 2 * b - abs(b) ** 2 * c) * 1j / (2 * (b.conj() * c).imag)
    radius = abs(away)
    ok = np.isfinite(radius) & (radius < 2 * max(np.ptp(x), np.ptp(y)))
    centre, radius = (a + away)[ok], radius[ok]
    sample = z[rng.permutation(len(z))[:2000]]
    best, at = 0, (float(x.mean()), float(y.mean()))
    for k in range(0, len(centre), 250):
        far = abs(sample - centre[k : k + 250, None])
        on = abs(far - radius[k : k + 250, None]) < 0.1 * hole
        votes = np.count_nonzero(on, axis=1)
        if votes.max() > best:
            best = int(votes.max())
            chosen = sample[on[np.argmax(votes)]]
            at = _circle_through(chosen.real, chosen.imag)
    return at


def _clock_of(rings: list[Ring], angle: Floats) -> tuple[Ring | None, int]:
    """The ring without gaps that fits the other holes best, and its count of positions."""
    good = []
    for ring in rings:
        n = len(ring.members)
        if n >= 3 and evenly_spaced(angle[ring.members]):
            rest = np.delete(angle, ring.members)
            if not len(rest) or phase_of(rest, n)[1] > 0.8:
                good.append(ring)
    if not good:
        return None, 0
    most = max(len(r.members) for r in good)
    same = [r for r in good if len(r.members) == most]
    # rows that are all holes look the same: the clock row is at an edge of the rows
    edge = [r for r in same if r is rings[0] or r is rings[-1]] or same
    return max(edge, key=lambda r: r.radius), most


def best_view(holes: NDArray[np.void], outline: NDArray[np.void] | None, hole: float) -> Seen:
    """The holes as seen from the first centre that shows a clock row."""
    views = []
    if outline is not None:
        views.append(Seen.of(holes, (float(outline["x"]), float(outline["y"])), hole))
    if not views or views[0].clock is None:
        views.append(Seen.of(holes, _guess_centre(holes["x"], holes["y"], hole), hole))
    seen = next((v for v in views if v.clock is not None), views[0])
    if seen.clock is None:
        return seen
    # the clock row itself gives the best centre
    own = holes[seen.clock.members]
    again = Seen.of(holes, _circle_through(own["x"], own["y"]), hole)
    moved = np.hypot(again.centre[0] - seen.centre[0], again.centre[1] - seen.centre[1])
    return again if moved > 1e-6 and again.clock is not None else seen


def _few(lines: list[str]) -> list[str]:
    if len(lines) <= MAX_NOTES:
        return lines
    return [*lines[:MAX_NOTES], f"... and {len(lines) - MAX_NOTES} more of that kind"]


def sighting_of_rounds(rounds: Rounds, path: object) -> Sighting:
    """The disc that a drawing's circles form.

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
    hole = typical(circles["diameter"])
    is_hole = np.abs(np.log(circles["diameter"] / hole)) < np.log(1.3)
    others, holes = circles[~is_hole], circles[is_hole]
    # holes closer than a quarter of their diameter are the same hole
    try:
        again = np.unique(close_pairs(holes["x"], holes["y"], 0.25 * hole).second)
    except InputError as e:
        raise e.at(path) from None
    doubled, holes = holes[again], np.delete(holes, again)
    # the outline is the smallest circle that has nearly all the holes inside it
    outline = next(
        (
            one
            for one in others[np.argsort(others["diameter"])]
            if one["diameter"] >= 4 * hole
            and (_away(holes, one["x"], one["y"]) < one["diameter"] / 2).mean() > 0.95
        ),
        None,
    )
    seen = best_view(holes, outline, hole)
    notes += _few([f"a hole is drawn twice: {_place(one)}" for one in doubled])
    clock, positions = seen.clock, seen.positions
    phase = 0.0
    if clock is None:
        positions, phase = common_positions(seen.angle)
        if positions == 0:
            raise InputError(
                f"{len(holes)} round holes of about {hole:.2f} mm were found, but no ring of "
                "evenly spaced ones (the clock row), and no common angle between them; is it the "
                "drawing of a disc?",
                file=path,
            )
        clock = next((r for r in seen.rings if len(r.members) >= max(4, 0.9 * positions)), None)
        if clock is None:
            notes.append(
                f"there is no clock row (a ring with a hole at every position); {positions} "
                "positions follow from the common angle of the holes"
            )
        else:
            missing = positions - len(clock.members)
            notes.append(
                f"the clock row at radius {clock.radius:.2f} mm has {missing} of {positions} "
                "holes missing"
            )
    data = np.arange(len(seen.angle))
    if clock is not None:
        phase = phase_of(seen.angle[clock.members], positions)[0]
        data = np.setdiff1d(data, clock.members)
        own, share = phase_of(seen.angle[data], positions)
        away = (own - phase + 0.5) % 1 - 0.5
        if share > 0.9 and abs(away) > 0.05:
            notes.append(f"the data holes lie {away:+.2f} positions off the clock row's")
            phase = own
    if len(data) == 0:
        raise InputError(
            "only one ring of holes was found, the clock row; the rows with the bits are missing",
            file=path,
        )
    data_rings = [r for r in seen.rings if r is not clock]
    off_grid = [r for r in data_rings if _off_grid(seen.angle, r, positions, phase, hole)]
    ladder = row_ladder(
        [r for r in data_rings if r not in off_grid],
        positions,
        hole,
        clock.radius if clock else None,
    )
    radii = ladder.radii
    check_size(len(radii), positions, path)
    members = [r.members for r in ladder.strays + off_grid]
    stray = np.isin(data, np.concatenate(members)) if members else np.zeros(len(data), bool)
    bits, confidence, odd = _fill(seen, data, stray, radii, positions, phase, hole)
    notes += ladder.notes + odd
    off = (phase + 0.5) % 1 - 0.5
    if abs(off) > 0.02:
        notes.append(
            f"no position is at twelve o'clock; the nearest, {off * 360 / positions:+.2f} degrees "
            "from it, counts as position 1"
        )
    geometry = _geometry(outline, others, seen, clock, radii, hole, notes)
    if rounds.ignored:
        notes.append(f"left out because not round: {plural(rounds.ignored, 'closed outline')}")
    return Sighting(
        kind="drawing",
        holes=bits,
        confidence=confidence,
        start_known=True,
        geometry=geometry,
        cautions=tuple(map(Caution, notes)),
        facts={"holes": len(holes), "clock_row": clock is not None},
    )


def _away(circles: NDArray[np.void], x: float, y: float) -> Floats:
    """Distances of circles from a point."""
    out: Floats = np.hypot(circles["x"] - x, circles["y"] - y)
    return out


def _off_grid(angle: Floats, ring: Ring, positions: int, phase: float, hole: float) -> bool:
    """Whether no hole of a ring lies at a position."""
    turn = angle[ring.members] / 360 * positions - phase
    away = np.abs(turn - np.rint(turn)) * 2 * np.pi * ring.radius / positions
    return bool((away > 0.3 * hole).all())


def _fill(
    seen: Seen,
    data: Index,
    stray: NDArray[np.bool_],
    radii: Floats,
    positions: int,
    phase: float,
    hole: float,
) -> tuple[NDArray[np.int8], NDArray[np.float32], list[str]]:
    """The holes at their rows and positions, and notes on what is odd about them."""
    turn = -(seen.angle[data] / 360 * positions - phase)
    place = np.rint(turn).astype(np.int64)
    between = (radii[:-1] + radii[1:]) / 2
    row = np.searchsorted(-between, -seen.radius[data])
    along = (turn - place) * 2 * np.pi * radii[row] / positions
    off = np.hypot(along, seen.radius[data] - radii[row]) / hole
    place %= positions
    holes = np.zeros((len(radii), positions), np.int8)
    confidence = np.ones(holes.shape, np.float32)
    there = (off <= NOT_THERE) & ~stray
    holes[row[there], place[there]] = 1
    odd = there & (off > OFF_GRID)
    sure = np.clip(1.15 - off, 0, 1).astype(np.float32)
    np.minimum.at(confidence, (row[odd], place[odd]), sure[odd])
    # a hole between places lets some light through at the nearest one
    touched = ~there & (off < 0.9) & (holes[row, place] == 0)
    np.minimum.at(confidence, (row[touched], place[touched]), np.float32(0.3))
    notes = []
    for k in np.flatnonzero(odd | ~there):
        what = _place(seen.circles[data[k]])
        if there[k]:
            at = f"row {row[k] + 1}, position {place[k] + 1}"
            notes.append(f"a hole lies {off[k] * hole:.2f} mm off {at}: {what}")
        else:
            notes.append(f"a hole lies on no row and position and was left out: {what}")
    size = np.abs(np.log(seen.circles["diameter"][data] / hole)) > np.log(1.1)
    for k in np.flatnonzero(size & there):
        at = f"row {row[k] + 1}, position {place[k] + 1}"
        notes.append(f"a hole has another size at {at}: {_place(seen.circles[data[k]])}")
    overlaps = []
    for r, radius in enumerate(radii):
        both = (holes[r] == 1) & (np.roll(holes[r], -1) == 1)
        if positions > 1 and 2 * radius * np.sin(np.pi / positions) < hole and both.any():
            overlaps.append(
                f"holes overlap in row {r + 1} (radius {radius:.2f} mm, diameter {hole:.2f} mm), "
                f"{int(both.sum())} pairs, the first at position {int(np.argmax(both)) + 1}"
            )
    for s in data[~there]:
        near = _away(seen.circles, seen.circles["x"][s], seen.circles["y"][s])
        near[s] = np.inf
        other = int(np.argmin(near))
        if near[other] < (seen.circles["diameter"][s] + seen.circles["diameter"][other]) / 2:
            overlaps.append(
                f"holes overlap: {_place(seen.circles[s])} and {_place(seen.circles[other])}"
            )
    return holes, confidence, _few(notes) + _few(overlaps)


def _geometry(
    outline: NDArray[np.void] | None,
    others: NDArray[np.void],
    seen: Seen,
    clock: Ring | None,
    radii: Floats,
    hole: float,
    notes: list[str],
) -> Geometry | None:
    cx, cy = seen.centre
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
    for x, y, size in others.tolist():
        away = float(np.hypot(x - cx, y - cy))
        if away < 0.5 and size / 2 < inner:
            bore = max(bore, size)
        elif away + size / 2 < outer / 2 - 1e-6 and size > 1.3 * hole:
            angle = float(np.degrees(np.arctan2(x - cx, y - cy)) % 360)
            keep_out.append(
                KeepOut(radius=round(away, 4), angle=round(angle, 4), diameter=round(size, 4))
            )
    if bore == 0.0:
        bore = min(8.0, max(1.0, inner))
        notes.append(f"no bore was drawn; a diameter of {bore:.1f} mm is assumed")
    if not 0 < outer <= LARGEST:
        notes.append("its sizes can't be those of a disc in mm, so none are kept")
        return None
    pitch = float(np.mean(np.abs(np.diff(radii)))) if len(radii) > 1 else 2 * hole
    return Geometry(
        outer_diameter=round(outer, 4),
        bore_diameter=round(bore, 4),
        clock_radius=round(clock.radius if clock else reach + 2 * hole, 4),
        first_row_radius=round(float(radii[0]), 4),
        row_pitch=round(pitch, 4),
        hole_diameter=round(hole, 4),
        keep_out=tuple(keep_out[:MAX_KEEP_OUTS]),
    )
