"""Scores, held against the schema, and read back by programs that write them too."""

from __future__ import annotations

import io
import os
import re
import shutil
import subprocess
from collections import Counter
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest

import sonify
from sonify.disc.code.code import Code
from sonify.export import score
from sonify.export.midi import midi_bytes
from sonify.export.score.notes import Piece, beams, beat_groups, pieces, staves, values
from sonify.export.score.spelling import spell
from tests.nightly import late, nightly, sampled, sampled_product, sampled_rows
from tests.shipped import DISCS, MUSIC

PLAIN = {"music.timing": "bars", "music.voice.0.rhythm": ["joined"]}
LIVELY = [
    {
        "name": "tune",
        "pitch": {"scheme": "walk", "span": 10},
        "rhythm": ["changes", {"rule": "swing", "amount": 0.64}, {"rule": "humanise"}],
    },
    {"name": "held", "source": "character-starts", "octave": -1, "rhythm": ["held"]},
    {"name": "chord", "source": "row-chords", "pitch": "place"},
    {"name": "stick", "drum": "side stick", "source": "clock", "rhythm": ["thinned"]},
]


def score_bytes(show, suffix, **options):
    """The only file of a score."""
    (data,) = score.score_bytes(show, suffix, score.Options(**options))
    return data


def performed(name, **settings):
    return sonify.perform(sonify.load_disc(name), settings=settings)


def written(show):
    """The notes that the performance means, from its own arrays and not from the score's code."""
    out = []
    for part in show.parts:
        if part.voice.drum is None:
            step = show.grid.step_ticks
            out.append(sorted({(int(t) / step, int(p)) for t, p in zip(part.on, part.pitch)}))  # noqa: B905
    return out


def heard(score, step):
    """Onsets in steps and pitches of each pitched part that music21 reads; ties are one note."""
    out = []
    for part in score.parts:
        notes = set()
        for note in part.flatten().notes:
            if note.tie is not None and note.tie.type != "start":
                continue
            if hasattr(note, "pitches") and note.pitches:
                for pitch in note.pitches:
                    notes.add((float(note.offset) / step, int(pitch.ps)))
        if notes:
            out.append(sorted(notes))
    return out


def parsed(data):
    from music21 import converter

    return converter.parseData(data, format="musicxml")


@pytest.mark.parametrize(
    ("metre", "step"),
    sampled_product(["auto", "4/4", "3/4", "7/8", "5/16"], ["1/16", "1/8", "1/12"]),
)
def test_music21_reads_the_notes_that_are_meant(metre, step):
    straight = [{k: v for k, v in LIVELY[0].items() if k != "rhythm"} | {"rhythm": ["changes"]}]
    more = {"music.metre": metre, "music.step": step, "music.timing": "bars"}
    meant = performed("cairn-small", **more, **{"music.voice": straight + LIVELY[1:]})
    show = performed("cairn-small", **more, **{"music.voice": LIVELY})
    score = parsed(score_bytes(show, ".musicxml"))
    theirs = heard(score, show.grid.step_beats)
    ours = written(meant)
    assert len(theirs) == len(ours)
    for a, b in zip(theirs, ours, strict=True):
        assert [p for _, p in a] == [p for _, p in b]
        assert np.allclose([t for t, _ in a], [t for t, _ in b], atol=1e-6)


def test_partitura_reads_the_same_notes_and_lengths():
    partitura = pytest.importorskip("partitura")
    show = performed("cairn-middle", **PLAIN)
    data = score_bytes(show, ".musicxml")
    with pytest.warns(UserWarning, match="ignoring direction"):
        score = partitura.load_musicxml(io.BytesIO(data))
    theirs = score.parts[0].note_array()
    part = show.parts[0]
    quarter = show.grid.ticks_per_quarter
    order = np.lexsort((theirs["pitch"], theirs["onset_quarter"]))
    assert theirs["pitch"][order].tolist() == part.pitch.astype(int).tolist()
    assert np.allclose(theirs["onset_quarter"][order], part.on / quarter, atol=1e-3)
    assert np.allclose(theirs["duration_quarter"][order], (part.off - part.on) / quarter, atol=1e-3)


