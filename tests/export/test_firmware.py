"""The generated C, compiled here, against the performance: MIDI bytes and lamps, one for one."""

from __future__ import annotations

import itertools
import re
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

import sonify
from sonify.cli.app import sonify as command
from sonify.disc.code.code import Code
from sonify.disc.layout import Layout
from sonify.errors import InputError
from sonify.export.firmware import plan_of
from sonify.export.firmware.write import firmware_files, memory_of
from sonify.music.pitch.schemes import SCHEMES as ALL_SCHEMES
from sonify.music.rhythm.rules import RULES as ALL_RULES
from sonify.music.rhythm.rules import Rule
from sonify.presets import shipped
from tests.export import firmware_host as host
from tests.export import firmware_random as random
from tests.nightly import covering, late, sampled, sampled_product, sampled_rows

needs_gcc = pytest.mark.skipif(shutil.which("gcc") is None, reason="needs gcc")
needs_avr = pytest.mark.skipif(
    shutil.which("avr-gcc") is None or not Path("/usr/lib/avr/include").is_dir(),
    reason="needs Debian's gcc-avr and avr-libc",
)

FILLS = ("rows", "running", "columns", "furrows", "characters", "rolling")
KINDS = ("music", "player", "disc")
NAMES = {kind: [s.name for s in shipped() if s.kind == kind] for kind in KINDS}
# within a millisecond, as far as a float can tell
MOST_MS = 1.0 + 1e-6


def play(show: sonify.Performance, folder: Path, told: bool = True, start: float = 0.37) -> None:
    """Run the core as an exact machine and hold all that it does against the performance."""
    plan = plan_of(show)
    # a chip with more RAM, where 2 KB have no room for the message beside the notes
    program = host.build(show, folder, text=max(plan.text, plan.needed))
    events, when = host.schedule(show, told, start)
    records = host.run(program, events)
    assert host.compare_midi(show, records, when) <= MOST_MS
    assert host.compare_lights(show, records, when) <= MOST_MS
    text, state = host.said(records)
    if show.disc.message is not None and show.disc.decoding.failed == 0:
        assert state == 0
        alphabet = show.disc.code.alphabet
        assert text.decode("utf-8" if alphabet == "utf-8" else "ascii") == show.disc.message
    assert records[-1]["kind"] == host.END
    assert records[-1]["a"] == 0, "something still sounds or scrolls"


def performance(disc, presets=(), **settings) -> sonify.Performance:
    source = sonify.load_disc(disc) if isinstance(disc, str) else disc
    named = set(presets) & set(NAMES["music"])  # these have a tempo, which a step would undo
    step = {} if named else {"music.step": "1/16"}
    settings = {"music.timing": "player", **step} | {
        k.replace("__", "."): v for k, v in settings.items()
    }
    return sonify.perform(source, presets, settings)


def followed(show: sonify.Performance) -> bool:
    try:
        plan_of(show)
    except InputError:
        return False
    return True


FOLLOWED = [p for p in NAMES["music"] if followed(performance("cairn-small", [p]))]
CASES = [
    (preset, NAMES["disc"][n % len(NAMES["disc"])], NAMES["player"][n % 3], FILLS[n % len(FILLS)])
    for n, preset in enumerate(itertools.chain(FOLLOWED, FOLLOWED[::-1]))
]


@needs_gcc
@pytest.mark.parametrize("case", sampled(CASES, 4), ids="-".join)
def test_presets_sound_as_they_are_heard(case, tmp_path):
    preset, disc, player, fill = case
    show = performance(disc, [preset, player], **{"player.matrix.fill": fill})
    if not followed(show):
        # faster positions leave more notes waiting; a refusal says so
        show = performance(disc, [preset, "usual"], **{"player.matrix.fill": fill})
    told = len(preset) % 2 == 0
    play(show, tmp_path, told, start=0.37 if told else 0.81)


def test_some_presets_that_ship_can_be_followed():
    assert len(FOLLOWED) >= 18
    for disc in NAMES["disc"]:
        assert sum(followed(performance(disc, [p])) for p in FOLLOWED) >= 18


@needs_gcc
@pytest.mark.parametrize(
    ("fill", "disc", "player"),
    sampled_rows(itertools.product(FILLS, NAMES["disc"], NAMES["player"]), 4),
)
def test_discs_on_players(disc, player, fill, tmp_path):
    play(performance(disc, [player], **{"player.matrix.fill": fill}), tmp_path)


@needs_gcc
@pytest.mark.parametrize(
    ("rule", "fill", "dimmed"),
    sampled_product(
        ["lamp", "row", "character", "voice", "pitch", "velocity", "age"],
        ["fitted", "scaled", "centred", *FILLS],
        [
            {},
            {"light.velocity": True},
            {"light.trail": 1.7},
            {"light.velocity": True, "light.trail": 9},
        ],
    ),
)
def test_lamps_have_the_colours_and_levels_of_the_performance(rule, fill, dimmed, tmp_path):
    voices = [
        {"name": "tune", "pitch": "walk", "rhythm": [{"rule": "accents", "pattern": [1, 0.5]}]},
        {"name": "kit", "drum": 56, "rows": "even", "rhythm": ["changes"], "velocity": 120},
    ]
    settings = {"player.matrix.fill": fill, "light.colours": rule, "music.scale": "bayati"}
    # long enough to have faded out before the message
    settings |= dimmed | {"player.message-pause": 10}
    if fill in FILLS:
        # small enough to get full, and to roll
        settings |= {"player.matrix.width": 8}
    show = performance("cairn-small", ["usual"], **settings, **{"music.voice": voices})
    plan = plan_of(show)
    program = host.build(show, tmp_path, text=max(plan.text, plan.needed))
    events, when = host.schedule(show, True, 0.37)
    records = host.run(program, events)
    assert host.compare_lights(show, records, when) <= MOST_MS
    if rule != "lamp":
        assert host.compare_colours(show, records, when) <= MOST_MS
        assert len(set(records["a"][records["kind"] == host.COLOUR])) > 2
    if dimmed:
        assert len(set(records["a"][records["kind"] == host.LAMP])) > 2


def voice(**more):
    return {"music.voice": [{"name": "one", "pitch": "one-tone", **more}]}


def rules_in(chain: list) -> set[str]:
    return {r if isinstance(r, str) else r["rule"] for r in chain}


