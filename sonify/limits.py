"""Work in a process of its own: beside this one, or on files that others made, under limits."""

from __future__ import annotations

import contextlib
import os
import pickle
import queue
import signal
import subprocess
import sys
import threading
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO, Generic, NoReturn, Self, TypeVar, cast

import sonify.log as log
from sonify.errors import Caution, InputError, OutputError
from sonify.progress import report, watching

if TYPE_CHECKING:
    from concurrent.futures import Future

__all__ = ["Beside", "Crew", "limit_memory", "limit_time", "limited", "limits_of", "most", "serve"]

A = TypeVar("A")
T = TypeVar("T")

GIB = 1 << 30
SECONDS, SECONDS_EACH_MB, SECONDS_EACH_KB = 10, 0.5, 2
"""Processor time for any file, for each MB more, and for each kB of a recording, whose notes are
searched for the disc. Twice to fifteen times what large honest files take on a busy machine
(`python -m tests.benchmarks limits`)."""
ROOM, LARGE, BYTES_EACH = GIB, 64 << 20, 4
"""Memory for any file, and for each byte more of one that is large: a log of 8 bits is held as
four bytes a sample."""
MOST_SECONDS = 600
_MOST_PROCESSES = 4
_PIPE = 1 << 20
"""Bytes that a pipe to a process holds, where that can be set: with 64 kB, 6 MB of pictures take
half as long again (12 ms, not 8, of both processes)."""
WAITS = 20
"""Wall time in times of processor time: a busy machine shares its processor."""
OWN_LIMITS = "SONIFY_READ_SECONDS", "SONIFY_READ_MB"


def limits_of(path: Path) -> tuple[int, int]:
    """Processor seconds and bytes that reading a file may take."""
    size = path.stat().st_size
    recorded = path.suffix.casefold() in (".mid", ".midi")
    each = SECONDS_EACH_KB * 1000 if recorded else SECONDS_EACH_MB
    seconds = min(MOST_SECONDS, int(SECONDS + each * size / 1e6))
    memory = ROOM + BYTES_EACH * max(0, size - LARGE)
    own = [os.environ.get(name, "") for name in OWN_LIMITS]
    return (
        int(own[0]) if own[0].isdecimal() and int(own[0]) else seconds,
        int(own[1]) * 1_000_000 if own[1].isdecimal() and int(own[1]) else memory,
    )


def limit_memory(most: int) -> None:
    """Limit the memory of this process to so much more than it has, where the system can."""
    with contextlib.suppress(ImportError, OSError, ValueError):
        import resource

        # on Linux this counts all that is private and may be written (man-pages, getrlimit(2))
        pages = int(Path("/proc/self/statm").read_text().split()[5])
        most += pages * os.sysconf("SC_PAGE_SIZE")
        _, hard = resource.getrlimit(resource.RLIMIT_DATA)
        most = most if hard == resource.RLIM_INFINITY else min(most, hard)
        resource.setrlimit(resource.RLIMIT_DATA, (most, hard))


def limit_time(seconds: int) -> None:
    """Limit the processor time of this process to so many seconds more, where the system can."""
    with contextlib.suppress(ImportError, OSError, ValueError):
        import resource

        used = resource.getrusage(resource.RUSAGE_SELF)
        most = int(used.ru_utime + used.ru_stime) + 1 + seconds
        _, hard = resource.getrlimit(resource.RLIMIT_CPU)
        most = most if hard == resource.RLIM_INFINITY else min(most, hard)
        resource.setrlimit(resource.RLIMIT_CPU, (most, hard))
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def limited(call: Callable[..., T], path: Path, *args: Any, **named: Any) -> T:
    """`call(*args, **named)`, which reads a file, under its `limits_of`.

    Its cautions and errors come up here. What it returns must be data that can be pickled.

    Raises
    ------
    InputError
        A limit was reached; which one, and how to raise it.
    """
    seconds, memory = limits_of(path)
    process = _server()
    timed = hasattr(signal, "SIGXCPU")
    try:
        asked = pickle.dumps(((seconds, memory), log.level(), call, args, named))
        answer, _ = process.communicate(asked, seconds * WAITS if timed else seconds)
    except subprocess.TimeoutExpired:
        _too_long(path, seconds)
    finally:
        process.kill()
        process.communicate()
    if timed and process.returncode == -signal.SIGXCPU:
        _too_long(path, seconds)
    try:
        said = pickle.loads(answer)
    except (EOFError, pickle.UnpicklingError):
        told = _status(process)
        raise InputError(f"what reads it broke off ({told}); is it damaged?", file=path) from None
    if said[0] == "memory":
        raise InputError(
            f"reading it takes more than {memory / GIB:.3g} GiB of memory; if you trust it, set "
            f"{OWN_LIMITS[1]}={memory * 4 // 1_000_000} in the environment",
            file=path,
        )
    return cast(T, _told(said))


class Beside(Generic[T]):
    """`call(*args, **named)` in a process of its own, while this one goes on.

    At the end of a `with` block the process is ended. What goes in and comes out must be data that
    can be pickled.
    """

    def __init__(self, call: Callable[..., T], *args: Any, **named: Any) -> None:
        self._process = _server()
        # its input stays open, so that the process notices when this one ends
        with contextlib.suppress(BrokenPipeError):
            _send(self._process, (None, log.level(), call, args, named))

    def result(self) -> T:
        """Wait for what the call returns. Its progress, cautions and errors come up here.

        Raises
        ------
        OutputError
            The process broke off.
        """
        source = self._process.stdout
        assert source is not None
        try:
            while isinstance(said := pickle.load(source), float):
                report(said)
        except (EOFError, pickle.UnpicklingError):
            self._process.wait()
            raise OutputError(f"what makes it broke off ({_status(self._process)})") from None
        if said[0] == "memory":
            raise MemoryError
        return cast(T, _told(said))

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._process.kill()
        self._process.communicate()