def test_tied_lengths_are_those_of_the_midi():
    import mido

    show = performed("cairn-middle", **PLAIN)
    file = mido.MidiFile(file=io.BytesIO(b"".join(midi_bytes(show))))
    tick, on, lengths = 0, {}, []
    for message in file.tracks[1]:
        tick += message.time
        if message.type == "note_on":
            on[message.note] = tick
        elif message.type == "note_off":
            start = on.pop(message.note)
            lengths.append((start, (tick - start) / file.ticks_per_beat))
    tied = parsed(score_bytes(show, ".musicxml")).parts[0].stripTies().flatten().notes
    assert [float(n.quarterLength) for n in tied] == [length for _, length in sorted(lengths)]
    assert any(n.quarterLength > show.grid.bar * 4 for n in tied) or len(tied) > 50


@pytest.mark.parametrize("disc", ["cairn-small", "cairn-wire"])
def test_the_message_is_sung_and_rows_are_marked(disc):
    from music21 import expressions

    show = performed(disc, **{"music.voice": LIVELY})
    score = parsed(score_bytes(show, ".musicxml"))
    sung = "".join(n.lyric for n in score.parts[0].flatten().notes if n.lyric)
    assert sung.replace("\u2423", " ") == show.disc.message
    marks = score.parts[0].flatten().getElementsByClass(expressions.RehearsalMark)
    assert [m.content for m in marks] == [str(r + 1) for r in range(show.disc.rows)]
    step = show.grid.step_beats
    assert np.allclose([float(m.offset) for m in marks], show.timeline.row_slot * step)
    assert score.metadata.bestTitle == show.disc.title


def test_clefs_key_tempo_and_words():
    from music21 import clef, key, meter, tempo

    show = performed("cairn-small", **{"music.voice": LIVELY, "music.root": "E4"})
    score = parsed(score_bytes(show, ".musicxml"))
    first = score.parts[0].measure(1)
    assert isinstance(score.parts[1].flatten().getElementsByClass(clef.Clef)[0], clef.BassClef)
    assert isinstance(first.getElementsByClass(clef.Clef)[0], clef.TrebleClef)
    assert isinstance(
        score.parts[3].flatten().getElementsByClass(clef.Clef)[0], clef.PercussionClef
    )
    # E dorian has the two sharps of D major
    assert first.getElementsByClass(key.KeySignature)[0].sharps == 2
    assert first.getElementsByClass(meter.TimeSignature)[0].ratioString == "2/4"
    mark = score.flatten().getElementsByClass(tempo.MetronomeMark)[0]
    assert mark.getQuarterBPM() == pytest.approx(show.tempo_bpm, abs=0.01)
    assert b"<words" in score_bytes(show, ".musicxml")
    assert b">swing<" in score_bytes(show, ".musicxml")
    # no dust: nothing shorter than the step
    shortest = min(n.quarterLength for n in score.flatten().notes)
    assert shortest >= show.grid.step_beats


@pytest.mark.parametrize("preset", sampled([p.stem for p in MUSIC], 4))
def test_verovio_takes_every_preset_without_a_warning(preset):
    import verovio

    show = sonify.perform(sonify.load_disc("cairn-small"), presets=[preset])
    xml = score_bytes(show, ".musicxml")
    assert xml.startswith(b"<?xml")
    assert b'<score-partwise version="4.0">' in xml
    verovio.enableLog(verovio.LOG_WARNING)
    kit = verovio.toolkit()
    assert kit.loadData(xml.decode())
    assert kit.getLog() == ""
    verovio.enableLog(verovio.LOG_OFF)
    # every note of the MIDI file is written, ties counted as one
    written = [
        sum(
            note.find("rest") is None and not any(t.get("type") == "stop" for t in note.iter("tie"))
            for note in part.iter("note")
        )
        for part in ElementTree.fromstring(xml).iter("part")
    ]
    assert written == [len(part) for part in show.parts if len(part)]


