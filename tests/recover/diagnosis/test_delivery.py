"""What became of a MIDI recording's notes: late, lost, not recorded, or just a motor's doing."""

from __future__ import annotations

import mido
import numpy as np
import pytest

import sonify
from sonify.recover.diagnosis import compare
from tests.nightly import sampled
from tests.recover.diagnosis.test_midi_alignment import a_take, played, smf, written

VOICES = "koto-pond"  # voices that tell bits, and voices that sound whatever the bits are


def recorded(tmp_path, events):
    """A file of events that a recorder wrote down, in the order in which they came."""
    return smf(tmp_path / "recording.mid", sorted(events, key=lambda e: e[0]), 0.5 / 960, (3, 192))


def named(show, path):
    """The names of the causes, and the comparison."""
    seen = compare(show, path)
    return [c.name for c in seen.causes], seen


def test_a_row_between_others_of_which_no_voice_came_was_not_recorded(tmp_path):
    show, events = played(tmp_path, VOICES)
    begin, end = show.timeline.row_slot[[3, 4]] * show.timeline.position_s
    causes, seen = named(show, recorded(tmp_path, [e for e in events if not begin <= e[0] < end]))
    assert causes[0] == "midi-rows-missing"
    assert "row 4;" in seen.causes[0].evidence[0]
    assert len(seen.errors) == 0


@pytest.mark.parametrize("preset", [VOICES, "telegraph"])
def test_notes_that_a_radio_link_holds_up(preset, tmp_path):
    """Each by up to half a position, and never one before another."""
    show, events = played(tmp_path, preset)
    wait = np.random.default_rng(3).uniform(0, 0.5, len(events)) * show.timeline.position_s
    came = np.maximum.accumulate([t for t, _ in events] + wait)
    causes, _ = named(
        show, recorded(tmp_path, list(zip(came, (m for _, m in events), strict=True)))
    )
    assert causes[0] == "midi-late"


def test_a_speed_that_jumps_from_row_to_row_makes_no_note_late(tmp_path):
    show, events = played(tmp_path, VOICES)
    rows = show.timeline.row_slot * show.timeline.position_s
    pace = np.linspace(0.9, 1.1, len(rows))
    ends = np.append(rows, 2 * rows[-1] - rows[-2])
    due = np.concatenate([[0], np.cumsum(pace * np.diff(ends))])
    causes, seen = named(
        show, recorded(tmp_path, [(float(np.interp(t, ends, due)), m) for t, m in events])
    )
    assert "midi-late" not in causes
    assert len(seen.errors) == 0


def test_a_steady_motor_an_eighth_too_slow(tmp_path):
    show, events = played(tmp_path, VOICES)
    causes, seen = named(show, recorded(tmp_path, [(1.125 * t, m) for t, m in events]))
    assert causes == ["motor-off-speed"]
    assert len(seen.errors) == 0


@pytest.mark.parametrize("held", ["end", "start", "both"])
def test_notes_of_one_key_that_overlap_lose_nothing(held, tmp_path):
    """One's end is held up until after the next one's start, or its start until after its own end;
    or both come at once."""
    show, events = played(tmp_path, "telegraph")
    by_key: dict[int, list[int]] = {}
    for k, (_, m) in enumerate(events):
        by_key.setdefault(m.note, []).append(k)
    ons = [k for k, (_, m) in enumerate(events) if m.type == "note_on" and m.velocity]
    moved = list(events)
    for k in ons[6::17]:
        mine = by_key[events[k][1].note]
        end = mine[mine.index(k) + 1]
        if held == "start":
            moved[k] = (events[end][0] + 0.005, moved[k][1])
        elif held == "both":
            moved[k] = (events[end][0], moved[k][1])
            # a recorder sorts ends before starts
            moved[k], moved[end] = moved[end], moved[k]
        elif mine.index(end) + 1 < len(mine):
            moved[end] = (events[mine[mine.index(end) + 1]][0] + 0.005, moved[end][1])
    _, seen = named(show, recorded(tmp_path, moved))
    wire = seen.seen.wire
    assert wire is not None
    assert (wire.orphans, wire.hanging, wire.struck_again) == (0, 0, 0)


def test_lost_notes_of_voices_that_need_no_bits_are_the_wires(tmp_path):
    show, events = played(tmp_path, VOICES)
    lost = np.random.default_rng(5).random(len(events)) < 0.15
    gone = {m.note + 128 * m.channel for (_, m), k in zip(events, lost, strict=True) if k}
    kept, open_ = [], set()
    for (t, m), k in zip(events, lost, strict=True):
        key = m.note + 128 * m.channel
        on = m.type == "note_on" and m.velocity > 0
        if (on and k and key in gone) or (not on and key not in open_):
            continue  # a note goes with its end
        open_ = open_ | {key} if on else open_ - {key}
        kept.append((t, m))
    causes, _ = named(show, recorded(tmp_path, kept))
    assert causes[0] == "wire"


@pytest.mark.parametrize("rows", sampled([3, 0], 1))
def test_a_channel_that_reads_a_hole_everywhere_plays_every_position(rows, tmp_path):
    """A dark detector may read so; from the first row on it might as well be stuck."""
    show, recording = a_take("index")
    notes = [n[:3] for n in recording.notes if n[3] < rows]
    position = show.timeline.position_s
    for begin in show.timeline.row_slot[rows:] * position:
        notes += [(begin + k * position, begin + (k + 0.5) * position, 60) for k in range(56)]
    causes, _ = named(show, written(tmp_path / "recording.mid", notes))
    assert causes == ["data-dead" if rows else "data-stuck", "lamp-out"]


def test_a_few_lost_note_offs_of_keys_that_are_struck_again_by_design(tmp_path):
    show, events = played(tmp_path, "string-weather")
    ends = [k for k, (_, m) in enumerate(events) if m.type == "note_off" or not m.velocity]
    lost = set(np.random.default_rng(4).choice(ends, 12, replace=False).tolist())
    kept = [e for k, e in enumerate(events) if k not in lost]
    causes, _ = named(show, recorded(tmp_path, kept))
    assert causes[0] == "wire"
    assert named(show, recorded(tmp_path, events))[0] == []


def test_a_row_that_was_cut_out_of_an_exported_file_is_not_the_stages(tmp_path):
    """Rows come in bars there, and not in turns."""
    show = sonify.perform(sonify.load_disc("cairn-middle"), ["hut-band"])
    begin, end = show.timeline.row_start_s()[[6, 7]]
    now, events = 0.0, []
    for message in mido.MidiFile(str(show.save(tmp_path / "a.mid"))):
        now += message.time
        if message.type in ("note_on", "note_off") and not begin <= now < end:
            events.append((now, message))
    causes, seen = named(show, recorded(tmp_path, events))
    assert causes[0] == "midi-rows-missing"
    assert "row 7;" in seen.causes[0].evidence[0]
