"""Sets through the speakers: each sample is that of the rendered pieces, at its time."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from sonify.export.sound.audio import RATE
from sonify.export.sound.master import mastered
from sonify.live.commands import Command
from sonify.live.schedule import schedule_of
from sonify.live.scheduler import Scheduler
from sonify.live.set_sound import SetSound
from sonify.live.transport import OwnTempo
from tests.live.simulated import piece_of, show_of
from tests.live.test_speakers import FILE, needs_alsa, sonify_play


@cache
def show(n):
    disc, preset = [("cairn-small", "music-box"), ("cairn-small", "hut-band")][n]
    return show_of(disc, (preset, "quick"))


@cache
def master(n):
    return mastered(show(n))


def heard(pieces, seconds, commands=(), known=None, **options):
    """What the speakers get, in callbacks of uneven lengths; commands between them."""
    masters = {s: master(0 if s.show is show(0) else 1) for p in pieces for s in p.schedules}
    sound = SetSound(Scheduler(pieces, OwnTempo(), **options), masters | (known or {}), 0.08)
    out, at, rng = [], 0, np.random.default_rng(3)
    todo = sorted(commands, key=lambda c: c[0])
    while at < seconds * RATE:
        end = at + int(rng.integers(200, 4000))
        if todo and todo[0][0] * RATE <= end:
            end = max(at, round(todo[0][0] * RATE))
        if end > at:
            out.append(sound.read(at, end))
        at = end
        while todo and todo[0][0] * RATE <= at:
            sound.command(todo.pop(0)[1])
    return np.concatenate(out)[: int(seconds * RATE)], sound


def want_of(*parts, seconds):
    """Masters from a sample on, each put at a time."""
    out = np.zeros((int(seconds * RATE), 2), np.float32)
    for n, at, start, end in parts:
        at = round(at * RATE)
        piece = master(n).read(start, end)[: max(0, len(out) - at)]
        out[at : at + len(piece)] += piece
    return np.clip(out, -1, 1)


def test_pieces_follow_each_other_to_the_sample_and_ring_out():
    a, b = piece_of(show(0)), piece_of(show(1))
    end = a.schedules[0].end
    seconds = end + 4
    got, sound = heard([a, b], seconds)
    want = want_of((0, 0, 0, master(0).size), (1, end, 0, 5 * RATE), seconds=seconds)
    assert np.abs(got - want).max() < 2e-4
    assert np.abs(want[round(end * RATE) : round((end + 0.2) * RATE)]).max() > 0.01
    assert sound.is_alive()
    assert sound.state().piece == 1


def test_a_jump_plays_the_row_in_its_place_without_a_click():
    piece = piece_of(show(1))
    start = float(piece.schedules[0].rows[1])
    got, _ = heard([piece], 4.0, [(1.0, Command("jump", at="now", number=2))])
    want = want_of((1, 1.0, round(start * RATE), round((start + 4) * RATE)), seconds=4.0)
    settled = slice(round(1.11 * RATE), round(3.9 * RATE))
    assert np.abs(got[settled] - want[settled]).max() < 2e-4
    before = want_of((1, 0, 0, RATE), seconds=4.0)
    assert np.abs(got[: round(0.99 * RATE)] - before[: round(0.99 * RATE)]).max() < 2e-4
    # no step that the music itself does not have
    assert np.abs(np.diff(got, axis=0)).max() < 1.3 * np.abs(np.diff(want, axis=0)).max()


def test_a_crossfade_has_equal_power_and_both_pieces():
    a, b = piece_of(show(0)), piece_of(show(1), crossfade_s=2.0)
    end = a.schedules[0].end
    begin = end - 2.0
    got, _ = heard([a, b], end + 1)
    old = want_of((0, 0, 0, master(0).size), seconds=end + 1)
    new = want_of((1, begin, 0, 4 * RATE), seconds=end + 1)
    middle = slice(round((begin + 0.9) * RATE), round((begin + 1.1) * RATE))
    half = np.sqrt(0.5)
    error = got[middle] - half * (old[middle] + new[middle])
    assert np.sqrt((error**2).mean()) < 0.12 * np.sqrt((got[middle] ** 2).mean())
    after = slice(round((end + 0.15) * RATE), round((end + 0.9) * RATE))
    assert np.abs(got[after] - new[after]).max() < 2e-4


def test_a_pause_is_silent_and_goes_on_where_it_was():
    piece = piece_of(show(1))
    got, _ = heard([piece], 6.0, [(1.0, Command("pause")), (3.0, Command("start"))])
    assert not got[round(1.2 * RATE) : round(2.99 * RATE)].any()
    later = want_of((1, 3.0, RATE, 4 * RATE), seconds=6.0)
    settled = slice(round(3.05 * RATE), round(5.9 * RATE))
    assert np.abs(got[settled] - later[settled]).max() < 2e-4


def test_layers_and_a_preset():
    layered = piece_of(show(0), show(1))
    got, _ = heard([layered], 2.0, [(1.0, Command("layer", number=2))])
    both = want_of((0, 0, 0, 3 * RATE), seconds=2.0) + want_of((1, 0, 0, 3 * RATE), seconds=2.0)
    assert np.abs(got[: RATE - 600] - both[: RATE - 600] / np.sqrt(2)).max() < 1e-3
    alone = want_of((0, 0, 0, 3 * RATE), seconds=2.0)[round(1.1 * RATE) :] / np.sqrt(2)
    assert np.abs(got[round(1.1 * RATE) :] - alone).max() < 1e-3
    other = schedule_of(show(1))
    piece = piece_of(show(0))
    command = Command("preset", at="now", schedules={0: other})
    got, _ = heard([piece], 3.0, [(1.0, command)], known={other: master(1)})
    place = float(other.rows[0]) + 1.0 / float(piece.schedules[0].rows[1]) * float(other.rows[1])
    want = want_of((1, 1.0, round(place * RATE), round((place + 3) * RATE)), seconds=3.0)
    settled = slice(round(1.12 * RATE), round(2.9 * RATE))
    assert np.abs(got[settled] - want[settled]).max() < 2e-4


def test_a_piece_that_repeats_rings_on_into_itself():
    piece = piece_of(show(0))
    end = piece.schedules[0].end
    got, _ = heard([piece], 2 * end, loop=True)
    want = want_of((0, 0, 0, master(0).size), (0, end, 0, round(end * RATE)), seconds=2 * end)
    assert np.abs(got - want).max() < 2e-4


def test_a_set_ends_when_the_last_piece_has_rung_out():
    piece = piece_of(show(0))
    got, sound = heard([piece], master(0).seconds + 0.5)
    assert not sound.is_alive()
    n = master(0).size
    assert np.abs(got[:n] - master(0).read(0, n)).max() < 2e-4
    assert not got[n + RATE // 50 :].any()


@needs_alsa
def test_the_command_plays_a_set_to_the_device(tmp_path):
    result = sonify_play(tmp_path, FILE, "cairn-small", "cairn-small", "-p", "quick")
    assert result.returncode == 0, result.stderr
    assert "playing Cairn Hut, 14 March: speakers" in result.stderr
    got = np.frombuffer((tmp_path / "sound.raw").read_bytes(), "<f4").reshape(-1, 2)
    one = show_of("cairn-small", ("quick",))
    want = mastered(one)
    n = round(one.music_s * RATE)
    assert np.abs(got[:n] - want.read(0, n)).max() < 2e-4
    ringing = want.read(n, 2 * n)
    assert np.abs(got[n : 2 * n] - ringing - want.read(0, n)).max() < 2e-4


@pytest.mark.parametrize(("cue", "part"), [('do = "mute"\nvoice = 1', "'mute' needs a MIDI port")])
def test_cues_that_need_a_port(run, tmp_path, cue, part):
    file = tmp_path / "night.toml"
    file.write_text(f'[[piece]]\ndisc = "cairn-small"\n[[cue]]\nkey = "m"\n{cue}\n')
    result = run("play", "--set-list", file)
    assert result.status == 2
    assert part in result.err
    assert "needs a MIDI port" in run("play", "cairn-small", "--input", "x", "--follow").err