@pytest.fixture(scope="module")
def schema():
    """MusicXML 4.0's, as the W3C's group published it and the package musicxml carries it."""
    import musicxml
    import xmlschema

    folder = Path(musicxml.__file__).parent / "generate_classes"
    return xmlschema.XMLSchema(folder / "musicxml_4_0.xsd", allow="local")


@pytest.mark.parametrize("preset", sampled([p.stem for p in MUSIC], 4))
def test_the_schema_allows_every_preset(preset, schema):
    show = sonify.perform(sonify.load_disc("cairn-small"), presets=[preset])
    schema.validate(ElementTree.fromstring(score_bytes(show, ".musicxml")))


@pytest.mark.parametrize(
    ("metre", "step"), sampled_product(["4/4", "6/8", "7/8", "5/16"], ["1/16", "1/12", "1/20"])
)
def test_the_schema_allows_every_metre(metre, step, schema):
    more = {"music.metre": metre, "music.step": step, "music.timing": "bars"}
    for show in (performed("cairn-small", **more, **{"music.voice": LIVELY}), drummed()):
        schema.validate(ElementTree.fromstring(score_bytes(show, ".musicxml")))


def test_characters_that_xml_has_not(schema):
    disc = sonify.Disc.from_message("FOG\x07 <&>", code=Code())
    root = ElementTree.fromstring(score_bytes(sonify.perform(disc), ".musicxml"))
    schema.validate(root)
    assert "".join(t.text for t in root.iter("text")) == "FOG\ufffd\u2423<&>"


def bar_of(*lengths):
    """Pieces that follow each other, in quarters."""
    ends = np.cumsum([Fraction(v) for v in lengths]).tolist()
    return [Piece(0, e - Fraction(v), Fraction(v)) for e, v in zip(ends, lengths, strict=True)]


def test_beams_by_hand():
    """E. Gould, Behind Bars (Faber 2011), on beams: by beats, not over rests; a part of a beam
    points to the note with which it fills a beat. From memory."""
    begin, end, on = "begin", "end", "continue"
    ahead, back = "forward hook", "backward hook"
    for metre, lengths, expected in [
        ((2, 4), ["1/4"] * 4 + ["1"], [[begin] * 2, [on] * 2, [on] * 2, [end] * 2, []]),
        ((2, 4), ["1/2"] * 4, [[begin], [end]] * 2),
        ((2, 4), ["3/4", "1/4", "1"], [[begin], [end, back], []]),
        ((2, 4), ["1/4", "3/4", "1"], [[begin, ahead], [end], []]),
        ((2, 4), ["1/4", "1/2", "1/4", "1"], [[begin, ahead], [on], [end, back], []]),
        ((6, 8), ["1/2"] * 6, [[begin], [on], [end]] * 2),
        ((7, 8), ["1/2"] * 7, [[begin], [end], [begin], [end], [begin], [on], [end]]),
        ((3, 4), ["1/8", "1/8", "1/4", "1/2", "2"],
         [[begin] * 3, [on, on, end], [on, end], [end], []]),
    ]:  # fmt: skip
        symbols = bar_of(*lengths)
        assert beams(symbols, [True] * len(symbols), metre) == expected
    assert beams(bar_of("1/2", "1/4", "1/4"), [True, False, True], (1, 4)) == [[], [], []]


def test_values_by_hand():
    def shown(*lengths):
        return [(v.type, v.dots, v.actual, v.normal, v.bracket) for v in values(bar_of(*lengths))]

    assert shown("1", "3/4", "1/4") == [
        ("quarter", 0, 1, 1, ""), ("eighth", 1, 1, 1, ""), ("16th", 0, 1, 1, ""),
    ]  # fmt: skip
    third = ("eighth", 0, 3, 2)
    assert shown("1/3", "1/3", "1/3", "1/3", "2/3") == [
        (*third, "start"), (*third, ""), (*third, "stop"), (*third, "start"),
        ("quarter", 0, 3, 2, "stop"),
    ]  # fmt: skip
    assert [v[:4] for v in shown(*["1/5"] * 5)] == [("16th", 0, 5, 4)] * 5
    # a tuplet has one number: a third beside ninths is a dotted sixteenth of nine
    assert shown("1/3", "1/9", "5/9")[:2] == [
        ("16th", 1, 9, 8, "start"), ("32nd", 0, 9, 8, ""),
    ]  # fmt: skip


