"""`sonify batch`: many jobs, on this machine and on a cluster."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import shlex
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import mido
import psutil
import pytest

from tests.conftest import Result
from tests.nightly import nightly

Run = Callable[..., Result]
COMMAND = [sys.executable, "-m", "sonify"]
LONGEST_S = 300
"""After which a wait is given up: it hangs."""

LIST = """
preset = "music-box"

[[job]]
disc = "hail.toml"
output = "hail"
only = "midi,message"

[[job]]
command = "midi"
disc = "fog.toml"
output = "north/fog.mid"
split = "north/voices"
set = { "music.root" = "D3" }

[[job]]
command = "encode"
text = "SNOW -5"
output = "snow.toml"
preset = []

[[job]]
command = "clip"
disc = "hail.toml"
output = "hail.mp4"
size = "160x120"
fps = 5
duration = 2
"""
QUICK = (
    LIST.replace('"midi,message"', '"midi"').partition('command = "clip"')[0]
    + """
command = "midi"
disc = "hail.toml"
output = "hail.mid"
"""
)


@pytest.fixture
def home(tmp_path: Path, run: Run) -> Path:
    for name, text in {"hail": "HAIL BY NOON", "fog": "FOG, 20 M"}.items():
        assert run("encode", text, "-o", tmp_path / f"{name}.toml").status == 0
    (tmp_path / "list.toml").write_text(LIST)
    return tmp_path


def files(folder: Path) -> dict[str, bytes]:
    found = (p for p in folder.rglob("*") if p.is_file())
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in found}


def manifest(folder: Path) -> list[dict]:
    text = (folder / "manifest.jsonl").read_text("utf-8")
    assert text.endswith("\n")
    return [json.loads(line) for line in text.splitlines()]


def test_a_batch_makes_what_its_commands_make_by_hand(
    home: Path, run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    done = run("batch", home / "list.toml", "-o", home / "all", "--workers", 2)
    assert (done.status, done.err) == (0, "")
    assert done.out.endswith("4 jobs: 4 made, 0 made before\n")
    lines = manifest(home / "all")
    assert [x["output"] for x in lines] == ["hail", "north/fog.mid", "snow.toml", "hail.mp4"]
    by_hand = home / "hand"
    by_hand.mkdir()
    for disc in home.glob("*.toml"):
        (by_hand / disc.name).write_bytes(disc.read_bytes())
    before = set(files(by_hand))
    monkeypatch.chdir(by_hand)
    for line in lines:
        name, *words = shlex.split(line["command"])
        assert (name, run(*words).status) == ("sonify", 0)
    made = files(home / "all")
    told = made.pop("manifest.jsonl")
    assert {n: d for n, d in files(by_hand).items() if n not in before} == made
    sums = {n: hashlib.sha256(d).hexdigest() for n, d in made.items()}
    assert {n: s for x in lines for n, s in x["files"].items()} == sums
    assert any("flash" in said for said in lines[0]["said"])
    assert mido.MidiFile(home / "all/north/fog.mid").length > 1
    run("batch", home / "list.toml", "-o", home / "one", "--workers", 1)
    assert files(home / "one") == made | {"manifest.jsonl": told}


def test_a_failed_job_stops_no_other_and_is_tried_again(home: Path, run: Run) -> None:
    jobs = [("one.mid", "hail.toml"), ("two.mid", "later.toml"), ("three.mid", "fog.toml")]
    (home / "list.toml").write_text("command = 'midi'\n" + "".join(
        f"[[job]]\noutput = '{o}'\ndisc = '{d}'\n" for o, d in jobs))  # fmt: skip
    call = "batch", home / "list.toml", "-o", home / "all"
    done = run(*call)
    assert done.status == 1
    assert "failed: two.mid: later.toml: there is no such file\n" in done.err
    assert done.err.endswith("manifest.jsonl: 1 of 3 jobs failed\n")
    assert [x.get("error") for x in manifest(home / "all")] == [
        None, "later.toml: there is no such file", None,
    ]  # fmt: skip
    (home / "fog.toml").rename(home / "later.toml")
    (home / "fog.toml").write_bytes((home / "later.toml").read_bytes())
    done = run(*call)
    assert (done.status, done.err) == (0, "")
    assert "3 jobs: 1 made, 2 made before" in done.out


def test_only_what_no_longer_holds_is_made_again(home: Path, run: Run) -> None:
    (home / "list.toml").write_text(QUICK)
    call = "batch", home / "list.toml", "-o", home / "all"
    run(*call)
    before = files(home / "all")
    assert run(*call).out == "4 jobs: 0 made, 4 made before\n"
    # a file that was damaged, one that is gone, and a line that was cut
    (home / "all/hail/hail.mid").write_bytes(b"no")
    (home / "all/north/fog.mid").unlink()
    path = home / "all/manifest.jsonl"
    path.write_bytes(path.read_bytes()[:-20])
    assert "4 jobs: 3 made, 1 made before" in run(*call).out
    assert files(home / "all") == before
    # a disc that was changed: two jobs read it
    run("encode", "HAIL BY TEN", "-o", home / "hail.toml")
    assert "4 jobs: 2 made, 2 made before" in run(*call).out
    # a setting of one job
    (home / "list.toml").write_text(QUICK.replace('"D3"', '"E3"'))
    assert "4 jobs: 1 made, 3 made before" in run(*call).out


def many(home: Path, jobs: int = 8) -> Path:
    """A list whose last job has a disc of its own."""
    later = home / "later.toml"
    if not later.exists():
        later.write_bytes((home / "hail.toml").read_bytes())
    path = home / "many.toml"
    path.write_text("command = 'midi'\n" + "".join(
        f"[[job]]\noutput = '{k}.mid'\ndisc = '{'later' if k == jobs - 1 else 'hail'}.toml'\n"
        f"set = {{ 'player.rpm' = {10 + k} }}\n" for k in range(jobs)
    ))  # fmt: skip
    return path


def made(*words: object) -> None:
    subprocess.run([*COMMAND, *map(str, words)], check=True, capture_output=True)


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    """What `many` makes if nothing happens to it."""
    home = tmp_path_factory.mktemp("whole")
    made("encode", "HAIL BY NOON", "-o", home / "hail.toml")
    made("batch", many(home), "-o", home / "all")
    return files(home / "all")


def lines_in(path: Path) -> int:
    return path.read_bytes().count(b"\n") if path.is_file() else 0


def begin(*words: object) -> subprocess.Popen[str]:
    return subprocess.Popen([*COMMAND, *map(str, words)], stdout=subprocess.PIPE,
                            stderr=subprocess.PIPE, text=True)  # fmt: skip


def wait_for_lines(path: Path, count: int, process: subprocess.Popen[str]) -> None:
    while lines_in(path) < count:
        assert process.poll() is None, process.communicate()
        time.sleep(0.01)


@pytest.mark.parametrize(
    "number", [signal.SIGKILL, signal.SIGINT, pytest.param(signal.SIGTERM, marks=nightly)]
)
def test_a_batch_that_is_killed_goes_on(
    home: Path, whole: dict[str, bytes], run: Run, number: signal.Signals
) -> None:
    os.mkfifo(home / "later.toml")  # so the last job waits, however late the signal comes
    path, out = many(home), home / "all"
    process = begin("batch", path, "-o", out, "--workers", 2)
    wait_for_lines(out / "manifest.jsonl", 3, process)
    process.send_signal(number)
    _, err = process.communicate()
    assert process.returncode in (-number, 128 + number), err
    assert "Traceback" not in err
    before = len(manifest(out))
    assert 3 <= before < 8
    (home / "later.toml").unlink()
    done = run("batch", many(home), "-o", out)
    assert f"8 jobs: {8 - before} made, {before} made before" in done.out
    assert files(out) == whole
    assert not (out / ".batch").exists()


def starter_and_job(pid: int) -> list[psutil.Process]:
    """The process that makes copies of itself and its copy, or none; others come and go."""
    with contextlib.suppress(psutil.NoSuchProcess):
        for starter in psutil.Process(pid).children():
            for job in starter.children():
                if job.cmdline() == starter.cmdline():
                    return [starter, job]
    return []


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="jobs run in copies on Linux")
@pytest.mark.parametrize("depth", [0, 1], ids=["starter", "job"])
def test_a_job_whose_process_is_killed_stops_no_other(home: Path, depth: int) -> None:
    os.mkfifo(home / "never.toml")
    (home / "list.toml").write_text("command = 'midi'\n" + "".join(
        f"[[job]]\noutput = '{d}.mid'\ndisc = '{d}.toml'\n" for d in ("never", "hail", "fog")
    ))  # fmt: skip
    out = home / "all"
    process = begin("batch", home / "list.toml", "-o", out, "--workers", 1)
    while not (pair := starter_and_job(process.pid)):
        assert process.poll() is None, process.communicate()
        time.sleep(0.01)
    pair[depth].kill()
    _, err = process.communicate()
    assert process.returncode == 1
    assert "failed: never.mid: it was ended by SIGKILL\n" in err
    assert [x["output"] for x in manifest(out) if "files" in x] == ["hail.mid", "fog.mid"]
    assert not psutil.wait_procs(pair, timeout=LONGEST_S)[1]


def test_two_batches_do_not_share_a_folder(home: Path, run: Run) -> None:
    path, out = many(home), home / "all"
    process = begin("batch", path, "-o", out, "--workers", 1)
    wait_for_lines(out / "manifest.jsonl", 1, process)
    done = run("batch", path, "-o", out)
    process.kill()
    process.communicate()
    assert done.status == 1
    assert "another batch is writing to this folder" in done.err


BAD = {
    "": "it has no jobs; each begins with the line [[job]]",
    "job = 3": "it has no jobs",
    "[[job]]\ndisc = 'hail.toml'": "job 1: the key 'output' is missing",
    "[[job]]\noutput = 'a'": "job 1: Missing argument 'DISC'",
    "[[job]]\ncommand = 'mid'\noutput = 'a'": "did you mean midi",
    "[[job]]\ncommand = 'play'\noutput = 'a'": "command: 'play' makes no file",
    "[[job]]\ndisc = 'x'\noutput = 'a'\npresets = 'y'": "unknown key 'presets' (did you mean",
    "[[job]]\ndisc = 'x'\noutput = '../a'": "output: '../a' is no path below the folder",
    "[[job]]\ndisc = 'x'\noutput = '/a'": "output: '/a' is no path below the folder",
    "[[job]]\ndisc = '-'\noutput = 'a'": "a job has no standard input",
    "[[job]]\ncommand = 'midi'\ndisc = 'x'\noutput = 'a'\nbpm = 'x'": "'x' is not a valid float",
    "[[job]]\ncommand = 'midi'\ndisc = 'x'\noutput = 'a'\nonly-notes = 1": "true or false",
    "[[job]]\ncommand = 'midi'\ndisc = 'x'\noutput = ['a', 'b']": "a single value is needed",
    "disc = 'x'\n[[job]]\noutput = 'a/b'\n[[job]]\noutput = 'a'": "job 2: output: 'a' and 'a/b'",
    "disc = 'x'\n[[job]]\noutput = 'a'\n[[job]]\noutput = 'a/b'": "job 2: output: 'a/b' and 'a'",
    "disc = 'x'\n[[job]]\noutput = 'a/b'\n[[job]]\noutput = 'a/c'\nonly = 'midi'\nx = 1": "key 'x'",
    "disc = \"x\\u0000\"\n[[job]]\noutput = 'a'": "NUL",
}  # fmt: skip


@pytest.mark.parametrize("text", BAD)
def test_a_wrong_list_is_refused_before_anything_is_made(
    tmp_path: Path, run: Run, text: str
) -> None:
    path = tmp_path / "list.toml"
    path.write_text(text)
    done = run("batch", path, "-o", tmp_path / "all")
    assert done.status == 2
    assert done.err.count("\n") == 1
    assert f"{path}: " in done.err
    assert BAD[text] in done.err
    assert not (tmp_path / "all").exists()


@pytest.fixture
def cluster(tmp_path: Path) -> Iterator[tuple[str, list[subprocess.Popen[bytes]]]]:
    """The address of a scheduler with two workers, and these."""
    pytest.importorskip("distributed")
    file = tmp_path / "scheduler.json"
    given = "--scheduler-file", str(file), "--host", "127.0.0.1", "--no-dashboard"

    def dask(what: str, *more: str) -> subprocess.Popen[bytes]:
        words = [sys.executable, "-m", f"distributed.cli.dask_{what}", *given, *more]
        quiet = subprocess.DEVNULL
        return subprocess.Popen(words, cwd=tmp_path, stdout=quiet, stderr=quiet)

    scheduler = dask("scheduler", "--port", "0")
    workers = [dask("worker", "--no-nanny", "--nthreads", "1") for _ in range(2)]
    try:
        while not file.is_file() or not file.read_text().endswith("}"):
            assert scheduler.poll() is None
            time.sleep(0.05)
        yield json.loads(file.read_text())["address"], workers
    finally:
        for process in (*workers, scheduler):
            process.kill()
            process.wait()


def test_a_cluster_makes_the_same_though_a_worker_is_killed(
    home: Path, whole: dict[str, bytes], cluster: tuple[str, list[subprocess.Popen[bytes]]]
) -> None:
    import distributed

    address, workers = cluster
    with distributed.Client(address) as client:
        client.wait_for_workers(2)
    path, out = many(home), home / "all"
    process = begin("batch", path, "-o", out, "--cluster", address)
    wait_for_lines(out / "manifest.jsonl", 2, process)
    os.kill(workers[0].pid, signal.SIGKILL)
    told, err = process.communicate()
    assert (process.returncode, err) == (0, "")
    assert "8 jobs: 8 made" in told
    assert workers[1].poll() is None
    assert files(out) == whole


def test_a_cluster_that_does_not_answer(
    home: Path, run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    pytest.importorskip("distributed")
    monkeypatch.setattr("sonify.cli.batch.ANSWER_S", 1)
    done = run("batch", many(home, 1), "-o", home / "all", "--cluster", "tcp://127.0.0.1:9")
    assert done.status == 1
    assert "no Dask scheduler answers at tcp://127.0.0.1:9" in done.err
