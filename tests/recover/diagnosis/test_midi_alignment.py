"""MIDI recordings: numbering and timing of notes, both kinds of player, several readings."""

from __future__ import annotations

from itertools import product

import mido
import numpy as np
import pytest

import sonify
from sonify.errors import InputError
from sonify.recover.diagnosis import compare
from sonify.recover.diagnosis.alignment import Design
from sonify.recover.diagnosis.fits import told
from sonify.recover.diagnosis.numbering import numbered
from sonify.recover.diagnosis.starts import pulses_of, settled, starts_in_slots
from sonify.recover.diagnosis.timing_model import fit_timing, without_slips
from tests.nightly import nightly, sampled, sampled_product, sampled_rows
from tests.recover.diagnosis.machine import Machine

PLAYERS = {
    "index": {"rpm": 10.0, "stage": 0.8, "settle": 0.2},
    "next-position": {"rpm": 24.0, "stage": 0.25, "settle": 0.05},
}


# ---- notes to slots ----


def motor(slots, rpm=24.0, n=50, drift=0.0, flutter=0.0, slow=0.0):
    """When slots pass on a motor: integrated in small steps."""
    dt = 1e-3
    t = np.arange(0, 120, dt)
    speed = rpm / 60 * n * (1 + drift * (t / 30 - 0.5)) * (1 - slow * np.exp(-t / 2.0))
    angle = np.cumsum(speed) * dt
    angle = angle + flutter * n / (2 * np.pi) * np.sin(2 * np.pi * angle / n)
    return np.interp(slots, angle, t)


def some_slots(seed, count=500, rest=(200, 240)):
    rng = np.random.default_rng(seed)
    slots = np.flatnonzero(rng.random(count) < 0.4)
    return slots[(slots < rest[0]) | (slots >= rest[1])]


@pytest.mark.parametrize(
    "how",
    [
        {"drift": 0.04},
        {"flutter": 0.025},
        {"rpm": 29.0},
    ],
)
def test_notes_are_numbered_whatever_the_motor_does(how):
    slots = some_slots(1)
    t = motor(slots, **how) + np.random.default_rng(2).uniform(0, 3e-3, len(slots))
    found, astray = numbered(t, 0.05, 50)
    assert not astray.any()
    assert (found == slots - slots[0]).all()


def test_a_note_between_two_positions_is_astray():
    slots = some_slots(3)
    t = np.sort(np.append(motor(slots), motor(300.47)))
    found, astray = numbered(t, 0.05, 50)
    k = int(np.searchsorted(t, motor(300.47)))
    assert np.flatnonzero(astray).tolist() == [k]
    assert (np.delete(found, k) == slots - slots[0]).all()


def test_the_timing_model_is_finer_than_its_notes():
    slots = some_slots(4)
    for how in ({"drift": 0.04, "flutter": 0.02}, {"slow": 0.4}):
        t = motor(slots, **how) + np.random.default_rng(5).uniform(-2e-3, 2e-3, len(slots))
        timing = fit_timing(slots, t, 50)
        assert timing.steady
        every = np.arange(slots[0], slots[-1])
        off = timing(every) - motor(every, **how)
        assert np.abs(off).max() < 2e-3, how
        assert np.sqrt(np.mean(off**2)) < 0.6e-3, how
        assert np.abs(timing.slots_of(t, slots + 3) - slots).max() < 0.1


def test_the_timing_model_bears_notes_numbered_wrong_and_a_speed_that_wanders():
    slots = some_slots(4)
    t = motor(slots, drift=0.04)
    wrong = slots.copy()
    wrong[60:80] += 1
    timing = fit_timing(wrong, t, 50)
    assert np.abs(timing(slots) - t).max() < 1e-3
    wander = 0.01 * np.sin(2 * np.pi * slots / 170)
    timing = fit_timing(slots, t + wander, 50)
    assert timing.steady
    assert np.abs(timing(slots) - t - wander).max() < 5e-3


