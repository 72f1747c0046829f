"""Editing a disc by hand: its holes, and what an edit does to the message.

Every function returns a new disc and leaves the one it was given alone, so undo is a list of discs.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sonify.disc.code import reed_solomon
from sonify.disc.code.checks import crc_units, crc_units_count
from sonify.disc.code.code import Code
from sonify.disc.code.decoding import Verdict
from sonify.disc.code.encoding import encode_grid
from sonify.disc.code.framing import FRAMINGS
from sonify.disc.code.text_span import likely_span
from sonify.disc.code.units import bits_to_units, cells_of, units_to_bits
from sonify.disc.disc import Disc
from sonify.errors import InputError

__all__ = [
    "Area",
    "CharacterChange",
    "Effect",
    "clear",
    "copy",
    "effect_of",
    "flip",
    "mirror",
    "punch",
    "repair_check",
    "shift",
    "with_grid",
]

Bits = NDArray[np.int8]


class Area(NamedTuple):
    """Places on a disc: some rows, and some positions of each; ascending indices from 0."""

    rows: NDArray[np.int64]
    positions: NDArray[np.int64]

    def cut(self, grid: Bits) -> Bits:
        """A copy of its bits, shape (rows, positions)."""
        out: Bits = grid[np.ix_(*self)]
        return out


def with_grid(disc: Disc, grid: Bits) -> Disc:
    """A disc with other bits.

    It keeps a message to be stored by only if its holes follow from that message; otherwise the
    disc file holds the bits.
    """
    edited = replace(disc, grid=grid, given_message=None)
    text = edited.message
    if text and disc.code is not None:
        try:
            meant = encode_grid(text, disc.code, disc.positions)
        except InputError:  # such as a control character that the framing reserves
            return edited
        if np.array_equal(meant, grid):
            return replace(edited, given_message=text)
    return edited


def _put(disc: Disc, area: Area, bits: Bits | int) -> Disc:
    grid = disc.grid.copy()
    grid[np.ix_(*area)] = bits
    return with_grid(disc, grid)


def flip(disc: Disc, area: Area) -> Disc:
    """Make holes where there are none, and none where there are; unknown bits stay unknown."""
    bits = area.cut(disc.grid)
    return _put(disc, area, np.where(bits < 0, bits, 1 - bits).astype(np.int8))


def clear(disc: Disc, area: Area) -> Disc:
    """Leave no hole."""
    return _put(disc, area, 1 - disc.layout.hole_means)


def punch(disc: Disc, area: Area) -> Disc:
    """Make a hole at each place."""
    return _put(disc, area, disc.layout.hole_means)


def shift(disc: Disc, area: Area, positions: int, rows: int = 0) -> Disc:
    """Move bits along within an area; what leaves it at one end comes in at the other."""
    return _put(disc, area, np.roll(area.cut(disc.grid), (rows, positions), (0, 1)))


def mirror(disc: Disc, area: Area, across: Literal["positions", "rows"] = "positions") -> Disc:
    """Reverse the order of the positions, or of the rows, within an area."""
    return _put(disc, area, np.flip(area.cut(disc.grid), int(across == "positions")))


def copy(disc: Disc, area: Area, row: int, position: int) -> Disc:
    """Copy bits so that the area's first place comes to lie at a row and position.

    A copy that passes the last position goes on from the first, as a row does.

    Raises
    ------
    InputError
        A place that the disc does not have.
    """
    target = area.rows - area.rows[0] + row
    if not (row >= 0 and target[-1] < disc.rows and 0 <= position < disc.positions):
        raise InputError(
            f"a copy to row {row + 1}, position {position + 1} takes rows {row + 1} to "
            f"{target[-1] + 1}; the disc has {disc.rows:,} rows of {disc.positions:,} positions"
        )
    around = (area.positions - area.positions[0] + position) % disc.positions
    return _put(disc, Area(target, around), area.cut(disc.grid))


def repair_check(disc: Disc) -> Disc:
    """A disc whose check bits fit the text as it is punched.

    Raises
    ------
    InputError
        No check, unknown bits in what it covers, or no room for a CRC after the text.
    """
    code = disc.code
    if code is None or code.check == "none":
        raise InputError(
            "the disc has no check whose bits could be made to fit", place="code.check"
        )
    flat = disc.grid.reshape(-1).copy()
    if code.check == "reed-solomon":
        plan = reed_solomon.plan(disc.rows, disc.positions, code.share)
        if not plan.fits:
            raise InputError("the grid is too small for reed-solomon", place="code.check")
        used = 8 * plan.symbols
        flat[:used] = reed_solomon.protect(_known(flat[: plan.data_bits], disc), plan)[:used]
    elif code.check == "parity":
        cells = cells_of(flat, code)
        _known(cells[:, :-1], disc)
        cells[:, -1] = np.bitwise_xor.reduce(cells[:, :-1], axis=1)
    else:
        _fit_crc(flat, disc, code)
    return with_grid(disc, flat.reshape(disc.grid.shape))


def _fit_crc(flat: Bits, disc: Disc, code: Code) -> None:
    """Write the CRC of the text after it, in place."""
    units, known = bits_to_units(flat, code)
    reasons: list[str] = []
    span = likely_span(flat, units, known, code, np.zeros(len(units), bool), reasons)
    if reasons:
        raise InputError(reasons[0], place="code.check")
    end = span.end + (FRAMINGS[code.framing].end is not None)
    _known(flat[: end * code.unit_bits], disc)
    stop = end + crc_units_count(code.data_bits)
    if stop > len(units):
        raise InputError("there is no room for the CRC after the text", place="code.check")
    crc = units_to_bits(crc_units(units[span.start : end], code.data_bits), code)
    flat[end * code.unit_bits : stop * code.unit_bits] = crc


def _known(bits: Bits, disc: Disc) -> Bits:
    if np.any(bits < 0):
        row, position = np.argwhere(disc.grid < 0)[0]
        raise InputError(
            f"row {row + 1}, position {position + 1} is unknown, so no check can fit it; "
            "clear or punch it first"
        )
    return bits


class CharacterChange(NamedTuple):
    """A character that reads differently: which one of the message, and what was and is read there
    (None: no character)."""

    character: int
    before: str | None
    after: str | None


@dataclass(frozen=True, eq=False)
class Effect:
    """What an edit did.

    Attributes
    ----------
    bits : ndarray of int64
        Indices into the grid, read row by row, of the bits that changed.
    characters : tuple of CharacterChange
        As their bits give them after repair, whatever a check says.
    before, after : str or None
        The verdicts of the check; None without a code.
    reasons : tuple of str
        Why the check fails now.
    """

    bits: NDArray[np.int64]
    characters: tuple[CharacterChange, ...]
    before: Verdict | None
    after: Verdict | None
    reasons: tuple[str, ...]


def effect_of(before: Disc, after: Disc) -> Effect:
    """What changed from one disc to another with the same code, rows and positions."""
    bits = np.flatnonzero(before.grid != after.grid)
    old, new = before.decoding, after.decoding
    if old is None or new is None:
        return Effect(bits, (), None, None, ())
    was, now = (
        dict(zip(d.characters["first_bit"].tolist(), enumerate(d.as_read), strict=True))
        for d in (old, new)
    )
    changed = []
    for place in sorted(was.keys() | now.keys()):
        (index, one), (number, other) = was.get(place, (-1, None)), now.get(place, (-1, None))
        if one != other:
            changed.append(CharacterChange(index if other is None else number, one, other))
    return Effect(bits, tuple(changed), old.verdict, new.verdict, new.reasons)
