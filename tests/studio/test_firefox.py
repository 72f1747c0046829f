"""The main path in Firefox: type, choose, play, save."""

from __future__ import annotations

import os
import shutil
import subprocess
import time
import tomllib
from collections.abc import Iterator
from pathlib import Path

import mido
import pytest

from tests.studio.conftest import LONGEST_S, Studio
from tests.studio.firefox import Firefox

PROGRAM = shutil.which("firefox-esr") or shutil.which("firefox")


@pytest.fixture
def speakers(tmp_path: Path) -> Iterator[str]:
    """A sound output that nobody hears: Firefox starts no audio without one."""
    if shutil.which("pulseaudio") is None:
        pytest.skip("pulseaudio, for a sound output without a device, is not installed")
    place = tmp_path / "pulse"
    place.mkdir()
    protocol = f"module-native-protocol-unix socket={place / 'native'} auth-anonymous=1"
    server = subprocess.Popen(
        ["pulseaudio", "-n", "--daemonize=no", "--exit-idle-time=-1", "--use-pid-file=no",
         "--load=module-null-sink", f"--load={protocol}"],
        env={**os.environ, "HOME": str(place), "XDG_RUNTIME_DIR": str(place)},
        stderr=subprocess.DEVNULL,
    )  # fmt: skip
    yield f"unix:{place / 'native'}"
    server.terminate()
    server.wait()


@pytest.fixture
def firefox(tmp_path: Path, speakers: str) -> Iterator[Firefox]:
    if PROGRAM is None:
        pytest.skip("neither firefox-esr nor firefox is installed")
    one = Firefox(PROGRAM, tmp_path, {"PULSE_SERVER": speakers})
    yield one
    one.close()


def saved(firefox: Firefox, suffix: str) -> Path:
    """The file that the browser saved, when it is whole."""
    end = time.monotonic() + LONGEST_S
    while time.monotonic() < end:
        whole = [p for p in firefox.saved.glob(f"*{suffix}") if p.stat().st_size]
        if whole and not list(firefox.saved.glob("*.part")):
            return whole[0]
        time.sleep(0.1)
    raise AssertionError(f"no {suffix} file was saved: {list(firefox.saved.iterdir())}")


def test_type_choose_play_and_save(firefox: Firefox, studio: Studio) -> None:
    ready = "document.body.dataset.state === 'ready' && !studio.store.busy"
    firefox.open(studio.address)
    firefox.until(ready)
    firefox.js("void addEventListener('error', (e) => { window.failed = e.message; })")

    firefox.write("#start-message", "TEA AT THE RIDGE")
    firefox.until(f"{ready} && studio.show.message === 'TEA AT THE RIDGE'")
    firefox.click("#start-preset option[value='larch-marimba']")
    firefox.until(f"{ready} && studio.store.document.presets.includes('larch-marimba')")
    assert firefox.js("studio.show.voices[0].name") != ""

    firefox.click("#play")
    firefox.until("studio.sound.playing || document.getElementById('flash').open")
    if not firefox.js("studio.sound.playing"):
        firefox.click("#flash-go")
    firefox.until("studio.sound.place() > 0.5")
    drawn = "document.getElementById('matrix').toDataURL().length > 1000"
    assert firefox.js(drawn)
    firefox.click("#play")
    firefox.until("!studio.sound.playing")

    firefox.click("[data-take='midi']")
    notes = [m for m in mido.MidiFile(saved(firefox, ".mid")) if m.type == "note_on" and m.velocity]
    assert len(notes) == firefox.js("studio.show.onset.length")
    firefox.click("#save")
    project = tomllib.loads(saved(firefox, ".toml").read_text())
    assert "TEA AT THE RIDGE" in str(project)
    assert firefox.js("window.failed ?? null") is None
    assert firefox.js("document.getElementById('wrong').hidden")
