"""Fractional pitches in the MIDI file, worked out again from its bytes alone."""

from __future__ import annotations

import io

import mido
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import sonify
from sonify.export.midi import Options, midi_bytes
from sonify.midi.bends import Sounding, allocate_channels, bent
from sonify.music.notes import untuned_parts
from sonify.music.pitch.schemes import SCHEMES as SCHEME_NAMES
from sonify.music.voices import voice_pitch_sets
from tests.nightly import sampled_product


def pitches_in(show, **options):
    """Onset tick and sounding pitch of every note, from a MIDI file's messages.

    MIDI 1.0: RPN 0 is the bend range in semitones, and a bend of 8192 is all of it. Bends that
    change while a note of the channel sounds are refused.
    """
    data = b"".join(midi_bytes(show, Options(**options)))
    file = mido.MidiFile(file=io.BytesIO(data))
    out = []
    for track in file.tracks[1:]:
        tick, bend, span, sounding = 0, {}, {}, {}
        parameter: dict[int, tuple[int, int]] = {}
        for message in track:
            tick += message.time
            if message.is_meta:
                continue
            c = message.channel
            if message.type == "control_change":
                high, low = parameter.get(c, (127, 127))
                if message.control == 101:
                    parameter[c] = message.value, low
                elif message.control == 100:
                    parameter[c] = high, message.value
                elif message.control == 6 and (high, low) == (0, 0):
                    span[c] = message.value
            elif message.type == "pitchwheel":
                assert not sounding.get(c), "a bend under a sounding note"
                bend[c] = message.pitch
            elif message.type == "note_on":
                sounding.setdefault(c, set()).add(message.note)
                out.append((tick, message.note + bend.get(c, 0) / 8192 * span.get(c, 2)))
            elif message.type == "note_off":
                sounding[c].discard(message.note)
    return sorted(out)


@pytest.mark.parametrize("only_notes", [False, True])
@pytest.mark.parametrize(
    "scale", ["dorian", "bayati", "just-major", "nineteen-tones", "thirty-one-tones", "slendro",
              "bohlen-lambda"],
)  # fmt: skip
def test_the_file_sounds_the_pitches_that_are_meant(scale, only_notes):
    voices = [
        {"pitch": {"scheme": "number", "bits": 5, "span": 31}, "rhythm": ["joined"]},
        {"source": "character-starts", "octave": -1, "pitch": "character", "rhythm": ["held"]},
    ]
    show = sonify.perform(
        sonify.load_disc("cairn-middle"),
        settings={"music.scale": scale, "music.voice": voices, "music.concert-pitch": 443.0},
    )
    meant = sorted(
        zip(np.concatenate([p.on for p in show.parts]).tolist(),
            np.concatenate([p.pitch for p in show.parts]).tolist(), strict=True)
    )  # fmt: skip
    heard = pitches_in(show, only_notes=only_notes)
    assert [t for t, _ in heard] == [t for t, _ in meant]
    # half a step of a bend of two semitones over 8192
    assert np.allclose([p for _, p in heard], [p for _, p in meant], atol=1.3e-4)


def test_the_file_says_how_it_bends():
    show = sonify.perform(sonify.load_disc("cairn-small"), settings={"music.scale": "bayati"})
    file = mido.MidiFile(file=io.BytesIO(b"".join(midi_bytes(show))))
    said = [m.text for m in file.tracks[1] if m.type == "text"]
    assert len(said) == 1
    for word in ("RPN 0", "2 semitones", "channels 1, 2"):
        assert word in said[0]
    plain = sonify.perform(sonify.load_disc("cairn-small"))
    file = mido.MidiFile(file=io.BytesIO(b"".join(midi_bytes(plain))))
    assert not [m for t in file.tracks for m in t if m.type in ("text", "pitchwheel")]
    sent = [m for t in file.tracks for m in t if m.type == "control_change"]
    assert [(m.control, m.value) for m in sent] == [(10, 64)], "only the pan"


SCHEMES = (
    [{"scheme": s} for s in SCHEME_NAMES if s not in ("progression", "table")]
    + [{"scheme": "progression", "chords": "i IV7 v", "each": "row", "line": s}
       for s in ("place", "walk", "arpeggio")]
    + [{"scheme": "table", "degrees": [0, 4, -2], "by": "value"},
       {"scheme": "table", "notes": ["D4", "A5"], "by": "one"},
       {"scheme": "place", "row-step": 3}, {"scheme": "run-length", "row-step": -2},
       {"scheme": "count", "turn": False, "step": 3}, {"scheme": "gap", "step": 5}]
)  # fmt: skip
RANGES = [
    {}, {"leading": "nearest"}, {"range": ["C4", "E5"]}, {"range": ["C4", "E5"], "fold": "turn"},
    {"range": ["G3", "D5"], "fold": "nearest", "leading": "nearest"},
]  # fmt: skip


