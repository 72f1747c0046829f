"""Damages files: bytes, numbers, structure. All chance comes from one seeded generator."""

from __future__ import annotations

import json
import random
import re

TOKENS = (
    b"\0", b"\xff\xfe", b"\xed\xa0\x80", b"\x1b[31m", b"\x9b", b"nan", b"inf", b"-inf", b"1e309",
    b"-1", b"0", b"99999999999999999999", b"9" * 5000, b"1e-320", b"[" * 3000, b"{a=" * 400,
    b"((" * 2000, b'"', b"'''", b"\n", b"\r", b"\t", b",", b";", b"=", b"#", b"\\", b"\\u0000",
    "\u202e".encode(), "\ufeff".encode(), b"4294967295", b"\x7f\xff\xff\xff", b"\x80\0\0\0",
    b"<use href='#a'/>", b"<!ENTITY a '&a;&a;'>", b"MThd", b"MTrk", b"\xff\x58\x04", b"\xff\x51",
)  # fmt: skip
NUMBER = re.compile(rb"-?\d+(?:\.\d+)?")
NUMBERS = (
    b"0", b"-0", b"-1", b"1e9", b"1e18", b"1e308", b"nan", b"inf", b"0.0000001", b"2147483648",
    b"65536", b"18446744073709551616", b"1" + b"0" * 4400, b"3.5", b"",
)  # fmt: skip


def _flip(data: bytearray, rng: random.Random) -> None:
    for _ in range(rng.choice((1, 1, 2, 8, 40))):
        if data:
            data[rng.randrange(len(data))] ^= 1 << rng.randrange(8)


def _replace(data: bytearray, rng: random.Random) -> None:
    if data:
        at = rng.randrange(len(data))
        size = min(len(data) - at, rng.choice((1, 2, 4, 8)))
        data[at : at + size] = rng.choice(
            (b"\0" * size, b"\xff" * size, rng.randbytes(size), b"\x80" * size)
        )


def _insert(data: bytearray, rng: random.Random) -> None:
    at = rng.randrange(len(data) + 1)
    data[at:at] = rng.choice(TOKENS)


def _cut(data: bytearray, rng: random.Random) -> None:
    if rng.random() < 0.5:
        del data[rng.randrange(len(data) + 1) :]
    elif data:
        at = rng.randrange(len(data))
        del data[at : at + rng.randrange(1, 200)]


def _repeat(data: bytearray, rng: random.Random) -> None:
    if data:
        at = rng.randrange(len(data))
        part = bytes(data[at : at + rng.randrange(1, 300)])
        data[at:at] = part * rng.choice((1, 2, 30))


def _number(data: bytearray, rng: random.Random) -> None:
    found = list(NUMBER.finditer(bytes(data)))
    if found:
        m = rng.choice(found)
        data[m.start() : m.end()] = rng.choice(NUMBERS)


def _swap_lines(data: bytearray, rng: random.Random) -> None:
    lines = bytes(data).split(b"\n")
    if len(lines) > 2:
        a, b = rng.randrange(len(lines)), rng.randrange(len(lines))
        lines[a], lines[b] = lines[b], lines[a]
        if rng.random() < 0.3:
            del lines[rng.randrange(len(lines))]
        data[:] = b"\n".join(lines)


WAYS = (_flip, _replace, _insert, _cut, _repeat, _number, _number, _swap_lines)


def damaged(data: bytes, other: bytes, seed: int) -> bytes:
    """A damaged copy of a file, at times spliced with another one of its kind."""
    rng = random.Random(seed)
    out = bytearray(data)
    if rng.random() < 0.05:
        out = out[: rng.randrange(len(out) + 1)] + other[rng.randrange(len(other) + 1) :]
    for _ in range(rng.choice((1, 1, 1, 2, 3, 6))):
        rng.choice(WAYS)(out, rng)
    return bytes(out)


def damaged_line(lines: str, seed: int) -> str:
    """A damaged `key=value` from a JSON list of them."""
    rng = random.Random(seed)
    line = rng.choice(json.loads(lines))
    data = damaged(line.encode(), line.encode(), seed)
    return data.replace(b"\0", b"").decode("utf-8", "surrogateescape")[:100_000]
