"""Answers to the page: a JSON header, then arrays aligned for JavaScript's typed arrays.

Bytes 0 to 3 are the header's length, little-endian. The header follows in UTF-8, padded with
spaces so that it ends at a multiple of 8 bytes. The arrays follow, each padded to 8 bytes.
`header["arrays"]` lists `[name, type, offset, length]`; offsets count from the end of the header.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["pack"]


def pack(header: Mapping[str, Any], arrays: Mapping[str, NDArray[Any]]) -> bytes:
    """Pack a header and named one-dimensional arrays of the types that `api.js` lists."""
    index = []
    blocks: list[bytes] = []
    at = 0
    for name, array in arrays.items():
        kind = array.dtype.str[1:]
        raw = np.ascontiguousarray(array).astype(f"<{kind}", copy=False).tobytes()
        index.append([name, kind, at, len(array)])
        fill = -len(raw) % 8
        blocks += [raw, b"\0" * fill]
        at += len(raw) + fill
    head = json.dumps({**header, "arrays": index}, ensure_ascii=False, separators=(",", ":"))
    lead = head.encode("utf-8")
    lead += b" " * (-(len(lead) + 4) % 8)
    return b"".join([len(lead).to_bytes(4, "little"), lead, *blocks])
