"""What the server answers is the performance itself."""

from __future__ import annotations

import json
import math
import shlex

import numpy as np
import pytest

import sonify
from sonify.cli.command_line import command_line
from sonify.performance_settings import load_setup
from sonify.settings import convert, parse_assignment, to_builtins
from sonify.studio.answer import answer, turning
from sonify.studio.document import Document, lay, preset_toml, recipe, starting
from sonify.studio.packing import pack
from tests.studio.conftest import Studio, unpack


def document(disc: str, *presets: str) -> Document:
    return convert(starting(disc, presets), Document)


def test_arrays_are_the_performances_own(studio: Studio) -> None:
    start = studio.start_document()
    got = studio.post("/api/show", start)
    assert got.status == 200
    header, arrays = unpack(got.body)
    show = sonify.perform(sonify.load_disc("cairn-small"), ["music-box"])
    for name, want in {
        "read_s": show.reading["time_s"],
        "read_row": show.reading["row"],
        "read_position": show.reading["position"],
        "onset": show.notes["onset_s"],
        "voice": show.notes["voice"],
        "velocity": show.notes["velocity"],
        "light_s": show.lights["time_s"],
        "light_led": show.lights["led"],
        "light_level": show.lights["level"],
        "light_hue": show.lights["hue"],
        "caption_s": show.captions["time_s"],
        "caption_point": show.captions["codepoint"],
    }.items():
        assert np.array_equal(arrays[name], want), name
    assert header["message"] == show.disc.message
    assert header["durationS"] == show.duration_s


def test_packing_keeps_every_value_and_is_aligned() -> None:
    rng = np.random.default_rng(4)
    arrays = {
        "a": rng.integers(0, 255, 7).astype("u1"),
        "b": rng.random(5),
        "c": rng.integers(-9, 9, 3).astype("i4"),
        "none": np.zeros(0, "f8"),
    }
    data = pack({"title": "Grüße, 霧"}, arrays)
    header, back = unpack(data)
    assert header["title"] == "Grüße, 霧"
    for name, want in arrays.items():
        assert np.array_equal(back[name], want)
        assert back[name].dtype.itemsize == want.dtype.itemsize
    assert (4 + int.from_bytes(data[:4], "little")) % 8 == 0
    assert all(at % 8 == 0 for _, _, at, _ in header["arrays"])


@pytest.mark.parametrize("preset", ["usual", "quick", "slow"])
@pytest.mark.parametrize("timing", ["player", "bars"])
def test_disc_turns_so_that_what_is_read_lies_under_the_detector(preset: str, timing: str) -> None:
    show = sonify.perform(sonify.load_disc("cairn-middle"), [preset], {"music.timing": timing})
    time, turns = turning(show)
    assert (np.diff(time) >= 0).all()
    assert (np.diff(turns) >= -1e-9).all()
    at = np.interp(show.reading["time_s"], time, turns)
    want = show.reading["position"] / show.disc.positions
    off = (at - want + 0.5) % 1.0 - 0.5
    assert np.abs(off).max() < 1e-6
    if timing == "player":
        rate = np.diff(turns) / np.maximum(np.diff(time), 1e-12)
        assert rate == pytest.approx(show.setup.player.rpm / 60, rel=1e-9)


def command(document: Document) -> str:
    """The command line that the page shows."""
    return command_line("make", *recipe(document))


def played(line: str) -> sonify.Performance:
    """What a command line asks for."""
    words = shlex.split(line)
    assert words[:2] == ["sonify", "make"]
    presets = [words[k + 1] for k, w in enumerate(words) if w == "-p"]
    settings = [parse_assignment(words[k + 1]) for k, w in enumerate(words) if w == "--set"]
    return sonify.perform(sonify.load_disc(words[2]), presets, dict(settings))


def test_command_makes_the_same() -> None:
    start = starting("cairn-middle", ("hut-band", "quick", "glacier"))
    start["setup"]["music"]["root"] = "Bb3"
    start["setup"]["music"]["scale"] = "hirajoshi"
    start["setup"]["player"]["matrix"]["width"] = 48
    start["setup"]["light"]["lamp"] = "#ff8800"
    voices = start["setup"]["music"]["voice"]
    voices[0]["pitch"] = {"scheme": "place", "spread": 2, "way": "down"}
    voices[1]["rhythm"] = ["joined", {"rule": "swing", "amount": 0.61}]
    voices[2]["name"] = 'it\'s a "pad" = [nice]'
    for change in (lambda v: v, lambda v: [*v[1:], {"name": "new", "source": "zeros"}]):
        start["setup"]["music"]["voice"] = change(voices)
        doc = convert(start, Document)
        want = sonify.perform(
            sonify.load_disc("cairn-middle"),
            setup=convert(start["setup"], sonify.Setup),
        )
        got = played(command(doc))
        assert to_builtins(got.setup) == to_builtins(want.setup)
        assert np.array_equal(got.notes, want.notes)


