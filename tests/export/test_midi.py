"""Standard MIDI files against the specification, and as other libraries read them.

Source: Standard MIDI Files 1.0 (RP-001, MIDI Manufacturers Association): the table of
variable-length quantities, and the example files of format 0 and format 1 (typed in from memory).
"""

from __future__ import annotations

import io
from fractions import Fraction
from itertools import product
from xml.etree import ElementTree

import mido
import music21
import numpy as np
import pytest

import sonify
from sonify.errors import InputError
from sonify.export.midi import Options, midi_bytes, utf8
from sonify.midi.general_midi import DRUMS, PROGRAMS, drum_note, program_number
from sonify.midi.writer import vlq
from sonify.music.theory.key_signatures import key_signature
from sonify.music.theory.scales import SCALES, note_number
from tests import smf
from tests.nightly import sampled, sampled_product, sampled_rows
from tests.shipped import DISCS, MUSIC
from tests.smf import FORMAT_0, FORMAT_1

# the specification's table: number, and the bytes that stand for it
QUANTITIES = """
00000000 00
00000040 40
0000007F 7F
00000080 81 00
00002000 C0 00
00003FFF FF 7F
00004000 81 80 00
00100000 C0 80 00
001FFFFF FF FF 7F
00200000 81 80 80 00
08000000 C0 80 80 00
0FFFFFFF FF FF FF 7F
"""


@pytest.fixture
def small():
    return sonify.load_disc(next(p for p in DISCS if p.stem == "cairn-small"))


def file_of(show, **options) -> bytes:
    return b"".join(midi_bytes(show, Options(**options)))


def test_variable_length_quantities_are_the_specifications():
    for line in QUANTITIES.split("\n")[1:-1]:
        number, *expected = line.split()
        size, used = vlq(np.array([int(number, 16)]))
        assert size[used].tobytes() == bytes.fromhex("".join(expected))
        assert smf.quantity(bytes.fromhex("".join(expected)), 0)[0] == int(number, 16)


def test_the_tests_own_reader_reads_the_specifications_examples():
    zero, one = smf.parse(FORMAT_0), smf.parse(FORMAT_1)
    assert (zero.format, one.format) == (0, 1)
    assert zero.division == one.division == 96
    together = sorted(n for t in one.tracks for n in smf.notes(t))
    assert smf.notes(zero.tracks[0]) == together
    assert together == [
        (0, 384, 2, 0x30, 0x60),
        (0, 384, 2, 0x3C, 0x60),
        (96, 384, 1, 0x43, 0x40),
        (192, 384, 0, 0x4C, 0x20),
    ]


def test_the_first_track_begins_as_the_specifications_example():
    """4/4 at 120 quarter notes per minute: sixteen positions per turn, 30 turns per minute."""
    disc = sonify.Disc.from_message("FOG", layout=sonify.Layout(positions=16))
    data = file_of(sonify.perform(disc, settings={"player.rpm": 30.0}))
    assert FORMAT_1[:10] == data[:10]
    assert FORMAT_1[22:30] in data  # 00 FF 58 04 04 02 18 08
    assert FORMAT_1[30:37] in data  # 00 FF 51 03 07 A1 20


def test_a_file_byte_by_byte():
    """One row of eight positions, two of them ones, as a reader would write it by hand."""
    disc = sonify.Disc.from_bits(["10000001"], title="t")
    show = sonify.perform(disc, settings={"player.rpm": 60.0, "music.voice.0.name": "p"})
    assert file_of(show) == bytes.fromhex("""
    4D 54 68 64 00 00 00 06 00 01 00 02 01 E0
    4D 54 72 6B 00 00 00 28
    00 FF 03 01 74
    00 FF 58 04 02 02 18 08
    00 FF 59 02 00 00
    00 FF 51 03 07 A1 20
    00 FF 06 05 72 6F 77 20 31
    87 40 FF 2F 00
    4D 54 72 6B 00 00 00 21
    00 FF 03 01 70
    00 C0 0B
    00 B0 0A 40
    00 90 3E 54
    78 80 3E 40
    85 50 90 4A 54
    78 80 4A 40
    00 FF 2F 00
    """)


