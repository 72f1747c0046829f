"""Sets: one piece after the other, cues, crossfades, layers, loops, jumps, presets and mutes."""

from __future__ import annotations

import datetime
import itertools

import numpy as np
import pytest

from sonify.live.commands import Command
from sonify.live.cues import CueTable, until
from sonify.live.schedule import schedule_of
from sonify.live.set_list import Cue, load_set_list
from tests.live.loopback import hanging
from tests.live.simulated import Played, piece_of, sent, show_of
from tests.nightly import late

HUT = ("hut-band", "quick")
ORGAN = ("organ-loft", "quick")


@pytest.fixture(scope="module")
def first():
    return piece_of(show_of("cairn-small", HUT))


@pytest.fixture(scope="module")
def organ():
    return piece_of(show_of("cairn-middle", ORGAN))


def ons(tape, low=0.0, high=np.inf):
    return [(t, d) for t, d in tape.of(0x90) if low - 1e-6 <= t < high - 1e-6]


def notes_at(want, moment=0.0):
    """The note-ons of a schedule, as times and messages from a moment on."""
    return [
        (t + moment, d)
        for t, d in zip(want.time_s.tolist(), want.messages, strict=True)
        if d[0] & 0xF0 == 0x90
    ]


def same(got, want):
    assert [d for _, d in got] == [d for _, d in want]
    assert [t for t, _ in got] == pytest.approx([t for t, _ in want], abs=1e-5)


def sounding_at(tape, moment):
    n = sum(t <= moment + 1e-9 for t in tape.times)
    return hanging(tape.messages[:n])


# ---- one after the other


def test_pieces_follow_each_other_without_a_gap(first, organ):
    tape = Played([first, organ]).tape
    end = first.schedules[0].end
    a, b = sent(first.schedules[0].show), sent(organ.schedules[0].show)
    same(ons(tape), notes_at(a) + notes_at(b, end))
    assert not hanging(tape.messages)
    # channels that the first piece used begin as fresh ones
    resets = {d for t, d in tape.of(0xB0) if d[1] == 121 and t == pytest.approx(end)}
    shared = set(first.schedules[0].channels) & set(organ.schedules[0].channels)
    assert {d[0] & 15 for d in resets} == shared
    assert shared


def test_a_piece_waits_for_its_cue(first):
    organ = piece_of(show_of("cairn-middle", ORGAN), waits=True)
    end = first.schedules[0].end
    tape = Played([first, organ], [(end + 7.25, Command("start"))]).tape
    b = notes_at(sent(organ.schedules[0].show), end + 7.25)
    same(ons(tape, end), b)
    assert not sounding_at(tape, end)


@pytest.mark.parametrize("at", ["row", "bar", "now"])
def test_next_comes_at_the_row_the_bar_or_at_once(organ, first, at):
    s = organ.schedules[0]
    moment = float(s.rows[1]) + 0.37
    lines = {"row": s.rows, "bar": s.bars, "now": np.array([moment])}[at]
    change = float(lines[lines >= moment][0])
    tape = Played([organ, first], [(moment, Command("next", at=at))]).tape
    a, b = sent(s.show), sent(first.schedules[0].show)
    same(ons(tape), [n for n in notes_at(a) if n[0] < change - 1e-6] + notes_at(b, change))
    new = {(d[0] & 15, d[1]) for t, d in notes_at(b, change) if t <= change}
    assert sounding_at(tape, change) == new
    assert not hanging(tape.messages)


def test_any_piece_may_be_started(first, organ):
    tape = Played([first, organ, first], [(1.0, Command("start", at="now", number=3))]).tape
    same(ons(tape, 1.0), notes_at(sent(first.schedules[0].show), 1.0))


# ---- crossfades and layers