def test_rests_that_were_counted_wrong_are_put_right():
    slots = some_slots(6)
    rest = slots[np.flatnonzero(np.diff(slots) >= 4)]
    wrong = slots + (slots > 220) - 2 * (slots > rest[rest > 300][0])
    assert (without_slips(wrong, motor(slots, drift=0.03), 50) == slots).all()
    assert (without_slips(slots, motor(slots, drift=0.03), 50) == slots).all()


# ---- where rows begin ----


@pytest.mark.parametrize(("kind", "at"), [("", -1), ("missing", 17), ("doubled", 17)])
def test_one_time_of_the_move_says_where_all_rows_begin(kind, at):
    """Rows are read by counting pulses by hand; the search begins up to three pulses off."""
    rng = np.random.default_rng(8)
    rows, n, move = 9, 40, 0.3
    grid = rng.integers(0, 2, (rows, n)).astype(np.int8)

    def times(slot):
        return motor(slot, n=n, flutter=0.01, drift=0.02)

    pulses = pulses_of(times, n, 0, -20, 600, kind, at)
    start, q = [], int(pulses.first_from(np.array([0]))[0])
    heard = np.full(len(pulses.slot), -1, np.int8)
    for r in range(rows):
        start.append(q)
        read = np.arange(q, q + n)
        bit = np.where(pulses.place[read] >= 0, grid[r, pulses.place[read]], 0)
        heard[read] = np.where(bit == 1, 1, -1)
        q = int(np.searchsorted(pulses.time_s, pulses.time_s[q + n - 1] + move, "right"))
    plan = Design(grid, n + 5, False, 0.27)
    begun = np.array(start) + rng.integers(-3, 4, rows)
    found, length = settled(heard, pulses, plan, np.arange(rows), begun, 0.3)
    assert found.tolist() == start
    usual = float(np.median(np.diff(pulses.time_s)))
    assert abs(length - move) < usual
    assert starts_in_slots(pulses, found)[0] == 0
    # a row in which nothing was heard is where the others say
    heard[start[5] : start[5] + n] = -1
    found, _ = settled(heard, pulses, plan, np.arange(rows), begun, 0.3)
    assert found.tolist() == start


# ---- whole recordings ----


def a_take(start, **more):
    disc = sonify.load_disc("cairn-wire")
    profile = PLAYERS[start]
    recording = Machine(disc.grid.tolist(), 5, row_start=start, **{**profile, **more}).run()
    settings = {f"player.{k}": v for k, v in profile.items()} | {"player.row-start": start}
    return sonify.perform(disc, settings=settings), recording


def written(path, notes, lost=()):
    """A MIDI file of (on, off, pitch) in s; some notes' onsets may be lost."""
    ons = [(a, 1, p) for k, (a, _, p) in enumerate(notes) if k not in lost]
    events = sorted(ons + [(b, 0, p) for _, b, p in notes])
    file = mido.MidiFile(type=0, ticks_per_beat=480)
    track = mido.MidiTrack()
    file.tracks.append(track)
    before = 0
    for time, on, pitch in events:
        tick = round((time - events[0][0] + 0.2) * 960)
        kind = "note_on" if on else "note_off"
        track.append(mido.Message(kind, note=pitch, velocity=84, time=tick - before))
        before = tick
    file.save(str(path))
    return path


def places(seen):
    return {(int(e["row"]), int(e["position"])) for e in seen.errors}


@pytest.mark.parametrize(("start", "late_s"), sampled_product(PLAYERS, [0.0, 0.006]))
def test_every_bit_is_placed(start, late_s, tmp_path):
    """Of a machine that is not its profile, also if its notes come a little late now and then."""
    show, recording = a_take(start, rpm=PLAYERS[start]["rpm"] * 1.03, drift=0.04, flutter=0.01)
    late = np.random.default_rng(1).uniform(0, late_s, len(recording.notes)) if late_s else 0
    notes = [
        (on + d, off + d, pitch)
        for (on, off, pitch, _, _), d in zip(
            recording.notes, np.broadcast_to(late, len(recording.notes)), strict=True
        )
    ]
    seen = compare(show, written(tmp_path / "recording.mid", notes))
    assert len(seen.errors) == 0
    assert (seen.bits == show.disc.grid).all()
    assert abs(seen.motion.rpm / recording.rpm - 1) < 1e-3
    change = np.nanmin(recording.times, axis=1)[1:] - np.nanmax(recording.times, axis=1)[:-1]
    assert np.abs(seen.motion.change_s - change).max() < 5e-3 + late_s