CHAINS = {
    "joined": ["joined"],
    "joined, swing": ["joined", {"rule": "swing", "amount": 0.62}],
    "swing, joined": [{"rule": "swing", "amount": 0.66}, "joined"],
    "joined, long gate": ["joined", {"rule": "gate", "amount": 1.5}],
    "joined, thinned": ["joined", {"rule": "thinned", "every": 3, "first": 1}],
    "joined, breath": ["joined", "breath"],
    "held": ["held"],
    "held, gate": ["held", {"rule": "gate", "amount": 1.25}],
    "held at most": [{"rule": "held", "longest": 2.5}],
    "held across": [{"rule": "held", "across": True}],
    "swing, held": ["swing", "held"],
    "changes": ["changes"],
    "changes, held": ["changes", "held"],
    "thinned": [{"rule": "thinned", "every": 2}],
    "numbered": [{"rule": "numbered", "numbers": [0, 2, 5], "bits": 3}, "held"],
    "sparse": [{"rule": "sparse", "keep": 0.4, "seed": 7}],
    "pattern": [{"rule": "pattern", "pattern": "x..x.x.."}],
    "even": [{"rule": "even", "notes": 5, "steps": 8, "turn": 2}],
    "breath": [{"rule": "breath", "rest": 2}],
    "gate": [{"rule": "gate", "amount": 0.3}],
    "length": [{"rule": "length", "steps": 3.5}],
    "swing": ["swing"],
    "accents": [{"rule": "accents", "pattern": [1.0, 0.37, 0.81]}],
    "accents by all": [
        {"rule": "accents", "pattern": [1.0, 0.7], "by": "place"},
        {"rule": "accents", "pattern": [1.0, 0.8, 0.9], "by": "row"},
        {"rule": "accents", "pattern": [1.0, 0.55], "by": "character"},
    ],
    "accents by note": ["changes", {"rule": "accents", "pattern": [1.0, 0.5, 0.7], "by": "note"}],
    "ghosts": [{"rule": "ghosts", "velocity-scale": 0.4}],
    "accents, ghosts": [{"rule": "accents"}, "ghosts", {"rule": "gate", "amount": 0.5}],
    "echoes": [{"rule": "echoes", "count": 3, "delay": 2.5, "shift": 2}],
    "echoes that meet notes": [{"rule": "echoes", "count": 2, "delay": 3, "fade": 1.0}],
    "swing, echoes": ["swing", {"rule": "echoes", "count": 1, "delay": 4}],
    "repeat": [{"rule": "repeat", "times": 3}],
    "layered": [{"rule": "layered", "shifts": [2, 4]}, {"rule": "gate", "amount": 0.7}],
    "joined, layered": ["joined", {"rule": "layered", "shifts": [-3, 4]}],
    "strummed": [{"rule": "layered", "shifts": [2, 4]}, {"rule": "strum", "step": 0.2}],
    "held, strummed": ["held", {"rule": "layered", "shifts": [7]}, {"rule": "strum"}],
    "held, layered": ["held", {"rule": "layered", "shifts": [7]}],
    "half-time": ["half-time"],
    "entry": [{"rule": "entry", "steps": 6.25}],
    "joined, held": ["joined", {"rule": "thinned", "every": 2}, "held"],
    "held, held": [{"rule": "held", "longest": 1.5}, {"rule": "gate", "amount": 1.5}, "held"],
    "joined, echoes": ["joined", {"rule": "echoes", "count": 2, "delay": 2.3}],
    "joined, echoes, swing, gate": [
        "joined", {"rule": "echoes", "count": 1, "delay": 5}, "swing",
        {"rule": "gate", "amount": 1.25},
    ],
    "held, echoes": ["held", {"rule": "echoes", "count": 3, "delay": 1.75, "shift": 3}],
    "held across, moved": [
        {"rule": "held", "across": True}, {"rule": "gate", "amount": 1.5}, "swing",
        {"rule": "entry", "steps": 3.25},
    ],
    "held across at most": [{"rule": "held", "across": True, "longest": 40}, "swing"],
    "held across, half-time": [{"rule": "held", "across": True}, "half-time"],
    "held across, layered, strummed": [
        {"rule": "held", "across": True}, {"rule": "layered", "shifts": [2, 4]}, "strum",
    ],
    "layered, length, strummed": [
        {"rule": "layered", "shifts": [1, 2]}, {"rule": "length", "steps": 5.0},
        {"rule": "strum", "step": 0.15},
    ],
    "strummed down": [
        {"rule": "layered", "shifts": [2, 4, 6]}, {"rule": "strum", "step": 0.4, "way": "down"},
    ],
    "strummed widely": [
        "joined", {"rule": "layered", "shifts": [2, 4]}, {"rule": "strum", "step": 1.75},
        {"rule": "gate", "amount": 2.0},
    ],
    "layered twice, strummed down": [
        {"rule": "layered", "shifts": [2]}, {"rule": "layered", "shifts": [7, 9]},
        {"rule": "strum", "step": 0.1, "way": "down"},
    ],
    "strummed alone": [{"rule": "strum", "step": 0.5, "way": "down"}, "held"],
    "layered, thinned": [
        {"rule": "layered", "shifts": [2, 4]}, {"rule": "thinned", "every": 4, "first": 1},
        {"rule": "accents", "by": "note", "pattern": [1.0, 0.4, 0.7]},
    ],
    "layered, echoes": [
        {"rule": "layered", "shifts": [2, 4]},
        {"rule": "echoes", "count": 2, "delay": 2.5, "shift": -1},
    ],
    "joined, ghosts": ["joined", "ghosts", {"rule": "gate", "amount": 1.5}],
    "held, ghosts": ["held", "ghosts"],
    "joined, ghosts, held": ["joined", "ghosts", "held"],
    "layered, ghosts": [{"rule": "layered", "shifts": [4]}, "ghosts"],
    "echoes, ghosts": [{"rule": "echoes", "count": 1, "delay": 2.5}, "ghosts"],
    "louder by chance": [{"rule": "humanise", "time": 0, "velocity": 0.9}, "ghosts"],
    "chords by chance": [
        {"rule": "layered", "shifts": [2, 4]}, {"rule": "entry", "steps": 0.2},
        {"rule": "humanise", "time": 0.2, "seed": 5},
    ],
    "held by chance": [
        "held", {"rule": "entry", "steps": 0.5}, {"rule": "humanise", "time": 0.5},
        {"rule": "gate", "amount": 1.5},
    ],
    "by chance, echoes, repeat": [
        {"rule": "entry", "steps": 0.3}, {"rule": "humanise", "time": 0.3, "velocity": 0.5},
        {"rule": "echoes", "count": 1}, "repeat", "breath",
    ],
    "vamp": ["vamp"],
    "joined, vamp": ["joined", {"rule": "gate", "amount": 1.5}, {"rule": "vamp", "bars": 2}],
    "held, vamp": ["held", {"rule": "vamp", "bars": 0}],
    "layered, vamp": [{"rule": "layered", "shifts": [2, 4]}, "vamp"],
    "length, vamp": [{"rule": "length", "value": "1/2"}, "vamp"],
    "groove": [{"rule": "groove", "style": "bossa", "part": "snare"}, "vamp"],
    "turns": ["turns", {"rule": "turns", "pattern": ".xx", "each": "row"}],
    "a pattern over the piece": [
        {"rule": "pattern", "pattern": "..xx.x", "value": "1/32", "per": "piece"},
    ],
    "groove in six": [{"rule": "groove", "style": "jig", "part": "hats"}],
    "pattern by bars": [{"rule": "pattern", "pattern": "x.x..x", "value": "1/8", "per": "bar"}],
    "length, roll": [
        {"rule": "pattern", "pattern": "x......."}, {"rule": "length", "value": "3/8"},
        {"rule": "roll", "value": "1/16", "shift": 1},
    ],
    "echoes, breath": [{"rule": "echoes", "count": 2, "delay": 3.5}, "breath"],
    "joined, echoes, breath": ["joined", {"rule": "echoes", "count": 2, "delay": 3.5}, "breath"],
}  # fmt: skip