def test_a_crossfade_keeps_the_power_and_both_pieces(first):
    organ = piece_of(show_of("cairn-middle", ORGAN), crossfade_s=2.0)
    end = first.schedules[0].end
    tape = Played([first, organ]).tape
    begin = end - 2.0
    a, b = sent(first.schedules[0].show), sent(organ.schedules[0].show)
    # every note of both is there, on channels of its own
    assert len(ons(tape)) == len(notes_at(a)) + len(notes_at(b))
    own = {d[0] & 15 for _, d in ons(tape, 0, begin)} - {9}
    new = {d[0] & 15 for _, d in ons(tape, end)} - {9}
    assert not own & new

    def volume(channel, moment):
        sent = [
            d[2] for t, d in tape.of(0xB0) if d[1] == 7 and d[0] & 15 == channel and t <= moment
        ]
        return sent[-1] if sent else 100

    for t in np.linspace(begin + 0.1, end - 0.1, 9):
        old = [volume(c, t) / volume(c, begin - 0.1) for c in own]
        up = [volume(c, t) / volume(c, end + 0.1) for c in new]
        assert np.ptp(old) < 0.02
        assert np.ptp(up) < 0.02
        # amplitude goes with the square of the volume, and power with that of the amplitude
        assert old[0] ** 4 + up[0] ** 4 == pytest.approx(1.0, abs=0.08)
    assert not hanging(tape.messages)
    assert not {n for n in sounding_at(tape, end + 0.01) if n[0] in own}


def test_layers_sound_together_on_channels_of_their_own(first):
    lead, layer = show_of("cairn-middle", ORGAN), show_of("cairn-small", ORGAN)
    piece = piece_of(lead, layer)
    tape = Played([piece]).tape
    a, b = notes_at(sent(lead)), notes_at(sent(layer))
    own = set(piece.schedules[0].channels)
    same([n for n in ons(tape) if n[1][0] & 15 in own], a)
    rest = [n for n in ons(tape) if n[1][0] & 15 not in own]
    assert [(t, d[1:]) for t, d in rest] == [
        (pytest.approx(t, abs=1e-5), d[1:]) for t, d in b if t < piece.schedules[0].end
    ]
    moment = 0.9
    quiet = Played([piece], [(moment, Command("layer", number=2))], stop=3.0).tape
    assert {d[0] & 15 for _, d in ons(quiet, moment)} <= own
    assert {c for c, _ in sounding_at(quiet, moment)} <= own


# ---- rows


def test_a_row_repeats_until_it_is_let_go(organ):
    s = organ.schedules[0]
    start, end = float(s.rows[1]), float(s.rows[2])
    middle, length = (start + end) / 2, end - start
    loop = Command("loop")
    tape = Played([organ], [(middle, loop), (middle + 3 * length, loop)]).tape
    a = notes_at(sent(s.show))
    row = [n for n in a if start - 1e-6 <= n[0] < end - 1e-6]
    # notes that sound across the row's end may begin again with it
    held = {d[1] for d, _ in s.sounding(start)}
    got = [n for n in ons(tape, start, end + 3 * length) if n[1][1] not in held]
    want = [(t + k * length, d) for k in range(4) for t, d in row if d[1] not in held]
    same(got, want)
    same(ons(tape, end + 3 * length)[-5:], [(t + 3 * length, d) for t, d in a[-5:]])
    assert not hanging(tape.messages)


def test_jump_to_a_row(organ):
    s = organ.schedules[0]
    tape = Played([organ], [(0.5, Command("jump", at="now", number=4))]).tape
    start = float(s.rows[3])
    want = [(t - start + 0.5, d) for t, d in notes_at(sent(s.show)) if t >= start - 1e-6]
    same(ons(tape, 0.5)[-len(want):], want)  # fmt: skip
    wanted = {(d[0] & 15, d[1]) for d, _ in s.sounding(start)}
    assert wanted <= sounding_at(tape, 0.5)
    assert not hanging(tape.messages)


def test_a_jump_by_one_leaves_out_a_row(organ):
    s = organ.schedules[0]
    tape = Played([organ], [(0.5, Command("jump", by=1)), (0.6, Command("jump", by=-1))]).tape
    # the last word counts: the row that plays comes again
    assert tape.times[-1] == pytest.approx(s.end + float(s.rows[1]), abs=1e-3)


# ---- mutes, pitch, presets


