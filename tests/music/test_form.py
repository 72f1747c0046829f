"""Form: sections in proportion, cadences and keys as music21 hears them, vamps, endings, tempo."""

from __future__ import annotations

import itertools

import music21
import numpy as np
import pytest

import sonify
from sonify.errors import InputError
from sonify.music.form.harmony import FUNCTIONAL
from sonify.music.form.named_plans import PLANS
from sonify.music.form.plan import CHORD, SECTION
from sonify.music.measures.ending import CLOSED
from sonify.music.measures.piece import measured
from sonify.music.theory.roman import parse_chords
from sonify.music.theory.voicing import motion, parallels, voiced
from tests.benchmarks.discs import FIVE
from tests.nightly import sampled
from tests.shipped import MUSIC


def disc_of(rows: int, positions: int = 56) -> sonify.Disc:
    rng = np.random.default_rng(rows * 1000 + positions)
    return sonify.Disc.from_bits(
        ["".join(map(str, r)) for r in rng.integers(0, 2, (rows, positions))]
    )


def show_of(rows: int, positions: int = 56, voice=None, harmony=None, **form) -> sonify.Performance:
    voice = voice or {"pitch": "place"}
    return sonify.perform(
        disc_of(rows, positions),
        settings={
            "music.root": "C4", "music.scale": "major", "music.metre": "4/4",
            "music.step": "1/16", "music.timing": "bars", "music.form": form,
            "music.harmony": harmony or {},
            "music.voice": voice if isinstance(voice, list) else [voice],
        },
    )  # fmt: skip


@pytest.mark.parametrize("rows", [1, 2, 3, 5, 7, 8, 12, 13, 40])
@pytest.mark.parametrize("plan", ["song", "arch", "rondo", "strophic", "crescendo", "passacaglia"])
def test_sections_share_the_rows_in_proportion(rows, plan):
    found = show_of(rows, plan=plan).grid.plan
    section = found.tables[SECTION]
    assert (np.diff(section) >= 0).all()
    assert section[0] == 0
    assert section[-1] == len(found.labels) - 1
    size = np.bincount(section, minlength=len(found.labels))
    if len(section) >= len(found.labels):
        # as equal as phrases allow
        unit = found.cells * 2 if rows >= 4 * len(found.labels) else found.cells
        unit = unit if rows >= 2 * len(found.labels) else 2
        assert size.min() >= 1
        assert size.max() - size.min() <= 2 * unit


@pytest.mark.parametrize("plan", PLANS)
def test_a_plan_is_one_that_a_maker_could_write_and_its_loudest_place_is_as_set(plan):
    named = PLANS[plan]
    own = {name: list(getattr(named, name)) for name in ("dynamics", "register", "density")}
    show_of(12, sections=named.sections, **own)
    assert max(named.dynamics) == max(named.density) == 1
    assert min(named.density) > 0.3
    assert set(named.register) <= {0, 1}
    # the first section comes again as the textbooks have it
    assert named.sections.split()[0] == "A"