def side_by_side(names: list, size: int) -> list[list[str]]:
    """The names that run always, so many in a list: each list is one performance's voices."""
    always = [name for name in names if isinstance(name, str)]
    return [always[k : k + size] for k in range(0, len(always), size)]


def play_all(disc: str, player: str, voices: list[dict], folder: Path, told: bool) -> None:
    voices = [{"name": f"v{n}", "pitch": "one-tone", **more} for n, more in enumerate(voices)]
    show = performance(disc, [player], **{"music.voice": voices})
    assert min(map(len, show.parts)) > 5
    play(show, folder, told)


@needs_gcc
@pytest.mark.parametrize("chains", side_by_side(covering(CHAINS, rules_in), 5), ids=", ".join)
def test_rules_of_voices_beside_each_other(chains, tmp_path):
    pitch = {"scheme": "number", "bits": 3, "span": 5}
    voices = [{"pitch": pitch, "rhythm": CHAINS[chain]} for chain in chains]
    play_all("cairn-small", "quick", voices, tmp_path, told=chains[0] < "h")


@needs_gcc
@pytest.mark.parametrize("chain", list(map(late, CHAINS)), ids=lambda c: c.replace(" ", "-"))
def test_rules(chain, tmp_path):
    pitch = {"scheme": "number", "bits": 3, "span": 5}
    show = performance("cairn-small", ["quick"], **voice(pitch=pitch, rhythm=CHAINS[chain]))
    assert len(show.notes) > 5
    play(show, tmp_path, told=chain < "h")


FILLS_IN = {
    "pick-up": [{"rule": "pick-up", "value": "1/4"}],
    "pick-up, roll": [{"rule": "pick-up", "value": "1/2"}, {"rule": "roll", "value": "1/16"}],
    "roll": [{"rule": "roll", "value": "1/8", "first": 0.3, "shift": -1}],
}


@needs_gcc
@pytest.mark.parametrize("player", ["quick", "usual"])
def test_fills_while_the_stage_moves(player, tmp_path):
    voices = [{"source": "row-changes", "rhythm": chain} for chain in FILLS_IN.values()]
    play_all("cairn-middle", player, voices, tmp_path, told=True)


SCHEMES = {
    "row-ladder": {"scheme": "row-ladder", "span": 5, "way": "middle"},
    "place": {"scheme": "place", "spread": 2, "way": "down"},
    "place from row to row": {"scheme": "place", "row_step": 3},
    "sweep": {"scheme": "sweep", "span": 9},
    "last-character": {"scheme": "last-character"},
    "motif, late": {"scheme": "motif", "late": True, "size": 2},
    "number": {"scheme": "number", "bits": 5, "span": 13},
    "walk": {"scheme": "walk", "up": 2, "down": 3, "span": 11},
    "walk on one": {"scheme": "walk", "span": 1},
    "triad": {"scheme": "triad", "line": {"scheme": "walk", "span": 9}, "which": "second-below"},
    "run-length": {"scheme": "run-length", "row_step": -1},
    "isorhythm": {"scheme": "isorhythm", "color": [0, 4, 2, 7], "talea": "x.xx.", "value": "1/8"},
    "gap": {"scheme": "gap"},
    "count": {"scheme": "count", "span": 6, "step": 2},
    "count up": {"scheme": "count", "turn": False},
    "density": {"scheme": "density", "window": 12},
    "density over rows": {"scheme": "density", "window": 77},
    "density over the disc": {"scheme": "density", "window": 500, "span": 40},
    "progression": {"scheme": "progression", "chords": "i VI III VII", "each": "row"},
    "progression by bar": {"scheme": "progression", "chords": "i iv V7", "each": "bar", "hold": 2},
    "progression by character": {
        "scheme": "progression", "chords": "i ii VII", "each": "character",
        "line": {"scheme": "walk", "span": 6},
    },
    "progression by row, its line too": {
        "scheme": "progression", "chords": "i VI7 III", "each": "row", "hold": 2,
        "line": {"scheme": "place", "row-step": 2},
    },
    "table by place": {"scheme": "table", "degrees": [0, 4, 2, 7, 1], "by": "place"},
    "table by row": {"scheme": "table", "degrees": [0, 4, 2], "by": "row"},
    "table by character": {"scheme": "table", "notes": ["D4", "A4", "F5"], "by": "character"},
    "sweep up": {"scheme": "sweep", "span": 9, "way": "up"},
    "row-ladder down": {"scheme": "row-ladder", "span": 6, "way": "down"},
    "nearest": {"scheme": "walk", "span": 30, "range": ["C4", "E5"], "fold": "nearest"},
    "table by number": {"scheme": "table", "degrees": [0, 4, 2, 7, 1], "by": "number"},
    "table of notes": {"scheme": "table", "notes": ["D4", "A4", "F5"], "by": "one"},
    "table of degrees": {"scheme": "table", "degrees": [0, 4, 2, 7], "by": "position"},
    "range": {"scheme": "walk", "span": 30, "range": ["C4", "E5"]},
    "range, turning": {"scheme": "sweep", "span": 30, "range": ["C4", "E5"], "fold": "turn"},
    "led": {"scheme": "number", "bits": 5, "span": 20, "leading": "nearest"},
    "led in a range": {
        "scheme": "walk", "up": 5, "down": 4, "span": 20, "range": ["G3", "G5"],
        "leading": "nearest",
    },
}  # fmt: skip


def pitch_of(scheme: str) -> dict:
    return {k.replace("_", "-"): v for k, v in SCHEMES[scheme].items()}


@needs_gcc
@pytest.mark.parametrize(
    "schemes",
    side_by_side(covering(SCHEMES, lambda s: [s["scheme"]]), 8),
    ids=", ".join,
)
def test_schemes_of_voices_beside_each_other(schemes, tmp_path):
    voices = [{"pitch": pitch_of(scheme)} for scheme in schemes]
    play_all("cairn-middle", "usual", voices, tmp_path, told=schemes[0] < "p")


