"""Detector logs as text: a header that names the columns, then a line per sample."""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError
from sonify.recover.sources.log.edges import (
    changes_only,
    edges_of,
    is_edge_list,
    open_edge_list,
)
from sonify.recover.sources.log.samples import Channels, Floats, Samples, sample_rate

__all__ = ["PREAMBLE", "is_log_header", "open_table"]

CHUNK = 16 * 1024 * 1024
"""Bytes parsed at a time."""

MAX_LINE = 4096
"""Bytes of a header line that are read."""

SOME = 1 << 18
"""Bytes that tell a decimal comma, and samples that tell the rate, at most."""

SEPARATORS = (",", ";", "\t", " ")

PREAMBLE = 60
"""Lines of a recorder's own that may come before the header."""

GAP = 1.5
"""Usual times between samples from which on at least one is missing: half of one is rounding."""

SELDOM = 0.01
"""Share of samples before gaps at most: a recorder that misses more keeps no even time."""

MISSING = 10
"""Times as many samples missing as there are, at most: of a longer log next to nothing is known."""


def _split(head: str) -> tuple[str, list[str]]:
    for separator in SEPARATORS:
        names = [n.strip().strip('"').casefold() for n in head.split(separator)]
        if len(names) > 1:
            return separator, names
    return ",", [head.strip().casefold()]


def is_log_header(head: str) -> bool:
    """Whether a line names the channels of a log."""
    names = _split(head)[1]
    at = Channels.named(names)
    return len(names) > 1 and (at.clock is not None or at.data is not None or is_edge_list(names))


@dataclass(frozen=True)
class _Parser:
    """Lines of numbers in a text file."""

    path: Path
    separator: str
    columns: int
    decimal_comma: bool

    def numbers(self, text: bytes, line: int) -> NDArray[np.float64]:
        """Whole lines, of which the first has this number, shape (lines, columns)."""
        if self.decimal_comma:
            text = text.replace(b",", b".")
        flat = text.replace(b"\r", b"").strip(b"\n").replace(b"\n", self.separator.encode())
        lines = text.strip(b"\r\n").count(b"\n") + 1 if flat else 0
        with warnings.catch_warnings():
            warnings.simplefilter("error", DeprecationWarning)
            try:
                values = np.fromstring(flat.decode("ascii"), float, sep=self.separator)
            except (DeprecationWarning, ValueError, UnicodeDecodeError):
                values = np.empty(0)
        if len(values) != lines * self.columns:
            return self._line_by_line(text, line)
        return values.reshape(lines, self.columns)

    def _line_by_line(self, text: bytes, line: int) -> NDArray[np.float64]:
        """The same without empty lines and comments; names the first line that is wrong."""
        out = []
        for n, one in enumerate(text.split(b"\n"), line):
            if not one.strip() or one.lstrip().startswith(b"#"):
                continue
            try:
                values = [float(v) for v in one.split(self.separator.encode())]
            except ValueError:
                values = []
            if len(values) != self.columns:
                raise InputError(
                    f"{self.columns} numbers are needed, as in the header",
                    file=self.path,
                    place=f"line {n}",
                )
            out.append(values)
        return np.array(out, float).reshape(-1, self.columns)


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


def open_table(path: Path, rate: float | None) -> Samples:
    """A log in a text file: a header with time (or none, with a sample rate), clock and data; with
    a line for each sample, or for each change of a digital signal."""
    with path.open("rb") as f:
        head, number = _header(f)
        separator, names = _split(head)
        if is_edge_list(names):
            return open_edge_list(path, separator, names, f.read(), number + 1)
        at = _columns(names, number, path)
        blocks, times, line = list[Floats](), list[NDArray[np.float64]](), number + 1
        while text := f.read(CHUNK):
            text += f.readline(MAX_LINE)
            if not blocks:
                comma = separator != "," and b"," in text[:SOME] and b"." not in text[:SOME]
                parser = _Parser(path, separator, len(names), comma)
            values = parser.numbers(text, line)
            if at.time is not None:
                times.append(values[:, at.time])
            blocks.append(values[:, at.both].astype(np.float32))
            line += text.count(b"\n")
    if not sum(map(len, blocks)):
        raise InputError("it has a header and no samples", file=path)
    both = np.concatenate(blocks)
    if times and rate is None and changes_only(both):
        return edges_of(path, np.concatenate(times) * at.unit, both)
    rate = sample_rate(rate, times[0][:SOME] if times else None, at.unit, path)
    gaps: list[tuple[float, float]] = []
    if times:
        both, gaps = _filled(path, both, np.concatenate(times) * at.unit, rate)
    remarks = [f"{len(gaps)} gaps between samples, near {gaps[0][0]:.3f} s"] if gaps else []
    return Samples(
        path, len(both), rate, lambda start, count: both[start : start + count], remarks, gaps
    )


def _filled(
    path: Path, both: Floats, times: NDArray[np.float64], rate: float
) -> tuple[Floats, list[tuple[float, float]]]:
    """Samples with the level held where the file's times, in s, leave a gap; and those gaps."""
    steps = np.diff(times) * rate
    # where times go back, one of them is wrong, and tells of no gap
    back = np.flatnonzero(~(steps >= 0))
    steps[np.clip([back - 1, back, back + 1], 0, len(steps) - 1)] = 1
    gaps = np.flatnonzero(steps > GAP)
    # times that are no even grid, apart from a few gaps, say nothing of missing samples
    if not len(gaps) or len(gaps) > SELDOM * len(steps) or np.percentile(steps, 1) < 1 / GAP:
        return both, []
    if steps[gaps].sum() > MISSING * len(both):
        k = gaps[steps[gaps].argmax()]
        raise InputError(
            f"from {times[k]:.6g} to {times[k + 1]:.6g} s it has no samples, much longer than all "
            "that it has; is a time wrong?",
            file=path,
            place=f"sample {k + 2:,}",
        )
    index = np.concatenate([[0], np.cumsum(np.maximum(1, np.rint(steps)).astype(np.int64))])
    at = np.searchsorted(index, np.arange(index[-1] + 1), "right") - 1
    found = [(float(times[k] - times[0]), float((steps[k] - 1) / rate)) for k in gaps]
    return both[at], found


def _columns(names: list[str], number: int, path: Path) -> Channels:
    """The columns of the header, which is line `number`."""
    at = Channels.named(names)
    if len(at.both) < 2:
        raise InputError(
            f"{_lacks(names, 'clock' if at.clock is None else 'data')}; a log needs a line that "
            "names its channels: time,clock,data",
            file=path,
            place=f"line {number}",
            hint="without times, name clock,data and give {sample-rate}",
        )
    return at
