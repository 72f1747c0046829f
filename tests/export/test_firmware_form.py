"""The core follows form: sections, arcs, harmony, vamps and endings, note for note."""

from __future__ import annotations

import pytest

import sonify
from tests.export.test_firmware import needs_gcc, play
from tests.nightly import sampled_product

HARMONY = {"music.harmony": {"chords": "I vi IV V", "cadences": True}}
LINES = {
    "tune": {
        "pitch": {
            "scheme": "progression", "line": {"scheme": "walk", "span": 9, "start": 4},
            "range": ["C4", "E6"],
        },
        "arcs": ["dynamics", "register"], "rhythm": ["joined"],
    },
    "bass": {
        "source": "clock", "sections": "A' B A''",
        "pitch": {"scheme": "progression", "line": "one-tone", "range": ["C2", "B2"]},
        "rhythm": [
            {"rule": "pattern", "pattern": "x...x...", "value": "1/16", "per": "bar"},
            {"rule": "length", "value": "1/8"}, "vamp",
        ],
    },
    "alto": {
        "source": "clock", "arcs": ["dynamics", "density"],
        "pitch": {
            "scheme": "progression", "line": {"scheme": "one-tone", "degree": 1},
            "range": ["E3", "E4"], "leading": "nearest",
        },
        "rhythm": [
            {"rule": "pattern", "pattern": "x.......", "value": "1/16", "per": "bar"},
            {"rule": "length", "value": "1/2"}, "vamp",
        ],
    },
    "fill": {
        "drum": "low tom", "source": "row-changes", "ending": True,
        "rhythm": [{"rule": "pick-up", "value": "1/2"}, {"rule": "roll", "value": "1/8"}],
    },
}  # fmt: skip


@needs_gcc
@pytest.mark.parametrize(
    ("plan", "machine"),
    sampled_product(
        ["song", "arch", "rondo", "crescendo", "passacaglia", "canon"],
        [
            ("cairn-small", "usual"),
            ("cairn-middle", "quick"),
            ("cairn-wire", "slow"),
            ("cairn-quilt", "usual"),
        ],
    ),
    ids=lambda c: c if isinstance(c, str) else "-".join(c),
)
def test_form_is_followed_note_for_note(plan, machine, tmp_path):
    disc, player = machine
    show = sonify.perform(
        sonify.load_disc(disc),
        [player],
        {
            "music.root": "C4",
            "music.scale": "major",
            "music.metre": "4/4",
            "music.form": {"plan": plan, "ending": "cadence"},
            **HARMONY,
            "music.voice": [{"name": name, **line} for name, line in LINES.items()],
        },
    )
    assert all(len(p) for p in show.parts[:3])
    play(show, tmp_path)


@needs_gcc
def test_an_ending_between_the_keys(tmp_path):
    show = sonify.perform(
        sonify.load_disc("cairn-small"),
        ["quick"],
        {
            "music.scale": "bayati",
            "music.form": {"ending": "chord"},
            "music.voice": [{"pitch": "place"}, {"source": "row-starts", "pitch": "one-tone"}],
        },
    )
    play(show, tmp_path)
