"""Commands write nowhere but to their output and to the folder for temporary files."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

import sonify
from tests.nightly import late

COMMANDS = [
    "make cairn-small -o {out}",
    "clip cairn-small -o {out}/a.mp4 --to 1 --size 160x90",
    "clip cairn-small -o {out}/a/ --to 0.2 --size 160x90",
    late("stills cairn-small -o {out}/s.pdf"),
    late("score cairn-small -o {out}/s.png"),
    late("explain cairn-small -o {out}/e.pdf"),
    "draw cairn-small -o {out}/d.dxf",
    late("draw cairn-small -o {out}/d.pdf"),
    "read {given}/d.dxf -o {out}/r.toml",
    "compare cairn-small {given}/t.mid -o {out}/r.html",
    "audition cairn-small -o {out}/a.html --seconds 1 -p music-box -p quick",
    "page cairn-small -o {out}/p.html",
    "firmware cairn-small -o {out}/player",
    "compose FOG -o {out}/c.toml --effort 100",
]

_WRITES = re.compile(r"O_WRONLY|O_RDWR|O_CREAT|^(rename|unlink|mkdir|link|symlink|truncate|chmod)")
_CALLS = "openat,open,creat,truncate,%s" % ",".join(  # noqa: UP031
    f"{name},{name}at" for name in ("rename", "unlink", "mkdir", "link", "symlink")
)


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    strace = shutil.which("strace")
    if strace is None:
        pytest.skip("Debian's strace is not installed")
    if subprocess.run([strace, "-f", "true"], capture_output=True).returncode:
        pytest.xfail("this system lets no process trace another")
    folder = tmp_path_factory.mktemp("writes")
    for name in ("out", "given"):
        (folder / name).mkdir()
    sonify.draw(sonify.load_disc("cairn-small"), folder / "given" / "d.dxf")
    sonify.perform("cairn-small").save(folder / "given" / "t.mid")
    return folder


@pytest.mark.parametrize("command", COMMANDS, ids=lambda c: c.split(" -o ")[0].replace(" ", "-"))
def test_nothing_else_is_written(command: str, place: Path, tmp_path: Path) -> None:
    words = command.format(out=place / "out", given=place / "given").split()
    trace, home, temporary = tmp_path / "trace", tmp_path / "home", tmp_path / "tmp"
    home.mkdir()
    temporary.mkdir()
    own = {"HOME": str(home), "TMPDIR": str(temporary), "PYTHONDONTWRITEBYTECODE": "1"}
    others = {k: v for k, v in os.environ.items() if not k.startswith("XDG_")}
    done = subprocess.run(
        ["strace", "-f", "--seccomp-bpf", "-qq", "-s", "4096", "-e", f"trace={_CALLS}", "-o", trace,
         sys.executable, "-m", "sonify", *words],
        cwd=home, env=others | own, capture_output=True, text=True,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert list(temporary.iterdir()) == []
    written = [
        path
        for line in trace.read_text().splitlines()
        if " = -1 " not in line and _WRITES.search(line.split(maxsplit=1)[1])
        for path in re.findall(r'"(/[^"]*)"', line)
    ]
    assert any(path.startswith(f"{place}/out") for path in written)
    allowed = (f"{place}/out", str(temporary), "/dev/", "/proc/self/fd/")
    assert [p for p in written if not p.startswith(allowed)] == []