def test_a_voice_plays_its_sections_only():
    voices = [{"pitch": "place"}, {"pitch": "place", "sections": "B A''"}]
    show = show_of(8, voice=voices, plan="song")
    section = show.grid.plan.tables[SECTION].reshape(8, -1)
    part = show.parts[1]
    m = show.bit_stream
    at = section[m.row(part.index), m.position(part.index) // 16]
    assert set(at.tolist()) == {2, 3}
    assert set(np.unique(m.row(show.parts[0].index)).tolist()) == set(range(8))


def test_a_crescendo_brings_voices_in_one_by_one_and_grows():
    voices = [{"pitch": "place"} for _ in range(4)]
    show = show_of(16, voice=voices, plan="crescendo")
    first = [int(show.bit_stream.row(p.index[:1])[0]) for p in show.parts]
    assert first == [0, 4, 8, 12]
    loud = show.parts[0].velocity.astype(float)
    quarters = [q.mean() for q in np.array_split(loud, 4)]
    assert all(a < b for a, b in itertools.pairwise(quarters))


def heard(chord, root: int = 60) -> str:
    """The figure that music21 gives to a chord in C major or minor."""
    key = music21.key.Key("C")
    return music21.roman.romanNumeralFromChord(
        music21.chord.Chord([root + t for t in chord]), key
    ).figure


def test_cadences_are_what_music21_calls_them():
    """Phrases end on the dominant, sections on dominant and tonic (music21's roman numerals)."""
    show = show_of(16, harmony={"chords": "I vi IV ii", "cadences": True}, plan="song", phrase=2)
    plan = show.grid.plan
    figures = [heard(plan.chords[n]) for n in plan.tables[CHORD]]
    per_phrase = 2 * plan.cells
    section = plan.tables[SECTION]
    ends = range(per_phrase - 1, len(figures), per_phrase)
    for end in ends:
        closes = end + 1 == len(figures) or section[end + 1] != section[end]
        if closes:
            assert figures[end - 1 : end + 1] == ["V", "I"]
        else:
            assert figures[end] == "V"


@pytest.mark.parametrize("minor", [False, True])
def test_walks_follow_their_table_and_stay_in_the_key(minor):
    table = FUNCTIONAL[minor]
    show = show_of(12, harmony={"walk": table, "restart": "never"})
    names = list(table)
    numbers = {parse_chords(n, False, "x")[0]: n for n in names}
    plan = show.grid.plan
    walked = [numbers[plan.chords[n]] for n in plan.tables[CHORD]]
    assert walked[0] == names[0]
    assert len(set(walked)) > 3
    for a, b in itertools.pairwise(walked):
        assert table[a][b] > 0
    again = show_of(12, harmony={"walk": table, "restart": "never", "seed": 2})
    assert again.grid.plan.tables[CHORD].tolist() != plan.tables[CHORD].tolist()


def test_a_walk_that_leads_nowhere_is_refused():
    with pytest.raises(InputError, match="leads to a chord without a row"):
        show_of(2, harmony={"walk": {"I": {"IV": 1}}})


@pytest.mark.parametrize("chords", ["I vi IV V", "Imaj7 vi7 ii7 V7", "I IV viio I", "I bVI bVII I"])
def test_smooth_chords_move_less_and_strict_ones_have_no_parallels(chords):
    """music21's VoiceLeadingQuartet counts the parallels; the rule is Fux's (Gradus, 1725)."""
    found = parse_chords(chords, False, "x")
    order = (*range(len(found)), 0)
    smooth, strict = voiced(found, order, False), voiced(found, order, True)
    moved = [
        sum(motion(v[a], v[b]) for a, b in itertools.pairwise(order))
        for v in (found, smooth, strict)
    ]
    assert moved[1] <= moved[2] <= moved[0]
    for new, old in zip(strict, found, strict=True):
        assert {t % 12 for t in new} == {t % 12 for t in old}
    for a, b in itertools.pairwise(order):
        assert parallels(strict[a], strict[b]) == 0
        for i, j in itertools.combinations(range(min(len(strict[a]), len(strict[b]))), 2):
            pitches = [
                music21.note.Note(60 + c[k])
                for k, c in itertools.product((j, i), (strict[a], strict[b]))
            ]
            quartet = music21.voiceLeading.VoiceLeadingQuartet(*pitches)
            assert not quartet.parallelFifth()
            assert not quartet.parallelOctave()


@pytest.mark.parametrize("positions", [24, 36, 50, 56, 97, 112])
def test_a_vamp_fills_the_move_with_the_last_bar(positions):
    voice = {
        "source": "clock", "pitch": {"scheme": "sweep", "span": 7},
        "rhythm": [{"rule": "pattern", "pattern": "x...", "per": "bar"}, "vamp"],
    }  # fmt: skip
    show = show_of(3, positions, voice=voice, ending="chord")
    part, step = show.parts[0], show.grid.step_ticks
    slots = show.timeline.row_slot
    bar = 16
    for r in range(2):
        end = int(slots[r]) + positions
        between = (part.on >= end * step) & (part.on < slots[r + 1] * step)
        assert between.any()
        pitch = dict(zip((part.on // step).tolist(), part.pitch.tolist(), strict=True))
        for slot in (part.on[between] // step).tolist():
            back = slot - bar * (1 + (slot - end) // bar)
            assert pitch[slot] == pitch[back]
    after = part.on >= (int(slots[2]) + positions) * step
    assert after.sum() == 1, "only the ending follows the last row"


@pytest.mark.parametrize("preset", sampled([p.stem for p in MUSIC], 8))
def test_presets_end_on_the_root_and_never_fall_silent(preset):
    for disc in FIVE:
        show = sonify.perform(disc, [preset])
        m = measured(show.parts, show.bit_stream, show.grid, show.setup.music)
        if m.key:
            assert m.ending in CLOSED, disc.name
        assert m.silence <= show.grid.metre[0] + 1, disc.name


def test_the_last_chord_is_the_tonic_in_music21():
    for preset in ("hut-band", "string-weather", "snow-parade"):
        show = sonify.perform(FIVE[0], [preset])
        notes = show.notes[[not show.parts[v].voice.drum for v in show.notes["voice"]]]
        last = notes[notes["onset_beat"] == notes["onset_beat"].max()]
        chord = music21.chord.Chord(sorted({int(p) for p in last["pitch"]}))
        tonic = music21.pitch.Pitch(show.setup.music.root).pitchClass
        assert chord.bass().pitchClass == tonic
        if len(chord.pitches) > 2:
            assert chord.root().pitchClass == tonic


@pytest.mark.parametrize(
    ("settings", "bpm", "seconds"),
    [
        # 10 rpm and 56 positions are 560 positions a minute: as 32nds 70, as 16ths 140
        ({"music.tempo": 70}, 70.0, None),
        ({"music.tempo": 140}, 140.0, None),
        ({"music.tempo": 90, "player.rpm-range": [5, 12]}, 90.0, None),
        ({"music.length": "90 s", "player.rpm-range": [5, 20]}, None, 90.0),
        ({"music.step": "auto"}, 140.0, None),
    ],
)
def test_tempo_and_length_are_solved_for(settings, bpm, seconds):
    show = sonify.perform(disc_of(12), settings=settings)
    if bpm:
        assert show.tempo_bpm == pytest.approx(bpm)
    if seconds:
        assert show.read_s == pytest.approx(seconds, rel=0.005)
    assert len(show.said) == len({"music.tempo", "music.length"} & settings.keys())


def test_of_step_and_tempo_the_one_said_last_wins(tmp_path):
    slow, own = tmp_path / "slow.toml", tmp_path / "own.toml"
    slow.write_text("[music]\ntempo = 70\n")
    own.write_text("[music]\nstep = '1/8'\n")
    step = {"music.step": "1/8"}
    for presets, settings in (([slow, own], {}), ([slow], step), ([slow, slow], step)):
        show = sonify.perform(disc_of(12), presets, settings)
        assert show.tempo_bpm == pytest.approx(280)
    for presets, settings in (([own, slow], {}), ([own], {"music.tempo": 70})):
        assert sonify.perform(disc_of(12), presets, settings).tempo_bpm == pytest.approx(70)


def test_a_layer_with_step_and_tempo_is_refused(tmp_path):
    both = tmp_path / "both.toml"
    both.write_text("[music]\nstep = '1/8'\ntempo = 70\n")
    with pytest.raises(InputError, match=r"both\.toml.*music\.step, music\.tempo.*leave one"):
        sonify.load_setup([both])
    with pytest.raises(InputError, match="leave one of the two out"):
        sonify.load_setup(settings={"music.step": "1/8", "music.tempo": 70})


def test_what_the_machine_cannot_do_is_said():
    show = sonify.perform(disc_of(12), settings={"music.tempo": 90})
    assert show.tempo_bpm == pytest.approx(70)
    assert "12.86 rpm" in show.said[0]
    show = sonify.perform(disc_of(12), settings={"music.length": "90 s"})
    assert "15.3 rpm or 8 rows" in show.said[0]


@pytest.mark.parametrize(
    ("positions", "timing", "metre"),
    [
        # rows that begin every 18, 15, 16 and 12 quarters
        (58, "bars", (3, 4)), (42, "bars", (3, 4)), (54, "bars", (4, 4)), (38, "bars", (4, 4)),
        # and every second turn: 12, 15 and 16 quarters
        (24, "player", (4, 4)), (30, "player", (3, 4)), (32, "player", (4, 4)),
    ],
)  # fmt: skip
def test_of_several_metres_the_one_that_pads_rows_least_is_taken(positions, timing, metre):
    disc = disc_of(3, positions)
    settings = {"music.metre": "4/4, 3/4", "music.timing": timing}
    show = sonify.perform(disc, ["usual"], settings)
    assert show.grid.metre == metre
    assert show.setup.music.metre == f"{metre[0]}/{metre[1]}"
    alone = [
        sonify.perform(disc, ["usual"], {**settings, "music.metre": one}).timeline.end_slot
        for one in ("4/4", "3/4")
    ]
    assert show.timeline.end_slot == min(alone)


def test_each_of_several_metres_must_be_one():
    with pytest.raises(InputError, match="3/5 is not a metre"):
        sonify.perform(disc_of(3), settings={"music.metre": "4/4, 3/5"})


def test_the_tempo_of_every_preset_on_every_disc_is_a_usual_one():
    for preset, disc in itertools.product(MUSIC, FIVE):
        assert 40 <= sonify.perform(disc, [preset.stem]).tempo_bpm <= 200


@pytest.mark.parametrize(
    ("form", "words"),
    [
        ({"sections": "A 2"}, "'2' is not a label"),
        ({"sections": "A ?"}, "is not a label of a section"),
    ],
)
def test_labels_that_do_not_parse_are_refused(form, words):
    with pytest.raises(InputError, match=words):
        show_of(2, **form)


def test_sections_of_a_voice_that_do_not_parse_are_refused():
    with pytest.raises(InputError, match="is not a section"):
        _ = show_of(2, voice={"pitch": "place", "sections": "A ?"}, plan="song").parts
