"""Charts of reports, read back with Pillow."""

from __future__ import annotations

import io

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from sonify.recover.chart import Area, Chart, _ticks, spread


def seen(chart: Chart) -> np.ndarray:
    with Image.open(io.BytesIO(chart.png())) as picture:
        return np.asarray(picture.convert("RGB"), int)


def area(chart: Chart) -> Area:
    """Values are pixels from the lower left corner."""
    return Area(chart, 50, 40, 200, 100, (0, 200), (0, 100))


@given(st.floats(-1e6, 1e6), st.floats(1e-6, 1e6), st.integers(1, 12), st.booleans(), st.booleans())
def test_ticks_are_round_even_and_between_the_ends(low, span, most, whole, turned):
    high = low + span
    if high - low < 1e-9 * abs(low):
        return
    found = _ticks((high, low) if turned else (low, high), most, whole)
    values = np.array([v for v, _ in found])
    assert len(found) <= most + 1
    assert whole or most < 2 or len(found) >= most / 2.6 - 1
    slack = 1e-5 * max(span, whole)
    assert ((values >= low - slack) & (values <= high + slack)).all()
    for value, words in found:
        assert float(words.replace(",", "").replace("−", "-")) == pytest.approx(value, abs=1e-7)
        assert not whole or value == round(value)
    if len(found) > 2:
        steps = np.diff(values)
        assert np.ptp(steps) <= 1e-6 * span
        assert f"{steps[0]:.1e}"[:3] in ("1.0", "2.0", "5.0")


def test_an_axis_has_a_margin_whatever_the_values():
    assert spread([0, 10], [np.nan, 20]) == (-1, 21)
    for values in ([], [0, 0], [7.5], [np.nan]):
        low, high = spread(values)
        assert low < high
        assert all(low <= v <= high for v in values if np.isfinite(v))


def test_dots_lines_boxes_and_cells_are_where_their_values_are():
    chart = Chart(300, 200)
    a = area(chart)
    cells = np.full((2, 4, 3), 255, np.uint8)
    cells[1, 3] = (0, 0, 255)
    a.field(cells)
    a.dots([20, 500], [80, 50], "#ff0000")
    a.upright(100, "#00ff00", 2)
    a.level(70, "#000000", 2)
    a.line([10, 30], [10, 30], "#ff00ff", 2)
    got = seen(chart)
    blue = np.argwhere((got == (0, 0, 255)).all(axis=-1))
    # the last quarter across, the lower half
    assert blue.min(axis=0).tolist() == [90, 200]
    assert blue.max(axis=0).tolist() == [139, 249]
    red = np.argwhere((got[..., 0] > 200) & (got[..., 1] < 100) & (got[..., 2] < 100))
    assert np.abs(red - (40 + 20, 50 + 20)).max() <= 1
    assert (got[45, 149:151] == (0, 255, 0)).all()
    assert (got[69:71, 60] == 0).all()
    assert np.abs(got[120, 70] - (255, 0, 255)).max() < 70
    # nothing else, and nothing outside
    outside = got.copy()
    outside[40:140, 50:250] = 255
    assert (outside == 255).all()


def test_more_traces_are_darker_and_gaps_are_left_out():
    chart = Chart(300, 200)
    x = np.linspace(0, 200, 5)
    lines = np.array([[20.0] * 5] * 3 + [[80.0] * 5] * 40 + [[50.0, np.nan, 50, 50, 50]])
    area(chart).traces(x, lines, "#000000", 0.08)
    got = seen(chart)[..., 0]
    assert 190 <= got[119:122, 150].min() <= 215  # 255 x 0.92 ** 3
    assert got[59:62, 150].min() < 20
    assert (got[85:95] == 255).all()
    # none at all
    area(chart).traces(x, lines[-1:], "#000000", 0.08)


def test_texts_and_keys_are_drawn_at_their_place():
    chart = Chart(300, 200)
    length = chart.text(20, 50, "turns", 20)
    chart.text(10, 120, "turns", 20, upwards=True)
    chart.key(100, 150, ("box", "#ff0000", "missed"), ("cross", "#0000ff", "extra"))
    got = seen(chart).min(axis=-1) < 128
    level, upwards = np.argwhere(got[:70]), np.argwhere(got[70:, :40])
    assert np.ptp(level[:, 1]) == pytest.approx(length, abs=4)
    assert np.ptp(upwards[:, 0]) == pytest.approx(np.ptp(level[:, 1]), abs=2)
    assert np.ptp(upwards[:, 1]) == pytest.approx(np.ptp(level[:, 0]), abs=2)
    assert got[140:160, 100:].any()
