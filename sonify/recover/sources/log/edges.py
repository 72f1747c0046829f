"""Digital logs that hold changes only: edge lists (.csv) and value change dumps (.vcd).

A value change dump is the open format of IEEE Std 1364-2005, clause 18. An edge list is a table of
`time,channel,value`, or of `time,clock,data` with a line for each change.
"""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError
from sonify.recover.sources.log.samples import CLOCK, DATA, Channels, Floats, Samples

__all__ = ["changes_only", "edges_of", "is_edge_list", "open_dump", "open_edge_list"]

PER_PERIOD = 64
"""Samples in the usual time from one clock pulse to the next: times are rounded to less than 1 % of
a position, far less than the passage of a hole."""

MOSTLY = 0.9
"""Share of lines that change a level, from which a table is one of changes: a sampled log with as
few as two samples between changes has a share of one half."""

MOST_FRAMES = 100_000_000
"""Samples of a log at most: 800 MB as two channels of 32-bit numbers (own limit)."""

LONGEST_TIME = 20
"""Digits of a time: those of an unsigned number of 64 bits, as simulators count."""

CHANNELS = ("clock", "data")
UNITS = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9, "ps": 1e-12, "fs": 1e-15}

Changes = dict[str, tuple[NDArray[np.float64], NDArray[np.uint8]]]
"""When each channel changed, in s, and to what."""


def is_edge_list(names: list[str]) -> bool:
    """Whether a header is that of a table with one change a line: time, channel, value."""
    return Channels.named(names).time is not None and {"channel", "value"} <= set(names)


def open_edge_list(path: Path, separator: str, names: list[str], text: bytes, line: int) -> Samples:
    """A table with one change a line; its first line of `text` has the number `line`."""
    at = Channels.named(names)
    assert at.time is not None
    channel, value = names.index("channel"), names.index("value")
    found: dict[str, list[tuple[float, int]]] = {c: [] for c in CHANNELS}
    for number, row in enumerate(text.decode("utf-8", "replace").splitlines(), line):
        fields = row.split(separator)
        if not row.strip():
            continue
        try:
            name = _channel(fields[channel])
            if name is not None:
                found[name].append((float(fields[at.time]) * at.unit, int(fields[value])))
        except (ValueError, IndexError):
            raise InputError(
                "a time, a channel and 0 or 1 are needed", file=path, place=f"line {number}"
            ) from None
    return _sampled(path, {c: _arrays(found[c]) for c in CHANNELS}, None)


def open_dump(path: Path) -> Samples:
    """A value change dump with the one-bit variables clock and data.

    Raises
    ------
    InputError
        It declares no such variables, or holds no changes.
    """
    text = path.read_text("ascii", errors="replace")
    head, sign, body = text.partition("$enddefinitions")
    scale = re.search(r"\$timescale\s+(\d{1,3})\s*([munpf]?s)\s+\$end", head)
    if not sign or scale is None:
        raise InputError("this is no value change dump: it has no $timescale", file=path)
    declared = re.findall(r"\$var\s+\S+\s+1\s+(\S+)\s+(\S+)[^$]*\$end", head)
    names = {code: c for code, name in declared if (c := _channel(name)) is not None}
    if set(names.values()) != set(CHANNELS):
        known = ", ".join(name for _, name in declared) or "none"
        raise InputError(f"its one-bit variables are {known}; clock and data are needed", file=path)
    unit = int(scale[1]) * UNITS[scale[2]]
    found: dict[str, list[tuple[float, int]]] = {c: [] for c in CHANNELS}
    now, last = 0.0, 0.0
    for time, value, code in re.findall(r"#(\d+)|(?:^|\s)b?([01])\s?(\S+)", body):
        if len(time) > LONGEST_TIME:
            raise InputError(
                f"a time of {len(time):,} digits; it may have at most {LONGEST_TIME}",
                file=path, place=f"#{time[:8]}...",
            )  # fmt: skip
        if time:
            now = int(time) * unit
            last = max(last, now)
        elif code in names:
            found[names[code]].append((now, int(value)))
    return _sampled(path, {c: _arrays(found[c]) for c in CHANNELS}, last)


def changes_only(levels: Floats) -> bool:
    """Whether a table of levels, shape (lines, 2), has a line for each change and no more."""
    if not np.isin(levels, (0, 1)).all():
        return False
    # a sampled log repeats each level many times; a signal that never changes has one line
    return len(levels) < 3 or float((np.diff(levels, axis=0) != 0).any(axis=1).mean()) > MOSTLY


def edges_of(path: Path, times: NDArray[np.float64], levels: Floats) -> Samples:
    """A table of `time,clock,data` with a line for each change: times in s, and levels."""
    both = {c: (times, levels[:, k].astype(np.uint8)) for k, c in enumerate(CHANNELS)}
    return _sampled(path, both, None)


def _channel(name: str) -> str | None:
    plain = name.strip().strip('"').casefold()
    for channel, names in zip(CHANNELS, (CLOCK, DATA), strict=True):
        if plain in names:
            return channel
    return None


def _arrays(changes: list[tuple[float, int]]) -> tuple[NDArray[np.float64], NDArray[np.uint8]]:
    both = np.array(changes, float).reshape(-1, 2)
    return both[:, 0], both[:, 1].astype(np.uint8)


def _sampled(path: Path, changes: Changes, end: float | None) -> Samples:
    """Changes as samples, dense enough for the pulses of the clock, or of the data if the clock
    does not change."""
    if any((np.diff(times) < 0).any() for times, _ in changes.values()):
        raise InputError("its times do not rise; each change needs its time in s", file=path)
    ends = [t[k] for t, _ in changes.values() if len(t) for k in (0, -1)]
    if not ends:
        raise InputError("it holds no changes; record the detectors again", file=path)
    first, last = min(ends), max(ends)
    period = max(last if end is None else end, last) - first or 1.0
    for name in reversed(CHANNELS):
        times, values = changes[name]
        rises = times[1:][np.diff(values.astype(int)) > 0]
        period = float(np.median(np.diff(rises))) if len(rises) > 1 else period
    long = max(last if end is None else end, last) - first + period
    if not period > 0 or long * PER_PERIOD / period > MOST_FRAMES:
        raise InputError("its times span too much for its clock; cut it to one reading", file=path)
    frames = int(long * PER_PERIOD / period)
    at = first + (np.arange(frames) + 0.5) * period / PER_PERIOD
    out = np.zeros((frames, 2), np.float32)
    for k, name in enumerate(CHANNELS):
        times, values = changes[name]
        if len(times):
            out[:, k] = values[np.maximum(np.searchsorted(times, at, "right") - 1, 0)]
    return Samples(
        path, frames, PER_PERIOD / period, lambda start, count: out[start : start + count]
    )
