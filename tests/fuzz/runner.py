"""Runs the command line on damaged input, and judges how it ends.

Starting a process, and the readers' own ones, takes ten times as long as a usual case. So cases
follow one another in one process, the readers' work included, and what ends wrongly there runs
again in processes of its own, as one case in some hundred does anyway.
"""

from __future__ import annotations

import contextlib
import gc
import json
import os
import pickle
import re
import resource
import signal
import sys
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

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
KEPT = 2000
"""Cases that a process runs, so that what they leave behind stays small."""
ALONE = 200
"""One of so many cases has its own processes from the start: these 0.3 s are then 1.5 ms a case."""

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
    """Makes cases in a folder and runs them.

    Attributes
    ----------
    used : float
        Processor seconds of the last case.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.used = 0.0
        self._files = {
            kind: [(one.suffix, one.read_bytes()) for one in every]
            for kind, every in make(folder).items()
        }
        self._told = [folder / ".out", folder / ".err"]
        self._worker: _Worker | None = None
        self._served = 0

    def words(self, case: Case) -> list[str]:
        """Write a case's file, and return its command."""
        files = self._files[case.kind]
        suffix, data = files[case.seed % len(files)]
        if case.kind == "set":
            name = damaged_line(data.decode(), case.seed)
        else:
            name = f"damaged{suffix}"
            _, other = files[(case.seed // 7) % len(files)]
            (self.folder / name).write_bytes(damaged(data, other, case.seed))
        commands = COMMANDS[case.kind](name)
        return commands[(case.seed // 3) % len(commands)]

    def fault(self, case: Case) -> str | None:
        """What is wrong with how a case ends, or None."""
        words = self.words(case)
        self._served += 1
        if self._served % ALONE and (seen := self._among_others(words)):
            return self.fault_of(words) or f"only after other cases: {seen}"
        return None if self._served % ALONE else self.fault_of(words)

    def fault_of(self, words: list[str]) -> str | None:
        """What is wrong with how a command ends in processes of its own, or None."""
        child = os.fork()
        if not child:
            _tell(self.folder, self._told)
            _limit()
            os._exit(_call(words))
        _, status, used = os.wait4(child, 0)
        self.used = used.ru_utime + used.ru_stime
        if os.WIFSIGNALED(status):
            return self._ended(signal.Signals(os.WTERMSIG(status)).name)
        return self._ended(os.WEXITSTATUS(status))

    def _among_others(self, words: list[str]) -> str | None:
        if self._worker is None or self._served % KEPT == 1:
            self.close()
            self._worker = _Worker.begun(self.folder, self._told)
        self.used, end = self._worker.run(words)
        if isinstance(end, str):
            self._worker = None
        return self._ended(end)

    def _ended(self, end: int | str) -> str | None:
        """What is wrong with the last case, by its exit status or signal."""
        if self.used > MOST_S:
            return f"took {self.used:.0f} s"
        if isinstance(end, str):
            return f"ended by {end}"
        return judged(end, *(p.read_bytes().decode("utf-8", "replace") for p in self._told))

    def close(self) -> None:
        """End the process that cases share."""
        if self._worker is not None:
            self._worker.end()
        self._worker = None


class _Worker(NamedTuple):
    """A process that runs one command after the other."""

    process: int
    asked: int
    answered: int

    @classmethod
    def begun(cls, folder: Path, told: list[Path]) -> _Worker:
        ask, asked = os.pipe()
        answered, answer = os.pipe()
        process = os.fork()
        if not process:
            os.close(asked)
            os.close(answered)
            _serve(folder, told, ask, answer)
        os.close(ask)
        os.close(answer)
        return cls(process, asked, answered)

    def run(self, words: list[str]) -> tuple[float, int | str]:
        """Processor seconds of a command, and its exit status or the name of a signal."""
        text = json.dumps(words).encode() + b"\n"
        while text:
            text = text[os.write(self.asked, text) :]
        if told := os.read(self.answered, 100):
            used, code = json.loads(told)
            return used, code
        return 0.0, self.end()

    def end(self) -> str:
        """End it. Returns the signal that did, if one did."""
        os.close(self.asked)
        os.close(self.answered)
        _, status = os.waitpid(self.process, 0)
        return signal.Signals(os.WTERMSIG(status)).name if os.WIFSIGNALED(status) else "nothing"


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


def _serve(folder: Path, told: list[Path], ask: int, answer: int) -> None:
    """In a child: run commands as they are asked for; never returns."""
    import sonify.limits

    _tell(folder, told)
    sonify.limits.limited = _here
    with os.fdopen(ask, encoding="ascii") as asked:
        for line in asked:
            for number in (1, 2):
                os.ftruncate(number, 0)
                os.lseek(number, 0, os.SEEK_SET)
            before = _used()
            _limit()
            code = _call(json.loads(line))
            gc.unfreeze()
            os.write(answer, json.dumps([_used() - before, code]).encode())
    os._exit(0)


def _here(call: Callable[..., Any], path: Path, *args: Any, **named: Any) -> Any:
    """`sonify.limits.limited` without a process of its own: the limits of this one hold."""
    from sonify.errors import Caution, InputError
    from sonify.limits import _told

    said: tuple[str, Any, list[Any], list[Any]]
    try:
        with warnings.catch_warnings(record=True) as seen:
            warnings.simplefilter("always", Caution)
            said = "ok", call(*args, **named), [], []
        said[2].extend(w.message for w in seen if isinstance(w.message, Caution))
    except MemoryError:
        raise InputError("reading it takes too much memory", file=path) from None
    except Exception as e:
        said = "error", e, [], []
    return _told(pickle.loads(pickle.dumps(said)))


def _tell(folder: Path, told: list[Path]) -> None:
    """Go to a folder, and write there what standard output and standard error get."""
    os.chdir(folder)
    for number, path in enumerate(told):
        os.dup2(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC), number + 1)


def _used() -> float:
    both = map(resource.getrusage, (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    return sum(one.ru_utime + one.ru_stime for one in both)


def _limit() -> None:
    """Limit what this process may still take."""
    with open("/proc/self/statm") as f:
        now = int(f.read().split()[0]) * os.sysconf("SC_PAGE_SIZE")
    spent = resource.getrusage(resource.RUSAGE_SELF)
    end = int(spent.ru_utime + spent.ru_stime) + MOST_S + 1
    for which, most in (
        (resource.RLIMIT_AS, now + MOST_BYTES), (resource.RLIMIT_CPU, end),
        (resource.RLIMIT_CORE, 0),
    ):  # fmt: skip
        resource.setrlimit(which, (most, resource.getrlimit(which)[1]))
    signal.alarm(MOST_WAIT_S)


def _call(words: list[str]) -> int:
    """Run a command. Returns its exit status, or 99 after a traceback."""
    from sonify.cli.app import main

    # as Python opens them, where a test may have replaced them
    sys.stdout = os.fdopen(1, "w", encoding="utf-8", closefd=False)
    sys.stderr = os.fdopen(2, "w", encoding="utf-8", errors="backslashreplace", closefd=False)
    sys.argv = ["sonify", *words]
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
        for stream in (sys.stdout, sys.stderr):
            with contextlib.suppress(ValueError):
                stream.flush()
    return code


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