@pytest.mark.parametrize("disc", sampled([d.stem for d in DISCS if d.stem != "cairn-large"], 2))
def test_every_bar_is_full(disc):
    show = performed(disc, **{"music.voice": LIVELY})
    score = parsed(score_bytes(show, ".musicxml"))
    for part in score.parts:
        for measure in part.getElementsByClass("Measure"):
            assert sum(n.quarterLength for n in measure.notesAndRests) == show.grid.bar * 4


@nightly
def test_the_same_score_gives_the_same_bytes():
    show = performed("cairn-small", **{"music.voice": LIVELY})
    for suffix in (".musicxml", ".svg", ".png", ".pdf"):
        assert score.score_bytes(show, suffix) == score.score_bytes(show, suffix), suffix


def test_pictures_and_pages():
    from PIL import Image
    from pypdf import PdfReader

    show = performed("cairn-small", **{"music.voice": LIVELY})
    picture = Image.open(io.BytesIO(score_bytes(show, ".png", paper="roll"))).convert("L")
    dark = np.asarray(picture) < 100
    assert 0.005 < dark.mean() < 0.2
    # something in every fifth of the height
    assert all(block.any() for block in np.array_split(dark, 5))
    pages = PdfReader(io.BytesIO(score_bytes(show, ".pdf"))).pages
    text = "".join(p.extract_text() for p in pages)
    assert show.disc.title in text
    for name in ("tune", "held", "stick"):
        assert name in text
    svg = score_bytes(show, ".svg").decode()
    assert svg.startswith("<svg")
    assert "http" not in re.sub(r'xmlns(:\w+)?="[^"]*"', "", svg)


@pytest.mark.parametrize(
    ("paper", "size"),
    [
        (None, (210, 297)),
        pytest.param("letter", (215.9, 279.4), marks=nightly),
        pytest.param("a3", (297, 420), marks=nightly),
    ],
)
def test_pages_are_those_of_the_paper(paper, size, tmp_path):
    """Sizes: ISO 216, and ANSI/ASME Y14.1."""
    from PIL import Image
    from pypdf import PdfReader

    show = performed("cairn-middle", **{"music.voice": LIVELY})
    pages = PdfReader(io.BytesIO(score_bytes(show, ".pdf", paper=paper))).pages
    for page in pages:
        mm = [float(v) / 72 * 25.4 for v in page.mediabox[2:]]
        assert mm == pytest.approx(size, abs=0.01)
    files = score.write(show, tmp_path / "fog.png", score.Options(paper=paper, zoom=1))
    assert len(files) == len(pages) > 1
    assert [f.name for f in files[:2]] == ["fog.png", "fog-2.png"]
    for file in files:
        with Image.open(file) as picture:
            assert picture.size == pytest.approx([v / 25.4 * 96 for v in size], abs=1)
            # nothing in the margin, where printers don't reach
            dark = np.argwhere(np.asarray(picture.convert("L")) < 128)[:, ::-1]
            assert (dark.min(axis=0) > 7 / 25.4 * 96).all()
            assert (dark.max(axis=0) < np.array(picture.size) - 7 / 25.4 * 96).all()


def test_pictures_of_pages_or_of_all():
    show = performed("cairn-middle")
    assert len(score.score_bytes(show, ".svg")) == 1
    assert len(score.score_bytes(show, ".svg", score.Options(paper="a4"))) > 1
    assert len(score.score_bytes(show, ".png", score.Options(paper="roll", zoom=0.2))) == 1


def test_rows_can_be_chosen(run, tmp_path):
    path = tmp_path / "some.musicxml"
    result = run("score", "cairn-middle", "--rows", "3-4", "-o", path)
    assert result.status == 0, result.err
    from music21 import expressions

    marks = parsed(path.read_bytes()).flatten().getElementsByClass(expressions.RehearsalMark)
    assert [m.content for m in marks] == ["3", "4"]
    assert run("score", "cairn-middle", "--rows", "99", "-o", path).status == 2


