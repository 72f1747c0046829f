"""Controllers that move: read back by mido, and heard."""

from __future__ import annotations

import io

import mido
import numpy as np
import pytest

import sonify
from sonify.errors import InputError
from sonify.export.firmware import plan_of
from sonify.export.midi import midi_bytes
from tests.export.soundfonts import render

BITS = ["1111000011110000", "1010101000000000", "1111111111111111"]


def show_of(*controllers, bits=BITS, **settings):
    voice = {
        "name": "v", "source": "clock", "pitch": "one-tone", "program": "church organ",
        "controllers": list(controllers),
    }  # fmt: skip
    disc = sonify.Disc.from_bits(bits)
    return sonify.perform(disc, settings={"music.voice": [voice], **settings})


def sent(show, kind="control_change", control=None):
    """(step from the start, channel, value) of each message."""
    file = mido.MidiFile(file=io.BytesIO(b"".join(midi_bytes(show))))
    out = []
    for track in file.tracks:
        tick = 0
        for m in track:
            tick += m.time
            if m.type == kind and (control is None or m.control == control):
                out.append((tick / show.grid.step_ticks, m.channel, m.value))
    return out


def test_over_a_row_it_rises_and_begins_again():
    show = show_of({"send": "expression", "over": "row", "points": [0, 1]})
    found = sent(show, control=11)
    assert len(found) == 3 * 16
    first = [value for step, _, value in found if step < 16]
    assert first == [round(127 * k / 15) for k in range(16)]
    second = [step for step, _, value in found if value == 0]
    assert second == show.timeline.row_slot.tolist()


@pytest.mark.parametrize(("send", "number"), [("modulation", 1), ("pan", 10), ("brightness", 74)])
def test_each_has_its_number_and_only_changes_are_sent(send, number):
    # MIDI 1.0: modulation 1, pan 10; General MIDI 2: brightness 74
    show = show_of({"send": send, "over": "rows", "points": [0.0, 0.5, 0.5]})
    starts = show.timeline.row_slot.tolist()
    end = show.end_tick / show.grid.step_ticks
    # the pan is set before it moves; of these, 121 at the end leaves the brightness (RP-015)
    before = [(0, 0, 64)] * (send == "pan")
    after = [(end, 0, 64)] * (send == "brightness")
    moved = [(0, 0, 0), (starts[1], 0, 64)]
    assert sent(show, control=number) == [*before, *moved, *after]
    assert sent(show, control=121) == [(end, 0, 0)]


def test_pressure_follows_the_bits():
    show = show_of({"send": "pressure", "over": "bits", "points": [0, 1]})
    found = {step: value for step, _, value in sent(show, "aftertouch")}
    # a disc without a code has characters of eight bits: four ones of eight after the first eight
    assert found[0] == 127
    assert found[4] == round(127 * 4 / 5)
    assert found[7] == round(127 * 4 / 8)


def test_the_pedal_is_up_or_down_and_up_at_the_end():
    show = show_of({"send": "sustain", "over": "row", "points": [1, 1, 1, 0]})
    values = [value for _, _, value in sent(show, control=64)]
    assert set(values) == {0, 127}
    assert values[-1] == 0
    held = show_of({"send": "sustain", "points": [1]})
    assert sent(held, control=64) == [(0, 0, 127), (held.timeline.end_slot, 0, 0)]


def test_voices_on_several_channels_move_on_all_of_them():
    pitch = {"music.scale": "bayati", "music.form.brightness": [0.2, 0.8]}
    show = show_of(**pitch)
    voice = {"pitch": "place", "source": "clock"}
    show = sonify.perform(show.disc, settings={**pitch, "music.voice": [voice]})
    channels = {c for _, c, _ in sent(show, control=74)}
    assert channels == set(show.parts[0].channels)
    assert len(channels) > 1


def test_expression_is_heard():
    fading = show_of({"send": "expression", "points": [1, 0]}, bits=["1" * 64])
    level = np.abs(render(fading)).max(axis=1)
    quarter = len(level) // 4
    assert level[:quarter].mean() > 4 * level[2 * quarter : 3 * quarter].mean()


def test_a_machine_refuses_with_the_way_out():
    show = show_of({"send": "expression"})
    with pytest.raises(InputError, match=r"controllers that move"):
        plan_of(show)


def test_wrong_ones_are_refused_with_their_place():
    with pytest.raises(InputError, match=r"music\.voice\[0\]\.controllers\[0\]"):
        show_of({"send": "wah"})
    with pytest.raises(InputError, match=r"points"):
        show_of({"points": [1.5]})