def test_command_and_preset_keep_a_step_that_was_chosen_after_a_tempo(tmp_path) -> None:
    start = starting("cairn-small", ("hut-band",))
    music = start["setup"]["music"]
    assert "tempo" in music
    del music["tempo"]  # as the page does
    for step in ("1/16", "1/8"):
        music["step"] = step
        doc = convert(start, Document)
        assert played(command(doc)).setup.music.step == step
        path = tmp_path / "mine.toml"
        path.write_text(preset_toml(doc), encoding="utf-8")
        assert load_setup([path]).music.step == step
    music["tempo"] = 140.0
    doc = convert(start, Document)
    path.write_text(preset_toml(doc), encoding="utf-8")
    assert "step" not in preset_toml(doc)
    assert load_setup([path]).music.tempo == 140


def test_command_of_a_plain_preset_is_short() -> None:
    assert command(document("cairn-small", "bell-tower")) == "sonify make cairn-small -p bell-tower"


def test_preset_file_gives_the_same_settings(tmp_path) -> None:
    doc = document("cairn-small", "snow-parade", "slow", "lichen")
    path = tmp_path / "mine.toml"
    path.write_text(preset_toml(doc), encoding="utf-8")
    assert to_builtins(load_setup([path])) | {"about": ""} == to_builtins(
        load_setup(["snow-parade", "slow", "lichen"])
    ) | {"about": ""}


def test_muted_voices_stay_out_of_what_is_taken_away() -> None:
    start = starting("cairn-small", ("hut-band",))
    start["muted"] = [0, 3]
    doc = convert(start, Document)
    names = [v["name"] for v in start["setup"]["music"]["voice"]]
    kept = [n for k, n in enumerate(names) if k not in (0, 3)]
    assert [v.name for v in played(command(doc)).setup.music.voice] == kept
    with pytest.raises(sonify.InputError, match="all voices are muted"):
        preset_toml(convert({**start, "muted": list(range(len(names)))}, Document))


def test_laying_a_preset_leaves_nothing_of_the_old_music() -> None:
    first = lay({}, "hut-band")
    second = lay(first, "music-box")
    assert second["music"] == lay({}, "music-box")["music"]
    third = lay(second, "quick")
    assert third["music"] == second["music"]
    assert third["player"]["rpm"] == 24.0


def test_sizes_are_found_for_a_message() -> None:
    start = starting("cairn-small", ())
    start["disc"] = {"message": "TWO LANTERNS, ONE SPARE. " * 8}
    start["fit"] = {"positions": 56}
    header, _ = unpack(answer(convert(start, Document)))
    assert header["positions"] == 56
    assert header["rows"] == math.ceil(200 * 7 / 56)
    assert header["geometry"]["given"]
    assert header["geometry"]["web"] >= 1.5
    start["fit"] = {"outer-diameter": 40.0}
    with pytest.raises(sonify.InputError) as e:
        answer(convert(start, Document))
    assert str(e.value.place).startswith("disc.")


def test_every_control_has_a_name_and_plain_words(studio: Studio) -> None:
    tables = studio.ask("GET", "/api/tables").json
    rows = [(f"{name}.{f['key']}", f) for name, s in tables["sections"].items() for f in s]
    for kind in ("schemes", "rules"):
        for one in tables[kind]:
            assert one["about"], one["name"]
            rows += [(f"{one['name']}.{f['key']}", f) for f in one["fields"]]
    silent = [
        name
        for name, f in rows
        if f.get("control") != "skip" and not (f["label"] and len(f["help"]) > 4)
    ]
    assert silent == []
    for table in ("scales", "sources", "fills", "presets", "downloads"):
        assert [one["name" if "name" in one else "label"] for one in tables[table]]
        assert all(one.get("about") or one.get("help") for one in tables[table]), table


def test_tables_name_all_that_there_is(studio: Studio) -> None:
    from sonify.export.file_formats import WRITERS
    from sonify.music.pitch.schemes import SCHEMES
    from sonify.music.rhythm.rules import RULES
    from sonify.music.theory.scales import SCALES
    from sonify.music.voice_sources import SOURCES

    tables = studio.ask("GET", "/api/tables").json
    for name, want in (
        ("scales", SCALES), ("schemes", SCHEMES), ("rules", RULES), ("sources", SOURCES),
    ):  # fmt: skip
        assert [x["name"] for x in tables[name]] == list(want)
    offered = {t["what"]: t["suffixes"] for t in tables["downloads"]}
    for w in WRITERS:
        assert set(w.suffixes) - {"/"} <= set(offered[w.what])
    json.dumps(tables, allow_nan=False)


def test_every_roll_of_the_dice_is_a_show() -> None:
    from sonify.studio.dice import LOCKS, roll

    start = starting("cairn-small", ("hut-band",))
    seen = set()
    for seed in range(40):
        rolled = roll(start["setup"], seed, set())
        assert rolled == roll(start["setup"], seed, set())
        show = sonify.perform(sonify.load_disc("cairn-small"), setup=convert(rolled, sonify.Setup))
        assert len(show.notes)
        seen.add(json.dumps(rolled["music"]))
    assert len(seen) == 40
    assert {**roll(start["setup"], 3, set(LOCKS)), "about": ""} == {**start["setup"], "about": ""}
