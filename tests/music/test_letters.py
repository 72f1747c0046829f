"""Whether letters can be heard, and bits kept: by brute force, by hand, and against the search."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
import tomli_w

import sonify
from sonify.music.measures.bits_kept import bits_kept
from sonify.music.measures.letters import adjusted_information, traceability
from sonify.recover.sources.options import ReadOptions
from sonify.recover.sources.source import read_source

TEXT = "THE HARE AND THE HEN AND THE OTHER HARE EAT OATS AT THE HEARTH"


def information(a, b):
    """Mutual information in nats, by its definition."""
    pairs = list(zip(a, b, strict=True))
    n, total = len(pairs), 0.0
    for x, y in set(pairs):
        both = pairs.count((x, y)) / n
        total += both * np.log(both / (list(a).count(x) / n * list(b).count(y) / n))
    return total


@pytest.mark.parametrize("figures", [[0, 0, 1, 1, 2, 2], [0, 1, 1, 1, 2, 0], [0, 1, 2, 3, 0, 1]])
def test_chance_is_the_mean_over_all_ways_to_deal_the_figures(figures):
    letters = [0, 0, 0, 1, 1, 2]
    dealt = [information(letters, p) for p in itertools.permutations(figures)]
    chance, told = np.mean(dealt), information(letters, figures)
    entropy = information(letters, letters)
    mine = adjusted_information(np.array(letters), np.array(figures))
    assert mine == pytest.approx((told - chance) / (entropy - chance))


def test_information_of_what_tells_all_and_of_what_never_comes_again():
    letters = np.array([1, 2, 1, 3, 2, 1])
    assert adjusted_information(letters, letters + 5) == pytest.approx(1.0)
    assert adjusted_information(letters, np.arange(6)) == 0.0
    assert adjusted_information(letters, np.zeros(6, np.int64)) == pytest.approx(0.0)
    assert adjusted_information(letters[:0], letters[:0]) == 0.0


def heard(text=TEXT, **voice):
    disc = sonify.Disc.from_message(text)
    show = sonify.perform(disc, settings={"music.voice": [{"name": "v", **voice}]})
    return traceability(show.parts, show.bit_stream, show.grid.step_ticks)


def test_a_tune_for_each_letter_tells_it_and_a_clock_does_not():
    assert heard(pitch="place") == (pytest.approx(1.0), "v")
    assert heard(source="clock", pitch="one-tone") == (0.0, "")
    told, _ = heard(source="character-starts", pitch={"scheme": "character", "span": 64})
    assert told == pytest.approx(1.0)
    few, _ = heard(source="character-starts", pitch={"scheme": "character", "span": 3})
    assert 0.1 < few < 0.7


def test_letters_shuffled_under_the_music_are_not_heard():
    disc = sonify.Disc.from_message(TEXT)
    show = sonify.perform(disc, settings={"music.voice": [{"pitch": "place"}]})
    m = show.bit_stream
    rng = np.random.default_rng(4)
    dealt = []
    for _ in range(12):
        order = rng.permutation(len(TEXT))
        m.unit_values[0][: len(TEXT)] = m.unit_values[0][: len(TEXT)][order]
        dealt.append(traceability(show.parts, m, show.grid.step_ticks)[0])
    # the best of several ways to listen lies a little above chance
    assert np.mean(dealt) < 0.1


def test_a_letter_heard_in_another_octave_or_a_letter_late_is_still_told():
    late = {"source": "character-starts", "pitch": {"scheme": "last-character", "span": 64}}
    assert heard(**late)[0] == pytest.approx(1.0, abs=0.02)
    moved = {"scheme": "place", "row-step": 1}
    assert heard(pitch=moved)[0] == pytest.approx(1.0)


def test_a_disc_without_a_code_has_no_letters():
    show = sonify.perform(sonify.Disc.from_bits(["10110010"] * 3))
    assert traceability(show.parts, show.bit_stream, show.grid.step_ticks) == (0.0, "")


VOICES = {
    "every one": {"pitch": "place"},
    "runs": {"pitch": "one-tone", "rhythm": ["joined"]},
    "starts of runs": {"pitch": "one-tone", "rhythm": ["changes"]},
    "every second": {"pitch": "one-tone", "rhythm": [{"rule": "thinned", "every": 2}]},
    "half of the positions": {"pitch": "place", "positions": "1-8"},
    "a clock": {"source": "clock", "pitch": "one-tone"},
    "values": {"source": "character-starts", "pitch": {"scheme": "character", "span": 64}},
}


@pytest.mark.parametrize("name", VOICES)
def test_bits_kept_are_those_that_can_be_read_back(name, tmp_path):
    rng = np.random.default_rng(11)
    disc = sonify.Disc.from_bits(rng.integers(0, 2, (3, 16)).astype(np.int8))
    preset = tmp_path / "v.toml"
    preset.write_text(tomli_w.dumps({"music": {"voice": [{"name": "v", **VOICES[name]}]}}))
    show = sonify.perform(disc, [preset])
    kept, tried = bits_kept(show.setup.music, show.bit_stream, show.grid)
    assert tried == 48
    path = show.save(tmp_path / "a.mid")
    seen = read_source(path, ReadOptions(positions=16, presets=(str(preset),))).bits()
    # what is lost to bits further apart than a window, as in a long run, is not noticed
    assert 0 <= kept - (seen >= 0).sum() <= (2 if name == "starts of runs" else 0)


def test_what_one_voice_loses_another_may_keep():
    disc = sonify.load_disc("cairn-small")
    halves = [{"pitch": "place", "positions": p} for p in ("1-28", "29-")]
    for voices, share in ((halves[:1], 0.5), (halves[1:], 0.5), (halves, 1.0)):
        show = sonify.perform(disc, settings={"music.voice": voices})
        kept, tried = bits_kept(show.setup.music, show.bit_stream, show.grid)
        assert kept == share * tried == share * disc.grid.size


def test_a_bit_whose_notes_are_muted_by_hand_is_lost():
    disc = sonify.load_disc("cairn-small")
    voices = [{"name": n, "pitch": "place"} for n in ("low", "high")]
    mute = {"row": 2, "position": 7, "mute": True}
    for note, lost in (([mute], 1), ([{**mute, "voice": "low"}], 0), ([], 0)):
        show = sonify.perform(disc, settings={"music.voice": voices, "note": note})
        kept, tried = bits_kept(
            show.setup.music, show.bit_stream, show.grid, changes=show.setup.note
        )
        assert tried - kept == lost


def test_unknown_bits_are_not_counted_and_some_rows_stand_for_all():
    disc = sonify.load_disc("cairn-quilt")
    show = sonify.perform(disc)
    assert bits_kept(show.setup.music, show.bit_stream, show.grid) == (254, 254)
    assert bits_kept(show.setup.music, show.bit_stream, show.grid, 64)[1] in (63, 64)
