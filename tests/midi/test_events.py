"""Tables of events by hand: a tune, and drums on the same key, over a tempo that changes.

Status bytes: MIDI 1.0 Detailed Specification 4.2, table of channel voice messages.
"""

from __future__ import annotations

import numpy as np
import pytest

from sonify.midi.events import (
    MidiEvents,
    TimedEvents,
    events_at,
    note_events,
    sizes,
    timed,
)
from sonify.midi.tempo import TempoMap


def track(*events: tuple[int, int, int, int]) -> MidiEvents:
    tick, *message = zip(*events, strict=True)
    return MidiEvents(np.array(tick), np.array(message, np.uint8).T)


@pytest.fixture
def events() -> TimedEvents:
    # a quarter of a second for each of the first two quarter notes, then a whole one
    tempo = TempoMap(np.array([0, 20]), np.array([250_000.0, 1_000_000.0]), 10)
    tune = track((0, 0xC2, 40, 0), (0, 0x92, 60, 90), (10, 0x82, 60, 64), (10, 0x92, 60, 80),
                 (20, 0xE2, 0, 70), (30, 0x82, 60, 64))  # fmt: skip
    drums = track((5, 0x99, 60, 100), (25, 0x89, 60, 64))
    return timed([tune, drums], tempo, 40)


def test_events_lie_in_time_and_ends_come_first(events: TimedEvents) -> None:
    assert events.tick.tolist() == [0, 0, 5, 10, 10, 20, 25, 30]
    assert events.track.tolist() == [0, 0, 1, 0, 0, 0, 1, 0]
    kinds = [0xC0, 0x90, 0x90, 0x80, 0x90, 0xE0, 0x80, 0x80]
    assert events.kind.tolist() == kinds
    assert events.channel.tolist() == [2, 2, 9, 2, 2, 2, 9, 2]
    np.testing.assert_allclose(events.time_s, [0, 0, 0.125, 0.25, 0.25, 0.5, 1, 1.5])
    assert events.end_s == pytest.approx(2.5)


def test_each_note_has_the_end_on_its_own_channel(events: TimedEvents) -> None:
    assert events.ons.tolist() == [1, 2, 4]
    assert events.offs.tolist() == [3, 6, 7]
    np.testing.assert_allclose(events.note_on_s, [0, 0.125, 0.25])
    np.testing.assert_allclose(events.note_off_s, [0.25, 1, 1.5])
    assert events.controls.tolist() == [0, 5]
    # the drums have no program of their own: the first
    assert events.programs() == [(0, True), (40, False)]


def test_programs_and_pressure_have_one_data_byte() -> None:
    kinds = (0x80, 0x90, 0xA0, 0xB0, 0xC0, 0xD0, 0xE0)
    table = events_at(7, [bytes((k | 5, 1, 2)) for k in kinds])
    assert sizes(table.message).tolist() == [3, 3, 3, 3, 2, 2, 3]
    assert table.tick.tolist() == [7] * 7


def test_a_bend_is_sent_where_it_changes_even_by_the_smallest_step() -> None:
    """The middle is 8192 (MIDI 1.0): 0 and 64, in sevens of bits, the lower ones first."""
    on = np.array([0, 10, 20, 30, 40, 50])
    channel = np.array([3, 3, 3, 3, 3, 4], np.uint8)
    key = np.arange(60, 66, dtype=np.uint8)
    bend = np.array([0, 0, 1, 1, -1, 5], np.int16)
    made = note_events(on, on + 5, channel, key, np.full(6, 90, np.uint8), bend)
    bends = made.message[:, 0] & 0xF0 == 0xE0
    # a channel's first bend comes at the start
    assert sorted(zip(made.tick[bends].tolist(), made.message[bends].tolist(), strict=True)) == [
        (0, [0xE3, 0, 64]), (0, [0xE4, 5, 64]), (20, [0xE3, 1, 64]), (40, [0xE3, 127, 63]),
    ]  # fmt: skip