def test_a_muted_voice_is_silent_at_once_and_comes_back(first):
    s = first.schedules[0]
    name = s.voices[0]
    channels = {p.channel for p in s.show.parts if p.name == name}
    tape = Played(
        [first], [(0.8, Command("mute", voice=name)), (1.9, Command("mute", number=1))]
    ).tape
    want = [
        n for n in notes_at(sent(s.show)) if not (0.8 < n[0] < 1.9 and n[1][0] & 15 in channels)
    ]
    at = [n for n in ons(tape) if abs(n[0] - 1.9) > 1e-6]
    same(at, want)
    assert not {c for c, _ in sounding_at(tape, 0.8)} & channels


def test_transposed_notes_end_as_they_began(first):
    tape = Played([first], [(0.8, Command("transpose", number=5))]).tape
    for (_, got), (_, want) in zip(
        [n for n in ons(tape) if n[0] > 0.81],
        [n for n in notes_at(sent(first.schedules[0].show)) if n[0] > 0.81],
        strict=True,
    ):
        assert got[1] - want[1] == (0 if want[0] & 15 == 9 else 5)
    assert not hanging(tape.messages)


def test_what_is_set_before_the_start_holds_from_the_start(first):
    tape = Played([first], [(-0.02, Command("transpose", number=2))]).tape
    want = notes_at(sent(first.schedules[0].show))
    moved = [d[1] + (0 if d[0] & 15 == 9 else 2) for _, d in want]
    assert [d[1] for _, d in ons(tape)] == moved


def test_a_preset_changes_at_a_bar_without_a_gap(organ):
    s = organ.schedules[0]
    other = schedule_of(show_of("cairn-middle", ("string-weather", "quick")))
    change = float(s.bars[3])
    tape = Played([organ], [(change - 0.2, Command("preset", at="bar", schedules={0: other}))]).tape
    x = float(other.rows[s.row_at(change)]) + change - float(s.rows[s.row_at(change)])
    want = [n for n in notes_at(sent(other.show)) if n[0] >= x - 1e-6]
    same(ons(tape, change)[-len(want) :], [(t - x + change, d) for t, d in want])
    now = {(d[0] & 15, d[1]) for d, _ in other.sounding(x)}
    later = {(d[0] & 15, d[1]) for t, d in want if t <= x + 1e-6}
    assert sounding_at(tape, change) == now | later
    programs = [d for t, d in tape.of(0xC0) if t == pytest.approx(change)]
    assert programs
    assert not hanging(tape.messages)


def test_the_same_preset_changes_nothing(organ):
    again = schedule_of(show_of("cairn-middle", ORGAN))
    plain = Played([organ], clock=True).tape
    tape = Played(
        [organ], [(2.0, Command("preset", at="now", schedules={0: again}))], clock=True
    ).tape
    assert tape.data == plain.data


def test_pause_ends_all_notes_and_goes_on_with_those_that_are_held(organ):
    s = organ.schedules[0]
    moment = float(s.rows[1]) + 0.2
    tape = Played(
        [organ], [(moment, Command("pause")), (moment + 60, Command("start"))], clock=True
    ).tape
    assert not sounding_at(tape, moment)
    assert not ons(tape, moment + 1e-3, moment + 60)
    held = {(d[0] & 15, d[1]) for d, _ in s.sounding(moment)}
    assert held <= sounding_at(tape, moment + 60)
    later = [n for n in notes_at(sent(s.show)) if n[0] > moment + 1e-3]
    same(ons(tape, moment + 60 + 1e-3), [(t + 60, d) for t, d in later])
    real_time = [d[0] for d in tape.data if d[0] >= 0xF0 and d[0] != 0xF8]
    assert real_time == [0xFA, 0xFC, 0xF2, 0xFB, 0xFC]


# ---- nothing hangs, whatever is done


def pedals(tape, moment=np.inf):
    """The channels whose sustain pedal is down."""
    down = {}
    for t, d in zip(tape.times, tape.data, strict=True):
        if t <= moment + 1e-9 and d[0] & 0xF0 == 0xB0 and d[1] in (64, 121):
            down[d[0] & 15] = d[1] == 64 and d[2] > 0
    return {c for c, on in down.items() if on}


