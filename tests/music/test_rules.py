"""Rhythm rules, sources, filters and curves: what each promises, counted independently."""

from __future__ import annotations

import io
import itertools
import math
import re

import mido
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import sonify
from sonify.errors import InputError
from sonify.export.midi import midi_bytes
from sonify.music.pitch.schemes import SCHEMES
from sonify.music.rhythm.rules import RULES, Rule
from sonify.music.voice_sources import SOURCES, Source

NEEDED = {"pattern": {"pattern": "x.xx."}}
ROWS = st.integers(8, 40).flatmap(
    lambda n: st.lists(st.text("01", min_size=n, max_size=n), min_size=1, max_size=4)
)


def play(bits, rhythm=(), **voice):
    # each position its own pitch, so that no note is cut off by another of its pitch
    voice = {"pitch": {"scheme": "sweep", "span": 60, "way": "up"}, "rhythm": list(rhythm), **voice}
    return sonify.perform(
        sonify.Disc.from_bits(bits),
        settings={"music.voice": [voice], "music.scale": "chromatic", "music.root": "C2"},
    )


def runs(rows, value="1"):
    return [len(list(g)) for row in rows for k, g in itertools.groupby(row) if k == value]


def ones(rows):
    return [row.count("1") for row in rows]


def kept_by(rows, test):
    return sum(
        bit == "1" and test(r * len(row) + p, p)
        for r, row in enumerate(rows)
        for p, bit in enumerate(row)
    )


PROMISES = {
    "each": lambda rows: sum(ones(rows)),
    "joined": lambda rows: len(runs(rows)),
    "held": lambda rows: sum(ones(rows)),
    "changes": lambda rows: len(runs(rows)),
    "thinned": lambda rows: sum(math.ceil(n / 2) for n in ones(rows)),
    # numbers of three bits: 0 where nothing but zeros came before
    "numbered": lambda rows: len(re.findall("(?<=000)1", "000" + "".join(rows))),
    "pattern": lambda rows: kept_by(rows, lambda i, p: "x.xx."[p % 5] == "x"),
    "even": lambda rows: kept_by(rows, lambda i, p: "x..x..x."[p % 8] == "x"),
    "spread": lambda rows: sum(ones(rows)),
    "breath": lambda rows: kept_by(rows, lambda i, p: i % 8 != 7),
    "gate": lambda rows: sum(ones(rows)),
    "length": lambda rows: sum(ones(rows)),
    "swing": lambda rows: sum(ones(rows)),
    "accents": lambda rows: sum(ones(rows)),
    "ghosts": lambda rows: sum(map(len, rows)),
    "layered": lambda rows: 3 * sum(ones(rows)),
    "repeat": lambda rows: 2 * sum(ones(rows)),
    "half-time": lambda rows: sum(row[: math.ceil(len(row) / 2)].count("1") for row in rows),
    "double-time": lambda rows: 2 * sum(ones(rows)),
    "entry": lambda rows: sum(ones(rows)),
    "strum": lambda rows: sum(ones(rows)),
    "humanise": lambda rows: sum(ones(rows)),
}


@pytest.mark.parametrize("rule", PROMISES)
@given(rows=ROWS)
@settings(max_examples=20, deadline=None)
def test_as_many_notes_as_the_rule_promises(rule, rows):
    show = play(rows, [{"rule": rule, **NEEDED.get(rule, {})}])
    # only notes of one pitch at one moment fall together
    events = show.parts[0]
    assert len(events) <= PROMISES[rule](rows)
    if rule not in ("double-time", "spread", "layered"):
        assert len(events) == PROMISES[rule](rows)


@given(rows=ROWS, count=st.integers(1, 4))
@settings(max_examples=20, deadline=None)
def test_echoes_add_as_many_as_they_say(rows, count):
    rule = {"rule": "echoes", "count": count, "delay": 0.3, "shift": 0}
    show = play(rows, [{"rule": "gate", "amount": 0.1}, rule])
    assert len(show.notes) == sum(ones(rows)) * (1 + count)


@given(keep=st.floats(0, 1), seed=st.integers(0, 99))
@settings(max_examples=20, deadline=None)
def test_a_sparse_voice_keeps_its_share(keep, seed):
    show = play(["1" * 2000], [{"rule": "sparse", "keep": keep, "seed": seed}])
    assert abs(len(show.notes) / 2000 - keep) < 0.06