@needs_gcc
@pytest.mark.parametrize("scheme", list(map(late, SCHEMES)), ids=lambda c: c.replace(" ", "-"))
def test_schemes(scheme, tmp_path):
    show = performance("cairn-middle", ["usual"], **voice(pitch=pitch_of(scheme)))
    assert len(np.unique(show.notes["pitch"])) > 1 or scheme == "walk on one"
    play(show, tmp_path, told=scheme < "p")


def test_every_scheme_and_rule_is_tried_or_refused():
    """Each one either has a case above, byte for byte, or is refused whatever its settings."""
    tried = {s["scheme"] for s in [*SCHEMES.values(), *LATE.values()]} | {"one-tone"}
    assert tried == set(ALL_SCHEMES)
    # of these, what comes late enough is followed
    assert {n for n, s in ALL_SCHEMES.items() if s().waits_for_character()} == {
        "character",
        "arpeggio",
        "motif",
    }
    chains = [*CHAINS.values(), *FILLS_IN.values()]
    tried = set().union(*map(rules_in, chains)) | {"each"}
    tried |= {"motif"}  # in tests/music/test_motif.py, on a machine that starts rows at the index
    refused = {name for name, r in ALL_RULES.items() if r.follow is Rule.follow}
    assert tried | refused == set(ALL_RULES)
    assert refused == {"spread", "double-time", "ornament"}


LATE = {
    "character": {"scheme": "character", "span": 11},
    "character, led": {"scheme": "character", "span": 11, "leading": "nearest"},
    "arpeggio": {"scheme": "arpeggio", "way": "turn"},
    "motif": {"scheme": "motif"},
    "arpeggio through chords": {
        "scheme": "progression", "chords": "i VI III", "each": "row", "line": "arpeggio",
    },
    "table by value": {"scheme": "table", "notes": ["D4", "A4", "F5"], "by": "value"},
    "chords by character, its line by row": {
        "scheme": "progression", "chords": "i VI7", "each": "character",
        "line": {"scheme": "place", "row-step": 2}, "range": ["C4", "E5"],
    },
}  # fmt: skip


@needs_gcc
@pytest.mark.parametrize("source", ["ones", "character-starts"])
def test_tones_that_wait_for_their_character(source, tmp_path):
    """A character's value is known with its last bit: a voice that comes so much later has it."""
    rhythm = [{"rule": "entry", "steps": 6}, {"rule": "gate", "amount": 1.5}]
    voices = [{"source": source, "pitch": s, "rhythm": rhythm} for s in LATE.values()]
    play_all("cairn-middle", "usual", voices, tmp_path, told=source == "ones")


@needs_gcc
def test_tones_that_wait_for_a_character_in_the_next_row(tmp_path):
    """... or for the zeros that end the last one."""
    rhythm = [{"rule": "entry", "steps": 90}]
    disc = sonify.Disc.from_bits(np.random.default_rng(5).integers(0, 2, (5, 45)))
    more = voice(source="character-starts", pitch="character", rhythm=rhythm)
    play(performance(disc, ["usual"], **more), tmp_path)


@needs_gcc
def test_what_is_held_past_a_rows_end_ends_as_it_would_alone(tmp_path):
    for n, across in enumerate((False, True)):
        rhythm = [{"rule": "entry", "steps": 25.9}, {"rule": "held", "across": across}]
        show = performance("cairn-small", ["quick"], **voice(rhythm=rhythm))
        play(show, tmp_path / str(n))


@needs_gcc
@pytest.mark.parametrize("seed", sampled([564, *range(16)], 4))
def test_mappings_at_random(seed, tmp_path):
    """Each is one for one under sanitizers, or refused; a wider run is a module of its own."""
    random.tried(seed, tmp_path)


@needs_gcc
def test_tones_led_from_one_to_the_next_through_a_chord(tmp_path):
    rhythm = [{"rule": "layered", "shifts": [2, 4]}, {"rule": "strum", "step": 0.3}]
    play(performance("cairn-middle", **voice(pitch=SCHEMES["led"], rhythm=rhythm)), tmp_path)


@needs_gcc
def test_loudness_over_a_row_with_notes_that_come_again(tmp_path):
    curve = [{"over": "row", "points": [0.2, 1, 0.5, 0.9]}]
    for n, rule in enumerate(
        ({"rule": "echoes", "delay": 7.5}, {"rule": "layered", "shifts": [2]}, "swing", "half-time")
    ):
        rhythm = [rule, {"rule": "entry", "steps": 2.5}]
        show = performance("cairn-small", **voice(rhythm=rhythm, curves=curve, pitch="place"))
        play(show, tmp_path / str(n))


@needs_gcc
@pytest.mark.parametrize(("player", "start"), sampled_product(NAMES["player"], [0.04, 0.5, 0.97]))
def test_what_is_due_at_a_rows_end_comes_within_a_millisecond(player, start, tmp_path):
    """... though nobody tells of the clock's holes between rows, while a drone is held."""
    voices = [
        {"name": "echo", "pitch": "place", "rhythm": [{"rule": "echoes", "delay": 5}]},
        {"name": "drone", "source": "drone", "pitch": "row-ladder"},
    ]  # fmt: skip
    play(performance("cairn-small", [player], **{"music.voice": voices}), tmp_path, False, start)


def late_row(show: sonify.Performance, start: float, more: float, timed: bool):
    """The events and times of a machine whose second row begins `more` positions later than
    usual, and that tells no hole between rows; with `timed`, it tells microseconds."""
    t, slot = show.timeline, 1000 * show.timeline.position_s
    codes = [[b"?01"[b + 1] for b in row] for row in show.disc.grid.tolist()]
    events = [(start + k * slot, 1, c) for k, c in enumerate(codes[0])]
    events.append((events[-1][0], 2, ord("r")))
    first = start + (int(t.row_slot[1]) + more) * slot
    events += [(first + k * slot, 1, c) for k, c in enumerate(codes[1])]
    events += [(float(k), 0, ord(".")) for k in range(1, int(events[-1][0] + 2 * slot))]
    events.sort()
    out = b""
    for time, rank, code in events:
        out += b"u%03d" % int(time % 1 * 1000) * (timed and rank == 1) + bytes([code])
    return out, np.array([0.0] + [e[0] for e in events])