class Crew(Generic[A, T]):
    """`call(one)` for one thing after the other, in processes that are kept for the next.

    At the end of a `with` block they are ended. What goes in and comes out must be data that can be
    pickled.
    """

    def __init__(self, call: Callable[[A], T], size: int) -> None:
        from concurrent.futures import ThreadPoolExecutor

        self.size = size
        self._processes = [_server("serve_all") for _ in range(size)]
        self._idle: queue.SimpleQueue[subprocess.Popen[bytes]] = queue.SimpleQueue()
        for process in self._processes:
            with contextlib.suppress(BrokenPipeError):
                _send(process, call)
            self._idle.put(process)
        self._threads = ThreadPoolExecutor(size)

    def submit(self, one: A) -> Future[T]:
        """Make the call in a process that is idle, or as soon as there is one."""
        return self._threads.submit(self._ask, one)

    def _ask(self, one: A) -> T:
        process = self._idle.get()
        try:
            _send(process, one)
            assert process.stdout is not None
            said = pickle.load(process.stdout)
        except (EOFError, BrokenPipeError, pickle.UnpicklingError):
            process.wait()
            raise OutputError(f"what helps with it broke off ({_status(process)})") from None
        finally:
            self._idle.put(process)
        if isinstance(said, Exception):
            raise said
        return cast(T, said)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        for process in self._processes:
            process.kill()
        self._threads.shutdown(cancel_futures=True)
        for process in self._processes:
            process.communicate()


def most() -> int:
    """How many processes may work at once."""
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else None
    return min(cores or os.cpu_count() or 1, _MOST_PROCESSES) if sys.executable else 1


def _send(process: subprocess.Popen[bytes], what: object) -> None:
    assert process.stdin is not None
    pickle.dump(what, process.stdin, pickle.HIGHEST_PROTOCOL)
    process.stdin.flush()


def _server(serves: str = "serve") -> subprocess.Popen[bytes]:
    process = subprocess.Popen(
        [sys.executable, "-P", "-c", f"from sonify.limits import {serves}; {serves}()"],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE,
        env=os.environ | {"PYTHONPATH": os.pathsep.join(p for p in sys.path if p)},
    )  # fmt: skip
    with contextlib.suppress(ImportError, AttributeError, OSError):
        import fcntl

        fcntl.fcntl(cast("BinaryIO", process.stdin), fcntl.F_SETPIPE_SZ, _PIPE)
    return process


def _status(process: subprocess.Popen[bytes]) -> str:
    with contextlib.suppress(ValueError):
        return signal.Signals(-process.returncode).name
    return f"status {process.returncode}"


def _told(said: tuple[str, Any, list[Caution], list[log.Record]]) -> Any:
    """What a call returned; its cautions and errors come up here."""
    kind, value, cautions, records = said
    log.repeat(records)
    for one in cautions:
        warnings.warn(one, stacklevel=3)
    if kind == "error":
        raise value
    return value


def _too_long(path: Path, seconds: int) -> NoReturn:
    raise InputError(
        f"reading it takes more than {seconds} s of processor time; if you trust it, set "
        f"{OWN_LIMITS[0]}={seconds * 10} in the environment",
        file=path,
    ) from None


def serve() -> None:
    """Make the call that standard input asks for, and answer on standard output."""
    # the process that asked ends this one
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    limits, level, call, args, named = pickle.load(sys.stdin.buffer)
    records = log.kept(level)
    answer = os.fdopen(os.dup(1), "wb")
    # what a library prints is no answer
    os.dup2(2, 1)
    watched: contextlib.AbstractContextManager[None] = contextlib.nullcontext()
    if limits is None:
        threading.Thread(target=_end_with_parent, daemon=True).start()
        watched = watching(_percents(answer))
    else:
        limit_time(limits[0])
        limit_memory(limits[1])
    said: tuple[str, Any, list[Any], list[log.Record]]
    try:
        with watched, warnings.catch_warnings(record=True) as seen:
            warnings.simplefilter("always", Caution)
            said = "ok", call(*args, **named), [], records
        said[2].extend(w.message for w in seen if isinstance(w.message, Caution))
        out = pickle.dumps(said)
    except Exception as e:
        full = isinstance(e, MemoryError) or "Insufficient memory" in str(e)
        out = pickle.dumps(("memory", None, [], records) if full else ("error", e, [], records))
    answer.write(out)
    answer.flush()
    # nothing to tidy up
    os._exit(0)


def serve_all() -> None:
    """Make the call that standard input names with all that follows there."""
    # the process that asks ends this one
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    answer = os.fdopen(os.dup(1), "wb")
    # what a library prints is no answer
    os.dup2(2, 1)
    with contextlib.suppress(EOFError, pickle.UnpicklingError, BrokenPipeError):
        call = pickle.load(sys.stdin.buffer)
        while True:
            one = pickle.load(sys.stdin.buffer)
            try:
                said = call(one)
            except Exception as e:
                said = e
            pickle.dump(said, answer, pickle.HIGHEST_PROTOCOL)
            answer.flush()
    os._exit(0)


def _percents(answer: BinaryIO) -> Callable[[float], None]:
    """Tell each percent that is done, which is little enough to fit in the pipe."""
    told = 0

    def tell(share: float) -> None:
        nonlocal told
        if int(100 * share) > told:
            told = int(100 * share)
            pickle.dump(float(share), answer)
            answer.flush()

    return tell


def _end_with_parent() -> None:
    os.read(0, 1)
    os._exit(1)
