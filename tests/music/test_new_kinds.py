"""A rule and a scheme of one's own: one class and one row each, and they are known everywhere."""

from __future__ import annotations

import shutil
from collections.abc import Iterator, Sequence
from typing import Annotated, ClassVar

import numpy as np
import pytest

import sonify
from sonify.controls import control
from sonify.errors import InputError
from sonify.export.firmware import plan_of
from sonify.music.bit_stream import BitStream, Events, Index
from sonify.music.machine import Degrees, Lead, along
from sonify.music.pitch.scheme import SCHEMES, Counted, Scheme, Span
from sonify.music.rhythm.following import Follower
from sonify.music.rhythm.rule import Rule
from sonify.music.rhythm.rules import RULES
from sonify.music.voices import voice_pitch_sets
from sonify.recover.sources.options import ReadOptions
from sonify.recover.sources.source import read_source
from sonify.studio.bounds import check_bounds
from sonify.studio.tables import tables
from tests.export import firmware_host as host
from tests.recover.midi_recorder import record

PRESET = """
about = "stairs of one's own"
[music]
timing = "player"
[[music.voice]]
name = "stairs"
pitch = { scheme = "stairs", span = 5 }
rhythm = [{ rule = "stamp", amount = 0.5 }, "joined"]
"""


class Stamp(Rule, frozen=True, tag="stamp"):
    """Every second position of a row is softer, as one stamps up a path."""

    stays: ClassVar[bool] = True

    amount: Annotated[
        float, control("Softer by", "How hard the second step is struck.", 0.1, ge=0, le=1)
    ] = 0.6

    def apply(self, e: Events, m: BitStream) -> Events:
        scale = np.array([1.0, self.amount])
        return e.but(velocity_scale=e.velocity_scale * scale[e.index % m.positions % 2])

    def follow(self, f: Follower) -> None:
        f.multiply(Lead("STEP", 2), np.array([1.0, self.amount]))

    def loses(self, before: Sequence[Rule]) -> str | None:
        return None


class Stairs(Counted, frozen=True, tag="stairs"):
    """Rows and positions climb together, and begin again at the top."""

    span: Span = 7

    def table(self, positions: int, unit_bits: int) -> Degrees:
        return along(Lead("POSITION", positions), np.arange(positions) % self.span)


class Plain(Rule, frozen=True, tag="plain"):
    """Nothing but what a rule must have: each note is one degree higher."""

    def apply(self, e: Events, m: BitStream) -> Events:
        return e.but(shift=e.shift + 1)


class Bare(Scheme, frozen=True, tag="bare"):
    """Nothing but what a scheme must have: every row is a third higher."""

    def degrees(self, m: BitStream, index: Index) -> Index:
        return 2 * m.row(index) % 9


@pytest.fixture(autouse=True)
def _registered(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setitem(RULES, "stamp", Stamp)
    monkeypatch.setitem(RULES, "plain", Plain)
    monkeypatch.setitem(SCHEMES, "stairs", Stairs)
    monkeypatch.setitem(SCHEMES, "bare", Bare)
    tables.cache_clear()
    yield
    tables.cache_clear()


@pytest.fixture
def preset(tmp_path):
    path = tmp_path / "stairs.toml"
    path.write_text(PRESET)
    return path


def test_they_are_listed_with_their_settings(run):
    rules, schemes = run("presets", "--list", "rules").out, run("presets", "--list", "schemes").out
    assert "stamp" in rules
    assert "as one stamps up a path. [amount = 0.6]" in rules
    assert "begin again at the top. [span = 7]" in schemes


def test_the_page_has_their_controls_labels_and_limits():
    known = tables()
    (amount,) = next(r for r in known["rules"] if r["name"] == "stamp")["fields"]
    assert (amount["label"], amount["min"], amount["max"]) == ("Softer by", 0, 1)
    assert amount["step"] == 0.1
    fields = next(s for s in known["schemes"] if s["name"] == "stairs")["fields"]
    assert fields[-1]["key"] == "span"
    assert fields[-1]["label"] == "Span"


def test_the_commands_take_them(run, preset, tmp_path):
    for name in ("t.mid", "t.musicxml"):
        command = "midi" if name.endswith(".mid") else "score"
        result = run(command, "cairn-small", "--preset", preset, "-o", tmp_path / name)
        assert result.status == 0, result.err
        assert (tmp_path / name).stat().st_size > 100
    bad = run("midi", "cairn-small", "--preset", preset, "--set",
              'music.voice.0.rhythm=[{ rule = "stamp", amount = 2 }]', "-o", "-")  # fmt: skip
    assert bad.status == 2
    assert "music.voice[0].rhythm[0].amount" in bad.err


def test_a_recording_is_read_back(preset, tmp_path):
    disc = sonify.load_disc("cairn-small")
    show = sonify.perform(disc, [str(preset)])
    record(show.save(tmp_path / "a.mid"), tmp_path / "t.mid", 1.01, late=0.002)
    seen = read_source(tmp_path / "t.mid", ReadOptions(positions=56, presets=(str(preset),)))
    np.testing.assert_array_equal(seen.bits(), disc.grid)


@pytest.mark.skipif(shutil.which("gcc") is None, reason="needs gcc")
def test_a_machine_plays_what_is_heard(preset, tmp_path):
    show = sonify.perform(sonify.load_disc("cairn-small"), [str(preset)])
    program = host.build(show, tmp_path / "core")
    events, when = host.schedule(show)
    assert host.compare_midi(show, host.run(program, events), when) <= 1.0 + 1e-6


def test_what_they_do_not_say_is_taken_carefully():
    """No pitch set, no steps of a core: channels by what sounds, and a refusal with the reason."""
    voice = {"name": "v", "pitch": "bare", "rhythm": ["plain"]}
    settings = {"music.voice": [voice], "music.scale": "bayati", "music.timing": "player"}
    show = sonify.perform(sonify.load_disc("cairn-small"), settings=settings)
    assert voice_pitch_sets(show.setup.music, show.unit_bits, show.grid) == [None]
    assert len(set(show.notes["channel"].tolist())) > 1
    check_bounds(show.disc, show.setup)
    with pytest.raises(InputError, match="rule 'plain': the core does not know it"):
        plan_of(show)