def test_a_disc_too_long_and_one_without_a_note(run, tmp_path):
    bits = tmp_path / "long.toml"
    bits.write_text("bits = [" + ",".join(['"' + "10" * 500 + '"'] * 60) + "]")
    result = run("score", bits, "-o", tmp_path / "x.pdf")
    assert result.status == 2
    assert "--rows" in result.err
    silent = tmp_path / "silent.toml"
    silent.write_text('bits = ["0000"]')
    result = run("score", silent, "-o", tmp_path / "x.pdf")
    assert (result.status, "no note sounds" in result.err) == (2, True)
    assert not (tmp_path / "x.pdf").exists()


def test_a_voice_that_rings_over_the_next_note_is_cut_in_writing_only():
    voice = [{"rhythm": [{"rule": "gate", "amount": 6.0}], "pitch": "place"}]
    show = performed("cairn-small", **{"music.voice": voice})
    events = staves(show)[0].events
    for a, b in pairwise(events):
        assert a.start + a.length <= b.start


@pytest.mark.parametrize(
    ("metre", "odd"),
    sampled_product([(4, 4), (3, 4), (6, 8), (7, 8), (5, 8), (12, 8), (53, 16)], [1, 3, 5]),
)
def test_pieces_fill_what_they_write(metre, odd):
    unit = Fraction(1, 4 * odd)
    bar = Fraction(4 * metre[0], metre[1])
    assert sum(beat_groups(metre)) == metre[0]
    rng = np.random.default_rng(7)
    for start, length in rng.integers(1, 60, (200, 2)).tolist():
        begin, end = start * unit, (start + length) * unit
        written = pieces(begin, end, metre)
        at = begin
        for piece in written:
            assert piece.bar * bar + piece.offset == at
            assert piece.offset + piece.length <= bar
            at += piece.length
        assert at == end


def test_spelling_keeps_to_the_key():
    from music21 import key

    for sharps in range(-7, 8):
        for minor in (False, True):
            signature = key.KeySignature(sharps).asKey("minor" if minor else "major")
            scale = {p.name for p in signature.pitches}
            for note in signature.pitches:
                letter, alter, octave = spell(note.midi, sharps, minor)
                name = letter + {-2: "--", -1: "-", 0: "", 1: "#", 2: "##"}[alter]
                assert name in scale
                assert octave == note.octave
            if minor:
                leading = signature.tonic.midi - 1
                letter, _, _ = spell(leading, sharps, True)
                assert letter == signature.pitchFromDegree(7).step


@pytest.mark.parametrize(
    ("root", "sharps"), sampled_rows([("Db4", -5), ("Gb3", -6), ("C#4", 7), ("F#3", 6)], 2)
)
def test_a_key_is_spelt_as_its_root_is_written(root, sharps):
    from music21 import key

    show = performed("cairn-small", **{"music.root": root, "music.scale": "major"})
    score = parsed(score_bytes(show, ".musicxml"))
    assert score.flatten().getElementsByClass(key.KeySignature)[0].sharps == sharps
    signs = {
        p.accidental.alter
        for n in score.flatten().notes
        for p in n.pitches
        if p.accidental is not None
    }
    assert signs <= ({0, 1} if sharps > 0 else {0, -1})


DRUMS = {"hands": ["low bongo", "hi bongo", 20], "kit": ["acoustic snare", "electric snare"]}


def drummed():
    voices = [
        {"name": k, "drum": v, "source": "clock", "rhythm": ["thinned"]} for k, v in DRUMS.items()
    ]
    return performed("cairn-small", **{"music.voice": [LIVELY[1], *voices]})


