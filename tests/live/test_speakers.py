"""The speaker path, on ALSA's file and null devices, on programs, and with no device at all."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import threading
from pathlib import Path

import numpy as np
import pytest

import sonify
from sonify.errors import OutputError
from sonify.export.sound.audio import RATE
from sonify.export.sound.master import mastered
from sonify.export.sound.options import SoundOptions
from sonify.live.speakers import _Program, open_speakers
from tests.export.soundfonts import render
from tests.live.simulated import show_of

ROOT = Path(__file__).parents[2]
ALSA = Path("/usr/share/alsa/alsa.conf")

needs_alsa = pytest.mark.skipif(
    not ALSA.exists(), reason="ALSA's library (Debian libasound2) is not installed"
)


def sonify_play(tmp_path: Path, config: str, *args: str) -> subprocess.CompletedProcess[str]:
    """The command in a process of its own, with ALSA set up as given and no other system."""
    (tmp_path / "asound.conf").write_text(config)
    env = {
        **os.environ,
        "PYTHONPATH": str(ROOT),
        "ALSA_CONFIG_PATH": str(tmp_path / "asound.conf"),
        "PULSE_SERVER": "/nowhere",
        "JACK_NO_START_SERVER": "1",
    }
    return subprocess.run(
        [sys.executable, "-m", "sonify", "play", *args],
        capture_output=True, text=True, env=env, cwd=tmp_path, timeout=300, check=False,
    )  # fmt: skip


FILE = f"""<{ALSA}>
pcm.!default {{ type file slave.pcm "null" file "sound.raw" format "raw" }}
"""
NULL = f"<{ALSA}>\npcm.!default {{ type null }}\n"
NONE = f"<{ALSA}>\npcm.!default {{ type hw card 99 }}\nctl.!default {{ type hw card 99 }}\n"


@needs_alsa
def test_what_reaches_the_device_is_the_sound(tmp_path):
    result = sonify_play(tmp_path, FILE, "cairn-small", "-p", "quick")
    assert result.returncode == 0, result.stderr
    assert "speakers" in result.stderr
    got = np.frombuffer((tmp_path / "sound.raw").read_bytes(), "<f4").reshape(-1, 2)
    want = render(sonify.perform(sonify.load_disc("cairn-small"), presets=["quick"]))
    assert len(got) >= len(want)
    assert np.abs(got[: len(want)] - want).max() < 1e-6
    assert not got[len(want) :].any()


@needs_alsa
def test_from_a_row_and_faster(tmp_path):
    result = sonify_play(
        tmp_path, FILE, "cairn-small", "-p", "quick", "--from-row", "2", "--speed", "2"
    )
    assert result.returncode == 0, result.stderr
    got = np.frombuffer((tmp_path / "sound.raw").read_bytes(), "<f4").reshape(-1, 2)
    show = sonify.perform(sonify.load_disc("cairn-small"), presets=["quick"])
    start = float(show.timeline.row_start_s()[1]) / 2
    # what still rings of the first row is heard as well; the sound fades in
    want = render(show, options=SoundOptions(speed=2.0))[round(start * RATE) :]
    fade = RATE // 200
    assert np.abs(got[fade : len(want)] - want[fade:]).max() < 2e-4


@needs_alsa
def test_the_null_device(tmp_path):
    assert sonify_play(tmp_path, NULL, "cairn-small", "-p", "quick").returncode == 0


@needs_alsa
def test_no_sound_device(tmp_path):
    result = sonify_play(tmp_path, NONE, "cairn-small", "-p", "quick")
    assert result.returncode == 1
    assert result.stderr.count("\n") == 1
    assert "no sound device" in result.stderr
    assert "write a sound file instead, or send to a MIDI port with --port" in result.stderr


class Source:
    """Sound that ends, as a set does."""

    def __init__(self):
        self.sound = mastered(show_of("cairn-small", ("quick",)), SoundOptions(rows="1"))
        self.over = threading.Event()

    def read(self, start, end):
        if start >= self.sound.size:
            self.over.set()
        return self.sound.read(start, end)


def test_nothing_to_play_with(monkeypatch):
    source = Source()
    monkeypatch.setattr("importlib.util.find_spec", lambda _: None)
    monkeypatch.setattr("shutil.which", lambda _: None)
    with pytest.raises(OutputError, match="write a sound file instead"):
        open_speakers(source)


@pytest.mark.skipif(shutil.which("sh") is None, reason="needs a shell")
def test_a_program_of_the_system_is_fed_the_sound(tmp_path):
    source = Source()
    out = _Program(source, ("sh", "-c", f"cat > '{tmp_path / 'got.raw'}'"))
    out.start()
    assert source.over.wait(300)
    out.drain()
    out.close()
    got = np.frombuffer((tmp_path / "got.raw").read_bytes(), "<f4").reshape(-1, 2)
    size = source.sound.size
    assert np.array_equal(got[:size], source.sound.read(0, size))


def test_a_program_that_fails_is_one_line():
    out = _Program(Source(), ("sh", "-c", "sleep 0.05; echo 'no card' >&2; exit 1"))
    with pytest.raises(OutputError, match=r"no sound device \(sh: no card\)"):
        out.start()
    out.close()