def test_no_pedal_holds_notes_after_the_end_a_pause_a_mute_or_the_next_piece(first):
    voices = "music.voice"
    pedal = [{"send": "sustain", "over": "piece", "points": [1, 1]}]
    voice = {"name": "bells", "program": "vibraphone", "controllers": pedal}
    high = {"name": "high", "program": "celesta", "channel": 12}
    held = piece_of(show_of("cairn-middle", ("quick",), **{voices: [voice, high]}))
    down = Played([held], stop=3.0)
    assert pedals(down.tape, 2.9)
    assert not pedals(down.tape)
    later = {"pause": ("start", True), "mute": ("mute", True), "next": ("next", False)}
    for do, (again, comes_back) in later.items():
        commands = [(2.0, Command(do, at="now", number=1 if do == "mute" else None))]
        commands.append((2.5, Command(again, at="now", number=1 if do == "mute" else None)))
        tape = Played([held, first], commands, stop=3.0).tape
        assert pedals(tape, 1.9)
        assert not pedals(tape, 2.4)
        assert bool(pedals(tape, 2.9)) == comes_back
        assert not pedals(tape)


def test_a_jump_behind_the_start_of_a_crossfade_fades_from_there(organ):
    small = piece_of(show_of("cairn-small", HUT), crossfade_s=14.0)
    last = len(organ.schedules[0].rows) - 1
    start = float(organ.schedules[0].rows[last - 1])
    assert organ.schedules[0].end - start < 14.0
    tape = Played([organ, small], [(1.0, Command("jump", at="now", number=last))]).tape
    want = notes_at(sent(small.schedules[0].show), 1.0)
    got = [(t, d[1:]) for t, d in ons(tape, 1.0)]
    for t, d in want:
        assert any(abs(t - u) < 1e-5 and d[1] == e[0] for u, e in got)


@pytest.mark.parametrize("evenings", [50, late(200)])
def test_evenings_of_random_commands_leave_nothing_hanging(first, organ, evenings):
    layered = piece_of(
        show_of("cairn-small", ORGAN), show_of("cairn-middle", ("music-box", "quick")),
        crossfade_s=1.0, change="bar",
    )  # fmt: skip
    other = schedule_of(show_of("cairn-middle", ("string-weather", "quick")))
    pieces = [organ, first, layered]
    rng = np.random.default_rng(4)
    makers = [
        lambda: Command("next"),
        lambda: Command("jump", number=int(rng.integers(1, 9)), at="now"),
        lambda: Command("jump", by=int(rng.integers(-1, 2))),
        lambda: Command("loop"),
        lambda: Command("mute", number=int(rng.integers(1, 5))),
        lambda: Command("layer", number=2),
        lambda: Command("preset", at="bar", schedules={0: other}),
        lambda: Command("transpose", number=int(rng.integers(-60, 60))),
        lambda: Command("pause"),
        lambda: Command("start", number=int(rng.integers(1, 4))),
    ]
    sounding = 0
    for _ in range(evenings):
        moments = np.sort(rng.uniform(0, 20, 30))
        commands = [(float(t), makers[rng.integers(len(makers))]()) for t in moments]
        played = Played(pieces, commands, stop=float(rng.uniform(1, 21)), clock=True, loop=True)
        tape = played.tape
        assert played.sender.error is None
        assert not hanging(tape.messages)
        sounding += bool(hanging(tape.messages[: played.before_end]))
        assert tape.times == sorted(tape.times)
        real_time = [d[0] for d in tape.data if d[0] in (0xFA, 0xFB, 0xFC)]
        assert all((a == 0xFC) != (b == 0xFC) for a, b in itertools.pairwise(real_time))
        for m in tape.messages:
            assert m.type != "note_on" or 0 <= m.note <= 127
    assert sounding > 0.4 * evenings


# ---- cues and files


def test_cues_answer_notes_footswitches_and_times_of_day(first):
    cues = [
        Cue(note=36, channel=10, do="next"),
        Cue(controller=64, do="loop"),
        Cue(time="21:30", do="start"),
        Cue(key="g", do="mute", voice=first.schedules[0].voices[1]),
    ]
    table = CueTable(cues, [first], lambda n, p: first.schedules[0])
    assert [c.do for c in table.midi(b"\x99\x24\x40")] == ["next"]
    assert not table.midi(b"\x90\x24\x40")
    assert not table.midi(b"\x99\x24\x00")
    # one step on the pedal is one cue, though it sends many values
    said = [len(table.midi(bytes((0xB0, 64, v)))) for v in (10, 63, 64, 90, 127, 70, 20, 127)]
    assert said == [0, 0, 1, 0, 0, 0, 0, 1]
    assert table.keys["g"].voice == first.schedules[0].voices[1]
    now = datetime.datetime(2026, 3, 14, 21, 29, 15, tzinfo=datetime.UTC)
    assert [t for t, _ in table.times(now)] == [45.0]
    assert until("21:29", now) == 24 * 3600 - 15