def test_each_drum_is_an_instrument_and_each_stroke_names_it():
    show = drummed()
    root = ElementTree.fromstring(score_bytes(show, ".musicxml"))
    heads, parts = root.findall("part-list/score-part"), root.findall("part")
    for head, part, ours in list(zip(heads, parts, show.parts, strict=True))[1:]:
        number = {}
        for one in head.iter("midi-instrument"):
            assert one.findtext("midi-channel") == "10"
            number[one.get("id")] = int(one.findtext("midi-unpitched")) - 1
        names = {i.get("id") for i in head.iter("score-instrument")}
        assert names == set(number)
        assert set(number.values()) == {int(p) for p in ours.pitch}
        struck, shown = [], {}
        for note in part.iter("note"):
            if note.find("unpitched") is not None and not any(
                t.get("type") == "stop" for t in note.iter("tie")
            ):
                struck.append(number[note.find("instrument").get("id")])
                shown[struck[-1]] = (
                    note.findtext("unpitched/display-step"),
                    note.findtext("unpitched/display-octave"),
                    note.findtext("notehead", "normal"),
                )
        assert struck == ours.pitch.astype(int).tolist()
        assert len(set(shown.values())) == len(shown), "two drums look alike"


def test_places_are_those_of_a_drum_set():
    """As in N. Weinberg, Guidelines for Drumset Notation, Percussive Notes 32 (3), 1994."""
    from sonify.export.score.drums import places
    from sonify.midi.general_midi import DRUMS

    at = {name: places([number])[number] for name, number in DRUMS.items()}
    assert at["bass drum 1"] == ("F", 4, "normal")
    assert at["acoustic snare"] == ("C", 5, "normal")
    assert at["side stick"] == ("C", 5, "x")
    assert at["closed hi hat"] == ("G", 5, "x")
    assert at["pedal hi-hat"] == ("D", 4, "x")
    assert at["ride cymbal 1"] == ("F", 5, "x")
    assert at["crash cymbal 1"] == ("A", 5, "x")
    assert len(set(places(range(27, 88)).values())) == 61


def onsets(path):
    """When each note of a MIDI file begins, in quarters, its key, and whether it is a drum's."""
    import mido

    file, out = mido.MidiFile(path), Counter()
    for track in file.tracks:
        tick = 0
        for message in track:
            tick += message.time
            if message.type == "note_on" and message.velocity:
                at = round(tick / file.ticks_per_beat, 2)
                out[at, message.note, message.channel == 9] += 1
    return out


def meant(show):
    """The same of a performance."""
    return Counter(
        (round(int(on) / show.grid.ticks_per_quarter, 2), int(key), part.channel == 9)
        for part in show.parts
        for on, key in zip(part.on, part.pitch, strict=True)
    )


def straight(metre, step):
    """A lively performance whose notes are where they are written."""
    more = {"music.metre": metre, "music.step": step, "music.timing": "bars"}
    tune = LIVELY[0] | {"rhythm": ["changes"]}
    return performed("cairn-small", **more, **{"music.voice": [tune, *LIVELY[1:]]})


@pytest.mark.skipif(shutil.which("lilypond") is None, reason="LilyPond (Debian) is not installed")
@pytest.mark.parametrize(
    "show",
    [
        pytest.param(lambda: straight("4/4", "1/16"), marks=nightly),
        lambda: straight("6/8", "1/12"),
        late(lambda: sonify.perform(sonify.load_disc("cairn-small"), presets=["organ-loft"])),
    ],
    ids=["plain", "tuplets", "organ-loft"],
)
def test_lilypond_plays_the_same_notes(show, tmp_path):
    show = show()
    (tmp_path / "a.musicxml").write_bytes(score_bytes(show, ".musicxml"))
    run = {"cwd": tmp_path, "check": True, "capture_output": True}
    subprocess.run(["musicxml2ly", "-o", "a.ly", "a.musicxml"], **run)
    text = (tmp_path / "a.ly").read_text()
    assert text.count(r"\lyricmode") == 1
    # as the file itself says; with --midi it would write a tempo that LilyPond can't read
    (tmp_path / "a.ly").write_text(re.sub(r"%\s*\\midi \{.*?\}", r"\\midi {}", text))
    subprocess.run(["lilypond", "-dno-print-pages", "a.ly"], **run)
    # musicxml2ly 2.24 writes strokes as notes, which LilyPond's staves for drums leave out
    ours = meant(show)
    assert onsets(tmp_path / "a.midi") == Counter({k: n for k, n in ours.items() if not k[2]})


