"""What a check found, in plain words and as plain values, for `inspect`, `encode` and others."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from sonify.disc.code import reed_solomon
from sonify.disc.code.decoding import FAILED, REPAIRED
from sonify.disc.code.encoding import message_units, room
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
    "valid": "valid: the check confirms the message as it was read",
    "repaired": "repaired: the check confirms the message after repair",
    "failed": "failed: the check fails, or some characters can't be read",
    "unchecked": "unchecked: there is no check, so errors would go unnoticed",
}


def marked_message(disc: Disc, opening: str = "[", closing: str = "]") -> str | None:
    """The message with each run of failed characters as it was read, between brackets."""
    if disc.decoding is None:
        return None
    characters = disc.decoding.characters
    failed = characters["state"] == FAILED
    out = []
    before = False
    for char, bad in zip(disc.decoding.as_read, failed.tolist(), strict=True):
        if bad != before:
            out.append(opening if bad else closing)
        out.append(char)
        before = bad
    return "".join(out) + (closing if before else "")


def code_facts(disc: Disc) -> dict[str, Any] | None:
    """The code of a disc and how full it is; None without a code."""
    code = disc.code
    if code is None:
        return None
    held = room(disc.rows, disc.positions, code)
    decoding = disc.decoding
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


def plural(count: int, what: str) -> str:
    """A number and its noun."""
    return f"{count:,} {what}" + ("" if count == 1 else "s")


def code_is_simple(facts: dict[str, Any]) -> bool:
    """Whether each character is one code unit."""
    return bool(facts["alphabet"] == "ascii")


def code_lines(disc: Disc) -> list[str]:
    """The code in plain words."""
    facts = code_facts(disc)
    if facts is None:
        return []
    line = f"{facts['alphabet']}, {facts['bit_order']}, {facts['framing']}, check {facts['check']}"
    if facts["redundancy"] is not None:
        line += f" ({facts['redundancy']:.0%} of the disc)"
    if facts["spare_units"] is not None:
        unit = "character" if code_is_simple(facts) else "code unit"
        line += f"; room for {plural(facts['spare_units'], unit)} more"
    return [line]


def decoding_facts(disc: Disc) -> dict[str, Any] | None:
    """What became of the bits: verdict, and the characters, rows and positions that were repaired
    or failed (all counted from 0, as in the arrays); None without a code."""
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
    """What became of the bits, in plain words, rows and positions counted from 1."""
    decoding = disc.decoding
    if decoding is None:
        return []
    lines = [VERDICTS[decoding.verdict]]
    lines.extend(decoding.reasons)
    state = decoding.characters["state"]
    for name, index, bits in (
        ("repaired", np.flatnonzero(state == REPAIRED), decoding.repaired_bits),
        ("failed", np.flatnonzero(state == FAILED), decoding.failed_bits),
    ):
        if len(index):
            lines.append(f"{name} characters: {_listed((index + 1).tolist())}")
        if len(bits):
            lines.extend(f"{name} bits: {text}" for text in _by_row(bits, disc.positions))
    return lines


def _listed(values: list[int]) -> str:
    """Numbers with runs drawn together: 1 to 4, 7, 9."""
    runs: list[list[int]] = []
    for v in values:
        if runs and v == runs[-1][1] + 1:
            runs[-1][1] = v
        else:
            runs.append([v, v])
    shown = [f"{a:,}" if a == b else f"{a:,} to {b:,}" for a, b in runs[:MOST_LISTED]]
    more = sum(b - a + 1 for a, b in runs[MOST_LISTED:])
    return ", ".join(shown) + (f" and {more:,} more" if more else "")


def _by_row(index: NDArray[np.int64], positions: int) -> list[str]:
    rows, starts = np.unique(index // positions, return_index=True)
    ends = [*starts[1:], len(index)]
    out = []
    for row, start, end in list(zip(rows, starts, ends, strict=True))[:MOST_LISTED]:
        at = (index[start:end] % positions + 1).tolist()
        whole = len(at) == positions
        out.append(f"row {row + 1}, " + ("all of it" if whole else f"positions {_listed(at)}"))
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
    """The sizes of a disc in plain words, each with a short name."""
    g = shop.geometry
    rows = len(shop.open_share)
    lines = [
        (
            "disc",
            f"{g.outer_diameter:g} mm across, bore {g.bore_diameter:g} mm, holes "
            f"{g.hole_diameter:g} mm" + (" (derived: the disc has none)" if shop.derived else ""),
        ),
        (
            "rows",
            f"clock row at {g.clock_radius:g} mm, {plural(rows, 'row')} from "
            f"{g.first_row_radius:g} mm in steps of {g.row_pitch:g} mm",
        ),
        ("web", f"the thinnest is {shop.webs.thinnest}"),
        (
            "balance",
            f"centre of mass {shop.mass.offset:.2f} mm off the axis: "
            f"{shop.pull} for each kg of disc",
        ),
    ]
    if g.keep_out:
        lines.insert(2, ("keep-outs", f"{len(g.keep_out):,}"))
    return lines