NIGHT = """
title = "An evening at Cairn Hut"
[[piece]]
disc = "cairn-small"
preset = ["hut-band", "quick"]
[[piece]]
disc = "fog.toml"
preset = ["ours.toml"]
set = ["music.root=E3"]
title = "Fog"
start = "cue"
change = "bar"
crossfade = 1.5
[[piece.layer]]
disc = "cairn-small"
preset = ["music-box", "quick"]
[[cue]]
key = "s"
do = "preset"
preset = ["ours.toml"]
[[cue]]
controller = 64
do = "next"
"""


def test_a_set_list_finds_what_lies_beside_it(tmp_path):
    (tmp_path / "fog.toml").write_text('message = "FOG AT NOON"\n')
    (tmp_path / "ours.toml").write_text('[music]\nroot = "A3"\n')
    (tmp_path / "night.toml").write_text(NIGHT)
    out = load_set_list(tmp_path / "night.toml")
    assert out.piece[1].disc == str(tmp_path / "fog.toml")
    assert out.piece[1].preset == out.cue[0].preset == (str(tmp_path / "ours.toml"),)
    assert out.piece[0].disc == "cairn-small"


@pytest.mark.parametrize(
    ("change", "part"),
    [
        (("crossfade = 1.5", "crossfade = -1"), "piece[1].crossfade"),
        (('start = "cue"', 'start = "never"'), "one of: follow, cue"),
        (('key = "s"', 'key = "abc"'), "'abc' is not a key"),
        (('key = "s"', 'time = "25:00"'), "cue[0]"),
        (('do = "next"', 'do = "jump"'), "needs the key 'row'"),
        (('do = "next"', 'do = "next"\nrow = 3'), "takes no 'row'"),
        (('do = "next"', 'do = "start"\npiece = 7'), "there is no piece 7"),
        (
            ('do = "next"', 'do = "layer"\nlayer = 2'),
            "no piece has a layer 2",
        ),
        (('do = "next"', 'do = "mute"\nvoice = "harp"'), "cue[1]: there is no voice 'harp'"),
        (('do = "next"', 'do = "loop"\nrow = 99'), "no piece has a row 99"),
        (("controller = 64", ""), "give one of key, note, controller and time"),
        (("[[cue]]\nkey", "[[cues]]\nkey"), "unknown key 'cues'"),
    ],
)
def test_a_wrong_set_list_is_one_line(run, tmp_path, monkeypatch, change, part):
    monkeypatch.setenv("MIDO_BACKEND", "tests.live.loopback")
    (tmp_path / "fog.toml").write_text('message = "FOG AT NOON"\n')
    (tmp_path / "ours.toml").write_text('[music]\nroot = "A3"\n')
    file = tmp_path / "night.toml"
    file.write_text(NIGHT.replace(*change))
    result = run("play", "--set-list", file, "--port", "Valley")
    assert result.status == 2
    assert result.err.count("\n") == 1
    assert "night.toml" in result.err
    assert part in result.err


def test_too_many_channels_are_refused(run, tmp_path, monkeypatch):
    monkeypatch.setenv("MIDO_BACKEND", "tests.live.loopback")
    voices = "".join('[[music.voice]]\nsource = "ones"\n' for _ in range(9))
    (tmp_path / "nine.toml").write_text(voices)
    file = tmp_path / "night.toml"
    piece = '[[piece]]\ndisc = "cairn-small"\npreset = ["nine.toml"]\n'
    file.write_text(piece + piece + "crossfade = 2\n")
    result = run("play", "--set-list", file, "--port", "Valley")
    assert result.status == 2
    assert "needs 18 MIDI channels at once" in result.err
