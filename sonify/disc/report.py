"""Facts about a disc for `inspect` and `encode`, as plain values and as lines of text."""

from __future__ import annotations

from itertools import groupby
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from sonify.disc.code import reed_solomon
from sonify.disc.code.decoding import FAILED, REPAIRED
from sonify.disc.code.encoding import message_units, room
from sonify.errors import plural
from sonify.settings import to_builtins

if TYPE_CHECKING:
    from sonify.disc.disc import Disc
    from sonify.disc.geometry.cautions import Workshop

__all__ = [
    "code_facts",
    "code_is_simple",
    "code_lines",
    "decoding_facts",
    "decoding_lines",
    "geometry_facts",
    "geometry_lines",
    "marked_message",
    "plural",
]

MOST_LISTED = 12

VERDICTS = {
    "valid": "valid: the check confirms the message as read",
    "repaired": "repaired: the check confirms the message after repair",
    "failed": "failed: the check fails, or some characters can't be read",
    "unchecked": "unchecked: the code has no check, so errors would go unnoticed",
}


def marked_message(disc: Disc) -> str | None:
    """The message with each run of failed characters as it was read, in brackets."""
    if disc.decoding is None:
        return None
    failed = (disc.decoding.characters["state"] == FAILED).tolist()
    runs = groupby(zip(disc.decoding.as_read, failed, strict=True), key=lambda c: c[1])
    texts = ((bad, "".join(char for char, _ in run)) for bad, run in runs)
    return "".join(f"[{text}]" if bad else text for bad, text in texts)


def code_facts(disc: Disc) -> dict[str, Any] | None:
    """The code of a disc and how full it is; None without a code."""
    code, decoding = disc.code, disc.decoding
    if code is None:
        return None
    held = room(disc.rows, disc.positions, code)
    text = "" if decoding is None or decoding.failed else decoding.text
    used = len(message_units(text, code)) if text else None
    redundancy = None
    if code.check == "reed-solomon":
        redundancy = reed_solomon.plan(disc.rows, disc.positions, code.share).redundancy
    return {
        "alphabet": code.alphabet,
        "bit_order": code.bit_order,
        "framing": code.framing,
        "check": code.check,
        "redundancy": redundancy,
        "bits_per_character": code.unit_bits,
        "units": used,
        "room_units": held,
        "spare_units": None if used is None else held - used,
    }


def code_is_simple(facts: dict[str, Any]) -> bool:
    """Whether each character is one code unit."""
    return bool(facts["alphabet"] == "ascii")


def code_lines(disc: Disc) -> list[str]:
    """The code as text."""
    facts = code_facts(disc)
    if facts is None:
        return []
    line = f"{facts['alphabet']}, {facts['bit_order']}, {facts['framing']}, check {facts['check']}"
    if facts["redundancy"] is not None:
        line += f" ({facts['redundancy']:.0%} of the disc)"
    if facts["spare_units"] is not None:
        unit = "character" if code_is_simple(facts) else "code unit"
        line += f"; {plural(facts['spare_units'], unit)} free"
    return [line]


def decoding_facts(disc: Disc) -> dict[str, Any] | None:
    """The verdict, and what was repaired or failed (counted from 0); None without a code."""
    decoding = disc.decoding
    if decoding is None:
        return None
    state = decoding.characters["state"]
    return {
        "verdict": decoding.verdict,
        "reasons": list(decoding.reasons),
        "repaired_characters": np.flatnonzero(state == REPAIRED).tolist(),
        "failed_characters": np.flatnonzero(state == FAILED).tolist(),
        "repaired_bits": _places(decoding.repaired_bits, disc.positions),
        "failed_bits": _places(decoding.failed_bits, disc.positions),
    }


def _places(index: NDArray[np.int64], positions: int) -> list[dict[str, int]]:
    row, position = np.divmod(index, positions)
    return [{"row": r, "position": p} for r, p in zip(row.tolist(), position.tolist(), strict=True)]


def decoding_lines(disc: Disc) -> list[str]:
    """The verdict, and what was repaired or failed, as text (counted from 1)."""
    decoding = disc.decoding
    if decoding is None:
        return []
    lines = [VERDICTS[decoding.verdict], *decoding.reasons]
    for name, state, bits in (
        ("repaired", REPAIRED, decoding.repaired_bits),
        ("failed", FAILED, decoding.failed_bits),
    ):
        index = np.flatnonzero(decoding.characters["state"] == state)
        if len(index):
            lines.append(f"{name} characters: {_listed((index + 1).tolist())}")
        lines.extend(f"{name} bits: {text}" for text in _by_row(bits, disc.positions))
    return lines


def _listed(values: list[int]) -> str:
    """Numbers in ascending order, with runs as ranges: 1 to 4, 7, 9."""
    groups = groupby(enumerate(values), key=lambda pair: pair[1] - pair[0])
    runs = [[value for _, value in group] for _, group in groups]
    shown = [f"{r[0]:,}" + (f" to {r[-1]:,}" if len(r) > 1 else "") for r in runs[:MOST_LISTED]]
    more = sum(map(len, runs[MOST_LISTED:]))
    return ", ".join(shown) + (f" and {more:,} more" if more else "")


def _by_row(index: NDArray[np.int64], positions: int) -> list[str]:
    rows, starts = np.unique(index // positions, return_index=True)
    out = []
    for row, at in zip(rows[:MOST_LISTED], np.split(index, starts[1:]), strict=False):
        some = f"positions {_listed((at % positions + 1).tolist())}"
        out.append(f"row {row + 1}, {'all positions' if len(at) == positions else some}")
    if len(rows) > MOST_LISTED:
        left = len(index) - int(starts[MOST_LISTED])
        out.append(f"{left:,} more in {len(rows) - MOST_LISTED:,} other rows")
    return out


def geometry_facts(shop: Workshop) -> dict[str, Any]:
    """The sizes of a disc, its thinnest web, and its balance; lengths in mm."""
    web = shop.webs.thinnest
    return {
        **{k.replace("-", "_"): v for k, v in to_builtins(shop.geometry).items()},
        "derived": shop.derived,
        "thinnest_web": web.width,
        "thinnest_web_at": [str(web.one), str(web.other)],
        "thin_webs": shop.webs.thin,
        "touching_holes": shop.webs.touching,
        "area_mm2": shop.mass.area,
        "centre_of_mass_mm": [shop.mass.x, shop.mass.y],
        "pull_n_per_kg": shop.force_n_per_kg,
        "row_open_share": shop.open_share,
    }


def geometry_lines(shop: Workshop) -> list[tuple[str, str]]:
    """The sizes of a disc as text, each with a short name."""
    g = shop.geometry
    derived = " (derived: the disc gives no sizes)" if shop.derived else ""
    keep_outs = [("keep-outs", f"{len(g.keep_out):,}")] if g.keep_out else []
    return [
        (
            "disc",
            f"{g.outer_diameter:g} mm diameter, {g.bore_diameter:g} mm bore, "
            f"{g.hole_diameter:g} mm holes{derived}",
        ),
        (
            "rows",
            f"clock row at radius {g.clock_radius:g} mm; {plural(len(shop.open_share), 'row')} "
            f"from radius {g.first_row_radius:g} mm, pitch {g.row_pitch:g} mm",
        ),
        *keep_outs,
        ("web", f"thinnest {shop.webs.thinnest}"),
        ("balance", f"centre of mass {shop.mass.offset:.2f} mm from the axis"),
    ]