def test_there_are_at_least_twelve_and_each_says_what_it_does():
    assert len(RULES) >= 12
    for name, kind in RULES.items():
        line = (kind.__doc__ or "").splitlines()[0]
        assert len(line) > 20, name
        assert line.endswith(".")
        assert kind.follow is not Rule.follow or kind.why_not != Rule.why_not


def test_rules_chain_in_order():
    rows = ["1110111011"]
    first = play(rows, ["joined", {"rule": "thinned"}]).notes
    second = play(rows, [{"rule": "thinned"}, "joined"]).notes
    assert [len(first), len(second)] == [2, 4]


def slots(show):
    return (show.notes["onset_s"] / show.timeline.position_s).round(4).tolist()


def test_onsets_and_lengths_by_hand():
    rows = ["1101000000000000"]
    assert slots(play(rows, [{"rule": "swing", "amount": 0.75}])) == [0, 1.5, 3.5]
    assert slots(play(rows, ["half-time"])) == [0, 2, 6]
    assert slots(play(rows, ["double-time"])) == [0, 0.5, 1.5, 8, 8.5, 9.5]
    assert slots(play(rows, [{"rule": "entry", "steps": 3}])) == [3, 4, 6]
    # Toussaint's pattern for three in eight, here over sixteen places
    assert slots(play(rows, ["spread"])) == [0, 5, 10]
    held = play(rows, ["held"])
    long = (held.notes["duration_s"] / held.timeline.position_s).round(4).tolist()
    assert long == [1, 2, 13]


def test_spread_notes_lie_as_bjorklund_puts_them():
    show = play(["1110000000000000"[:8]], ["spread"])
    assert slots(show) == [0, 3, 6]


def test_what_shapes_the_playing_is_not_written():
    unwritten = {name for name, kind in RULES.items() if not kind().written()}
    assert unwritten == {"swing", "humanise", "gate", "strum", "ornament"}


