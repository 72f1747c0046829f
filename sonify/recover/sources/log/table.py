"""Detector logs as text: a header that names the columns, then a line a sample."""

from __future__ import annotations

import re
import warnings
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError
from sonify.recover.sources.log.samples import (
    _UNIT,
    CLOCK_NAMES,
    DATA_NAMES,
    TIME_NAMES,
    Floats,
    _need_rate,
    _rate_of_times,
    finite,
)

__all__ = ["is_log_header", "open_table"]

CHUNK = 16 * 1024 * 1024
MAX_LINE = 4096
SEPARATORS = (",", ";", "\t", " ")
PREAMBLE = 60  # lines of a recorder's own before the header
_WITH_UNIT = re.compile(r"(.+?)\s*[(\[]\s*([^)\]]*?)\s*[)\]]")
_TIME_UNITS = {"s": 1.0, "sec": 1.0, "ms": 1e-3, "us": 1e-6, "\u00b5s": 1e-6, "\u03bcs": 1e-6}


def _split(head: str) -> tuple[str, list[str]]:
    for separator in SEPARATORS:
        names = [n.strip().strip('"').casefold() for n in head.split(separator)]
        if len(names) > 1:
            return separator, names
    return ",", [head.strip().casefold()]


def _plain(name: str) -> tuple[str, str]:
    """A column's name and its unit, as in "Time (ms)" or "clock [V]"."""
    found = _WITH_UNIT.fullmatch(name)
    return (found[1], found[2]) if found else (name, "")


def is_log_header(head: str) -> bool:
    """Whether a line names the channels of a log."""
    columns = _split(head)[1]
    names = {_plain(n)[0] for n in columns}
    if len(columns) < 2:
        return False
    return bool(names & set(CLOCK_NAMES)) or bool(names & set(DATA_NAMES))


@dataclass
class TableSamples:
    """Samples in a text file, parsed a chunk at a time."""

    path: Path
    frames: int
    rate: float
    notes: list[str]
    separator: bytes
    columns: int
    pick: tuple[int, int]
    begin: int
    bytes_a_line: float
    comma: bool
    first_line: int = 2

    def _numbers(self, text: bytes, line: int | None) -> NDArray[np.float64]:
        """Whole lines as numbers, shape (lines, columns)."""
        if self.comma:
            text = text.replace(b",", b".")
        flat = text.replace(b"\r", b"").strip(b"\n").replace(b"\n", self.separator)
        lines = text.strip(b"\r\n").count(b"\n") + 1 if flat else 0
        with warnings.catch_warnings():
            warnings.simplefilter("error", DeprecationWarning)
            try:
                values = np.fromstring(flat.decode("ascii"), float, sep=self.separator.decode())
            except (DeprecationWarning, ValueError, UnicodeDecodeError):
                values = np.empty(0)
        if len(values) != lines * self.columns:
            return self._slowly(text, line)
        return values.reshape(lines, self.columns)

    def _slowly(self, text: bytes, line: int | None) -> NDArray[np.float64]:
        """The same, line by line: leaves out empty ones, and names the first that is wrong."""
        out = []
        for n, one in enumerate(text.split(b"\n")):
            if not one.strip() or one.lstrip().startswith(b"#"):
                continue
            try:
                values = [float(v) for v in one.split(self.separator)]
            except ValueError:
                values = []
            if len(values) != self.columns:
                raise InputError(
                    f"{self.columns} numbers are needed, as in the header",
                    file=self.path,
                    place=None if line is None else f"line {line + n}",
                )
            out.append(values)
        return np.array(out, float).reshape(-1, self.columns)

    def window(self, start: int, count: int) -> Floats:
        """Some samples from about `start`."""
        at = self.begin + int(start * self.bytes_a_line)
        with self.path.open("rb") as f:
            f.seek(at)
            if start > 0:
                f.readline(MAX_LINE)
            text = f.read(int(count * self.bytes_a_line * 1.1) + 64)
        text = text[: text.rfind(b"\n") + 1] or text
        values = self._numbers(text, None)
        return np.ascontiguousarray(values[:count, list(self.pick)], np.float32)

    def blocks(self) -> Iterator[Floats]:
        """All samples."""
        first, line, rest = 0, self.first_line, b""
        with self.path.open("rb") as f:
            f.seek(self.begin)
            while True:
                text = f.read(CHUNK)
                if not text and not rest:
                    break
                text = rest + text
                cut = text.rfind(b"\n") + 1 if len(text) >= CHUNK else len(text)
                if cut == 0 and len(text) > CHUNK:
                    raise InputError("a line of it has no end", file=self.path)
                text, rest = text[:cut], text[cut:]
                values = self._numbers(text, line)
                line += text.count(b"\n")
                block = np.ascontiguousarray(values[:, list(self.pick)], np.float32)
                yield finite(block, first, self.path)
                first += len(block)


def _header(f: BinaryIO) -> tuple[str, int]:
    """The line that names the channels, past a recorder's own lines, and its number; if there is
    none, the first line that is not empty. The file is left behind it."""
    first: tuple[str, int, int] | None = None
    for number in range(1, PREAMBLE + 1):
        raw = f.readline(MAX_LINE)
        if not raw:
            break
        head = raw.decode("utf-8", "replace").lstrip("\ufeff").strip()
        if not head or head.startswith("#"):
            continue
        if is_log_header(head):
            return head, number
        first = first or (head, number, f.tell())
    head, number, at = first or ("", 1, f.tell())
    f.seek(at)
    return head, number


def _without(head: str) -> str:
    """How to say that a header lacks a column."""
    try:
        [float(v.replace(",", ".")) for v in _split(head)[1]]
    except ValueError:
        return "its header has no column"
    return "it has no header, so no column is"


def open_table(path: Path, rate: float | None) -> TableSamples:
    """A log in a .csv file: a header with time (or none, with a sample rate), clock and data."""
    with path.open("rb") as f:
        head, number = _header(f)
        begin = f.tell()
        some = f.read(1 << 18)
    separator, with_units = _split(head)
    names = [_plain(n)[0] for n in with_units]
    time = next((names.index(n) for n in TIME_NAMES if n in names), None)
    found = []
    for wanted, called in ((CLOCK_NAMES, "clock"), (DATA_NAMES, "data")):
        at = next((names.index(n) for n in wanted if n in names), None)
        if at is None:
            raise InputError(
                f"{_without(head)} '{called}'; a log needs a line that names its channels: "
                "time,clock,data",
                file=path,
                place=f"line {number}",
                hint="without times, name clock,data and give {sample-rate}",
            )
        found.append(at)
    some = some[: some.rfind(b"\n") + 1] or some
    lines = max(1, some.count(b"\n"))
    size = path.stat().st_size - begin
    a_line = max(2.0, len(some) / lines)
    log = TableSamples(
        path,
        max(0, int(size / a_line)),
        1.0,
        [],
        separator.encode(),
        len(names),
        (found[0], found[1]),
        begin,
        a_line,
        comma=separator != "," and b"," in some and b"." not in some,
        first_line=number + 1,
    )
    if not some.strip():
        raise InputError("it has a header and no samples", file=path)
    if time is not None and rate is None:
        times = log._numbers(some, log.first_line)[:, time]
        unit = _TIME_UNITS.get(_plain(with_units[time])[1], _UNIT.get(names[time], 1.0))
        log.rate = _rate_of_times(times, path) / unit
    else:
        log.rate = _need_rate(rate, path)
    return log
