"""Index mark, arrow and title."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from sonify.disc.disc import Disc
from sonify.disc.geometry.holes import CLOCK, holes_of
from sonify.disc.sizes import Geometry
from sonify.export.drawing.drawing import drawing_of
from sonify.export.drawing.strokes import strokes
from sonify.light.letters import load_letters
from tests.export.drawing.expected import DISC, TEXT, disc_of


@pytest.mark.parametrize("turning", ["clockwise", "anticlockwise"])
@pytest.mark.parametrize("side", ["front", "back"])
def test_the_arrow_points_the_way_the_disc_turns(turning, side):
    disc = disc_of(turning)
    drawing = drawing_of(disc, disc.geometry, side=side)
    arc = next(n.points for n in drawing.lines if n.group == "engraving")
    goes_right = arc[-1, 0] > arc[0, 0]  # over the axis, clockwise is to the right
    assert goes_right == ((turning == "clockwise") == (side == "front"))


def test_strokes_are_the_letters_of_the_matrix():
    """Each lit lamp lies on a stroke, and strokes pass over no dark one."""
    letters = load_letters()
    for char in letters.characters:
        picture = letters.glyph(char)
        wide = picture.shape[1]
        # lamps one unit apart, the lower left one at (0, 0)
        found = np.zeros_like(picture)
        for points, closed in strokes(char, (wide - 1) / 2, 3.0, 6.0):
            ring = np.array([*points, points[0]] if closed else points)
            assert np.abs(ring[1:] - ring[:-1]).max() > 0.2
            for a, b in itertools.pairwise(ring):
                if np.abs(b - a).max() < 0.9:  # a dot
                    x, y = ring[:-1].mean(axis=0)
                    found[6 - round(y), round(x)] = True
                    continue
                for t in np.linspace(0, 1, round(np.abs(b - a).max()) + 1):
                    x, y = a + (b - a) * t
                    assert abs(x - round(x)) + abs(y - round(y)) < 1e-9
                    found[6 - round(y), round(x)] = True
        assert np.array_equal(found, picture), char


def test_the_title_is_seen_the_right_way_round_on_both_sides():
    sides = [drawing_of(DISC, DISC.geometry, side=s).lines for s in ("front", "back")]
    title = [[n.points for n in lines if n.group == "engraving"][2:] for lines in sides]
    assert len(title[0]) > 20
    for front, back in zip(*title, strict=True):
        assert np.array_equal(front, back)
    odd = Disc.from_message(TEXT, geometry=Geometry(), title="Cairn 山")
    assert any("there are no letters for 山" in c for c in drawing_of(odd, odd.geometry).cautions)


def test_marks_touch_no_hole_and_stay_on_the_disc():
    for sizes in ({}, {"bore_diameter": 40.0}, {"outer_diameter": 172.0}, {"clock_radius": 60.0,
                  "first_row_radius": 80.0, "row_pitch": 4.0}):  # fmt: skip
        disc = disc_of(**sizes)
        drawing = drawing_of(disc, disc.geometry)
        holes = holes_of(disc, disc.geometry)
        g = disc.geometry
        for line in drawing.lines:
            steps = np.linspace(0, 1, 60)[:, None, None]
            ring = [*line.points, line.points[0]] if line.closed else list(line.points)
            ring = np.array(ring)
            points = (ring[:-1] * (1 - steps) + ring[1:] * steps).reshape(-1, 2)
            away = np.hypot(points[:, 0, None] - holes["x_mm"], points[:, 1, None] - holes["y_mm"])
            assert away.min() > g.hole_diameter / 2
            assert np.hypot(*points.T).max() < g.outer_diameter / 2
            assert np.hypot(*points.T).min() > g.bore_diameter / 2
            for k in g.keep_out:
                spot = k.radius * np.array([math.sin(math.radians(k.angle)),
                                            math.cos(math.radians(k.angle))])  # fmt: skip
                assert np.hypot(*(points - spot).T).min() > k.diameter / 2


def test_what_has_no_room_is_said():
    g = Geometry(outer_diameter=60.0, bore_diameter=30.0, clock_radius=28.4, hole_diameter=3.0,
                 first_row_radius=24.0, row_pitch=6.0)  # fmt: skip
    disc = Disc.from_bits(["1" * 8] * 2, geometry=g, title="A title far too long for this disc")
    said = drawing_of(disc, g).cautions
    assert len(said) == 3
    assert "index mark" in said[0]
    assert "turns clockwise" in said[1]
    assert "title" in said[2]


def test_clock_holes_are_at_every_position():
    holes = holes_of(DISC, DISC.geometry)
    assert holes[holes["kind"] == CLOCK]["position"].tolist() == list(range(56))


@pytest.mark.parametrize("text", ["FOG", TEXT, "A line of words that fits on no line."])
def test_the_message_is_engraved_in_lines_that_touch_nothing(text):
    disc = Disc.from_message(text, geometry=DISC.geometry, title="Other")
    g = disc.geometry
    drawing = drawing_of(disc, g, engrave="message")
    assert not drawing.cautions
    lines = [n.points for n in drawing.lines if n.group == "engraving"][2:]
    high = {round(float(y), 6) for points in lines for y in points[:, 1]}
    assert -g.bore_diameter / 2 > max(high)
    # the strokes of the same words, whatever their places
    words = sum(len(strokes(word, 0, 0, 6.0)) for word in disc.message.split())
    assert len(lines) == words
    corners = np.concatenate(lines)
    innermost = g.first_row_radius - (disc.rows - 1) * g.row_pitch - g.hole_diameter / 2
    assert np.hypot(*corners.T).max() < innermost


def test_engraving_is_chosen():
    def engraved(disc, choice):
        drawing = drawing_of(disc, DISC.geometry, engrave=choice)
        return sum(n.group == "engraving" for n in drawing.lines), drawing.cautions

    assert engraved(DISC, "none") == (2, ())  # the arrow
    silent = Disc.from_bits(["10" * 28] * 3, geometry=DISC.geometry)
    assert engraved(silent, "message") == (2, ("there is no message to engrave",))
