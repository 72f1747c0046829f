"""Whenever a command is killed, the old file or the whole new one stands, and nothing beside it.

`python -m tests.test_killed 500` kills that often, over every kind of output.
"""

from __future__ import annotations

import hashlib
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tests.nightly import sampled_product

pytestmark = pytest.mark.skipif(
    not sys.platform.startswith("linux"), reason="needs files without a name (Linux)"
)

OUTPUTS = {
    "o.mid": ["midi", "hail.toml"],
    "o.gif": ["message", "hail.toml"],
    "o.png": ["lights", "hail.toml"],
    "o.webp": ["message", "hail.toml"],
    "o.wav": ["sound", "hail.toml"],
    "o.opus": ["sound", "hail.toml"],
    "o.mp4": ["clip", "hail.toml", "--size", "160x120", "--fps", "10"],
    "o.svg": ["draw", "hail.toml"],
    "o.pdf": ["draw", "hail.toml"],
    "o.toml": ["edit", "hail.toml", "flip 1:3"],
    "o.musicxml": ["score", "hail.toml"],
    "o.html": ["explain", "hail.toml"],
}
SIGNALS = (signal.SIGKILL, signal.SIGTERM, signal.SIGINT)
OLD = b"the old file\n"


class Killer:
    """Kills commands in a folder, and looks at what is left."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.whole: dict[str, str] = {}
        self.took: dict[str, float] = {}
        self._call(["encode", "HAIL BY NOON", "-o", "hail.toml"])
        self.before = {"hail.toml"}

    def _begin(self, words: list[str]) -> subprocess.Popen[bytes]:
        return subprocess.Popen(
            [sys.executable, "-m", "sonify", *words],
            cwd=self.folder, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE,
        )  # fmt: skip

    def _call(self, words: list[str]) -> None:
        process = self._begin(words)
        _, err = process.communicate()
        assert process.returncode == 0, err.decode()

    def _digest(self, name: str) -> str:
        return hashlib.sha256((self.folder / name).read_bytes()).hexdigest()

    def fault(self, name: str, number: signal.Signals, share: float) -> str | None:
        """What is wrong after a kill at a share of the time that the command takes, or None."""
        words = [*OUTPUTS[name], "-o", name]
        if name not in self.whole:
            began = time.monotonic()
            self._call(words)
            self.took[name] = time.monotonic() - began
            self.whole[name] = self._digest(name)
        (self.folder / name).write_bytes(OLD)
        process = self._begin(words)
        try:
            _, err = process.communicate(timeout=share * self.took[name])
        except subprocess.TimeoutExpired:
            process.send_signal(number)
            _, err = process.communicate()
        left = {p.name for p in self.folder.iterdir()} - self.before - {name}
        whole = self._digest(name)
        (self.folder / name).unlink()
        if left:
            for one in left:
                (self.folder / one).unlink()
            return f"left {sorted(left)}"
        if whole not in (self.whole[name], hashlib.sha256(OLD).hexdigest()):
            return "neither the old file nor the new one"
        if b"Traceback" in err:
            return err.decode()[-500:]
        if process.returncode not in (0, -number, 128 + number):
            return f"exit status {process.returncode}: {err.decode()}"
        return None


@pytest.fixture(scope="module")
def killer(tmp_path_factory: pytest.TempPathFactory) -> Killer:
    return Killer(tmp_path_factory.mktemp("killed"))


@pytest.mark.parametrize(
    ("name", "number"), sampled_product(["o.mid", "o.gif", "o.mp4", "o.wav"], SIGNALS)
)
def test_nothing_is_half_written(killer: Killer, name: str, number: signal.Signals) -> None:
    rng = random.Random(f"{name} {number}")
    assert killer.fault(name, number, rng.uniform(0.3, 1.0)) is None


def main() -> int:
    """Kill as often as the argument says."""
    import tempfile

    rng = random.Random(1)
    found = 0
    with tempfile.TemporaryDirectory() as folder:
        killer = Killer(Path(folder))
        kills = int(sys.argv[1])
        for k in range(kills):
            name, number = list(OUTPUTS)[k % len(OUTPUTS)], rng.choice(SIGNALS)
            fault = killer.fault(name, number, rng.uniform(0.05, 1.1))
            if fault:
                found += 1
                print(name, number.name, fault, flush=True)
    print(f"{kills} kills, {found} faults")
    return bool(found)


if __name__ == "__main__":
    sys.exit(main())