@pytest.mark.parametrize(("start", "kind"), sampled_product(PLAYERS, ["missing", "doubled"]))
def test_a_clock_that_miscounts(start, kind, tmp_path):
    show, recording = a_take(start, **{f"clock_{kind}": {20}})
    seen = compare(show, recording.write_midi(tmp_path / "recording.mid"))
    assert places(seen) == recording.errors()
    assert (seen.miscount.kind, seen.miscount.position) == (kind, 20)
    assert seen.causes[0].name == f"clock-{kind}"


@pytest.mark.parametrize(("rows", "start"), sampled_product([(1, 9), (4, 9), (0, 5)], PLAYERS))
def test_rows_before_the_take_and_after_it_are_not_accused(rows, start, tmp_path):
    first, end = rows
    show, recording = a_take(start)
    notes = [n[:3] for n in recording.notes if first <= n[3] < end]
    seen = compare(show, written(tmp_path / "recording.mid", notes))
    assert len(seen.errors) == 0
    unread = (seen.bits < 0).all(axis=1)
    assert np.flatnonzero(~unread).tolist() == list(range(first, end))
    assert any("not in the recording" in one for one in seen.cautions)
    # a stage that came late would give the same notes
    late = any(one.startswith("nothing of row 1 is in the recording") for one in seen.cautions)
    assert late == (first > 0)


def test_a_last_row_without_a_note_may_not_have_been_recorded(tmp_path):
    show, recording = a_take("index")
    notes = [n[:3] for n in recording.notes if n[3] < 8]
    seen = compare(show, written(tmp_path / "recording.mid", notes))
    assert {r for r, _ in places(seen)} == {8}
    assert seen.cautions[0].startswith("no note came after row 8 position ")
    assert "including all of row 9" in seen.cautions[0]


@pytest.mark.parametrize(
    ("part", "start"),
    sampled_product([(0.04, 1.0), (0.3, 1.0), (0.0, 0.72), (0.17, 0.81)], PLAYERS),
)
def test_a_recording_that_begins_or_stops_within_a_row_accuses_nothing(part, start, tmp_path):
    begin, end = part
    """Wherever it was cut: in the first row or the last too, where that is told."""
    show, recording = a_take(start)
    first, span = recording.notes[0][0], recording.notes[-1][0] - recording.notes[0][0]
    notes = [n for n in recording.notes if begin * span <= n[0] - first <= end * span]
    seen = compare(show, written(tmp_path / "recording.mid", [n[:3] for n in notes]))
    assert len(seen.errors) == 0
    # where it stops, the data channel may also have died
    silent = ["midi-rows-missing", "data-dead"]
    assert [c.name for c in seen.causes] in ([], silent[:1], silent)
    heard = [(r, p) for *_, r, p in notes]
    assert all(seen.bits[r, p] == 1 for r, p in heard)
    if begin == 0.04:
        assert f"no note came before row 1 position {heard[0][1] + 1}" in seen.cautions[0]


@pytest.mark.parametrize("share", sampled([0.35, 0.55], 1))
def test_a_short_piece_of_a_take_is_laid_where_it_belongs(share, tmp_path):
    show, recording = a_take("index")
    span = recording.notes[-1][0]
    notes = [n for n in recording.notes if 0.2 * span <= n[0] <= (0.2 + share) * span]
    seen = compare(show, written(tmp_path / "recording.mid", [n[:3] for n in notes]))
    assert len(seen.errors) == 0
    assert all(seen.bits[r, p] == 1 for *_, r, p in notes)


