"""What goes over a port: the file's messages at their times, clock, and no note left hanging."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import mido
import numpy as np
import pytest

import sonify
from sonify.live.schedule import row_start
from tests.live.loopback import hanging
from tests.live.simulated import Played, Tape, piece_of, sent, show_of
from tests.nightly import late

ROOT = Path(__file__).parents[2]


def status(schedule) -> np.ndarray:
    return np.array([m[0] for m in schedule.messages])


# ---- the schedule


def test_the_schedule_is_the_file(tmp_path):
    show = show_of()
    schedule = sent(show)
    file = mido.MidiFile(show.save(tmp_path / "a.mid"))
    now, want = 0.0, []
    for m in file:
        now += m.time
        if not m.is_meta:
            want.append((m.hex(), now))
    got = [
        (mido.Message.from_bytes(m).hex(), t)
        for t, m in zip(schedule.time_s.tolist(), schedule.messages, strict=True)
    ]
    got.sort()
    want.sort()
    assert [h for h, _ in got] == [h for h, _ in want]
    assert [t for _, t in got] == pytest.approx([t for _, t in want], abs=1e-5)
    assert schedule.period_s == pytest.approx(file.length, abs=1e-5)
    assert (np.diff(schedule.time_s) >= 0).all()


def test_from_a_row_on_with_what_was_set_before():
    show = show_of("cairn-middle")
    whole, part = sent(show), sent(show, from_row=3)
    start = show.timeline.row_start_s()[2]
    ons = (status(whole) & 0xF0 == 0x90) & (whole.time_s >= start - 1e-6)
    mine = status(part) & 0xF0 == 0x90
    assert mine.sum() == ons.sum()
    assert part.time_s[mine] == pytest.approx(whole.time_s[ons] - start, abs=1e-6)
    programs = (status(part) & 0xF0 == 0xC0) & (part.time_s == 0)
    assert programs.sum() == (status(whole) & 0xF0 == 0xC0).sum()
    assert part.period_s == pytest.approx(whole.period_s - start)
    # what ends had begun
    assert not hanging([mido.Message.from_bytes(m) for m in part.messages])


def test_no_such_row():
    with pytest.raises(sonify.InputError, match="there is no row 99"):
        row_start(show_of(), 99)


def test_speed():
    show = show_of()
    one, two = sent(show), sent(show, speed=2.0)
    assert two.time_s == pytest.approx(one.time_s / 2)
    assert two.period_s == pytest.approx(one.period_s / 2)


# ---- MIDI clock: 24 a quarter, start first (MIDI 1.0, system real time)


def test_clock_beats_24_times_a_quarter():
    show = show_of(**{"music.form.ritardando": 1})
    s = sent(show, clock=True)
    assert s.messages[0] == b"\xfa"
    clocks = s.time_s[status(s) == 0xF8]
    quarter = 60 / show.tempo_bpm
    assert clocks[0] == 0
    assert np.diff(clocks) == pytest.approx(quarter / 24)
    assert len(clocks) == round(s.period_s / quarter * 24)
    # at one moment the clock comes before the notes
    first_note = int(np.flatnonzero(status(s) & 0xF0 == 0x90)[0])
    assert (status(s)[:first_note] == 0xF8).any()


def test_clock_slows_down_with_the_piece():
    show = show_of(**{"music.form.ritardando": 0.5})
    s = sent(show, clock=True)
    gaps = np.diff(s.time_s[status(s) == 0xF8])
    gaps = gaps[: int(np.argmax(gaps)) + 1]
    assert gaps[0] == pytest.approx(60 / show.tempo_bpm / 24)
    assert (np.diff(gaps) > -1e-6).all()
    assert 1.5 * gaps[0] < gaps[-1] <= 2 * gaps[0]  # half the tempo at the end of the last beat


def test_clock_from_a_row_says_where_it_is():
    show = show_of("cairn-middle")
    s = sent(show, from_row=2, clock=True)
    ticks = int(show.timeline.row_slot[1]) * show.grid.step_ticks
    sixteenths = ticks / (show.grid.ticks_per_quarter / 4)
    assert sixteenths == int(sixteenths)
    message = mido.Message.from_bytes(s.messages[0])
    assert (message.type, message.pos) == ("songpos", sixteenths)
    assert s.messages[1] == b"\xfb"


# ---- playing


def test_everything_is_sent_once_and_in_order():
    want = sent(show_of(), clock=True)
    played = Played([piece_of(show_of())], clock=True)
    tape = played.tape
    assert played.sender.error is None
    n = len(want.messages)
    assert tape.data[:n] == want.messages
    assert tape.times[:n] == pytest.approx(want.time_s.tolist(), abs=1e-5)
    # stop, and controller 123, all notes off (MIDI 1.0 Detailed Specification 4.2)
    assert tape.data[n:] == [b"\xfc", *(bytes((0xB0 | c, 123, 0)) for c in want.schedule.channels)]


def test_a_loop_does_not_drift_and_stops_the_clock_between_passes():
    piece = piece_of(show_of(presets=("usual",)))
    period = piece.schedules[0].end
    tape = Played([piece], stop=period * 3.5, clock=True, loop=True).tape
    starts = [t for t, _ in tape.of(0xFA)]
    assert starts == pytest.approx([k * period for k in range(4)], abs=1e-4)
    assert len(tape.of(0xFC)) == len(starts)
    assert not hanging(tape.messages)


@pytest.mark.parametrize("moments", [50, late(200)])
def test_none_hangs_after_an_end_at_any_moment(moments):
    piece = piece_of(show_of("cairn-middle", ("organ-loft", "quick")))
    sounding = 0
    for stop in np.random.default_rng(7).uniform(0.0, 30.0, moments):
        played = Played([piece], stop=float(stop), clock=True)
        tape = played.tape
        assert not hanging(tape.messages)
        sounding += bool(hanging(tape.messages[: played.before_end]))
        assert {d for d in tape.data if d[0] & 0xF0 == 0xB0 and d[1] == 123} == {
            bytes((0xB0 | c, 123, 0)) for c in piece.schedules[0].channels
        }
        assert len(tape.of(0xFA)) == len(tape.of(0xFC)) == 1
    assert sounding > moments / 2, "hardly a moment had a note sounding: this shows little"


def test_a_port_that_fails_is_one_line():
    class Broken(Tape):
        def send(self, data: bytes) -> None:
            if len(self.data) > 5:
                raise OSError("unplugged")
            super().send(data)

    error = Played([piece_of(show_of())], port=Broken).sender.error
    assert isinstance(error, sonify.OutputError)
    assert "unplugged" in str(error)


# ---- the command, over a socket to another process


def play(*args: object, end: float | None = None, number: int = signal.SIGINT):
    """Run `sonify play` to a listener on loopback: status, errors, times and messages."""
    env = {**os.environ, "PYTHONPATH": str(ROOT)}
    listener = subprocess.Popen(
        [sys.executable, "-m", "tests.live.loopback"],
        stdout=subprocess.PIPE,
        text=True,
        env=env,
        cwd=ROOT,
    )
    assert listener.stdout is not None
    env["SONIFY_TEST_PORT"] = listener.stdout.readline().strip()
    env["MIDO_BACKEND"] = "tests.live.loopback"
    player = subprocess.Popen(
        [sys.executable, "-m", "sonify", "play", *map(str, args)],
        stderr=subprocess.PIPE,
        text=True,
        env=env,
        cwd=ROOT,
    )
    assert player.stderr is not None
    if end is not None:
        # its first line comes when the port is open
        first = player.stderr.readline()
        time.sleep(end)
        player.send_signal(number)
    else:
        first = ""
    errors = first + player.communicate()[1]
    lines = listener.communicate()[0].splitlines()
    times = np.array([float(line.split(" ", 1)[0]) for line in lines])
    messages = [mido.Message.from_hex(line.split(" ", 1)[1]) for line in lines]
    return player.returncode, errors, times, messages


unix = pytest.mark.skipif(os.name == "nt", reason="signals as Unix has them")


@unix
def test_the_command_plays_in_time_over_a_socket():
    status, errors, times, messages = play(
        "cairn-small", "-p", "music-box", "-p", "quick", "--port", "Valley", "--clock",
        "--speed", 1.5,
    )  # fmt: skip
    assert status == 0, errors
    assert "5-pin MIDI" in errors
    s = sent(show_of(presets=("music-box", "quick")), speed=1.5, clock=True)
    n = len(s.messages)
    assert [bytes(m.bytes()) for m in messages[:n]] == s.messages
    late = times[:n] - s.time_s
    late -= np.median(late)
    # how closely is a benchmark's matter; here, that it neither drifts nor stumbles
    assert abs(np.median(late[: n // 4]) - np.median(late[-n // 4 :])) < 0.002
    assert np.percentile(np.abs(late), 90) < 0.010
    assert not hanging(messages)


@unix
@pytest.mark.parametrize(
    ("wait", "number"), [(0.0, signal.SIGINT), (0.7, signal.SIGINT), (1.3, signal.SIGTERM)]
)
def test_an_interrupt_leaves_nothing_hanging(wait, number):
    status, errors, _, messages = play(
        "cairn-middle", "-p", "organ-loft", "--port", "Valley Synth", "--clock",
        end=wait, number=number,
    )  # fmt: skip
    assert status == 0
    assert "Traceback" not in errors
    assert not hanging(messages)
    channels = {m.channel for m in messages if m.type == "note_on"}
    off = {m.channel for m in messages if m.type == "control_change" and m.control == 123}
    assert channels <= off
    if any(m.type == "start" for m in messages):
        assert [m.type for m in messages if m.type in ("start", "stop")] == ["start", "stop"]