def test_meta_events_say_what_the_piece_is(small):
    show = sonify.perform(small)
    file = smf.parse(file_of(show))
    first = file.tracks[0]
    by_kind = {}
    for e in first:
        by_kind.setdefault(e.kind, []).append(e)
    assert by_kind[0x03][0].data.decode() == "Cairn Hut, 14 March"
    assert by_kind[0x58][0].data[:2] == bytes((2, 2))  # two quarters: 56 sixteenths are 7 bars
    assert by_kind[0x59][0].data == bytes((0, 0))  # D dorian: no sharps, no flats
    markers = [(e.tick, e.data.decode()) for e in by_kind[0x06]]
    assert markers == [(0, "row 1"), (112 * 120, "row 2")]
    lyrics = [(e.tick, e.data.decode()) for e in by_kind[0x05]]
    assert "".join(t for _, t in lyrics) == small.message
    assert lyrics[0][0] == 6 * 120  # the seventh bit of the first character
    assert lyrics[-1][0] == (112 + 14 * 7 - 56 - 1) * 120


def test_the_last_bar_is_filled_in_every_track(small):
    for settings in ({}, {"music.metre": "5/4"}, {"music.voice.0.rhythm": ["echoes"]}):
        show = sonify.perform(small, settings=settings)
        file = smf.parse(file_of(show))
        ends = {t[-1].tick for t in file.tracks}
        assert len(ends) == 1
        beats, value = show.grid.metre
        bar = Fraction(4 * beats, value) * file.division
        end = ends.pop()
        assert end % bar == 0
        last = max(n[1] for t in file.tracks[1:] for n in smf.notes(t))
        assert end - max(last, show.timeline.end_slot * 120) < bar


def test_note_offs_come_before_note_ons_on_the_same_tick():
    disc = sonify.Disc.from_bits(["1111111101010111"])
    show = sonify.perform(disc, settings={"music.voice.0.rhythm": ["held"]})
    track = smf.parse(file_of(show)).tracks[1]
    order = {}
    for n, e in enumerate(track):
        order.setdefault(e.tick, []).append((e.status & 0xF0, n))
    for events in order.values():
        kinds = [k for k, _ in events if k in (0x80, 0x90)]
        assert kinds == sorted(kinds)
    assert any(len([k for k, _ in v if k in (0x80, 0x90)]) == 2 for v in order.values())


def test_only_notes_leaves_the_rest_out_but_not_the_tempo(small):
    show = sonify.perform(small)
    whole, bare = smf.parse(file_of(show)), smf.parse(file_of(show, only_notes=True))
    assert [e.kind for e in bare.tracks[0]] == [0x51, 0x2F]
    assert smf.notes(bare.tracks[1]) == smf.notes(whole.tracks[1])
    assert all(e.status & 0xF0 in (0x80, 0x90, 0xF0) for e in bare.tracks[1])


