"""Fill rules and the scroll: what lamps show, and that only changes are kept."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import sonify
from sonify.disc_player.profile import Matrix
from sonify.errors import InputError
from sonify.light.fill_rules import FILLS, Lines, suggested
from sonify.light.letters import load_letters
from tests.lamps import states_at
from tests.simulation import SimulatedDisc, lamp_memory


@settings(deadline=None, max_examples=40)
@given(
    rows=st.integers(1, 9),
    positions=st.integers(1, 30),
    width=st.integers(2, 12),
    height=st.integers(1, 9),
    fill=st.sampled_from(list(FILLS)),
    row_start=st.sampled_from(["index", "next-position"]),
    seed=st.integers(0, 999),
)
def test_lights_are_what_a_simulated_matrix_remembers(
    rows, positions, width, height, fill, row_start, seed
):
    grid = np.random.default_rng(seed).integers(-1, 2, (rows, positions)).astype(np.int8)
    disc = sonify.Disc.from_bits(grid, layout=sonify.Layout(positions=positions))
    given_settings = {
        "player.matrix.width": width,
        "player.matrix.height": height,
        "player.matrix.fill": fill,
        "player.row-start": row_start,
    }
    show = sonify.perform(disc, settings=given_settings)
    player = {"rpm": 10.0, "row-start": row_start, "stage": 0.8, "settle": 0.2}
    simulated = SimulatedDisc(["".join("?01"[b + 1] for b in row) for row in grid], 8)
    if fill == "characters" and -(-8 // height) > width:
        with pytest.raises(InputError, match=r"player\.matrix\.fill"):
            show.lights  # noqa: B018
        return
    memory = lamp_memory(simulated, player, fill, width, height)
    times = np.array([float(t) for t, _ in memory]) + 1e-6
    states = states_at(show.lights, times, width * height)
    np.testing.assert_array_equal(states > 0, np.array([lit for _, lit in memory]))
    # changes only: each entry differs from what its lamp showed
    level = np.zeros(width * height, np.uint8)
    for entry in show.lights:
        assert level[entry["led"]] != entry["level"]
        level[entry["led"]] = entry["level"]
    assert (np.diff(show.lights["time_s"]) >= 0).all()


@given(rows=st.integers(1, 60), positions=st.integers(1, 400))
def test_a_suggested_matrix_shows_all_of_a_disc(rows, positions):
    width, height = suggested(rows, positions)
    assert width % 8 == height % 8 == 0
    lines = Lines.of("fitted", rows, positions, Matrix(width=width, height=height))
    assert lines.rows == rows
    # a module less would not do
    if width > 8:
        smaller = Lines.of("fitted", rows, positions, Matrix(width=width - 8, height=height))
        assert smaller.fold > lines.fold
    if height > 8:
        assert rows * lines.fold > height - 8


def test_two_rows_leave_no_line_dark():
    disc = sonify.Disc.from_bits(np.ones((2, 30), np.int8), layout=sonify.Layout(positions=30))
    lit = np.zeros((8, 32), bool)
    for one in sonify.perform(disc).lights:
        lit.reshape(-1)[one["led"]] = True
    assert lit.any(axis=1).all()


def test_there_are_at_least_four_fill_rules_and_all_say_what_they_do():
    assert len(FILLS) >= 4
    for fill in FILLS.values():
        assert len(fill.about) > 30


def test_the_scroll_moves_the_letters_a_column_at_a_time():
    """Against the letters themselves, set side by side by a plain loop."""
    show = sonify.perform(sonify.Disc.from_message("FOG 9!"))
    letters = load_letters()
    strip = []
    for n, char in enumerate("FOG 9!"):
        if n:
            strip.append([False] * 7)
        glyph = letters.glyph(char)
        strip.extend(glyph[:, x].tolist() for x in range(glyph.shape[1]))
    scroll = show.scroll
    assert scroll.steps == len(strip) + 32
    for step in range(scroll.steps):
        levels = scroll.levels(step)
        for x in range(32):
            j = step - 31 + x
            expected = strip[j] if 0 <= j < len(strip) else [False] * 7
            assert (levels[:7, x] > 0).tolist() == expected
            assert levels[7, x] == 0
    assert not scroll.levels(scroll.steps - 1)[:, 1:].any()
    lights = scroll.lights()
    moments = scroll.start_s + (np.arange(scroll.steps) + 0.5) * scroll.column_s
    states = states_at(lights, moments, 256)
    for step in range(scroll.steps):
        np.testing.assert_array_equal(states[step].reshape(8, 32), scroll.levels(step))
    assert show.duration_s == pytest.approx(show.message_s + scroll.steps / 12)


def test_a_font_of_the_users_own_takes_the_place_of_the_letters(tmp_path):
    font = tmp_path / "own.bdf"
    font.write_text(
        "STARTFONT 2.1\nFONT own\nSIZE 8 75 75\nFONTBOUNDINGBOX 3 5 0 0\n"
        "STARTPROPERTIES 2\nFONT_ASCENT 5\nFONT_DESCENT 0\nENDPROPERTIES\nCHARS 1\n"
        "STARTCHAR A\nENCODING 65\nSWIDTH 500 0\nDWIDTH 4 0\nBBX 3 5 0 0\nBITMAP\n"
        "40\nA0\nE0\nA0\nA0\nENDCHAR\nENDFONT\n"
    )
    disc = sonify.Disc.from_message("AB")
    show = sonify.perform(disc, settings={"player.matrix.letters": str(font)})
    picture = show.scroll.levels(31)[:, :3] > 0
    rows = ["".join("#" if v else "." for v in row) for row in picture]
    assert rows == ["...", ".#.", "#.#", "###", "#.#", "#.#", "...", "..."]
    assert show.scroll.missing == ("B",)


def test_a_font_that_is_not_there_is_said_in_one_line(run, tmp_path):
    result = run("message", "cairn-small", "--set", f"player.matrix.letters={tmp_path}/no.ttf")
    assert result.status == 2
    assert "no.ttf" in result.err
    assert len(result.err.splitlines()) == 1
