"""The Python interface: `import sonify`, read back by other libraries."""

from __future__ import annotations

import base64
import dataclasses
import doctest
import importlib
import io
import re
import subprocess
import sys
from xml.etree import ElementTree

import numpy as np
import pytest
from PIL import Image

import sonify

DOCUMENTED = (
    "",
    ".library",
    ".rendering",
    ".performance",
    ".performance_settings",
    ".load",
    ".disc.disc",
)


@pytest.mark.parametrize("module", DOCUMENTED)
def test_docstrings_do_what_they_say(module):
    found = doctest.testmod(importlib.import_module(f"sonify{module}"))
    assert found.failed == 0


def test_every_public_name_is_there_and_says_what_it_is():
    for name in sonify.__all__:
        one = getattr(sonify, name)
        assert name.startswith("_") or one.__doc__, name


def test_importing_is_light():
    heavy = ["numpy", "PIL", "click", "msgspec", "av", "cv2", "music21", "verovio", "mido", "ezdxf"]
    code = f"import sonify, sys; print([m for m in {heavy} if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


@pytest.fixture(scope="module")
def show():
    disc = sonify.encode("RIDGE CLEAR, WIND 4", title="Ridge", outer_diameter=150)
    return sonify.perform(disc, "hut-band", {"music.root": "D3", "player.rpm": 40.0})


def test_one_preset_and_names_work(show):
    one = sonify.perform("cairn-small", "music-box")
    same = sonify.perform(sonify.load_disc("cairn-small"), presets=["music-box"])
    assert one.setup == same.setup
    assert one.disc == same.disc
    assert np.array_equal(one.notes, same.notes)


def test_discs_are_equal_by_content(tmp_path):
    disc = sonify.encode("FOG", title="F")
    path = sonify.save_disc(disc, tmp_path / "other.toml")
    again = sonify.load_disc(path)
    assert (again.name, disc.name) == ("other", "disc")
    assert again == disc
    assert len({again, disc}) == 1
    assert disc != sonify.encode("FOG", title="G")
    assert disc != sonify.encode("FOE", title="F")
    assert disc != "FOG"
    buffer = io.BytesIO()
    sonify.save_disc(disc, buffer)
    assert buffer.getvalue() == path.read_bytes()


def test_saving_into_buffers_with_progress(show, tmp_path):
    import mido

    shares = []
    buffer = io.BytesIO()
    assert show.save(buffer, format="mid") is None
    assert buffer.getvalue() == show.save(tmp_path / "a.mid").read_bytes()
    assert mido.MidiFile(file=io.BytesIO(buffer.getvalue())).length > 1
    path = show.save(tmp_path / "a.svg", "score", progress=shares.append)
    assert path == tmp_path / "a.svg"
    assert shares == sorted(shares)
    assert len(set(shares)) > 3
    assert shares[-1] == 1
    with pytest.raises(sonify.OutputError, match="say the kind"):
        show.save(io.BytesIO())
    with pytest.raises(sonify.OutputError, match="several files"):
        show.save(io.BytesIO(), "score", format="png", zoom=0.3)

    def stop(share):
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        show.save(tmp_path / "b.svg", "score", progress=stop)
    assert not (tmp_path / "b.svg").exists()


def test_sound_is_that_of_the_file(show, tmp_path):
    import soundfile

    sound = sonify.render(show, rows="1")
    path = show.save(tmp_path / "a.wav", rows="1")
    theirs, rate = soundfile.read(path, always_2d=True)
    assert (rate, len(theirs)) == (sound.rate, len(sound.samples))
    # 16 bits and dither
    assert np.abs(np.asarray(sound) - theirs).max() < 3 / 32768
    assert repr(sound).startswith("<Sound of ")


def test_frames_are_those_of_the_file(show, tmp_path):
    from PIL import Image, ImageSequence

    given = {"size": "160x90", "fps": 5, "rows": "1"}
    ours = list(sonify.frames(show, "lights", **given))
    assert ours[0] is not ours[1]
    folder = show.save(f"{tmp_path}/frames/", "lights", **given)
    files = sorted(folder.iterdir())
    assert len(files) == len(ours)
    for file, frame in zip(files, ours, strict=True):
        with Image.open(file) as picture:
            assert np.array_equal(np.asarray(picture.convert("RGB")), frame)
    assert sum(1 for _ in ImageSequence.Iterator(Image.open(files[0]))) == 1


def test_drawing_reading_and_comparing(show, tmp_path):
    data = sonify.draw(show.disc, tmp_path / "a.svg", stroke=0.02)
    assert (tmp_path / "a.svg").read_bytes() == data
    found = sonify.read(tmp_path / "a.svg")
    assert found.disc.message == show.disc.message
    assert np.array_equal(found.disc.grid, show.disc.grid)
    assert sonify.compare(show, tmp_path / "a.svg").faults == []
    recording = show.save(tmp_path / "a.mid")
    heard = sonify.compare(show, recording)
    assert len(heard.errors) == 0
    with pytest.raises(sonify.InputError, match=r"no option of \.svg 'strok'"):
        sonify.draw(show.disc, strok=1)
    with pytest.raises(sonify.InputError, match="did you mean alphabet"):
        sonify.encode("FOG", alfabet="ascii")
    with pytest.raises(sonify.InputError, match="not a size"):
        sonify.fit(show.disc, alphabet="ita2")


def test_compose_is_a_function_and_a_package():
    import sonify.compose.search

    found = sonify.compose("FOG", "music-box", effort=150, check="parity")
    assert found.after.message == "FOG"
    assert found.after.code.check == "parity"
    assert sonify.compose.search.compose is not sonify.compose


