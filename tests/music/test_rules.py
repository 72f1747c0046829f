"""Rhythm rules against an independent reference; sources, filters and curves by hand."""

from __future__ import annotations

import io
from fractions import Fraction

import mido
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import sonify
from sonify.errors import InputError
from sonify.export.midi import midi_bytes
from sonify.music.notes import events_of
from sonify.music.pitch.schemes import SCHEMES
from sonify.music.rhythm.rules import RULES, Rule
from sonify.music.voice_sources import SOURCES, Source
from tests.music import rhythm_reference as reference

NEEDED = {"pattern": {"pattern": "x.xx."}}
ROWS = st.integers(1, 40).flatmap(
    lambda n: st.lists(st.text("01?", min_size=n, max_size=n), min_size=1, max_size=4)
)


def play(bits, rhythm=(), **voice):
    # each position its own pitch, so that no note is cut off by another of its pitch
    voice = {"pitch": {"scheme": "sweep", "span": 60, "way": "up"}, "rhythm": list(rhythm), **voice}
    return sonify.perform(
        sonify.Disc.from_bits(bits),
        settings={"music.voice": [voice], "music.scale": "chromatic", "music.root": "C2"},
    )


def ones(rows):
    return [row.count("1") for row in rows]


PATTERN = st.text("x.", min_size=1, max_size=9)
VALUE = st.sampled_from(["", "1/8", "1/12", "1/32", "3/32", "1/4"])
SHIFT = st.integers(-12, 12)


def eighths(low, high):
    """Numbers that floats hold exactly."""
    return st.integers(low, high).map(lambda n: n / 8)


SETTINGS = {
    "each": {},
    "changes": {},
    "thinned": {"every": st.integers(1, 5), "first": st.integers(0, 9)},
    "numbered": {
        "bits": st.integers(1, 4), "numbers": st.lists(st.integers(0, 15), max_size=6).map(tuple),
    },
    "pattern": {
        "pattern": PATTERN, "value": VALUE, "per": st.sampled_from(["row", "bar", "piece"]),
    },
    "turns": {"pattern": PATTERN, "each": st.sampled_from(["bar", "row"])},
    "even": {"notes": st.integers(0, 9), "steps": st.integers(9, 17), "turn": st.integers(0, 20)},
    "breath": {"rest": st.integers(1, 9)},
    "echoes": {
        "count": st.integers(1, 4), "delay": eighths(1, 99), "fade": eighths(1, 8), "shift": SHIFT,
    },
    "layered": {
        "shifts": st.lists(SHIFT, min_size=1, max_size=4), "velocity-scale": eighths(1, 8),
    },
    "repeat": {"times": st.sampled_from([1, 2, 4, 8]), "fade": eighths(1, 8)},
    "ghosts": {"velocity-scale": eighths(1, 8)},
    "joined": {},
    "held": {"longest": eighths(1, 200), "across": st.booleans()},
    "gate": {"amount": eighths(1, 24)},
    "length": {"steps": eighths(1, 99), "value": st.sampled_from(["", "1/8", "3/16"])},
    "accents": {
        "pattern": st.lists(eighths(0, 8), min_size=1, max_size=5),
        "by": st.sampled_from(["position", "place", "character", "row", "note"]),
    },
    "spread": {},
    "swing": {"amount": eighths(4, 6)},
    "half-time": {},
    "double-time": {},
    "entry": {"steps": eighths(1, 200), "value": st.sampled_from(["", "1/8", "1/1"])},
    "pick-up": {"value": st.sampled_from(["1/32", "1/16", "1/4"])},
    "roll": {
        "value": st.sampled_from(["1/64", "1/32", "1/16"]), "first": eighths(1, 8), "shift": SHIFT,
    },
    "vamp": {"bars": st.integers(0, 3), "fade": eighths(1, 8), "shift": SHIFT},
}  # fmt: skip
"""The settings of each rule that its reference knows."""


def test_what_has_no_reference_is_checked_elsewhere():
    """Lots and strumming: below. Drums: test_playing.py. Letters: test_motif.py."""
    assert set(SETTINGS) == set(reference.RULES)
    others = {"groove", "humanise", "motif", "ornament", "sparse", "strum"}
    assert set(RULES) - set(SETTINGS) == others


def rule_of(name):
    return st.fixed_dictionaries({"rule": st.just(name), **SETTINGS[name]})