@needs_gcc
@pytest.mark.parametrize("rpm", sampled([24.0, 171.3], 1))
def test_an_echo_waits_hardly_for_a_row_that_comes_late(rpm, tmp_path):
    """It is due when the next row usually begins; the performance's times hold for it still."""
    player = {"player.row-start": "next-position", "player.stage": 0.05, "player.rpm": rpm}
    player["player.settle"] = 0.0
    usual = performance("cairn-small", **player)
    delay = int(usual.timeline.row_slot[1]) - int(np.flatnonzero(usual.disc.grid[0] == 1)[-1])
    rhythm = [{"rule": "echoes", "delay": delay, "count": 1}]
    show = performance("cairn-small", **player, **voice(rhythm=rhythm, rows="1"))
    program = host.build(show, tmp_path, *host.SANITIZE)
    due = int(usual.timeline.row_slot[1]) * 1000 * show.timeline.position_s
    for timed, most in ((False, 2.0), (True, 1.0)):
        for start in (0.04, 0.37, 0.81, 0.97):
            for more in (0.4, 3.3):
                events, when = late_row(show, start, more, timed)
                sent = [m[0] - start for m in host.messages(host.run(program, events), when)
                        if m[1][0] & 0xF0 == 0x90]  # fmt: skip
                late = min((time - due for time in sent), key=abs)
                assert -1e-3 * timed - (not timed) < late <= most + 1e-3, (timed, start, more)


@needs_gcc
@pytest.mark.parametrize("player", sampled(NAMES["player"], 1))
def test_with_microseconds_nothing_comes_early(player, tmp_path):
    voices = [
        {"name": "echo", "pitch": "place", "rhythm": [{"rule": "echoes", "delay": 4.37}]},
        {"name": "drone", "source": "drone", "pitch": "row-ladder"},
    ]  # fmt: skip
    show = performance("cairn-small", [player], **{"music.voice": voices})
    program = host.build(show, tmp_path, *host.SANITIZE)
    for start in (0.123, 0.9):
        events, when = host.schedule(show, False, start)
        told = b"".join(
            b"u%03d" % int((time + start) % 1 * 1000 + 1e-4) * (code in b"01?") + bytes([code])
            for code, time in zip(events, when[1:].tolist(), strict=True)
        )
        records = host.run(program, told)
        assert host.compare_midi(show, records, when) <= MOST_MS
        assert host.compare_lights(show, records, when) <= MOST_MS
        expected = np.array([m[1] for m in host.expected_messages(show) if m[2][0] & 0xE0 == 0x80])
        got = np.array([m[0] for m in host.messages(records, when) if m[1][0] & 0xE0 == 0x80])
        late = np.sort(got) - np.sort(expected)
        assert late.min() > -0.002
        assert late.max() <= MOST_MS + 0.002


@needs_gcc
def test_a_drone_in_some_rows_ends_where_the_next_row_begins(tmp_path):
    voices = [{"name": "d", "source": "drone", "rows": "2-/3", "pitch": "row-ladder"}]
    show = performance("cairn-middle", **{"music.voice": voices})
    play(show, tmp_path)
    assert show.notes["duration_s"].max() < 2.5 * show.timeline.positions * show.timeline.position_s


@needs_gcc
def test_a_note_held_across_rows_without_ones_ends_with_the_disc(tmp_path):
    grid = sonify.load_disc("cairn-small").grid.copy()
    grid[-1] = 0
    disc = sonify.Disc.from_bits(grid)
    show = performance(disc, ["quick"], **voice(rhythm=[{"rule": "held", "across": True}]))
    play(show, tmp_path)
    last = show.notes[-1]
    assert abs(last["onset_s"] + last["duration_s"] - show.read_s) < 1e-6


BETWEEN = {
    "chords": ("row-end-chords", []),
    "short chords": ("row-end-chords", [{"rule": "gate", "amount": 0.4}]),
    "long chords": ("row-end-chords", [{"rule": "gate", "amount": 1.7}, "held"]),
    "chords of runs": ("row-end-chords", ["joined", {"rule": "accents", "by": "note"}]),
    "chords that echo": ("row-end-chords", [{"rule": "echoes", "delay": 5, "shift": 1}]),
    "strummed chords": (
        "row-end-chords",
        ["thinned", {"rule": "length", "steps": 5}, {"rule": "strum", "step": 0.1}],
    ),
    "strummed down": (
        "row-end-chords",
        ["thinned", {"rule": "length", "steps": 5}, {"rule": "strum", "step": 0.37, "way": "down"}],
    ),
    "strummed down and long": (
        "row-end-chords",
        [{"rule": "thinned", "every": 3}, {"rule": "length", "steps": 3.5},
         {"rule": "accents", "pattern": [1, 0.5], "by": "row"},
         {"rule": "strum", "step": 0.45, "way": "down"}],
    ),
    "late chords": ("row-end-chords", [{"rule": "entry", "steps": 3.5}, "swing", "ghosts"]),
    "rolls": ("row-changes", [{"rule": "repeat", "times": 5}]),
    "echoes over the next row": (
        "row-changes", [{"rule": "gate", "amount": 1.9}, {"rule": "echoes", "delay": 50}]
    ),
    "strummed between rows": ("row-changes", [{"rule": "layered", "shifts": [7, 9]}, "strum"]),
}  # fmt: skip


@needs_gcc
@pytest.mark.parametrize("cases", side_by_side(list(BETWEEN), 3), ids=", ".join)
def test_what_sounds_when_a_row_is_over_beside_each_other(cases, tmp_path):
    voices = [{"source": BETWEEN[c][0], "rhythm": BETWEEN[c][1]} for c in cases]
    play_all("cairn-wire", "usual", voices, tmp_path, told=cases[0] < "d")


@needs_gcc
@pytest.mark.parametrize(
    ("case", "player"),
    [late(*case) for case in itertools.product(BETWEEN, NAMES["player"])],
    ids=lambda c: c.replace(" ", "-"),
)
def test_what_sounds_when_a_row_is_over(case, player, tmp_path):
    """It comes with the row's end, and after the last row only what needs none after it."""
    source, rhythm = BETWEEN[case]
    show = performance("cairn-wire", [player], **voice(source=source, rhythm=rhythm))
    play(show, tmp_path, told=NAMES["player"].index(player) % 2 == 0)


@needs_gcc
def test_a_disc_that_ends_late_leaves_no_roll(tmp_path):
    """What began between rows, as if another came, ends where none does."""
    show = performance("cairn-small", ["quick"], **voice(source="row-changes"))
    events, _ = host.schedule(show)
    at = events.rindex(b"r") + 1
    late = events[:at] + b"." * 90 + b"e" + b"." * 5
    records = host.run(host.build(show, tmp_path), late)
    heard = [m[0] & 0xF0 for _, m in host.messages(records, np.arange(len(late) + 1))]
    assert heard.count(0x90) == show.timeline.rows
    assert heard[-2:] == [0x90, 0x80]


SOURCES = (
    "ones", "zeros", "clock", "row-starts", "row-ends", "character-starts", "drone",
    "row-changes",
)  # fmt: skip