def test_pages_and_firmware(show, tmp_path):
    sonify.page(show, tmp_path / "show.html")
    assert "Ridge" in (tmp_path / "show.html").read_text(encoding="utf-8")
    sonify.audition(show.disc, tmp_path / "choose.html", ["music-box", "quick"], seconds=2)
    assert "music-box" in (tmp_path / "choose.html").read_text(encoding="utf-8")
    plan = sonify.firmware(sonify.perform("cairn-small"), tmp_path / "player")
    assert plan.needed > 0
    assert list((tmp_path / "player").glob("*.c"))


def test_notebooks_show_the_disc_and_play_the_show(show):
    import soundfile

    html = show.disc._repr_mimebundle_()["text/html"]
    svg = ElementTree.fromstring(html[html.index("<svg") : html.index("</svg>") + 6])
    circles = svg.iter("{http://www.w3.org/2000/svg}circle")
    assert sum(1 for _ in circles) == int((show.disc.grid == 1).sum()) + show.disc.positions + 2
    page = show._repr_mimebundle_()["text/html"]
    assert page.startswith("<iframe")
    assert "data:audio/mpeg" in page
    sound = sonify.render(show, rows="1")
    data = re.search(r"base64,([^\"]+)", sound._repr_mimebundle_()["text/html"])[1]
    samples, rate = soundfile.read(io.BytesIO(base64.b64decode(data)))
    assert (rate, len(samples)) == (sound.rate, len(sound.samples))
    for one in (show, show.disc, sound):
        assert len(repr(one)) < 100


def test_notebooks_show_what_was_found_and_compared(tmp_path):
    disc = sonify.encode("HAIL ON THE SADDLE", name="hail")
    sonify.draw(disc, tmp_path / "hail.svg")
    grid = disc.grid.copy()
    grid[0, 3] ^= 1
    sonify.save_disc(dataclasses.replace(disc, grid=grid), tmp_path / "cut.toml")
    found = sonify.read(tmp_path / "hail.svg")
    assert "<svg" in found._repr_mimebundle_()["text/html"]
    survey = sonify.compare(disc, tmp_path / "cut.toml")
    assert "1 fault" in repr(survey)
    take = sonify.perform("cairn-small").save(tmp_path / "take.mid")
    compared = sonify.compare("cairn-small", take)
    for one in (survey, compared):
        data = re.search(r"base64,([^\"]+)", one._repr_mimebundle_()["text/html"])[1]
        with Image.open(io.BytesIO(base64.b64decode(data))) as picture:
            assert min(picture.size) > 100
    composed = sonify.compose("FOG AT NOON", "music-box", effort=50)
    for one in (found, found.sighting, survey, compared, composed):
        assert len(repr(one)) < 160


def test_schemas_hold_for_what_ships_and_what_is_written(show, tmp_path):
    import tomllib

    import jsonschema

    from sonify.cli.outputs import save_project
    from sonify.presets import shipped

    valid = {}
    for kind in ("disc", "preset", "project"):
        jsonschema.Draft202012Validator.check_schema(sonify.schema(kind))
        valid[kind] = jsonschema.Draft202012Validator(sonify.schema(kind))

    def refused(table, kind):
        return [e.message for e in valid[kind].iter_errors(table)]

    for one in shipped():
        table = tomllib.loads(one.path.read_text(encoding="utf-8"))
        assert refused(table, "disc" if one.kind == "disc" else "preset") == [], one.name
    disc = tomllib.loads(sonify.save_disc(show.disc, tmp_path / "d.toml").read_text("utf-8"))
    assert refused(disc, "disc") == []
    save_project(show.disc, {"music": {"root": "D3"}}, tmp_path / "p.toml")
    project = tomllib.loads((tmp_path / "p.toml").read_text("utf-8"))
    assert refused(project, "project") == []
    assert refused(disc | {"bits": ["01"]}, "disc")
    assert refused(disc | {"massage": "x"}, "disc")
    assert refused({"player": {"rpm": "fast"}}, "preset")
    assert refused({"music": {"root": 7.5}}, "preset")
    assert refused({"b": {}}, "project")


def test_ctrl_c_ends_with_130(run, monkeypatch):
    from sonify import presets

    def stop():
        raise KeyboardInterrupt

    monkeypatch.setattr(presets, "shipped", stop)
    result = run("presets")
    assert (result.status, result.err.strip()) == (130, "sonify: stopped")


def test_the_shell_completes_commands_and_options():
    import os

    def offered(*words):
        env = {
            **os.environ, "_SONIFY_COMPLETE": "bash_complete", "COMP_WORDS": " ".join(words),
            "COMP_CWORD": str(len(words) - 1),
        }  # fmt: skip
        done = subprocess.run(
            [sys.executable, "-m", "sonify"], env=env, capture_output=True, text=True, check=True
        )
        return done.stdout

    assert "plain,score" in offered("sonify", "sc")
    assert "plain,--paper" in offered("sonify", "score", "--pa")


def test_settings_can_not_be_changed_and_refuse_unknown_keys():
    """All of them: those of rules, schemes and causes too."""
    from sonify.settings import Settings

    def kinds(of: type) -> list[type]:
        return [k for one in of.__subclasses__() for k in (one, *kinds(one))]

    importlib.import_module("sonify.performance")
    found = kinds(Settings)
    assert len(found) > 60
    for kind in found:
        config = kind.__struct_config__
        assert config.frozen, kind
        assert config.forbid_unknown_fields, kind
