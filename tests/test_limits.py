"""Files that others made are read under limits on time and memory, by the commands too."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from sonify.errors import Caution, InputError, OutputError
from sonify.limits import GIB, Beside, Crew, limited, limits_of
from sonify.progress import report, watching
from tests.conftest import Result
from tests.export.soundfonts import TICK, soundfont

Run = Callable[..., Result]
linux = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="needs Linux's limits")


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "one.svg"
    path.write_text("<svg/>")
    return path


def spin(path: Path) -> None:
    while True:
        pass


def doubled(one: Any) -> Any:
    return one * 2


def swell(path: Path) -> int:
    return np.empty(1 << 31, np.uint8).nbytes


def crash(path: Path) -> None:
    os.kill(os.getpid(), signal.SIGSEGV)


def say(path: Path) -> str:
    print("what a library prints")
    warnings.warn(Caution("one hole is faint", key="threshold"), stacklevel=1)
    return path.name


def refuse(path: Path) -> None:
    raise InputError("no circles", file=path, place="line 1", hint="give {positions}")


def test_results_cautions_and_errors_come_back(file: Path) -> None:
    with pytest.warns(Caution, match="one hole is faint") as seen:
        assert limited(say, file, file) == "one.svg"
    assert [w.message.key for w in seen] == ["threshold"]
    with pytest.raises(InputError) as e:
        limited(refuse, file, file)
    assert e.value.say("--{}".format) == f"{file}: line 1: no circles; give --positions"


def count(path: Path) -> int:
    for k in range(1, 9):
        report(k / 8)
    return os.getpid()


def test_work_beside_tells_its_progress_cautions_and_errors(file: Path) -> None:
    told: list[float] = []
    with Beside(count, file) as counted, Beside(say, file) as said, Beside(refuse, file) as refused:
        with watching(told.append):
            assert counted.result() != os.getpid()
        with pytest.warns(Caution, match="one hole is faint"):
            assert said.result() == "one.svg"
        with pytest.raises(InputError, match="no circles"):
            refused.result()
    assert told == [k / 8 for k in range(1, 9)]


@linux
def test_work_beside_that_breaks_off_or_is_not_needed_ends(file: Path) -> None:
    with Beside(crash, file) as one, pytest.raises(OutputError, match=r"broke off \(SIGSEGV\)"):
        one.result()
    with Beside(spin, file) as endless:
        process = endless._process
    assert process.returncode == -signal.SIGKILL
    # without its parent it ends by itself
    code = "import os, sys, time; from sonify.limits import Beside; from pathlib import Path\n"
    code += "from tests.test_limits import spin\n"
    code += "print(Beside(spin, Path())._process.pid, flush=True); os._exit(0)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    stat = Path("/proc", done.stdout.strip(), "stat")
    end = time.monotonic() + 300
    while stat.exists() and stat.read_text().split()[2] != "Z":
        assert time.monotonic() < end
        time.sleep(0.05)


def test_a_crew_works_side_by_side_and_tells_its_errors(file: Path) -> None:
    with Crew(doubled, 2) as crew:
        made = [crew.submit(np.full(100_000, k)) for k in range(9)]
        assert [int(one.result()[-1]) for one in made] == [0, 2, 4, 6, 8, 10, 12, 14, 16]
        with pytest.raises(TypeError):
            crew.submit(None).result()
        assert crew.submit("ab").result() == "abab"
    with Crew(refuse, 1) as crew, pytest.raises(InputError, match="no circles"):
        crew.submit(file).result()


@linux
def test_a_crew_that_breaks_off_or_is_not_needed_ends(file: Path) -> None:
    with Crew(crash, 1) as crew, pytest.raises(OutputError, match=r"broke off \(SIGSEGV\)"):
        crew.submit(file).result()
    with Crew(spin, 2) as crew:
        waiting = [crew.submit(file) for _ in range(4)]
    assert all(one.cancelled() or one.exception() for one in waiting)
    assert {one.returncode for one in crew._processes} == {-signal.SIGKILL}


@linux
def test_each_limit_is_named(file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(InputError, match=r"more than 1 GiB of memory.*SONIFY_READ_MB=4294"):
        limited(swell, file, file)
    with pytest.raises(InputError, match=r"broke off \(SIGSEGV\)"):
        limited(crash, file, file)
    monkeypatch.setenv("SONIFY_READ_SECONDS", "1")
    with pytest.raises(
        InputError, match=r"more than 1 s of processor time.*SONIFY_READ_SECONDS=10"
    ):
        limited(spin, file, file)
    monkeypatch.setenv("SONIFY_READ_MB", "5000")
    assert limits_of(file) == (1, 5_000_000_000)
    assert limited(swell, file, file) == 1 << 31


def test_large_files_have_more_room(tmp_path: Path) -> None:
    def size(name: str, size: int) -> tuple[int, int]:
        with open(tmp_path / name, "wb") as f:
            f.truncate(size)
        return limits_of(tmp_path / name)

    assert size("a.svg", 10_000) == (10, GIB)
    assert size("a.csv", 60_000_000) == (40, GIB)
    assert size("b.wav", 400_000_000)[1] > 2 * GIB
    assert size("a.mid", 1_000) == (12, GIB)
    assert size("b.mid", 25_000) == (60, GIB)


@linux
def test_an_interrupted_command_ends_what_reads(tmp_path: Path) -> None:
    """A signal that ends a command ends the process that reads for it."""
    module = tmp_path / "slow.py"
    module.write_text("import os, time\ndef read(path):\n    path.with_suffix('.pid').write_text("
                      "str(os.getpid()))\n    time.sleep(600)\n")  # fmt: skip
    (tmp_path / "a.svg").write_text("<svg/>")
    code = (
        "import sonify.__main__ as m, sys\nfrom pathlib import Path\nimport slow, sonify.load\n"
        "sonify.load.load_disc = slow.read\nm.main()"
    )
    env = os.environ | {"PYTHONPATH": os.pathsep.join([str(tmp_path), *filter(None, sys.path)])}
    for number in (signal.SIGTERM, signal.SIGINT):
        process = subprocess.Popen(
            [sys.executable, "-c", code, "inspect", "a.svg"], cwd=tmp_path, env=env,
            stderr=subprocess.PIPE,
        )  # fmt: skip
        pid = tmp_path / "a.pid"
        while not (pid.is_file() and pid.read_text()):
            assert process.poll() is None
            time.sleep(0.01)
        reader = int(pid.read_text())
        pid.unlink()
        process.send_signal(number)
        _, err = process.communicate()
        assert b"Traceback" not in err
        # see the test of Ctrl-C for clips
        assert process.returncode in (128 + number, -signal.SIGINT)
        assert not Path(f"/proc/{reader}").exists()


@linux
@pytest.mark.parametrize("words", [["read"], ["inspect"], ["compare", "cairn-small"]])
def test_commands_read_under_limits(
    tmp_path: Path, run: Run, monkeypatch: pytest.MonkeyPatch, words: list[str]
) -> None:
    path = tmp_path / "grey.png"
    Image.fromarray(np.zeros((5000, 5000), np.uint8)).save(path)
    monkeypatch.setenv("SONIFY_READ_MB", "40")
    done = run(*words, path)
    assert done.status == 2
    assert done.err.startswith(f"sonify: {path}: reading it takes more than")
    assert done.err.count("\n") == 1


def test_tunes_are_read_under_limits(
    tmp_path: Path, run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    run("midi", "cairn-small", "-o", "tune.mid")
    seen = []

    def noted(call: Callable[..., object], path: Path, *args: object) -> object:
        seen.append(path.name)
        return limited(call, path, *args)

    monkeypatch.setattr("sonify.limits.limited", noted)
    few = "--seconds", "1", "-p", "music-box"
    for words in (["compose", "--tune", "tune.mid", "-o", "o.toml"],
                  ["audition", "cairn-small", "--like", "tune.mid", *few]):  # fmt: skip
        assert run(*words).status == 0
    assert seen == ["tune.mid"] * 2


def test_a_key_of_thousands_of_parts_is_refused_at_once(tmp_path: Path, run: Run) -> None:
    """The time of Python's reader grows with the square of their number."""
    for text in (".".join(["a"] * 50_000) + " = 1", "a = {" + ".".join(["'b'"] * 50_000) + " = 1}"):
        path = tmp_path / "deep.toml"
        path.write_text(text)
        done = run("inspect", path)
        assert done.err == f"sonify: {path}: this is not TOML: it is nested too deeply\n"


