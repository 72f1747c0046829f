"""Runs the command line on damaged input, each case in a process of its own, and judges it."""

from __future__ import annotations

import os
import re
import resource
import signal
import sys
from dataclasses import dataclass
from pathlib import Path

from tests.fuzz.corpus import COMMANDS, make
from tests.fuzz.damage import damaged, damaged_line

MOST_S = 10
"""Processor seconds that a case may take: the project's aim."""
MOST_WAIT_S = 600
"""After which a case is stopped that waits and does nothing, on the busiest machine."""
MOST_BYTES = 1 << 30
"""Memory that a case may take: the project's aim."""
LONGEST_ERROR = 1000
"""Characters of an error; from memory, some ten lines of a terminal."""

# C0 without tab and line feed, delete, C1, and the marks that turn the direction of text
RAW = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]")


@dataclass(frozen=True)
class Case:
    """One damaged file and the command that reads it."""

    kind: str
    seed: int

    @classmethod
    def of(cls, text: str) -> Case:
        """The case of a text such as `midi:2`."""
        kind, seed = text.split(":")
        return cls(kind, int(seed))

    def __str__(self) -> str:
        return f"{self.kind}:{self.seed}"


class Fuzzer:
    """Makes cases in a folder and runs them."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.files = make(folder)

    def words(self, case: Case) -> list[str]:
        """Write a case's file, and return its command."""
        files = self.files[case.kind]
        file = files[case.seed % len(files)]
        if case.kind == "set":
            name = damaged_line(file.read_text(encoding="utf-8"), case.seed)
        else:
            other = files[(case.seed // 7) % len(files)]
            name = f"damaged{file.suffix}"
            data = damaged(file.read_bytes(), other.read_bytes(), case.seed)
            (self.folder / name).write_bytes(data)
        commands = COMMANDS[case.kind](name)
        return commands[(case.seed // 3) % len(commands)]

    def fault(self, case: Case) -> str | None:
        """What is wrong with how a case ends, or None."""
        return self.fault_of(self.words(case))

    def fault_of(self, words: list[str]) -> str | None:
        """What is wrong with how a command ends, or None."""
        told = [self.folder / ".out", self.folder / ".err"]
        child = os.fork()
        if not child:
            _run(words, self.folder, told)
        _, status, used = os.wait4(child, 0)
        out, err = (p.read_bytes().decode("utf-8", "replace") for p in told)
        if used.ru_utime + used.ru_stime > MOST_S:
            return f"took {used.ru_utime + used.ru_stime:.0f} s"
        if os.WIFSIGNALED(status):
            return f"ended by {signal.Signals(os.WTERMSIG(status)).name}"
        return judged(os.WEXITSTATUS(status), out, err)


def judged(code: int, out: str, err: str) -> str | None:
    """What is wrong with an exit status and what was printed, or None."""
    if "Traceback" in err:
        return f"traceback: {_last_place(err)}"
    if code not in (0, 1, 2):
        return f"exit status {code}: {err[-300:]}"
    if RAW.search(out) and "\0" not in out:
        return f"raw control character in the output: {RAW.search(out)!r}"
    if RAW.search(err):
        return f"raw control character in an error: {err[:200]!r}"
    lines = [x for x in err.splitlines() if x.startswith("sonify: ")]
    if code and len(lines) != 1 and not err.startswith("Usage:"):
        return f"{len(lines)} errors, not one: {err[-300:]!r}"
    if any(len(x) > LONGEST_ERROR for x in lines):
        return f"an error of {max(map(len, lines))} characters: {lines[0][:100]!r}"
    return None


def _last_place(err: str) -> str:
    places = re.findall(r'File "([^"]+)", line (\d+), in (\w+)', err)
    own = [p for p in places if "/sonify/" in p[0]]
    where = own[-1] if own else places[-1] if places else ("?", "?", "?")
    return f"{Path(where[0]).name}:{where[1]} {where[2]}: {err.strip().splitlines()[-1][:200]}"


def _run(words: list[str], folder: Path, told: list[Path]) -> None:
    """In a child: run a command under limits; never returns."""
    os.chdir(folder)
    for number, path in enumerate(told):
        os.dup2(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC), number + 1)
    # as Python opens them, where a test may have replaced them
    sys.stdout = os.fdopen(1, "w", encoding="utf-8", closefd=False)
    sys.stderr = os.fdopen(2, "w", encoding="utf-8", errors="backslashreplace", closefd=False)
    with open("/proc/self/statm") as f:
        now = int(f.read().split()[0]) * os.sysconf("SC_PAGE_SIZE")
    resource.setrlimit(resource.RLIMIT_AS, (now + MOST_BYTES, now + MOST_BYTES))
    resource.setrlimit(resource.RLIMIT_CPU, (MOST_S + 1, MOST_S + 2))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    signal.alarm(MOST_WAIT_S)
    sys.argv = ["sonify", *words]
    from sonify.cli.app import main

    code = 99
    try:
        main()
        code = 0
    except SystemExit as e:
        code = e.code if isinstance(e.code, int) else 1
    except BaseException:
        import traceback

        traceback.print_exc()
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(code)


def warm() -> None:
    """Import what the commands need, so that a child starts at once."""
    import importlib

    from sonify.cli.app import COMMANDS as ALL

    for module, _ in ALL.values():
        importlib.import_module(f"sonify.cli.{module}")
    for name in (
        "sonify.recover.sources.log.log", "sonify.recover.sources.image.photo", "mido", "cv2",
        "sonify.recover.sources.drawing.dxf", "sonify.recover.sources.drawing.svg",
        "sonify.recover.sources.midi.recording", "sonify.export.midi", "soundfile",
    ):  # fmt: skip
        importlib.import_module(name)