@needs_gcc
def test_sources_filters_curves_and_drums(tmp_path):
    voices = [{"name": s, "source": s, "pitch": "row-ladder"} for s in (*SOURCES, "unknown")]
    voices += [
        {"name": "kit", "drum": ["side stick", "claves", 56], "pitch": "place"},
        {"name": "every third row", "rows": "2-/3", "positions": "odd", "octave": 1,
         "rhythm": ["ghosts"]},
        {"name": "loud middle", "places": "1-4", "octave": -1, "volume": 90, "pan": -0.5,
         "rhythm": ["swing"], "curves": [{"over": "row", "points": [0.4, 1, 0.4]}]},
    ]  # fmt: skip
    show = performance("cairn-quilt", ["usual"], **{"music.voice": voices})
    assert len(show.notes) > 100
    play(show, tmp_path)


@needs_gcc
@pytest.mark.parametrize(
    ("scale", "concert"),
    sampled_product(["bayati", "just-major", "bohlen-lambda", "dorian"], [440.0, 432.0]),
)
def test_tones_between_the_keys(scale, concert, tmp_path):
    """Each bend has a channel of its own; the machine sends it before its first note."""
    few = scale == "bohlen-lambda"  # of its tones, each octave has other bends
    moving = {"scheme": "one-tone"} if few else {"scheme": "walk", "span": 5}
    voices = [
        {"name": "tune", "pitch": {"scheme": "walk", "span": 7}, "rhythm": ["joined"], "pan": 0.5},
        {"name": "deep", "octave": -1, "pitch": "one-tone", "source": "drone", "volume": 90,
         "rhythm": [{"rule": "layered", "shifts": [2]}]},
        {"name": "kit", "drum": ["claves", 56], "source": "zeros", "pitch": "place"},
        {"name": "led", "channel": 12, "pitch": {**moving, "leading": "nearest"}},
    ]  # fmt: skip
    settings = {"music.voice": voices, "music.scale": scale, "music.concert-pitch": concert}
    show = performance("cairn-small", ["quick"], **settings)
    bent = [p.tuned for p in show.parts if p.tuned is not None]
    assert bool(bent) == (scale != "dorian" or concert != 440.0)
    assert (scale == "dorian") == all(len(t.channels) == 1 for t in bent)
    play(show, tmp_path)


@needs_gcc
def test_led_tones_at_another_concert_pitch(tmp_path):
    """Where every tone has the one bend, tones are led in keys, whatever the period."""
    pitch = {"scheme": "number", "bits": 5, "span": 20, "leading": "nearest"}
    for n, scale in enumerate(("major", {"semitones": [0, 2, 5], "period": 7.0})):
        settings = {"music.concert-pitch": 466.0, "music.scale": scale}
        play(performance("cairn-middle", **voice(pitch=pitch), **settings), tmp_path / str(n))


@needs_gcc
def test_voices_on_one_channel(tmp_path):
    """Notes that start together on one pitch and channel: the loudest stays; others are cut."""
    voices = [
        {"name": "a", "channel": 1, "pitch": "one-tone", "velocity": 60, "rhythm": ["joined"]},
        {"name": "b", "channel": 1, "pitch": "one-tone", "velocity": 90, "rhythm": ["changes"]},
        {"name": "c", "channel": 1, "pitch": "one-tone", "velocity": 70,
         "rhythm": [{"rule": "echoes", "delay": 2.0}, {"rule": "gate", "amount": 2.2}]},
    ]  # fmt: skip
    play(performance("cairn-middle", ["quick"], **{"music.voice": voices}), tmp_path)


def disc_of(text: str, **code) -> sonify.Disc:
    return sonify.Disc.from_message(text, code=Code(**code), layout=Layout(positions=45))


CODES = [
    {"alphabet": "ascii", "bit_order": "low-first"},
    {"alphabet": "ita2", "bit_order": "low-first"},
    {"alphabet": "utf-8"},
    {"alphabet": "ascii", "check": "parity"},
    {"alphabet": "ita2", "check": "parity"},
    {"alphabet": "utf-8", "check": "parity", "bit_order": "low-first"},
    {"alphabet": "ascii", "framing": "framed"},
    {"alphabet": "utf-8", "framing": "framed", "check": "crc-16"},
    {"alphabet": "ascii", "check": "crc-16"},
    {"alphabet": "ita2", "check": "crc-16"},
    {"alphabet": "ascii", "framing": "framed", "check": "parity"},
]


@needs_gcc
@pytest.mark.parametrize("code", sampled(CODES, 6), ids=lambda c: "-".join(c.values()))
def test_codes(code, tmp_path):
    text = "WIND 9, NO 2: TURN BACK" if code["alphabet"] != "utf-8" else "Föhn über 2 Grate ☂ 😀"
    show = performance(disc_of(text, **code), ["quick"])
    assert show.disc.message == text
    play(show, tmp_path)


@needs_gcc
@pytest.mark.parametrize(
    ("alphabet", "check"), sampled_product(["ascii", "ita2", "utf-8"], ["none", "parity"])
)
def test_unknown_and_wrong_bits(alphabet, check, tmp_path):
    """A damaged disc shows what the performance shows, and is not handed over as good."""
    text = "ROPE 3 GONE, 4 LEFT" if alphabet != "utf-8" else "Grüße vom Grat ☂ bis 4"
    disc = disc_of(text, alphabet=alphabet, check=check)
    grid = disc.grid.copy()
    rng = np.random.default_rng(3)
    for at in rng.choice(grid.size, 9, replace=False):
        grid.reshape(-1)[at] = -1
    for at in rng.choice(grid.size, 3, replace=False):
        grid.reshape(-1)[at] = 1 - max(grid.reshape(-1)[at], 0)
    damaged = sonify.Disc.from_bits(grid, code=disc.code, layout=disc.layout)
    show = performance(damaged, ["quick"])
    assert show.disc.decoding.failed
    program = host.build(show, tmp_path)
    events, when = host.schedule(show)
    records = host.run(program, events)
    assert host.compare_midi(show, records, when) <= MOST_MS
    assert host.compare_lights(show, records, when) <= MOST_MS
    assert host.said(records)[1] == 1


@needs_gcc
@pytest.mark.parametrize("at", [30, 70])
def test_a_crc_that_does_not_match_lets_no_letter_through(at, tmp_path):
    disc = disc_of("THE SPRING IS DRY", check="crc-16", framing="framed")
    grid = disc.grid.copy()
    grid.reshape(-1)[at] ^= 1
    show = performance(sonify.Disc.from_bits(grid, code=disc.code, layout=disc.layout), ["quick"])
    records = host.run(host.build(show, tmp_path), host.schedule(show)[0])
    assert host.said(records)[1] == 1


