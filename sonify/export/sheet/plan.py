"""The plan of the disc on the sheet: holes, rows, positions, index and clock row, labelled."""

from __future__ import annotations

from math import cos, pi, radians, sin

import numpy as np

from sonify.disc.geometry.cautions import geometry_of
from sonify.disc.sizes import check_rows, row_radii
from sonify.export.sheet.facts import Facts, Unit
from sonify.export.sheet.page import BOLD, SMALL, Canvas, Circle, Line, Target

__all__ = ["LABELS", "draw_plan", "draw_wrong"]

AROUND = 7.5
"""Room around the disc for the index mark, the numbers of positions and the arrow."""
LABELS = 19.0
"""The width of the labels of rows."""
SPACING = 4.4
"""The least distance between two labels."""
STEPS = (1, 2, 5, 10, 20, 25, 50, 100, 200, 250, 500, 1000, 2000, 2500, 5000, 10000)
LEAST_DOT = 1.0
"""The least distance of two places at which those without a hole get a dot."""


class Plan:
    """A disc drawn to scale within a square.

    Parameters
    ----------
    canvas : Canvas
    facts : Facts
    x, y : float
        The upper left corner of the square.
    size : float
        Its side.
    """

    def __init__(self, canvas: Canvas, facts: Facts, x: float, y: float, size: float) -> None:
        disc = facts.disc
        geometry, _ = geometry_of(disc)
        check_rows(geometry, disc.layout, disc.rows)
        self.canvas, self.facts, self.g = canvas, facts, geometry
        self.reach = size / 2 - AROUND
        self.x, self.y = x + size / 2, y + size / 2
        self.scale = self.reach / (geometry.outer_diameter / 2)
        self.radii = (row_radii(geometry, disc.layout, disc.rows) * self.scale).tolist()
        self.clock = geometry.clock_radius * self.scale
        self.spot = max(0.2, geometry.hole_diameter / 2 * self.scale)

    def at(self, radius: float, position: float) -> tuple[float, float]:
        """A place on the page."""
        a = radians(self.facts.disc.layout.angle(position))
        return self.x + radius * sin(a), self.y - radius * cos(a)

    def place(self, bit: int) -> tuple[float, float]:
        """Where a bit lies on the page."""
        row, position = divmod(bit, self.facts.disc.positions)
        return self.at(self.radii[row], position)

    def draw(self, wrong: int | None) -> None:
        """Draw everything; `wrong` is the bit that stands for a wrong hole."""
        canvas, g = self.canvas, self.g
        canvas.add(Circle(self.x, self.y, self.reach, "material", "ink", 0.3))
        for k in g.keep_out:
            x, y = (self.scale * v for v in k.centre)
            canvas.add(
                Circle(self.x + x, self.y - y, k.diameter / 2 * self.scale, "paper", "soft", 0.15)
            )
        canvas.add(Circle(self.x, self.y, g.bore_diameter / 2 * self.scale, "paper", "ink", 0.3))
        for unit in self.facts.units:
            self._tint(unit)
        self._holes()
        self._index()
        self._arrow()
        low, high = self._row_labels()
        self._numbers(low, high)
        if wrong is not None:
            draw_wrong(canvas, *self.place(wrong), max(1.2, self.spot + 0.5))

    def _tint(self, unit: Unit) -> None:
        """Colour the places of a code unit, row by row."""
        n = self.facts.disc.positions
        half = min(self.g.row_pitch * self.scale * 0.45, self.spot + 1.0)
        first = unit.first
        while first <= unit.last:
            row, start = divmod(first, n)
            last = min(unit.last, (row + 1) * n - 1)
            turn = np.linspace(start - 0.5, last % n + 0.5, 4 * (last - first + 1) + 1).tolist()
            edge = [self.at(self.radii[row] + half, p) for p in turn]
            edge += [self.at(self.radii[row] - half, p) for p in reversed(turn)]
            link = (first, last)
            self.canvas.add(Line(tuple(edge), None, 0.2, unit.tint, link))
            first = last + 1

    def _holes(self) -> None:
        disc = self.facts.disc
        for r, radius in enumerate(self.radii):
            dots = 2 * pi * radius / disc.positions >= LEAST_DOT
            for p, value in enumerate(disc.grid[r].tolist()):
                bit = r * disc.positions + p
                x, y = self.at(radius, p)
                if value == disc.layout.hole_means:
                    self.canvas.add(Circle(x, y, self.spot, "hole", None, 0.2, (bit, bit)))
                elif value < 0:
                    self.canvas.add(Circle(x, y, self.spot, "paper", "soft", 0.15, (bit, bit)))
                elif dots:
                    self.canvas.add(Circle(x, y, 0.18, "soft", None, 0.2, (bit, bit)))
        for p in range(disc.positions):
            self.canvas.add(Circle(*self.at(self.clock, p), self.spot, "paper", "ink", 0.15))

    def _index(self) -> None:
        top = self.y - self.reach
        mark = ((self.x, top + 0.2), (self.x - 1.5, top - 2.6), (self.x + 1.5, top - 2.6))
        self.canvas.add(Line(mark, None, 0.2, "ink"))
        self.canvas.text(self.x, top - 3.6, "1", SMALL, anchor="middle", style=BOLD)
        self.canvas.text(self.x + 2.4, top - 3.6, "index", SMALL, colour="soft")

    def _numbers(self, low: float, high: float) -> None:
        """Number the positions around the rim, as many as there is room for; none between the
        leads of rows, on the right from `low` to `high`."""
        n = self.facts.disc.positions
        radius = self.reach + 2.9
        apart = 2 * pi * radius / n
        step = next((s for s in STEPS if s * apart >= 7.0), n)
        for p in range(step - 1 if step > 1 else 0, n, step):
            x, y = self.at(radius, p)
            self.canvas.add(
                Line((self.at(self.reach, p), self.at(self.reach + 0.9, p)), "soft", 0.15)
            )
            beside = x - self.x
            at_index = y < self.y - self.reach + 3.0 and -6.0 < beside < 16.0
            if not at_index and not (beside > 0 and low - 2.5 < y < high + 2.5):
                self.canvas.text(x, y + 0.9, str(p + 1), SMALL, anchor="middle")

    def _arrow(self) -> None:
        """The way the disc turns, in the lower left corner."""
        radius = self.reach + 6.0
        ends = (238.0, 212.0)
        turns = ends if self.facts.disc.layout.turning == "anticlockwise" else ends[::-1]
        angles = [radians(a) for a in np.linspace(*turns, 12).tolist()]
        path = [(self.x + radius * sin(a), self.y - radius * cos(a)) for a in angles]
        self.canvas.add(Line(tuple(path), "accent", 0.5))
        (tx, ty), (bx, by) = path[-1], path[-3]
        along = ((tx - bx) / np.hypot(tx - bx, ty - by), (ty - by) / np.hypot(tx - bx, ty - by))
        tip = (tx + 1.6 * along[0], ty + 1.6 * along[1])
        side = (0.9 * along[1], -0.9 * along[0])
        head = (tip, (tx + side[0], ty + side[1]), (tx - side[0], ty - side[1]))
        self.canvas.add(Line(head, None, 0.2, "accent"))
        low = self.y + self.reach + AROUND
        self.canvas.text(self.x - self.reach - AROUND, low - 4.2, "turns", SMALL, colour="accent")
        self.canvas.text(
            self.x - self.reach - AROUND, low - 0.8, "this way", SMALL, colour="accent"
        )

    def _row_labels(self) -> tuple[float, float]:
        """Lead a line from the clock row and from some rows to their names on the right; returns
        the heights of the first and the last."""
        count, n = len(self.radii), self.facts.disc.positions
        pitch = self.g.row_pitch * self.scale
        # names below the middle would make leads cross
        most = int(self.reach / SPACING) + 1
        step = next(s for s in STEPS if s * pitch >= SPACING * 0.7 or s >= count)
        step = max(step, next(s for s in STEPS if count / s <= most - 2))
        rows = {0, count - 1} | set(range(step - 1, count, step))
        rows -= {r for r in rows if 0 < r < step / 2 or count - 1 - step / 2 < r < count - 1}
        rings = [(self.clock, "clock row", None)] + [
            (self.radii[r], f"row {r + 1}", (r * n, (r + 1) * n - 1)) for r in sorted(rows)
        ]
        rings.sort(key=lambda ring: -ring[0])
        # outer rows above inner ones, so that the leads do not cross
        top = self.y - SPACING * (len(rings) - 1)
        x = self.x + self.reach + AROUND + 0.5
        for k, (radius, name, link) in enumerate(rings):
            y = top + SPACING * k
            up = float(np.clip(y - self.y, -0.85 * radius, 0.85 * radius))
            # between two positions, so as not to hide a hole
            turn = np.degrees(np.arctan2((radius**2 - up**2) ** 0.5, -up)) / 360 * n
            if self.facts.disc.layout.turning == "clockwise":
                turn = n - turn
            start = self.at(radius, float(np.floor(turn)) + 0.5)
            for colour, width in (("paper", 0.7), ("accent", 0.25)):
                self.canvas.add(Line((start, (x - 0.8, y)), colour, width))
            self.canvas.add(Circle(*start, 0.55, "accent", "paper", 0.15))
            self.canvas.text(x, y + 0.9, name, SMALL, colour="accent")
            if link:
                self.canvas.add(Target(x, y - 2, LABELS - 2, 4, link, name.capitalize()))
        return top, top + SPACING * (len(rings) - 1)


def draw_plan(
    canvas: Canvas, facts: Facts, x: float, y: float, size: float, wrong: int | None
) -> None:
    """Draw the disc in a square, with the names of rows on the right of it.

    Raises
    ------
    InputError
        Rows that don't fit the disc's geometry.
    """
    Plan(canvas, facts, x, y, size).draw(wrong)


def draw_wrong(canvas: Canvas, x: float, y: float, r: float) -> None:
    """Mark a wrong hole: a ring with a cross."""
    canvas.add(Circle(x, y, r, None, "wrong", 0.35))
    for dx, dy in ((-r, -r), (r, -r), (-r, r), (r, r)):
        canvas.add(Line(((x + dx, y + dy), (x + 1.5 * dx, y + 1.5 * dy)), "wrong", 0.35))