def test_one_row_of_a_take_is_laid_where_it_belongs(tmp_path):
    show, recording = a_take("index")
    notes = [n for n in recording.notes if n[3] == 4]
    seen = compare(show, written(tmp_path / "recording.mid", [n[:3] for n in notes]))
    assert all(seen.bits[r, p] == 1 for *_, r, p in notes)
    assert seen.causes[0].name == "midi-rows-missing"
    assert "rows 1, 2, 3, 4, 6, 7, 8, 9" in seen.causes[0].evidence[0]


def test_too_short_a_piece_says_so(tmp_path):
    show, recording = a_take("index")
    notes = [n[:3] for n in recording.notes if n[3] == 4][:9]
    with pytest.raises(InputError, match="record all of it, from before the first row"):
        compare(show, written(tmp_path / "recording.mid", notes))


@pytest.mark.parametrize("start", PLAYERS)
def test_a_row_that_was_not_recorded_is_named(start, tmp_path):
    show, recording = a_take(start)
    last = max(n[3] for n in recording.notes)
    notes = [n[:3] for n in recording.notes if n[3] < last]
    seen = compare(show, written(tmp_path / "recording.mid", notes))
    assert seen.causes[0].name == "midi-rows-missing"
    assert f"no note came of row {last + 1};" in seen.causes[0].evidence[0]


@pytest.mark.parametrize("start", PLAYERS)
def test_notes_that_come_late_are_no_wrong_bits(start, tmp_path):
    """One in ten is held up, some until after the next."""
    show, recording = a_take(start)
    rng = np.random.default_rng(4)
    late = 60 / show.setup.player.rpm / show.disc.positions * rng.uniform(0.6, 2.5, 1000)
    held = rng.random(1000) < 0.1
    notes = [
        (on + late[k] * held[k], off + late[k] * held[k], pitch)
        for k, (on, off, pitch, *_) in enumerate(recording.notes)
    ]
    seen = compare(show, written(tmp_path / "recording.mid", sorted(notes)))
    assert seen.causes[0].name == "midi-late"
    assert len(seen.errors) == 0


@pytest.mark.parametrize("rpm", sampled([7.7, 9.0, 9.35, 10.9, 12.4], 2))
def test_notes_that_swing_on_a_motor_far_from_its_profile(rpm, tmp_path):
    disc = sonify.load_disc("cairn-middle")
    settings = {"music.timing": "player"}
    slow = sonify.perform(disc, ["larch-marimba", "usual"], settings | {"player.rpm": rpm})
    show = sonify.perform(disc, ["larch-marimba", "usual"], settings)
    seen = compare(show, slow.save(tmp_path / "recording.mid"))
    assert len(seen.errors) == 0
    assert abs(seen.motion.rpm / rpm - 1) < 1e-3


def test_all_voices_recorded_on_one_channel(tmp_path):
    """They are told apart by their keys, as those that share a channel by design."""
    disc = sonify.load_disc("cairn-middle")
    show = sonify.perform(disc, ["hut-band", "usual"], {"music.timing": "player"})
    file = mido.MidiFile(str(show.save(tmp_path / "apart.mid")))
    assert len({m.channel for m in file if m.type == "note_on"}) > 1
    for track in file.tracks:
        for message in track:
            if hasattr(message, "channel"):
                message.channel = 6
    file.save(str(tmp_path / "one.mid"))
    seen = compare(show, tmp_path / "one.mid")
    assert len(seen.errors) == 0
    assert seen.listening.exact
    assert (seen.bits == disc.grid).all()


@pytest.mark.parametrize(("start", "whole"), sampled_product(PLAYERS, [True, False]))
def test_the_first_whole_reading_of_several_is_compared(start, whole, tmp_path):
    """Two readings, the first of them whole or only a half."""
    row = int(np.flatnonzero(sonify.load_disc("cairn-wire").grid[6])[5])
    show, recording = a_take(start, blocked={(6, row)})
    one = [n[:3] for n in recording.notes if whole or n[3] >= 5]
    later = recording.notes[-1][1] - recording.notes[0][0] + 7.3
    two = [(a + later, b + later, p) for a, b, p, _, _ in recording.notes]
    seen = compare(show, written(tmp_path / "recording.mid", one + two))
    assert places(seen) == {(6, row)}
    assert seen.causes[0].name == "hole"
    assert f"2 readings; number {1 if whole else 2} is compared" in seen.cautions[0]
    assert (seen.errors["time_s"][0] > later) == (not whole)