@needs_gcc
@pytest.mark.parametrize("length", [80, late(400)])
def test_random_input_writes_nowhere_and_hangs_no_note(length, tmp_path):
    """Bits, early row ends, silences, starts and ends in any order, under sanitizers."""
    rng = np.random.default_rng(11)
    shows = [
        performance("cairn-small", ["quick"], **voice(rhythm=CHAINS[c], pitch=SCHEMES["walk"]))
        for c in ("joined", "held across", "echoes", "half-time")
    ]
    shows.append(performance(disc_of("ÜBER ☂", alphabet="utf-8", framing="framed"), ["slow"]))
    shows.append(performance("cairn-wire", ["usual"], **{"player.matrix.fill": "rolling"}))
    late = {"rule": "entry", "steps": 9}
    voices = [
        {"name": "value", "pitch": "arpeggio", "rhythm": [late, "humanise"]},
        {"name": "held", "octave": -1, "rhythm": ["held", late, "humanise"]},
        {"name": "chord", "source": "row-end-chords", "pitch": "walk"},
        {"name": "roll", "source": "row-changes", "drum": 40, "rhythm": ["repeat"]},
    ]  # fmt: skip
    shows.append(
        performance("cairn-small", ["usual"], **{"music.voice": voices, "music.scale": "bayati"})
    )
    for n, show in enumerate(shows if length > 80 else shows[1::2]):
        program = host.build(show, tmp_path / str(n), *host.SANITIZE, text=70)
        for _ in range(2):
            parts = []
            for _ in range(length):
                kind = rng.integers(0, 9)
                if kind < 4:
                    bits = rng.choice(list(b"01110?"), rng.integers(1, 80))
                    wait = b"." * int(rng.integers(0, 70))
                    parts.append(b"".join(bytes([b]) + wait for b in bits.tolist()))
                elif kind < 7:
                    parts.append(b"r" + b"-" * int(rng.integers(0, 30)))
                elif kind == 7:
                    parts.append(b"." * int(rng.integers(0, 3000)))
                else:
                    parts.append(bytes(rng.choice(list(b"eqps"), 1).astype(np.uint8)))
            # the machine stands still for a minute: every note must have ended by itself
            records = host.run(program, b"".join(parts) + b"." * 60_000)
            sounding: dict[tuple[int, int], int] = {}
            for _, raw in host.messages(records, np.arange(10**7)):
                if raw[0] & 0xF0 in (0x80, 0x90):
                    key = raw[0] & 15, raw[1]
                    change = 1 if raw[0] & 0xF0 == 0x90 else -1
                    sounding[key] = sounding.get(key, 0) + change
                    assert sounding[key] in (0, 1), "a note-on for a sounding note, or none to end"
            assert not any(sounding.values())


@needs_avr
@pytest.mark.parametrize("disc", sampled(NAMES["disc"], 2))
def test_it_fits_a_small_chip(disc, tmp_path):
    """2 KB of RAM and 28 KB of program memory for 32 × 8 lamps, with gcc-avr -Os."""
    show = performance(disc, ["ridge-run"])
    if not followed(show):
        show = performance(disc)
    plan = plan_of(show)
    for name, content in firmware_files(plan).items():
        (tmp_path / name).write_text(content, encoding="utf-8")
    (tmp_path / "port.h").write_text(
        "#include <avr/pgmspace.h>\n#define PLAYER_TABLE PROGMEM\n"
        "#define PLAYER_READ8(p) pgm_read_byte(p)\n#define PLAYER_READ16(p) pgm_read_word(p)\n"
        "#define PLAYER_READ32(p) pgm_read_dword(p)\n"
    )
    (tmp_path / "main.c").write_text(
        '#include "player.h"\nvolatile uint8_t out;\n'
        "void player_set_lamp(uint16_t l, uint8_t v) { out = (uint8_t)(l ^ v); }\n"
        "void player_send(uint8_t b) { out = b; }\n"
        "void player_message(const uint8_t *t, uint16_t n, uint8_t s)\n"
        "{ out = (uint8_t)(t[0] ^ n ^ s); }\n"
        "int main(void) { player_start(); for (;;) { player_position(out); player_row_end();\n"
        "player_millisecond(); player_disc_end(); player_silence(); player_period(out); } }\n"
    )
    sources = ["player.c", "player_tables.c", "main.c"]
    subprocess.run(
        ["avr-gcc", "-mmcu=atmega328p", "-Os", *host.STRICT, "-DPLAYER_PORT=\"port.h\"",
         *sources, "-o", "all.elf"],
        cwd=tmp_path, check=True, capture_output=True,
    )  # fmt: skip
    listed = subprocess.run(
        ["avr-size", "all.elf"], cwd=tmp_path, check=True, capture_output=True, text=True
    ).stdout
    text, data, bss = (int(n) for n in listed.splitlines()[1].split()[:3])
    memory = memory_of(plan)
    assert data + bss <= 2048 - 192
    assert text + data <= 28 * 1024
    # what the command prints: the RAM to a few bytes, and never less than it is
    assert data + bss - 8 <= memory.ram + 8
    assert data + bss <= memory.ram + 2
    assert text - 1500 <= memory.tables + memory.code
    assert text <= memory.tables + memory.code + 500


@needs_gcc
def test_the_example_runs_and_names_can_be_chosen(tmp_path):
    done = CliRunner().invoke(
        command, ["firmware", "cairn-small", "-o", str(tmp_path / "c"), "--prefix", "hut"]
    )
    assert done.exit_code == 0, done.output
    assert "bytes of RAM" in done.output
    names = {p.name for p in (tmp_path / "c").iterdir() if p.suffix != ".inc"}
    core = {"hut.c", "hut.h", "hut_config.h", "hut_tables.c", "hut_tables.h"}
    core |= {"hut_machine.c", "hut_hardware.h"}
    assert names == core | {"README.md", "example.c"}
    for path in (tmp_path / "c").iterdir():
        assert "player_" not in path.read_text().casefold()
    subprocess.run(
        ["gcc", *host.STRICT, "hut.c", "hut_tables.c", "example.c", "-o", "example"],
        cwd=tmp_path / "c", check=True,
    )  # fmt: skip
    rows = "\n".join("".join(map(str, r)) for r in sonify.load_disc("cairn-small").grid.tolist())
    said = subprocess.run(
        ["./example"], cwd=tmp_path / "c", input=rows, capture_output=True, text=True, check=True
    ).stdout
    assert "message GOOD FOG LIFTS AT 9" in said


