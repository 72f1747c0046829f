"""Answers to the page: a header of JSON, then arrays, each where a typed array can lie.

Bytes 0 to 3: the header's length, little-endian. Then the header, UTF-8, filled up with spaces to
a multiple of 8 bytes, counted from the beginning. Then the arrays, each filled up to 8 bytes;
`header["arrays"]` says of each `[name, type, offset, length]`, with the offset from the first
byte after the header.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["pack", "unpack"]

_TYPES = {"f8": "f8", "f4": "f4", "i4": "i4", "u4": "u4", "i2": "i2", "u2": "u2", "u1": "u1",
          "i1": "i1"}  # fmt: skip


def pack(header: Mapping[str, Any], arrays: Mapping[str, NDArray[Any]]) -> bytes:
    """A header and named arrays of one dimension as bytes."""
    index = []
    blocks: list[bytes] = []
    at = 0
    for name, array in arrays.items():
        kind = _TYPES[array.dtype.newbyteorder("=").str[1:]]
        raw = np.ascontiguousarray(array).astype(f"<{kind}", copy=False).tobytes()
        index.append([name, kind, at, len(array)])
        fill = -len(raw) % 8
        blocks += [raw, b"\0" * fill]
        at += len(raw) + fill
    head = json.dumps({**header, "arrays": index}, ensure_ascii=False, separators=(",", ":"))
    lead = head.encode("utf-8")
    lead += b" " * (-(len(lead) + 4) % 8)
    return b"".join([len(lead).to_bytes(4, "little"), lead, *blocks])


def unpack(data: bytes) -> tuple[dict[str, Any], dict[str, NDArray[Any]]]:
    """The same, read back."""
    size = int.from_bytes(data[:4], "little")
    header = json.loads(data[4 : 4 + size])
    base = 4 + size
    arrays = {
        name: np.frombuffer(data, f"<{kind}", count, base + at)
        for name, kind, at, count in header["arrays"]
    }
    return header, arrays