def damaged_zones(data: bytes) -> bytes:
    """A SoundFont whose presets begin at zones in no order."""
    at = data.index(b"phdr") + 8
    size = int.from_bytes(data[at - 4 : at], "little")
    row = data[at : at + 24] + (65535).to_bytes(2, "little") + data[at + 26 : at + 38]
    return data[:at] + row + data[at + 38 : at + size] + data[at + size :]


def test_a_soundfont_whose_lists_overlap_is_refused(tmp_path: Path, run: Run) -> None:
    """Otherwise a file of 1 MB could ask for each zone of each preset: billions of turns."""
    path = tmp_path / "bad.sf2"
    path.write_bytes(damaged_zones(soundfont(path, TICK).read_bytes()))
    done = run("sound", "cairn-small", "--soundfont", path, "-o", tmp_path / "o.wav")
    assert done.status == 2
    assert "this SoundFont is damaged: what its phdr names overlaps" in done.err


@linux
def test_rendering_with_a_soundfont_of_ones_own_has_limits(
    tmp_path: Path, run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = soundfont(tmp_path / "tick.sf2", TICK)
    call = "sound", "cairn-small", "--soundfont", path, "-o", tmp_path / "o.wav"
    assert run(*call).status == 0
    slow = tmp_path / "midirenderer.py"
    slow.write_text("def render_wave_from(font, midi):\n    while True:\n        pass\n")
    monkeypatch.syspath_prepend(tmp_path)
    monkeypatch.setattr("sonify.export.sound.pool.PIECE_S", 1)
    done = run(*call)
    assert done.status == 1
    assert "half a minute of sound takes more than 1 s of processor time" in done.err