SOURCE_COUNTS = {
    "ones": lambda g: (g == 1).sum(),
    "zeros": lambda g: (g == 0).sum(),
    "unknown": lambda g: (g < 0).sum(),
    "clock": lambda g: g.size,
    "row-starts": lambda g: len(g),
    "row-ends": lambda g: len(g),
    "character-starts": lambda g: -(-g.size // 8),
    "row-changes": lambda g: len(g) - 1,
    "row-chords": lambda g: (g == 1).sum(),
    "row-end-chords": lambda g: (g == 1).sum(),
    "drone": lambda g: len(g),
}


@pytest.mark.parametrize("source", SOURCES)
def test_sources_have_the_places_that_they_say(source):
    grid = np.random.default_rng(3).integers(-1, 2, (5, 32)).astype(np.int8)
    show = play(grid, source=source)
    assert len(show.notes) == SOURCE_COUNTS[source](grid)
    assert SOURCES[source].core or SOURCES[source].why_not != Source.why_not


def test_chords_drones_and_changes_lie_where_they_should():
    rows = ["10110000", "01000001", "11111111"]
    t = play(rows).timeline
    start = t.row_slot.tolist()
    chords = play(rows, source="row-chords")
    assert slots(chords) == [start[0]] * 3 + [start[1]] * 2 + [start[2]] * 8
    ends = play(rows, source="row-end-chords")
    assert slots(ends) == [start[0] + 8] * 3 + [start[1] + 8] * 2 + [start[2] + 8] * 8
    drone = play(rows, source="drone")
    assert slots(drone) == start
    assert np.allclose(drone.notes["duration_s"][:2] / t.position_s, np.diff(start))
    change = play(rows, source="row-changes")
    assert slots(change) == [start[0] + 8, start[1] + 8]
    assert np.allclose(change.notes["duration_s"] / t.position_s, np.diff(start) - 8)


@pytest.mark.parametrize(
    ("field", "text", "test"),
    [
        ("rows", "1-2, 5-", lambda r, p, i: r in (0, 1, 4, 5)),
        ("rows", "odd", lambda r, p, i: r % 2 == 0),
        ("rows", "-3", lambda r, p, i: r < 3),
        ("positions", "4-10/3", lambda r, p, i: p in (3, 6, 9)),
        ("places", "1, 8", lambda r, p, i: i % 8 in (0, 7)),
    ],
)
def test_filters(field, text, test):
    grid = np.ones((6, 20), np.int8)
    for rhythm in ([], ["ghosts"]):
        notes = play(grid, rhythm, **{field: text}).notes
        places = {(r, p) for r in range(6) for p in range(20) if test(r, p, r * 20 + p)}
        assert set(zip(notes["row"].tolist(), notes["position"].tolist(), strict=True)) == places


@pytest.mark.parametrize("text", ["", "0", "4-2", "x", "1-3/0", "1;2"])
def test_a_choice_that_can_not_be(text):
    with pytest.raises(InputError) as e:
        _ = play(["1111"], rows=text).notes
    assert "music.voice[0].rows" in str(e.value)


def test_curves_shape_velocity():
    rows = ["1" * 16] * 4

    def loud(over, *points):
        return (
            play(rows, velocity=100, curves=[{"over": over, "points": list(points)}])
            .notes["velocity"]
            .reshape(4, 16)
        )

    assert loud("row", 0.5, 1.0)[:, [0, 15]].tolist() == [[50, 100]] * 4
    assert loud("rows", 0.4, 1.0)[:, 3].tolist() == [40, 60, 80, 100]
    assert loud("character", 1.0, 0.3)[2, [0, 7, 8]].tolist() == [100, 30, 100]
    assert loud("position", 0.2, 1.0, 0.2)[1, 0] == 20
    piece = loud("piece", 0.1, 1.0).ravel()
    assert piece[0] == 10
    assert piece[-1] == 100
    assert (np.diff(piece.astype(int)) >= 0).all()


def test_a_list_of_drums_is_chosen_from_by_the_scheme():
    show = play(
        ["1" * 8],
        drum=["low tom", "high tom", "closed hi hat"],
        pitch={"scheme": "table", "degrees": [0, 1, 2, 1]},
    )
    # General MIDI level 1 percussion key map: 45, 50, 42
    assert show.notes["pitch"].tolist() == [45, 50, 42, 50] * 2
    assert set(show.notes["channel"].tolist()) == {9}


SCALES_TRIED = ["dorian", "hijaz", "bayati", "bohlen-lambda", "just-major"]


@given(
    seed=st.integers(0, 2**20),
    rules=st.lists(st.sampled_from(sorted(RULES)), max_size=4),
    source=st.sampled_from(sorted(SOURCES)),
    schemes=st.lists(st.sampled_from(sorted(set(SCHEMES) - {"progression", "table"})), min_size=2,
                     max_size=2),
    scale=st.sampled_from(SCALES_TRIED),
    timing=st.sampled_from(["player", "bars"]),
)  # fmt: skip
@settings(max_examples=60, deadline=None)
def test_whatever_is_asked_for_the_midi_is_sound(seed, rules, source, schemes, scale, timing):
    rng = np.random.default_rng(seed)
    shape = int(rng.integers(1, 5)), int(rng.integers(3, 30))
    disc = sonify.Disc.from_bits(rng.integers(-1, 2, shape).astype(np.int8))
    rhythm = [{"rule": r, **NEEDED.get(r, {})} for r in rules]
    voices = [
        {"pitch": schemes[0], "rhythm": rhythm, "source": source},
        {"pitch": schemes[1], "rhythm": ["joined"]},
    ]
    wanted = {"music.voice": voices, "music.scale": scale, "music.timing": timing}
    try:
        show = sonify.perform(disc, settings=wanted)
        data = b"".join(midi_bytes(show))
    except InputError as e:
        # the one thing that may be refused here, and it names the voice
        assert "sounding together" in str(e)  # noqa: PT017
        return
    again = sonify.perform(disc, settings=wanted)
    assert b"".join(midi_bytes(again)) == data
    notes = show.notes
    assert (np.diff(notes["onset_s"]) >= 0).all()
    assert (notes["duration_s"] > 0).all()
    file = mido.MidiFile(file=io.BytesIO(data))
    for track in file.tracks:
        tick, sounding, silent, sounded, last = 0, {}, 0, 0, 0
        for message in track:
            assert message.time >= 0
            tick += message.time
            if sounding:
                sounded += message.time
            else:
                silent += message.time
            if message.type == "note_on":
                key = message.channel, message.note
                assert key not in sounding
                sounding[key] = tick
            elif message.type == "note_off":
                sounding.pop((message.channel, message.note))
            last = tick
        assert not sounding
        # what sounds and what rests fill the piece
        assert silent + sounded == last == show.end_tick