def test_note_ons_lost_on_the_wire(tmp_path):
    """A note-off without its note, and a note that hangs, speak for the wire."""
    show, recording = a_take("next-position")
    lost = [60, 61, 62, 121]
    path = written(tmp_path / "recording.mid", [n[:3] for n in recording.notes], lost)
    seen = compare(show, path)
    assert places(seen) == {recording.notes[k][3:5] for k in lost}
    assert seen.causes[0].name == "wire"
    assert seen.seen.wire.orphans == len(lost)


# ---- whether it is this disc ----


def test_what_a_take_tells():
    """Mutual information (C. E. Shannon, 1948): all, none, and a channel that loses half the ones:
    H(1/4) - 1/2 H(1/2) of H(1/2)."""
    bit = np.tile([0, 1], 200).astype(np.int8)
    sound = 2 * bit - 1
    assert told(sound, bit) == pytest.approx(1.0)
    assert told(-sound, bit) == pytest.approx(1.0)
    assert told(np.tile([1, 1, -1, -1], 100).astype(np.int8), bit) == pytest.approx(0.0, abs=1e-12)
    half = np.tile([-1, 1, -1, -1], 100).astype(np.int8)
    quarter = -(0.25 * np.log2(0.25) + 0.75 * np.log2(0.75))
    assert told(half, bit) == pytest.approx(quarter - 0.5)
    assert told(np.where(np.arange(400) < 200, sound, 0), bit) == pytest.approx(0.5)


@pytest.mark.parametrize("start", PLAYERS)
def test_a_take_of_another_disc_of_the_same_size(start, tmp_path):
    show, recording = a_take(start)
    path = recording.write_midi(tmp_path / "recording.mid")
    text = "ROPES ARE DRY. LAMP OIL LOW. MULES COME FRIDAY. RAIN AT NOON (K. AT HUT)"
    other = sonify.Disc.from_message(text, code=show.disc.code, layout=show.disc.layout)
    with pytest.raises(InputError, match=r"does not fit the disc.*scores \d of 100"):
        compare(sonify.perform(other, setup=show.setup), path)


@pytest.mark.parametrize(
    ("preset", "player"),
    sampled_rows(
        product(
            [
                "bayati-evening",
                "gong-terrace",
                "glass-rain",
                "tin-roof",
                "hut-band",
                "kalimba-path",
            ],
            ["usual", "quick"],
        ),
        4,
    ),
)
def test_what_a_preset_plays_is_accused_of_nothing(preset, player, tmp_path):
    """Bent notes on channels of their own, drums that share one, echoes, patterns of the clock."""
    disc = sonify.load_disc("cairn-wire")
    show = sonify.perform(disc, [player, preset], {"music.timing": "player"})
    seen = compare(show, show.save(tmp_path / "recording.mid"))
    assert len(seen.errors) == 0
    assert seen.causes == []
    assert seen.listening.exact
    assert (seen.bits == disc.grid).all()
    assert abs(seen.motion.rpm / show.setup.player.rpm - 1) < 1e-3


def played(tmp_path, preset="larch-marimba"):
    """A show, and the note messages of its MIDI file with their times in s."""
    disc = sonify.load_disc("cairn-middle")
    show = sonify.perform(disc, [preset, "usual"], {"music.timing": "player"})
    now, out = 0.0, []
    for message in mido.MidiFile(str(show.save(tmp_path / "played.mid"))):
        now += message.time
        if message.type in ("note_on", "note_off"):
            out.append((now, message))
    return show, out