@pytest.mark.parametrize(
    ("rpm", "positions"), sampled_rows(product([3.3, 7, 10, 33.333, 45, 200], [7, 56, 113]), 4)
)
def test_the_tempo_drifts_no_more_than_5_ms_in_an_hour(rpm, positions):
    """Each row's start, in seconds by the file's own tempo, against the player's."""
    t = Fraction(60) / (Fraction(str(rpm)) * positions)
    hours = Fraction(3600, 1)
    rows = min(int(hours / (t * positions)) // 2 + 2, 4000)
    disc = sonify.Disc.from_bits(
        np.ones((rows, positions), np.int8), layout=sonify.Layout(positions=positions)
    )
    settings = {"player.rpm": rpm, "player.stage": 0.0, "player.settle": 0.0, "music.step": "1/4"}
    file = smf.parse(file_of(sonify.perform(disc, settings=settings)))
    tempo = [(e.tick, int.from_bytes(e.data, "big")) for e in file.tracks[0] if e.kind == 0x51]
    marks = [e.tick for e in file.tracks[0] if e.kind == 0x06]
    seconds, worst = Fraction(0), Fraction(0)
    at, k = 0, 0
    current = tempo[0][1]
    for row, tick in enumerate(marks):
        while k < len(tempo) and tempo[k][0] <= tick:
            seconds += Fraction((tempo[k][0] - at) * current, 10**6 * file.division)
            at, current = tempo[k]
            k += 1
        here = seconds + Fraction((tick - at) * current, 10**6 * file.division)
        worst = max(worst, abs(here - row * positions * t))
    assert worst <= Fraction(5, 1000)


@pytest.mark.parametrize(
    ("disc", "player"), sampled_product([p.stem for p in DISCS], ["quick", "slow", "usual"])
)
def test_the_tempo_is_one_that_a_musician_would_type(disc, player):
    """One tempo event, between 60 and 180, and whole bars of the metre in each row."""
    show = sonify.perform(sonify.load_disc(disc), [player])
    events = [e for e in smf.parse(file_of(show)).tracks[0] if e.kind == 0x51]
    assert len(events) == 1
    assert 60 <= 60e6 / int.from_bytes(events[0].data, "big") <= 180


def test_a_tempo_that_can_not_be_rounded_is_kept_by_the_ticks():
    """336 quarters a minute: 178,571.43 microseconds, rounded, drift by 9 ms in an hour."""
    settings = {"music.step": "1/16", "player.stage": 0.0, "player.settle": 0.0}
    disc = sonify.Disc.from_bits(np.ones((1500, 56), np.int8))
    show = sonify.perform(disc, ["quick"], settings)
    file = smf.parse(file_of(show))
    tempo = [int.from_bytes(e.data, "big") for e in file.tracks[0] if e.kind == 0x51]
    assert len(tempo) == 1
    notes = sorted(smf.notes(file.tracks[1]))
    index = np.array([0, 20_000, 56 * 1500 - 1])
    at = np.array([notes[k][0] for k in index]) * tempo[0] * 1e-6 / file.division
    assert np.abs(at - index * 60 / (24 * 56)).max() < 0.2e-3
    naive = index * show.grid.step_ticks * tempo[0] * 1e-6 / file.division
    assert np.abs(naive - index * 60 / (24 * 56)).max() > 5e-3 * at[-1] / 3600


BENT = {"music.scale": "bayati", "music.voice": [
    {"name": "oud", "pitch": {"scheme": "walk", "span": 9}},
    {"name": "pad", "source": "row-starts", "rhythm": ["held"], "octave": -1,
     "controllers": [{"send": "brightness", "over": "row", "points": [0.2, 0.9]}]},
    {"name": "kit", "source": "zeros", "drum": ["side stick", "cowbell"], "pitch": "place"},
]}  # fmt: skip


@pytest.mark.parametrize("tracks", ["voices", "apart", "one"])
def test_a_file_leaves_no_bend_and_no_controller_behind(small, tracks):
    """MIDI 1.0: a channel keeps its bend and its controllers until they are set again."""
    show = sonify.perform(small, settings=BENT)
    file = smf.parse(file_of(show, tracks=tracks))
    state, opened, brightness = {}, {}, {}
    for track in file.tracks:
        for e in track:
            kind, c = e.status & 0xF0, e.status & 15
            if e.status < 0xF0 and kind == 0xE0:
                opened.setdefault(c, e.tick)
                state[c] = e.data[0] | e.data[1] << 7, e.tick
            elif kind == 0xB0 and e.data[0] == 74:
                brightness[c] = e.data[1]
    assert len(state) > 1
    assert set(opened.values()) == {0}
    assert set(state.values()) == {(8192, show.end_tick)}
    assert set(brightness.values()) == {64}


def test_the_same_notes_in_all_layouts_of_tracks(small, tmp_path):
    show = sonify.perform(small, settings=BENT)
    files = {t: smf.parse(file_of(show, tracks=t)) for t in ("voices", "apart", "one")}
    assert {t: f.format for t, f in files.items()} == {"voices": 1, "apart": 1, "one": 0}
    notes = {t: sorted(n for track in f.tracks for n in smf.notes(track)) for t, f in files.items()}
    assert notes["voices"] == notes["apart"] == notes["one"]
    for track in files["apart"].tracks[1:]:
        played = smf.notes(track)
        assert len({n[2] for n in played}) <= 1
        # a drum a track: notes of one key
        assert played
        assert played[0][2] != 9 or len({n[3] for n in played}) == 1
    names = [e.data.decode() for t in files["apart"].tracks for e in t if e.kind == 0x03]
    assert names[-2:] == ["kit: side stick", "kit: cowbell"]
    show.save(tmp_path / "all.mid", split=str(tmp_path / "voices"))
    split = [smf.parse(p.read_bytes()) for p in sorted((tmp_path / "voices").iterdir())]
    assert [len(f.tracks) for f in split] == [2, 2, 2]
    whole = [smf.notes(t) for t in files["voices"].tracks[1:]]
    assert [smf.notes(f.tracks[1]) for f in split] == whole


@pytest.mark.parametrize("preset", sampled(MUSIC, 4), ids=lambda p: p.stem)
def test_no_two_notes_of_one_key_overlap_on_a_channel(preset, small):
    show = sonify.perform(small, [preset])
    for track in smf.parse(file_of(show, tracks="one")).tracks:
        sounding = set()
        for e in track:
            if e.status & 0xF0 == 0x90 and e.data[1]:
                assert (e.status & 15, e.data[0]) not in sounding
                sounding.add((e.status & 15, e.data[0]))
            elif e.status & 0xF0 in (0x80, 0x90):
                sounding.remove((e.status & 15, e.data[0]))
        assert not sounding


def test_words_on_the_melody_lie_on_its_notes_as_partitura_and_mido_read_them(tmp_path):
    show = sonify.perform(sonify.load_disc("cairn-middle"), ["hut-band"])
    path = show.save(tmp_path / "a.mid", lyrics="melody")
    file = mido.MidiFile(path)
    assert not [m for m in file.tracks[0] if m.type == "lyrics"]
    tick, onsets, words = 0, set(), []
    for m in file.tracks[1]:
        tick += m.time
        if m.type == "note_on":
            onsets.add(tick)
        elif m.type == "lyrics":
            words.append((tick, m.text.encode("latin-1").decode("utf-8")))
    assert "".join(w for _, w in words) == show.disc.message
    assert {t for t, _ in words} <= onsets
    assert len({t for t, _ in words}) == len(words), "programs keep one text a note"


def test_words_are_on_the_voice_that_has_them_in_the_score(small, tmp_path):
    voices = [
        {"name": "low", "source": "row-starts"},
        {"name": "high", "pitch": "walk", "source": "ones"},
    ]
    show = sonify.perform(small, settings={"music.voice": voices})
    file = mido.MidiFile(show.save(tmp_path / "a.mid", lyrics="melody"))
    sung = [t.name for t in file.tracks if any(m.type == "lyrics" for m in t)]
    score = music21.converter.parse(show.save(tmp_path / "a.musicxml"))
    written = [p.partName for p in score.parts if any(n.lyric for n in p.flatten().notes)]
    assert sung == written == ["high"]


def test_a_drum_map_names_the_keys_that_are_struck(small, tmp_path):
    """MIDI XML names 1.0, from memory; read with Python's own parser."""
    voices = [{"drum": ["claves", 56]}, {"drum": 3, "source": "zeros"}, {"pitch": "walk"}]
    show = sonify.perform(small, settings={"music.voice": voices})
    want = {3: "note 3", 56: "cowbell", 75: "claves"}
    show.save(tmp_path / "a.mid", drum_map=str(tmp_path / "kit.txt"))
    lines = (tmp_path / "kit.txt").read_text().splitlines()
    assert {int(k): v for k, _, v in (line.partition(" ") for line in lines)} == want
    show.save(tmp_path / "a.mid", drum_map=str(tmp_path / "kit.midnam"))
    tree = ElementTree.parse(tmp_path / "kit.midnam")
    notes = tree.findall("./MasterDeviceNames/NoteNameList/Note")
    assert {int(n.get("Number")): n.get("Name") for n in notes} == want
    there = tree.findall(".//AvailableChannel[@Available='true']")
    assert [c.get("Channel") for c in there] == ["10"]
    plain = sonify.perform(small, settings={"music.voice": voices[2:]})
    with pytest.raises(InputError, match="no drum plays"):
        plain.save(tmp_path / "b.mid", drum_map=str(tmp_path / "none.txt"))
    assert not (tmp_path / "none.txt").exists()
    assert not (tmp_path / "b.mid").exists()


@pytest.mark.parametrize("mixer", ["usual", "full"])
def test_a_bank_comes_right_before_its_program(small, mixer):
    """MIDI 1.0 Detailed Specification: bank select (0, 32) takes effect with the program."""
    settings = {"music.voice": [{"bank": 1000, "program": "celesta"}, {"drum": 56, "bank": 3}]}
    file = mido.MidiFile(
        file=io.BytesIO(file_of(sonify.perform(small, settings=settings), mixer=mixer))
    )
    setup = [m for m in file if m.type in ("program_change", "control_change") and m.channel == 0]
    at = next(k for k, m in enumerate(setup) if m.type == "program_change")
    assert [(m.control, m.value) for m in setup[at - 2 : at]] == [
        (0, 1000 // 128),
        (32, 1000 % 128),
    ]
    drums = [m for m in file if m.type == "control_change" and m.channel == 9 and m.value]
    assert not [m for m in drums if m.control in (0, 32)]


def test_the_mixer_is_left_to_the_program_or_set_in_full(small):
    show = sonify.perform(small, settings=BENT)
    bare = smf.parse(file_of(show, mixer="none"))
    kinds = {e.status & 0xF0 for t in bare.tracks for e in t if e.status < 0xF0}
    assert 0xC0 not in kinds
    set_up = [e.data[0] for t in bare.tracks for e in t if e.status & 0xF0 == 0xB0 and e.tick == 0]
    assert not {7, 10, 11} & set(set_up)
    full = mido.MidiFile(file=io.BytesIO(file_of(show, mixer="full")))
    reset = [m for m in full.tracks[0] if m.type == "sysex"]
    # General MIDI System Level 1: "GM System On"
    assert [m.data for m in reset] == [(0x7E, 0x7F, 0x09, 0x01)]
    told = {(m.control, m.value) for m in full.tracks[1] if m.type == "control_change"}
    assert {(7, 100), (10, 64), (11, 127), (121, 0), (0, 0), (32, 0)} <= told


def test_a_tempo_that_no_file_can_hold_says_what_would_do():
    disc = sonify.Disc.from_bits(["1010"])
    with pytest.raises(InputError, match=r"music.step: a quarter note would last 60 s"):
        file_of(sonify.perform(disc, settings={"player.rpm": 1.0, "music.step": "1/16"}))


def test_ten_million_positions_become_a_midi_file(tmp_path):
    rng = np.random.default_rng(5)
    grid = rng.integers(0, 2, (10_000, 1000)).astype(np.int8)
    disc = sonify.Disc.from_bits(grid, layout=sonify.Layout(positions=1000))
    path = sonify.perform(disc).save(tmp_path / "big.mid")
    data = path.read_bytes()
    assert data.count(b"\x90") >= int((grid == 1).sum())
    size = int.from_bytes(data[18:22], "big")
    assert data[22 + size : 26 + size] == b"MTrk"
    assert 30 + size + int.from_bytes(data[26 + size : 30 + size], "big") == len(data)


def test_utf8_is_pythons():
    text = "A\u00e9\u20ac\U0001f514\x7f\u0080\u07ff\u0800\uffff\U00010000"
    body, length = utf8(np.array([ord(c) for c in text]))
    assert b"".join(bytes(b[:n]) for b, n in zip(body, length, strict=True)) == text.encode()


def key_of_music21(root: str, mode: str) -> int:
    from music21 import key

    return key.Key(root.replace("b", "-"), mode).sharps


MODES = {
    "major": "major", "natural-minor": "minor", "dorian": "dorian", "phrygian": "phrygian",
    "lydian": "lydian", "mixolydian": "mixolydian", "locrian": "locrian",
    "harmonic-minor": "minor", "melodic-minor": "minor",
}  # fmt: skip


@pytest.mark.parametrize("mode", MODES)
@pytest.mark.parametrize("root", ["C", "D", "E", "F", "G", "A", "B", "Bb", "Eb", "F#"])
def test_key_signatures_are_music21s(mode, root):
    sharps, minor = key_signature(SCALES[mode], note_number(f"{root}4"))
    expected = key_of_music21(root, MODES[mode])
    assert (sharps - expected) % 12 == 0
    assert -7 <= sharps <= 7
    assert minor == (MODES[mode] == "minor")


def test_no_key_signature_where_the_scale_has_none():
    assert key_signature(SCALES["whole-tone"], 60) is None


def readers(path):
    """Notes as four libraries have them: (onset in ticks, pitch, velocity) and lengths."""
    file = mido.MidiFile(path)
    per = file.ticks_per_beat
    got = {}
    rows = []
    for track in file.tracks:
        tick = 0
        for m in track:
            tick += m.time
            if m.type == "note_on" and m.velocity:
                rows.append((tick, m.note, m.velocity))
    got["mido"] = sorted(rows)

    import symusic

    score = symusic.Score(str(path))
    assert score.ticks_per_quarter == per
    got["symusic"] = sorted((n.time, n.pitch, n.velocity) for t in score.tracks for n in t.notes)

    import pretty_midi

    pm = pretty_midi.PrettyMIDI(str(path))
    got["pretty_midi"] = sorted(
        (pm.time_to_tick(n.start), n.pitch, n.velocity) for i in pm.instruments for n in i.notes
    )
    return got, per


@pytest.mark.parametrize("preset", sampled(MUSIC, 4), ids=lambda p: p.stem)
def test_every_preset_opens_in_other_libraries_with_the_same_notes(preset, small, tmp_path):
    show = sonify.perform(small, [preset])
    path = show.save(tmp_path / "a.mid")
    got, per = readers(path)
    ours = sorted(
        (round(n["onset_beat"] * per), round(float(n["pitch"])), int(n["velocity"]))
        for n in show.notes
    )
    if all(float(p).is_integer() for p in show.notes["pitch"]):
        for name, notes in got.items():
            assert notes == ours, name
    else:
        for name, notes in got.items():
            assert [n[0] for n in notes] == [n[0] for n in ours], name
    for track in smf.parse(path.read_bytes()).tracks:
        smf.notes(track)


def test_music21_reads_the_same_notes(small, tmp_path):
    from music21 import converter

    show = sonify.perform(small, settings={"music.voice.0.rhythm": ["joined"]})
    path = show.save(tmp_path / "a.mid")
    score = converter.parse(str(path), quantizePost=False)
    # music21 ties what crosses a bar line
    flat = score.stripTies().flatten().notes
    got = sorted((float(n.offset), n.pitch.midi) for n in flat)
    ours = sorted((float(n["onset_beat"]), int(n["pitch"])) for n in show.notes)
    assert len(got) == len(ours)
    np.testing.assert_allclose([g[0] for g in got], [o[0] for o in ours], atol=1e-3)
    assert [g[1] for g in got] == [o[1] for o in ours]


def test_general_midi_names_are_the_standards():
    """General MIDI level 1, as pretty_midi has its tables; where its spelling departs from the
    standard's own, the standard's is typed in here."""
    import pretty_midi

    departs = {
        "clavinet": "clavi", "synth strings 1": "synthstrings 1",
        "synth strings 2": "synthstrings 2", "synth choir": "synth voice",
        "synth brass 1": "synthbrass 1", "synth brass 2": "synthbrass 2",
        "lead 4 chiff": "lead 4 (chiff)", "bagpipe": "bag pipe",
        "pedal hi hat": "pedal hi-hat", "open hi hat": "open hi-hat",
    }  # fmt: skip
    theirs = [pretty_midi.program_to_instrument_name(k).lower() for k in range(128)]
    assert [departs.get(n, n) for n in theirs] == list(PROGRAMS)
    drums = {pretty_midi.note_number_to_drum_name(k).lower(): k for k in range(35, 82)}
    assert {departs.get(n, n): k for n, k in drums.items()} == DRUMS


def test_numbers_of_programs_and_drums_keep_to_what_a_message_holds():
    """Programs count from 1 for people and from 0 in MIDI; seven bits hold 0 to 127."""
    assert [program_number(n) for n in (1, 128, "acoustic grand piano", " Gunshot")] == [
        0, 127, 0, 127,
    ]  # fmt: skip
    assert [drum_note(n) for n in (0, 127, "acoustic bass drum", "Open Triangle ")] == [
        0, 127, 35, 81,
    ]  # fmt: skip
    for of, wrong in ((program_number, (0, 129)), (drum_note, (-1, 128))):
        for number in wrong:
            with pytest.raises(InputError, match=f"there is no .* {number}; they are numbered"):
                of(number)