MUSESCORE = pytest.mark.skipif(
    shutil.which("mscore3") is None, reason="MuseScore (Debian) is not installed"
)


def musescore(folder, *names):
    """Have MuseScore write files from a.musicxml."""
    own = {"QT_QPA_PLATFORM": "offscreen", "XDG_RUNTIME_DIR": str(folder), "HOME": str(folder)}
    for name in names:
        command = ["mscore3", "-o", str(folder / name), str(folder / "a.musicxml")]
        subprocess.run(command, env={**os.environ, **own}, check=True, capture_output=True)


@MUSESCORE
@pytest.mark.parametrize("metre", sampled(["7/8", "4/4", "6/8"], 1))
def test_musescore_plays_tuplets_when_they_are_meant(metre, tmp_path):
    show = straight(metre, "1/12")
    (tmp_path / "a.musicxml").write_bytes(score_bytes(show, ".musicxml"))
    musescore(tmp_path, "a.mid")
    assert onsets(tmp_path / "a.mid") == meant(show)


@MUSESCORE
@pytest.mark.parametrize("preset", sampled(["bayati-evening", "hut-band", "tin-roof"], 1))
def test_musescore_plays_the_same_notes(preset, tmp_path):
    import mido

    show = sonify.perform(sonify.load_disc("cairn-small"), presets=[preset])
    path = tmp_path / "a.musicxml"
    path.write_bytes(score_bytes(show, ".musicxml"))
    musescore(tmp_path, "a.mid", "b.musicxml")
    theirs = Counter(
        (m.channel == 9, m.note)
        for m in mido.MidiFile(tmp_path / "a.mid")
        if m.type == "note_on" and m.velocity
    )
    ours = Counter((p.channel == 9, float(k)) for p in show.parts for k in p.pitch.tolist())
    quarters = sum(n for (_, k), n in ours.items() if k % 1)
    # it plays no quarter tones, but keeps them as they are written
    assert sum((theirs - ours).values()) == quarters
    kept = (tmp_path / "b.musicxml").read_text().count("<accidental>quarter-flat")
    assert (kept > 0) == (quarters > 0)
    assert (tmp_path / "b.musicxml").read_text().count("<alter>-0.5") == quarters


def test_cents_in_place_of_quarter_tones_are_read_by_partitura():
    partitura = pytest.importorskip("partitura")
    show = sonify.perform(sonify.load_disc("cairn-small"), presets=["bayati-evening"])
    assert b"<alter>-0.5" in score_bytes(show, ".musicxml")
    data = score_bytes(show, ".musicxml", quarter_tones="cents")
    assert b"-0.5" not in data
    with pytest.warns(UserWarning, match="ignoring direction"):
        parts = partitura.load_musicxml(io.BytesIO(data)).parts
    quarters = 0
    for part, ours in zip(parts, (p for p in show.parts if len(p)), strict=True):
        if ours.voice.drum is not None:
            continue
        theirs = sorted(part.note_array()["pitch"].tolist())
        assert np.abs(np.array(theirs) - np.sort(ours.pitch)).max() <= 0.5
        quarters += int((ours.pitch % 1 > 0).sum())
    # every tone that is not what it seems has its cents
    assert data.count(b">+50<") + data.count(b">-50<") == quarters > 0


@pytest.mark.parametrize(
    ("preset", "melody"),
    [("organ-loft", "right hand"), ("music-box", "comb"), ("tin-roof", "hands")],
)
def test_the_melody_has_the_words(preset, melody):
    show = sonify.perform(sonify.load_disc("cairn-small"), presets=[preset])
    sung = {
        part.partName: "".join(n.lyric for n in part.flatten().notes if n.lyric)
        for part in parsed(score_bytes(show, ".musicxml")).parts
    }
    assert {k: v.replace("\u2423", " ") for k, v in sung.items() if v} == {
        melody: show.disc.message
    }