REFUSED = {
    "strum of copies": (
        voice(source="row-end-chords", rhythm=[{"rule": "layered", "shifts": [2]}, "strum"]),
        "put 'strum' before 'layered'",
    ),
    "gate": (voice(rhythm=["joined", "gate"]), "how long a note lasts is known only at its end"),
    "spread": (voice(rhythm=["spread"]), "known only when it has been read"),
    "humanise": (
        voice(rhythm=["humanise"]),
        'before their place is read (put { rule = "entry", steps = 0.08 } before it',
    ),
    "after chance": (
        voice(rhythm=[{"rule": "entry", "steps": 1}, "humanise", "thinned"]),
        "put humanise last",
    ),
    "lilt after chance": (
        voice(rhythm=[{"rule": "entry", "steps": 1}, "humanise", "swing"]),
        "put humanise last",
    ),
    "character": (
        voice(pitch="character"),
        'when its last bit has been read (add { rule = "entry", steps = 6 }',
    ),
    "character anywhere": (
        {**voice(pitch="character"), "player.row_start": "next-position"},
        "where rows begin anywhere",
    ),
    "chords": (voice(source="row-chords"), "the row's ones are known only"),
    "ghosts": (voice(source="row-changes", rhythm=["ghosts"]), "depends on whether another row"),
    "struck again": (
        voice(source="row-end-chords", rhythm=["repeat", {"rule": "length", "steps": 3}]),
        "put length before repeat",
    ),
    "strummed down": (
        voice(
            source="row-end-chords",
            rhythm=[{"rule": "length", "steps": 5}, {"rule": "strum", "way": "down"}, "swing"],
        ),
        "put strum last",
    ),
    "rings on": (voice(source="row-end-chords", rhythm=["strum"]), "a length first"),
    "held chords": (
        voice(source="row-end-chords", rhythm=[{"rule": "held", "across": True}]),
        "use length",
    ),
    "curve": (
        voice(curves=[{"over": "piece", "points": [0, 1]}]),
        "the disc's length is known only",
    ),
    "bars": ({"music.timing": "bars"}, "give music.timing=player"),
    "bends": (
        {"music.scale": {"divisions": 31}, **voice(pitch={"scheme": "density", "span": 20})},
        "20 bends: MIDI has 15 channels",
    ),
    "bends on a channel": (
        {"music.scale": "bayati", "music.voice": [{"channel": 1}, {"channel": 1}]},
        "on a channel that voices share",
    ),
    "led bends": (
        {
            "music.scale": {"cents": [0.0, 600.1]},
            **voice(pitch={"scheme": "place", "leading": "nearest"}),
        },
        "can't tell from just half",
    ),
    "colours of row-changes": (
        {**voice(source="row-changes"), "light.colours": "voice"},
        "use row or age",
    ),
    "colours of values": (
        {
            "light.colours": "pitch",
            **voice(pitch="character", rhythm=[{"rule": "entry", "steps": 60}]),
        },
        "use age or velocity",
    ),
    "brightness of row-changes": (
        {**voice(source="row-changes"), "light.velocity": True},
        "light.velocity (use false)",
    ),
    "last-character": (
        {**voice(pitch="last-character"), "player.row_start": "next-position"},
        "read only at the turn's end",
    ),
    "repeat": (voice(rhythm=["held", "repeat"]), "how long a note lasts is known only at its end"),
    "strum": (voice(rhythm=["echoes", "strum"]), "chords that are all alike"),
    "thinned": (voice(rhythm=["echoes", "thinned"]), "put 'thinned' before 'echoes'"),
    "led echoes": (voice(rhythm=["echoes"], pitch=SCHEMES["led"]), "leads a tone when it is read"),
    "echoes": (voice(rhythm=[{"rule": "echoes", "count": 8, "delay": 40}]), "the core keeps 64"),
    "joined": (voice(rhythm=["gate", "joined"]), "each has ended before the next is read"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_what_needs_the_future_is_refused_with_the_reason(name):
    settings, reason = REFUSED[name]
    settings = {k.replace("_", "-"): v for k, v in settings.items()}
    with pytest.raises(InputError, match="a machine can't follow this") as caught:
        plan_of(performance("cairn-small", **settings))
    told = str(caught.value)
    assert reason in told
    assert "\n" not in told
    # the setting, and the nearest that can be followed
    assert re.search(r"\b(music|light|player|code)\.[a-z]|\[\[note\]\]|fewer voices", told)
    assert re.search(r"\b(use|put|add|give|set|leave|nearest)\b", told.partition(": ")[2])


def bad(*args: str) -> InputError:
    done = CliRunner().invoke(command, ["firmware", *args])
    assert isinstance(done.exception, InputError), done.output
    assert "\n" not in str(done.exception)
    return done.exception


@pytest.mark.parametrize(
    ("prefix", "why"),
    [
        ("int", "keyword"),
        ("string", "collide with the header <string.h>"),
        ("stream", "reserves for its library"),
        ("9lives", "can't begin names"),
        ("Hut", "can't begin names"),
        ("", "can't begin names"),
    ],
)
def test_names_that_collide(prefix, why, tmp_path):
    error = bad("cairn-small", "-o", str(tmp_path / "x"), "--prefix", prefix)
    assert why in str(error)
    assert not (tmp_path / "x").exists()


def test_two_voices_of_one_name(tmp_path):
    preset = tmp_path / "p.toml"
    preset.write_text('[[music.voice]]\nname = "low bells"\n[[music.voice]]\nname = "low-bells"\n')
    error = bad("cairn-small", "-p", str(preset), "-o", str(tmp_path / "x"))
    assert "VOICE_LOW_BELLS" in str(error)
    assert not (tmp_path / "x").exists()


def test_a_folder_that_is_not_empty(tmp_path):
    (tmp_path / "mine.txt").write_text("keep")
    assert "{force}" in bad("cairn-small", "-o", str(tmp_path)).hint
    assert [p.name for p in tmp_path.iterdir()] == ["mine.txt"]
    done = CliRunner().invoke(command, ["firmware", "cairn-small", "-o", str(tmp_path), "--force"])
    assert done.exit_code == 0
    assert (tmp_path / "mine.txt").read_text() == "keep"
    assert (tmp_path / "player.c").exists()
    assert not [p for p in tmp_path.parent.iterdir() if p.name.startswith(f".{tmp_path.name}")]


def test_the_message_is_not_in_the_files():
    show = performance("cairn-middle")
    for content in firmware_files(plan_of(show)).values():
        assert "RIDGE" not in content


@needs_gcc
def test_drones_that_ring_for_two_rows_all_have_room(tmp_path):
    disc = sonify.Disc.from_message("LAMP OIL LOW", layout=sonify.Layout(positions=16))
    line = {"scheme": "place", "row-step": -2, "way": "down", "spread": 1}
    chords = {"scheme": "progression", "chords": "i VI III VII", "hold": 2, "line": line}
    rules = [{"rule": "echoes", "count": 2, "delay": 3.31, "shift": 2}, "half-time"]
    settings = voice(source="drone", pitch=chords, rhythm=rules)
    quick = {"player.rpm": 35, "player.stage": 0.05, "player.settle": 0.123, "music.root": "G5"}
    play(performance(disc, **settings, **quick), tmp_path)