@pytest.mark.parametrize(
    ("scheme", "scale"),
    sampled_product(SCHEMES, ["bayati", "just-major", "bohlen-lambda", "slendro"]),
    ids=lambda s: s if isinstance(s, str) else "-".join(map(str, s.values())),
)
def test_the_tones_within_reach_are_all_that_a_voice_sounds(scheme, scale):
    rules = [{"rule": "echoes", "shift": 3, "count": 2}, {"rule": "layered", "shifts": [-4]}]
    voices = [{"pitch": scheme | more, "rhythm": rules} for more in RANGES]
    show = sonify.perform(
        sonify.load_disc("cairn-middle"),
        settings={"music.scale": scale, "music.voice": voices, "music.concert-pitch": 431.0},
    )
    music = show.setup.music
    pitch_sets = voice_pitch_sets(music, show.unit_bits, show.grid)
    for part, within in zip(
        untuned_parts(music, show.bit_stream, show.grid), pitch_sets, strict=True
    ):
        apart = np.abs(part.pitch[:, None] - within[None, :]).min(axis=1)
        assert apart.max() < 1e-6


def test_channels_hang_on_the_mapping_and_not_on_the_disc():
    """The same voices bend the same channels for every disc, even one that sounds one tone."""
    lines = [{"pitch": {"scheme": "walk", "span": 7}}, {"pitch": "one-tone", "source": "unknown"}]
    told = set()
    for bits in (["1" + "0" * 27] * 2, ["1" * 28] * 4, ["0110101" * 4] * 3):
        show = sonify.perform(
            sonify.Disc.from_bits(bits),
            settings={"music.scale": "just-major", "music.root": "D4", "music.voice": lines},
        )
        told.add(tuple(None if p.tuned is None else p.tuned.channels for p in show.parts))
    assert told == {((0, 2, 3, 4, 5, 6, 7), None)}


NOTES = st.lists(
    st.tuples(st.integers(0, 400), st.integers(1, 200), st.integers(0, 40)),
    min_size=1,
    max_size=60,
)


@given(notes=NOTES, channel=st.integers(0, 15))
@settings(max_examples=150, deadline=None)
def test_notes_that_sound_together_on_a_channel_have_one_bend(notes, channel):
    notes = sorted(set(notes))
    on = np.array([n[0] for n in notes])
    off = on + np.array([n[1] for n in notes])
    pitch = 60 + np.array([n[2] for n in notes]) * 12 / 19
    one = Sounding("x", 0, channel, False, on, off, pitch)
    most = max(len({n[2] for n in notes if n[0] <= t < n[0] + n[1]} - {None}) for t in on.tolist())
    try:
        tuned = bent([one])[0]
    except sonify.InputError as e:
        assert "sounding together" in str(e)  # noqa: PT017
        assert most > 13
        return
    if tuned is None:
        assert np.allclose(pitch, np.rint(pitch))
        return
    assert np.allclose(tuned.key + tuned.bend / 8192 * 2, pitch, atol=1.3e-4)
    assert tuned.channel[0] in tuned.channels
    for a in range(len(on)):
        together = (on < off[a]) & (off > on[a]) & (tuned.channel == tuned.channel[a])
        assert len(set(tuned.bend[together].tolist())) == 1
    assert 9 not in set(tuned.channel.tolist()) - {channel}


def test_a_chord_of_fifteen_bends_takes_every_channel_but_the_drums_and_sixteen_are_refused():
    def chord(count: int) -> Sounding:
        on = np.zeros(count, np.int64)
        return Sounding("x", 0, 0, False, on, on + 10, 60 + np.arange(count) / 40)

    (tuned,) = bent([chord(15)])
    assert sorted(tuned.channel.tolist()) == [c for c in range(16) if c != 9]
    with pytest.raises(sonify.InputError, match="sounding together"):
        bent([chord(16)])


def test_a_voice_that_never_sounds_needs_no_bend():
    silent, key, quarter_tone = (np.array(p) for p in ([], [60.0], [60.5]))
    assert allocate_channels([0, 1], [silent, key]) == [None, None]
    # a quarter tone is a quarter of the usual range of two semitones either way
    none, one = allocate_channels([0, 1], [silent, quarter_tone]) or []
    assert none is None
    assert (one.bends, one.channels) == ((2048,), (1,))