def events(rows, rules, source="ones"):
    """What a voice's rules make, before notes of one pitch meet: columns of `reference.Note`."""
    show = sonify.perform(
        sonify.Disc.from_bits(rows),
        settings={
            "music.voice": [{"rhythm": rules, "source": source}],
            "music.metre": "4/4", "music.step": "1/16",
        },
    )  # fmt: skip
    e = events_of(show.setup.music.voice[0], "voice", show.bit_stream)
    assert (np.diff(e.onset) >= 0).all()
    return np.sort(np.rec.fromarrays([e.onset, e.index, e.shift, e.length, e.velocity_scale]))


def expected(rows, rules, mark="1"):
    exact = [
        {k: Fraction(v) if isinstance(v, float) else v for k, v in rule.items()} for rule in rules
    ]
    # each row waits for the index, a turn after its end
    disc = reference.Disc(rows, [2 * len(rows[0]) * r for r in range(len(rows))])
    notes = reference.play(disc, exact, mark)
    columns = [
        [float(getattr(n, name)) for n in notes]
        for name in ("onset", "place", "shift", "length", "loud")
    ]
    return np.sort(np.rec.fromarrays([np.array(c, float) for c in columns]))


def same(rows, rules, source="ones"):
    mine = events(rows, rules, source)
    theirs = expected(rows, rules, {"ones": "1", "zeros": "0", "unknown": "?"}[source])
    assert len(mine) == len(theirs)
    for name in mine.dtype.names:
        np.testing.assert_allclose(mine[name].astype(float), theirs[name], atol=1e-9)


@pytest.mark.parametrize("name", SETTINGS)
@given(rows=ROWS, source=st.sampled_from(["ones", "zeros", "unknown"]), data=st.data())
@settings(max_examples=40, deadline=None)
def test_rules_do_what_their_words_say(name, rows, source, data):
    same(rows, [data.draw(rule_of(name))], source)


COUNTING = {"accents", "ghosts", "held", "joined", "spread", "thinned", "vamp"}
"""They look at other notes: after a rule that moves notes, help does not say which come first."""


def test_a_mark_that_is_due_after_the_last_position_is_not_heard_at_the_start():
    same(["1111", "1101"], [{"rule": "pattern", "pattern": ".x", "value": "1/32", "per": "piece"}])


@given(
    rows=ROWS,
    first=st.sampled_from(sorted(SETTINGS)).flatmap(rule_of),
    more=st.lists(
        st.sampled_from(sorted(set(SETTINGS) - COUNTING)).flatmap(rule_of), min_size=1, max_size=2
    ),
)
@settings(max_examples=400, deadline=None)
def test_chains_of_rules_do_what_their_words_say(rows, first, more):
    same(rows, [first, *more])


@pytest.mark.parametrize(("way", "order"), [("up", [0, 7, 4]), ("down", [4, 7, 0])])
def test_a_chord_is_strummed_in_the_order_of_its_list_and_ends_together(way, order):
    chord = {"rule": "layered", "shifts": [7, 4]}
    struck = events(["1000", "0010"], [chord, {"rule": "strum", "step": 0.125, "way": way}])
    onset, _, shift, length, _ = (struck[name] for name in struck.dtype.names)
    assert shift.tolist() == order * 2
    assert onset.tolist() == [0, 0.125, 0.25, 10, 10.125, 10.25]
    assert (onset + length).tolist() == [1] * 3 + [11] * 3
    # what is too short for that keeps its length
    far = events(["1000"], [chord, {"rule": "strum", "step": 0.75, "way": way}])
    assert far["f0"].tolist() == [0, 0.75, 1.5]
    assert far["f3"].tolist() == [1, 0.25, 1]


@pytest.mark.parametrize("seed", [1, 2, 77])
def test_small_differences_keep_to_their_bounds_and_lie_on_both_sides(seed):
    plain = events(["1" * 400], ["each"])
    rule = {"rule": "humanise", "time": 0.2, "velocity": 0.5, "seed": seed}
    moved = events(["1" * 400], [rule])
    late = moved["f0"] - plain["f0"]
    assert late[0] >= 0, "nothing begins before the piece"
    assert np.abs(late).max() < 0.2
    assert np.abs(moved["f4"] - 1).max() < 0.5
    for strays, most in ((late, 0.2), (moved["f4"] - 1, 0.5)):
        # the sum of two even draws: standard deviation 1 / sqrt(6) of the bound
        assert abs(strays.mean()) < 4 * most / np.sqrt(6 * 400)
        assert strays.std() == pytest.approx(most / np.sqrt(6), rel=0.15)
    assert abs(np.corrcoef(late, moved["f4"])[0, 1]) < 0.2
    assert (events(["1" * 400], [rule]) == moved).all()
    assert (events(["1" * 400], [rule | {"seed": seed + 1}]) != moved).any()


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
