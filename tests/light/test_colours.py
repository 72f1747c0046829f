"""Colours by rule, brightness by velocity, trails: lamps against the music and a plain count."""

from __future__ import annotations

import msgspec
import numpy as np
import pytest
from colorspacious.cvd import machado_et_al_2009_matrix
from PIL import Image

import sonify
from sonify.disc_player.profile import Matrix
from sonify.light.colours import DISTINCT, lamp_colours, palette_of
from sonify.light.exposure import NOTICED, lab
from sonify.light.lamp_levels import LampLevels
from sonify.light.look import Look, from_linear
from sonify.light.paint import Painter

RULES = ("lamp", "row", "voice", "character", "pitch", "velocity", "age")
DEFICIENCIES = ("none", "protanomaly", "deuteranomaly", "tritanomaly")


def as_seen(deficiency: str) -> np.ndarray:
    """How linear light is seen where a cone is missing (severity 100).

    Machado, Oliveira and Fernandes 2009, "A Physiologically-based Model for Simulation of Color
    Vision Deficiency", as the library colorspacious has it.
    """
    return np.eye(3) if deficiency == "none" else machado_et_al_2009_matrix(deficiency, 100)


@pytest.mark.parametrize("name", DEFICIENCIES)
@pytest.mark.parametrize("rule", RULES[1:])
def test_colours_keep_apart(name, rule):
    hues = lamp_colours(Look(colours=rule))[1:]
    seen = lab(np.clip(hues @ as_seen(name).T, 0, 1))
    if rule in DISTINCT:
        apart = np.linalg.norm(seen[:, None] - seen[None], axis=-1)
        # several times what is just noticed
        assert apart[~np.eye(len(seen), dtype=bool)].min() > 4 * NOTICED
    else:
        assert (np.diff(seen[:, 0]) > NOTICED).all()  # each is lighter than the one before


def show_of(**light):
    rng = np.random.default_rng(5)
    disc = sonify.Disc.from_bits(
        rng.integers(0, 2, (3, 20)).astype(np.int8), layout=sonify.Layout(positions=20)
    )
    return sonify.perform(
        disc, ["music-box"], {"light": light, "player.matrix.width": 20, "player.matrix.height": 3}
    )


@pytest.mark.parametrize("rule", RULES)
def test_pictures_show_the_colours_of_the_rule(rule, tmp_path):
    """Decoded by Pillow; each lamp against the notes and places, counted anew."""
    show = show_of(colours=rule, core=0.0, glow=0.0, bloom=0.0)
    path = show.save(tmp_path / "a.gif", "lights")
    end = show.read_s + 0.03
    with Image.open(path) as image:
        shown, at = None, 0.0
        for k in range(image.n_frames):
            image.seek(k)
            if at > end:
                break
            shown = np.asarray(image.convert("RGB")).astype(int)
            at += image.info["duration"] / 1000
    look, bits = show.setup.light, show.disc.grid
    painter = Painter(look, show.setup.player.matrix)
    xs, ys = painter.grid.centres
    palette = [tuple(np.rint(from_linear(c) * 255).astype(int)) for c in lamp_colours(look)]
    count = len(palette_of(look))
    best = {}
    for note in show.notes:
        place = (int(note["row"]), int(note["position"]))
        one = best.setdefault(place, {"voice": 0, "pitch": 0, "velocity": 0})
        for key in one:
            one[key] = max(one[key], round(float(note[key])))
    values = {k: [b[k] for b in best.values()] for k in ("pitch", "velocity")}
    age = 60 / show.setup.player.rpm / max(count, 1)
    read = {(r["row"], r["position"]): r["time_s"] for r in show.reading}
    checked = 0
    for row, position in np.argwhere(bits > 0).tolist():
        note = best.get((row, position))
        if rule == "lamp":
            hue = 0
        elif rule == "row":
            hue = 1 + row % count
        elif rule == "character":
            hue = 1 + (row * 20 + position) // show.unit_bits % count
        elif rule == "age":
            old = (end - read[row, position]) / age
            if abs(old - round(old)) < 0.05:
                continue
            hue = max(1, count - int(old))
        elif note is None:
            hue = 0
        elif rule == "voice":
            hue = 1 + note["voice"] % count
        else:
            low, high = min(values[rule]), max(values[rule])
            hue = 1 + (note[rule] - low) * count // (high - low + 1)
        near = np.abs(shown[ys[row], xs[position]] - np.array(palette)).max(axis=1)
        assert near[hue] <= 4, (row, position)
        checked += 1
    assert checked > 20


def test_a_part_repainted_in_many_hues_is_the_part_of_the_whole():
    rng = np.random.default_rng(3)
    look, matrix = Look(colours="row", pixels=7, module=3), Matrix(width=7, height=5)
    painter = Painter(look, matrix)
    shown = np.zeros((5, 7), np.uint16)
    picture = painter.picture(shown)
    for _ in range(12):
        leds = rng.integers(0, 35, 4)
        shown.reshape(-1)[leds] = rng.choice([0, 128, 255], 4) + 256 * rng.integers(0, 8, 4)
        shown[(shown & 255) == 0] = 0
        if (part := painter.update(shown)) is not None:
            x, y, pixels = part
            picture[y : y + pixels.shape[0], x : x + pixels.shape[1]] = pixels
        np.testing.assert_array_equal(picture, Painter(look, matrix).picture(shown))


def test_trails_fade_evenly_to_dark():
    show = show_of(trail=4.0)
    lights = show.lights
    assert (np.diff(lights["time_s"]) >= 0).all()
    lamps = LampLevels(lights, show.setup.player.matrix)
    row, position = np.argwhere(show.disc.grid > 0)[0]
    read = show.reading
    start = float(read["time_s"][(read["row"] == row) & (read["position"] == position)][0])
    levels = [int(lamps.at(start + t)[row, position]) for t in np.arange(0.1, 4.2, 0.25)]
    assert levels[0] > 200
    assert levels == sorted(levels, reverse=True)
    assert levels[-1] == 0


def test_loud_notes_light_brightly():
    show = show_of(velocity=True)
    plain = msgspec.structs.replace(show.setup.light, velocity=False)
    assert plain != show.setup.light
    lamps = LampLevels(show.lights, show.setup.player.matrix).at(show.read_s)
    loudest = np.zeros(show.disc.grid.shape, int)
    for note in show.notes:
        at = (note["row"], note["position"])
        loudest[at] = max(loudest[at], int(note["velocity"]))
    ones = show.disc.grid > 0
    assert (lamps[~ones] == 0).all()
    order = np.argsort(loudest[ones], kind="stable")
    assert (np.diff(lamps[ones][order].astype(int)) >= 0).all()
    assert len(set(lamps[ones].tolist())) > 1
