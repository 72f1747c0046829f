"""Detector logs as text: a header that names the columns, then a line per sample."""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError
from sonify.recover.sources.log.columns import Columns, Floats, finite, given_rate, rate_of_times

__all__ = ["PREAMBLE", "is_log_header", "open_table"]

CHUNK = 16 * 1024 * 1024
"""Bytes parsed at a time."""

MAX_LINE = 4096
SOME = 1 << 18
"""Bytes from which the length of a line and the sample rate are estimated."""

SEPARATORS = (",", ";", "\t", " ")

PREAMBLE = 60
"""Lines of a recorder's own that may come before the header."""


def _split(head: str) -> tuple[str, list[str]]:
    for separator in SEPARATORS:
        names = [n.strip().strip('"').casefold() for n in head.split(separator)]
        if len(names) > 1:
            return separator, names
    return ",", [head.strip().casefold()]


def is_log_header(head: str) -> bool:
    """Whether a line names the channels of a log."""
    names = _split(head)[1]
    at = Columns.named(names)
    return len(names) > 1 and (at.clock is not None or at.data is not None)


@dataclass
class TableSamples:
    """Samples in a text file, parsed a chunk at a time."""

    path: Path
    frames: int
    rate: float
    separator: bytes
    columns: int
    pick: list[int]
    begin: int
    bytes_per_line: float
    decimal_comma: bool
    first_line: int
    remarks: list[str] = field(default_factory=list)

    def numbers(self, text: bytes, line: int | None) -> NDArray[np.float64]:
        """Whole lines as numbers, shape (lines, columns)."""
        if self.decimal_comma:
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
            return self._line_by_line(text, line)
        return values.reshape(lines, self.columns)

    def _line_by_line(self, text: bytes, line: int | None) -> NDArray[np.float64]:
        """The same without empty lines and comments; names the first line that is wrong."""
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
        """Samples from about `start` on."""
        with self.path.open("rb") as f:
            f.seek(self.begin + int(start * self.bytes_per_line))
            if start > 0:
                f.readline(MAX_LINE)
            text = _whole_lines(f.read(int(count * self.bytes_per_line * 1.1) + 64))
        return np.ascontiguousarray(self.numbers(text, None)[:count, self.pick], np.float32)

    def blocks(self) -> Iterator[Floats]:
        """All samples."""
        first, line, rest = 0, self.first_line, b""
        with self.path.open("rb") as f:
            f.seek(self.begin)
            while text := rest + (read := f.read(CHUNK)):
                cut = text.rfind(b"\n") + 1 if len(text) >= CHUNK else len(text)
                if cut == 0 and (len(text) > CHUNK or not read):
                    raise InputError("one of its lines does not end", file=self.path)
                text, rest = text[:cut], text[cut:]
                values = self.numbers(text, line)
                line += text.count(b"\n")
                block = np.ascontiguousarray(values[:, self.pick], np.float32)
                yield finite(block, first, self.path)
                first += len(block)


def _whole_lines(text: bytes) -> bytes:
    return text[: text.rfind(b"\n") + 1] or text


def _header(f: BinaryIO) -> tuple[str, int]:
    """The line that names the channels and its number, past a recorder's own lines; without one,
    the first line that is not empty. The file is left after it."""
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


def _lacks(names: list[str], channel: str) -> str:
    """How to say that a header lacks a column."""
    try:
        [float(n.replace(",", ".")) for n in names]
    except ValueError:
        return f"its header has no column '{channel}'"
    return f"it has no header, so no column is '{channel}'"


def open_table(path: Path, rate: float | None) -> TableSamples:
    """A log in a text file: a header with time (or none, with a sample rate), clock and data."""
    with path.open("rb") as f:
        head, number = _header(f)
        begin = f.tell()
        some = _whole_lines(f.read(SOME))
    separator, names = _split(head)
    at = Columns.named(names)
    if at.clock is None or at.data is None:
        raise InputError(
            f"{_lacks(names, 'clock' if at.clock is None else 'data')}; a log needs a line that "
            "names its channels: time,clock,data",
            file=path,
            place=f"line {number}",
            hint="without times, name clock,data and give {sample-rate}",
        )
    per_line = max(2.0, len(some) / max(1, some.count(b"\n")))
    log = TableSamples(
        path,
        frames=max(0, int((path.stat().st_size - begin) / per_line)),
        rate=1.0,
        separator=separator.encode(),
        columns=len(names),
        pick=[at.clock, at.data],
        begin=begin,
        bytes_per_line=per_line,
        decimal_comma=separator != "," and b"," in some and b"." not in some,
        first_line=number + 1,
    )
    if not some.strip():
        raise InputError("it has a header and no samples", file=path)
    if at.time is not None and rate is None:
        log.rate = rate_of_times(log.numbers(some, log.first_line)[:, at.time], path) / at.unit
    else:
        log.rate = given_rate(rate, path)
    return log