def smf(path, events, tick_s, division, running=True):
    """A file of format 0, byte by byte (Standard MIDI Files 1.0, RP-001)."""

    def length(n):
        out = [n & 127]
        while n := n >> 7:
            out.append(128 | n & 127)
        return bytes(out[::-1])

    body, status, before = b"", None, 0
    for time, message in events:
        tick = round(time / tick_s)
        raw = bytes(message.bytes())
        if message.type == "note_off":
            raw = bytes([0x90 | message.channel, message.note, 0])
        body += length(tick - before) + (raw[1:] if running and raw[0] == status else raw)
        status, before = raw[0], tick
    body += b"\0\xff\x2f\0"
    head = b"MThd" + bytes([0, 0, 0, 6, 0, 0, 0, 1]) + bytes(division)
    path.write_bytes(head + b"MTrk" + len(body).to_bytes(4, "big") + body)
    return path


@pytest.mark.parametrize(
    ("tick_s", "division"),
    [
        (0.5 / 96, (0, 96)),
        pytest.param(0.5 / 960, (3, 192), marks=nightly),
        (1 / 1000, (256 - 25, 40)),
        pytest.param(1 / 2400, (256 - 30, 80), marks=nightly),
        (1001 / 30000 / 100, (256 - 29, 100)),
    ],
)
def test_files_as_recorders_write_them(tick_s, division, tmp_path):
    """Running status, note-ons of velocity 0 for note-offs (MIDI 1.0 Detailed Specification 4.2),
    ticks of beats and of frames (Standard MIDI Files 1.0, RP-001)."""
    show, events = played(tmp_path)
    seen = compare(show, smf(tmp_path / "recording.mid", events, tick_s, division))
    assert len(seen.errors) == 0
    assert not seen.causes
    assert abs(seen.motion.rpm / 10 - 1) < 1e-3


def test_a_tempo_that_changes_and_a_late_start(tmp_path):
    show, events = played(tmp_path)
    file = mido.MidiFile(ticks_per_beat=480)
    track = mido.MidiTrack()
    file.tracks.append(track)
    now = 0.0
    for k, (time, message) in enumerate(events):
        tempo = (500_000, 731_000, 412_345)[k // 200 % 3]
        if k % 200 == 0:
            track.append(mido.MetaMessage("set_tempo", tempo=tempo))
        tick = max(0, round((time + 5 - now) / (tempo * 1e-6 / 480)))
        now += tick * tempo * 1e-6 / 480
        track.append(message.copy(time=tick))
    file.save(str(tmp_path / "recording.mid"))
    seen = compare(show, tmp_path / "recording.mid")
    assert len(seen.errors) == 0
    assert abs(seen.motion.rpm / 10 - 1) < 1e-3


def test_a_recording_that_holds_everything_twice(tmp_path):
    show, events = played(tmp_path)
    both = sorted(events + [(t + 0.002, m) for t, m in events], key=lambda e: e[0])
    seen = compare(show, smf(tmp_path / "recording.mid", both, 0.5 / 960, (3, 192)))
    assert len(seen.errors) == 0
    assert not seen.causes
    assert "each note came twice" in seen.cautions[0]


@pytest.mark.parametrize("preset", sampled(["larch-marimba", "ridge-run"], 1))
def test_a_player_that_sends_no_note_off_loses_no_bytes(preset, tmp_path):
    show, events = played(tmp_path, preset)
    ons = [e for e in events if e[1].type == "note_on" and e[1].velocity]
    seen = compare(show, smf(tmp_path / "recording.mid", ons, 0.5 / 960, (3, 192)))
    assert len(seen.errors) == 0
    assert not seen.causes
    assert "no note-offs" in seen.cautions[0]


def test_files_whose_times_can_t_be_used(tmp_path):
    show, events = played(tmp_path)
    path = smf(tmp_path / "recording.mid", events, 0.25, (0, 24))
    file = mido.MidiFile(str(path))
    file.tracks[0].insert(0, mido.MetaMessage("set_tempo", tempo=24 * 250_000))
    file.save(str(path))
    with pytest.raises(InputError, match="a tick lasts 250 ms and a position 107 ms"):
        compare(show, path)
    file = mido.MidiFile(str(tmp_path / "played.mid"))
    file.type = 2
    file.save(str(path))
    with pytest.raises(InputError, match="export it as format 0 or 1"):
        compare(show, path)
