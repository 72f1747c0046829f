"""Following a MIDI clock: phase, lost clocks, ramps, start, stop, continue and song position.

MIDI 1.0 Detailed Specification 4.2: 24 clocks make a quarter note; a song position counts
sixteenths, six clocks each.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from sonify.live.clock_in import ClockIn
from sonify.live.commands import Command, Piece
from sonify.live.schedule import schedule_of
from sonify.live.transport import MEMORY, IncomingClock, gains
from tests.live.loopback import hanging
from tests.live.simulated import Played, show_of
from tests.nightly import late

START, STOP, CONTINUE = b"\xfa", b"\xfc", b"\xfb"


def piece(disc="cairn-middle", presets=("organ-loft", "quick"), **options):
    show = show_of(disc, presets)
    return Piece(show.disc.title, (schedule_of(show, in_beats=True),), **options)


@pytest.fixture(scope="module")
def organ():
    return piece()


def told(data):
    return lambda sender, _: sender.change(lambda s, now: ClockIn(s, s.transport).take(now, data))


def ticks_at(beats, bpm):
    """The times of clocks, 24 a beat, under a tempo that depends on the beat."""
    k = np.arange(beats * 24)
    tempo = np.array([bpm(x) for x in (k + 0.5) / 24])
    return np.concatenate([[0.0], np.cumsum(60 / 24 / tempo)])


def clocks(times, jitter=0.0, lost=0.0, seed=1):
    """Clocks that come up to `jitter` s early or late, with a share lost."""
    rng = np.random.default_rng(seed)
    kept = rng.uniform(size=len(times)) >= lost
    came = np.sort(times + rng.uniform(-jitter, jitter, len(times)))
    return [(1.0 + float(t), told(b"\xf8")) for t in came[kept]]


def errors(tape, schedule, times, after=4.0):
    """How far each note-on is from its time under the clock, in ms, by beat."""
    want = [
        (float(p), m)
        for p, m in zip(schedule.place, schedule.messages, strict=True)
        if m[0] & 0xF0 == 0x90 and p < (len(times) - 2) / 24
    ]
    got = tape.of(0x90)[: len(want)]
    assert [d for _, d in got] == [m for _, m in want]
    due = np.interp([p for p, _ in want], np.arange(len(times)) / 24, times + 1.0)
    late = 1000 * (np.array([t for t, _ in got]) - due)
    return late[[k for k, (p, _) in enumerate(want) if p >= after]]


def follow(pieces, times, extra=(), **how):
    script = [(0.5, told(START)), *clocks(times, **how), *extra]
    return Played(
        pieces, script=script, transport=IncomingClock(), stop=1.0 + times[-1] - 1e-6, clock=False
    )


@pytest.mark.parametrize("bpm", [47.0, 120.0, 233.3])
@pytest.mark.parametrize("lost", [0.0, 0.05])
def test_phase_is_within_2_ms_after_four_beats(organ, bpm, lost):
    times = ticks_at(60, lambda _: bpm)
    for seed in range(4):
        played = follow([organ], times, jitter=0.001, lost=lost, seed=seed)
        off = errors(played.tape, organ.schedules[0], times)
        assert len(off) > 50
        assert np.abs(off).max() < 2.0
        assert not hanging(played.tape.messages)


@pytest.mark.parametrize("lost", [0.0, 0.05])
def test_phase_is_within_2_ms_on_a_ramp(organ, lost):
    # 5 bpm a beat, up and down again
    times = ticks_at(60, lambda x: 120 + 5 * max(0.0, 10 - abs(x - 20)))
    for seed in range(4):
        played = follow([organ], times, jitter=0.001, lost=lost, seed=seed)
        assert np.abs(errors(played.tape, organ.schedules[0], times)).max() < 2.0


def test_a_perfect_clock_is_followed_exactly(organ):
    times = ticks_at(40, lambda _: 120.0)
    played = follow([organ], times)
    assert np.abs(errors(played.tape, organ.schedules[0], times, after=0.1)).max() < 1e-6


def test_clocks_that_come_late_together_move_nothing(organ):
    times = ticks_at(60, lambda _: 120.0)
    late = times.copy()
    late[500:503] = times[502]
    came = [(1.0 + float(t), told(b"\xf8")) for t in late]
    played = Played(
        [organ], script=[(0.5, told(START)), *came], transport=IncomingClock(), stop=1 + times[-1]
    )
    off = errors(played.tape, organ.schedules[0], times[:-24])
    assert np.abs(off).max() < 2.0


@pytest.mark.parametrize("factor", [0.5, 0.7, 1.4, 2.0, 3.0])
def test_a_leap_of_the_tempo_costs_no_clock(organ, factor):
    times = ticks_at(60, lambda x: 120.0 if x < 20 else 120.0 * factor)
    played = follow([organ], times, jitter=0.0005)
    off = errors(played.tape, organ.schedules[0], times, after=24.0)
    assert np.abs(off).max() < 2.0


def test_the_memory_is_the_best_one():
    def worst(before):
        # g-h filter: variance of the predicted phase, and its lag behind a steady ramp
        g, h = gains(before)
        variance = (2 * g * g + 2 * h + g * h) / (g * (4 - 2 * g - h))
        ramp_ms = 1000 * 60 / 24 / 120 * (5 / 120) / 24
        return 3 * math.sqrt(variance / 3) + ramp_ms / h

    assert min(range(2, 60), key=worst) == MEMORY
    assert worst(MEMORY) == pytest.approx(1.56, abs=0.02)
    # the gains are those of least squares
    rng = np.random.default_rng(3)
    y = rng.normal(size=9)
    level, slope = y[0], 0.0
    for n in range(1, 9):
        phase, period = gains(n)
        error = y[n] - (level + slope)
        level, slope = level + slope + phase * error, slope + period * error
    line = np.polyfit(np.arange(9), y, 1)
    assert (slope, level) == pytest.approx((line[0], line[0] * 8 + line[1]))


def position(sixteenths):
    return told(bytes((0xF2, sixteenths & 127, sixteenths >> 7)))


def test_stop_and_continue_go_on_where_it_was(organ):
    s = organ.schedules[0]
    period = 60 / 120 / 24
    first = [(1 + k * period, told(b"\xf8")) for k in range(240)]
    stop = (1 + 239.5 * period, told(STOP))
    # clocks may go on while it is stopped
    idle = [(1 + k * period, told(b"\xf8")) for k in range(240, 480)]
    later = [(1 + k * period, told(b"\xf8")) for k in range(480, 960)]
    played = Played(
        [organ], transport=IncomingClock(), stop=1 + 959 * period,
        script=[
            (0.5, told(START)), *first, stop, *idle, (1 + 479.5 * period, told(CONTINUE)), *later,
        ],
    )  # fmt: skip
    tape = played.tape
    quiet = [t for t, _ in tape.of(0x90) if 1 + 239.6 * period < t < 1 + 479.9 * period]
    assert not quiet
    n = sum(t < 1 + 239.6 * period for t in tape.times)
    assert not hanging(tape.messages[:n])
    # the first clock after continue is at the position of the stop, 240 clocks on
    again = [(t, d) for t, d in tape.of(0x90) if t > 1 + 479.9 * period]
    held = len(s.sounding(10.0))
    want = [
        (1 + (480 + (float(p) - 10) * 24) * period, m)
        for p, m in zip(s.place, s.messages, strict=True)
        if m[0] & 0xF0 == 0x90 and 10 - 1e-6 <= p < 29.9
    ]
    assert held
    got = again[held:][: len(want)] if want[0][0] > again[held - 1][0] + 1e-6 else again[held:]
    assert [d for _, d in got[: len(want)]] == [d for _, d in want]
    assert [t for t, _ in got[: len(want)]] == pytest.approx([t for t, _ in want], abs=1e-3)


def test_song_position_counts_in_sixteenths_over_pieces(organ):
    small = piece("cairn-small", ("hut-band", "quick"))
    end = small.schedules[0].end
    assert end == int(end)
    period = 60 / 140 / 24
    times = [(1 + k * period, told(b"\xf8")) for k in range(int(end + 9) * 24)]
    last = times[-1][0]
    # stop in the second piece, and go to four beats before its start
    back = [
        (last + 0.001, told(STOP)), (last + 0.002, position(int(end - 4) * 4)),
        (last + 0.003, told(CONTINUE)),
    ]  # fmt: skip
    again = [(last + 0.5 + k * period, told(b"\xf8")) for k in range(24 * 8)]
    played = Played(
        [small, organ], script=[(0.5, told(START)), *times, *back, *again],
        transport=IncomingClock(), stop=again[-1][0],
    )  # fmt: skip
    got = [(t, d) for t, d in played.tape.of(0x90) if t > last + 0.4]
    want = []
    for s, origin in ((small.schedules[0], 0.0), (organ.schedules[0], end)):
        want += [
            (last + 0.5 + (origin + float(p) - end + 4) * 24 * period, m)
            for p, m in zip(s.place, s.messages, strict=True)
            if m[0] & 0xF0 == 0x90 and end - 4 - 1e-6 <= origin + p < end + 3.9
            and (origin or p < end)
        ]  # fmt: skip
    held = len(got) - len(want)
    assert 0 <= held - len([t for t, _ in got if t > want[-1][0] + 1e-3]) <= 8
    keys = [d for _, d in got]
    at = keys.index(want[0][1])
    assert keys[at : at + len(want)] == [d for _, d in want]
    times_got = [t for t, _ in got[at : at + len(want)]]
    assert times_got == pytest.approx([t for t, _ in want], abs=2e-3)


def test_start_begins_the_piece_that_waits(organ):
    small = piece("cairn-small", ("hut-band", "quick"))
    lantern = Piece("Lantern walk", organ.schedules, waits=True)
    end = small.schedules[0].end
    period = 60 / 140 / 24
    times = [(1 + k * period, told(b"\xf8")) for k in range(int(end + 9) * 24)]
    last = times[-1][0]
    again = [(last + 0.5 + k * period, told(b"\xf8")) for k in range(24 * 8)]
    script = [
        (0.5, told(START)),
        *times,
        (last + 0.001, told(STOP)),
        (last + 0.3, told(START)),
        *again,
    ]
    played = Played([small, lantern], script=script, transport=IncomingClock(), stop=again[-1][0])
    after = [(t, d) for t, d in played.tape.of(0x90) if t > 1 + end * 24 * period + 1e-3]
    assert after[0][0] == pytest.approx(
        last
        + 0.5
        + float(organ.schedules[0].place[organ.schedules[0].show.events.ons[0]]) * 24 * period,
        abs=1e-3,
    )
    on = next(m for m in organ.schedules[0].messages if m[0] & 0xF0 == 0x90)
    assert after[0][1] == on


def test_a_cue_starts_on_the_next_beat(organ):
    waits = Piece("Lantern walk", organ.schedules, waits=True)
    period = 60 / 120 / 24
    times = [(1 + k * period, told(b"\xf8")) for k in range(2000)]
    first = organ.schedules[0].place[organ.schedules[0].show.events.ons[0]]
    small = piece("cairn-small", ("hut-band", "quick"))
    end = float(small.schedules[0].end)
    played = Played(
        [small, waits], [(1 + (end + 2.3) * 24 * period, Command("start"))],
        script=[(0.5, told(START)), *times],
        transport=IncomingClock(), stop=1 + 1999 * period,
    )  # fmt: skip
    got = next(t for t, _ in played.tape.of(0x90) if t > 1 + end * 24 * period + 1e-3)
    assert got == pytest.approx(1 + (end + 3 + first) * 24 * period, abs=1e-3)


def test_without_clocks_all_ends_after_a_beat_and_goes_on_with_them(organ):
    period = 60 / 120 / 24
    kept = [*range(20 * 24), *range(28 * 24, 40 * 24)]
    played = Played(
        [organ], script=[(0.5, told(START)), *((1 + k * period, told(b"\xf8")) for k in kept)],
        transport=IncomingClock(), stop=1 + 40 * 24 * period - 1e-6,
    )  # fmt: skip
    tape = played.tape
    gone = 1 + 21 * 24 * period + 0.01
    n = sum(t < gone for t in tape.times)
    assert not hanging(tape.messages[:n])
    assert not [t for t, _ in tape.of(0x90) if gone < t < 1 + 28 * 24 * period - 1e-3]
    s = organ.schedules[0]
    want = [
        (1 + float(p) * 24 * period, m)
        for p, m in zip(s.place, s.messages, strict=True)
        if m[0] & 0xF0 == 0x90 and 28.1 < p < 39.9
    ]
    got = [n for n in tape.of(0x90) if n[0] > 1 + 28.1 * 24 * period][: len(want)]
    assert [d for _, d in got] == [d for _, d in want]
    assert [t for t, _ in got] == pytest.approx([t for t, _ in want], abs=2e-3)


@pytest.mark.parametrize("stops", [50, late(200)])
def test_stops_leave_nothing_hanging(organ, stops):
    rng = np.random.default_rng(9)
    period = 60 / 150 / 24
    for _ in range(stops):
        ends = float(rng.uniform(1.0, 12.0))
        times = [(1 + k * period, told(b"\xf8")) for k in range(600)]
        extra = [
            (float(t), told([START, STOP, CONTINUE, bytes((0xF2, 40, 0))][rng.integers(4)]))
            for t in rng.uniform(1.0, 12.0, 8)
        ]
        played = Played(
            [organ, organ], script=[(0.5, told(START)), *times, *extra],
            transport=IncomingClock(), stop=ends, clock=True,
        )  # fmt: skip
        assert played.sender.error is None
        assert not hanging(played.tape.messages)


def test_the_call_needs_an_input_and_no_speed(run, monkeypatch):
    monkeypatch.setenv("MIDO_BACKEND", "tests.live.loopback")
    assert "give --input" in run("play", "cairn-small", "--port", "Valley", "--follow").err
    result = run(
        "play", "cairn-small", "--port", "Valley", "--follow", "--input", "Pedal", "--speed", 2
    )
    assert result.status == 2
    assert "sets the speed" in result.err
