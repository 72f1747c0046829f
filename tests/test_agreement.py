"""What is written agrees with a player simulated step by step.

The simulation shares no code with the package; GIFs are decoded by Pillow, MIDI by mido.
"""

from __future__ import annotations

from collections.abc import Iterable
from fractions import Fraction
from itertools import product

import mido
import numpy as np
import pytest
from PIL import Image, ImageSequence

import sonify
from sonify.light.fill_rules import FILLS
from sonify.light.paint import Painter
from tests import simulation
from tests.nightly import sampled_rows
from tests.shipped import DISCS, PLAYERS, player_table

PIXELS = 5


def on_discs_and_players(*more: tuple[str, Iterable[str]]) -> pytest.MarkDecorator:
    """All discs on all players with all of something else: a sample always, the rest at night."""
    names = ["disc_path", "player_path", *(name for name, _ in more)]
    cases = sampled_rows(product(DISCS, PLAYERS, *(values for _, values in more)), 5)
    return pytest.mark.parametrize(names, cases, ids=lambda v: getattr(v, "stem", v))


def lamps_of_gif(path, painter: Painter, lamp: tuple[int, int, int]):
    """For each frame of a GIF, when it ends in hundredths and which lamps are lit."""
    xs, ys = painter.grid.centres
    out, end = [], 0
    with Image.open(path) as gif:
        for frame in ImageSequence.Iterator(gif):
            rgb = np.asarray(frame.convert("RGB"))
            assert frame.info["duration"] % 10 == 0
            end += frame.info["duration"] // 10
            lit = (rgb[np.ix_(ys, xs)] == lamp).all(axis=-1)
            out.append((end, lit.reshape(-1)))
    return out


@on_discs_and_players(("fill", FILLS))
def test_the_gif_shows_what_the_lamps_remember(disc_path, player_path, fill, tmp_path):
    disc = sonify.load_disc(disc_path)
    player = player_table(player_path)
    show = sonify.perform(
        disc,
        [player_path],
        {"player.matrix.fill": fill, "light.pixels": PIXELS, "light.lamp": "#ffffff"},
    )
    path = show.save(tmp_path / "lights.gif", "lights")
    memory = simulation.lamp_memory(simulation.load_disc(disc_path), player, fill)
    painter = Painter(show.setup.light, show.setup.player.matrix)
    frames = lamps_of_gif(path, painter, (255, 255, 255))

    # time in a GIF goes in hundredths; a browser takes less than two of them for ten, so what
    # changes within two hundredths shows together
    begin = 0
    moments = [round(float(t) * 100, 6) for t, _ in memory]
    seen = 0
    for end, lit in frames:
        # the memory at the frame's last instant, rounding of its end aside
        k = np.searchsorted(moments, end - 0.5, side="left") - 1
        later = np.searchsorted(moments, end - 2.5, side="left") - 1
        candidates = {max(j, 0) for j in range(later, k + 1)} | {max(k, 0)}
        assert any(list(lit) == memory[j][1] for j in candidates), (begin, end)
        seen = max(seen, k)
        begin = end
    assert list(frames[-1][1]) == memory[-1][1]
    assert abs(frames[-1][0] - 100 * show.message_s) <= 0.5
    # no state of the memory that lasts three hundredths or more is left out
    ends = [end for end, _ in frames]
    for (t, lit), (t2, _) in zip(memory, [*memory[1:], (Fraction(10**9), None)], strict=True):
        if t2 - t >= Fraction(3, 100):
            middle = float(t + min(t2 - t, Fraction(4)) / 2) * 100
            frame = int(np.searchsorted(ends, middle, side="right"))
            frame = min(frame, len(frames) - 1)
            assert list(frames[frame][1]) == lit, float(t)


@on_discs_and_players(("way", ["each", "joined", "held"]))
def test_the_midi_file_is_the_note_list(disc_path, player_path, way, tmp_path):
    disc = sonify.load_disc(disc_path)
    player = player_table(player_path)
    ladder = {"music.voice.0.rhythm": [way], "music.voice.0.pitch": "row-ladder"}
    show = sonify.perform(disc, [player_path], ladder)
    path = show.save(tmp_path / "a.mid")
    expected = simulation.note_list(simulation.load_disc(disc_path), player, way)

    file = mido.MidiFile(path)
    quarters = show.grid.step * 4  # what a position is written as
    per_position = file.ticks_per_beat * quarters
    tick, sounding, got = 0, {}, []
    for message in file.tracks[1]:
        tick += message.time
        if message.type == "note_on" and message.velocity:
            assert message.note not in sounding
            sounding[message.note] = tick
        elif message.type in ("note_on", "note_off"):
            got.append((sounding.pop(message.note), tick, message.note))
    assert not sounding
    assert len(got) == len(expected)
    for (on, off, pitch), note in zip(sorted(got), expected, strict=True):
        assert abs(on - note.on * per_position) <= 1
        assert abs(off - note.off * per_position) <= 1
        assert pitch == note.pitch

    # and in seconds: the file's own tempo puts each note where the player plays it
    n = len(simulation.load_disc(disc_path).rows[0])
    position_s = Fraction(60) / (Fraction(str(player["rpm"])) * n)
    tempo = [m.tempo for m in file.tracks[0] if m.type == "set_tempo"]
    drift = 5e-3 / 3600
    if len(tempo) == 1:
        length = tempo[0] / 1e6 * float(quarters)
        assert abs(length - float(position_s)) <= drift * float(position_s)


@on_discs_and_players()
def test_lights_and_reading_and_captions_share_one_time(disc_path, player_path):
    show = sonify.perform(sonify.load_disc(disc_path), [player_path])
    seen = simulation.read(simulation.load_disc(disc_path), player_table(player_path))
    reading = show.reading
    assert len(reading) == len(seen)
    np.testing.assert_allclose(reading["time_s"], [float(s.time) for s in seen], atol=1e-9)
    assert reading["row"].tolist() == [s.row for s in seen]
    assert reading["position"].tolist() == [s.position for s in seen]
    assert reading["bit"].tolist() == [{"1": 1, "0": 0, "?": -1}[s.bit] for s in seen]
    times = {round(float(s.time), 6) for s in seen}
    assert {round(t, 6) for t in show.lights["time_s"].tolist()} <= times
    assert {round(t, 6) for t in show.captions["time_s"].tolist()} <= times
    # each character's time is the latest at which one of its bits is read
    if show.disc.decoding is not None:
        when = {(s.row, s.position): s.time for s in seen}
        n = show.disc.positions
        for c, caption in zip(show.disc.decoding.characters, show.captions, strict=True):
            bits = range(int(c["first_bit"]), int(c["last_bit"]) + 1)
            latest = max(when[b // n, b % n] for b in bits)
            assert abs(float(latest) - float(caption["time_s"])) < 1e-9
