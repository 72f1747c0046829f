"""Finding the message: where the reading starts, which way it runs, and in which code.

Framed discs say it themselves. For plain ones every combination of start, direction, sense,
order of rows, bit order and alphabet is tried, and judged by how plausible its text is.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray

from sonify.disc.alphabets import ALPHABETS
from sonify.disc.code import Code
from sonify.disc.disc import Disc
from sonify.disc.layout import Layout
from sonify.errors import InputError
from sonify.read.plausible import evidence
from sonify.read.result import THRESHOLD, Sighting

__all__ = ["Arrangement", "Candidate", "Found", "Wanted", "arrange", "find_message"]

Bits = NDArray[np.int8]

SURE = 12.0
"""Bits of evidence above the cost of the search at which a plain message is believed."""


@dataclass(frozen=True)
class Arrangement:
    """How a sighting's rows and positions become a grid.

    `start` is the sighting's position that becomes position 0; the rest is as in a layout.
    """

    start: int = 0
    turning: str = "clockwise"
    reading: str = "outside-in"
    hole_means: int = 1

    def __str__(self) -> str:
        return (
            f"start {self.start}, turning {self.turning}, {self.reading}, "
            f"a hole means {self.hole_means}"
        )


@dataclass(frozen=True)
class Wanted:
    """What the user has settled; None leaves it open."""

    start: int | None = None
    turning: str | None = None
    reading: str | None = None
    hole_means: int | None = None
    alphabet: str | None = None
    bit_order: str | None = None
    framing: str | None = None
    check: str | None = None

    @property
    def names_code(self) -> bool:
        """Whether anything of the code is settled."""
        return self.alphabet is not None or self.framing is not None or self.check is not None


@dataclass(frozen=True, eq=False)
class Candidate:
    """One way to read the disc, and how plausible its message is.

    Attributes
    ----------
    arrangement : Arrangement
    code : Code
    text : str
    score : float
        Bits of evidence for it: each bit doubles the odds against chance. The cost of having
        tried so many ways is taken off already.
    why : str
        The score in words.
    """

    arrangement: Arrangement
    code: Code
    text: str
    score: float
    why: str


@dataclass(frozen=True, eq=False)
class Found:
    """A sighting settled into a disc, with the other ways that it might be read."""

    disc: Disc
    sighting: Sighting
    arrangement: Arrangement
    candidates: tuple[Candidate, ...]
    notes: tuple[str, ...]


def arrange(bits: Bits, how: Arrangement) -> Bits:
    """The grid that an arrangement makes of a sighting's bits, shape (rows, positions)."""
    rows = bits[::-1] if how.reading == "inside-out" else bits
    step = 1 if how.turning == "clockwise" else -1
    places = (how.start + step * np.arange(bits.shape[1])) % bits.shape[1]
    out = rows[:, places]
    if how.hole_means == 0:
        out = np.where(out >= 0, 1 - out, out)
    return np.ascontiguousarray(out, np.int8)


def _units(bits: Bits, width: int, bit_order: str) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Units of many readings at once: bits (readings, bits) to (readings, units)."""
    count = bits.shape[1] // width
    cells = bits[:, : count * width].reshape(len(bits), count, width)
    known = (cells >= 0).all(axis=2)
    powers = 1 << np.arange(width)
    if bit_order == "high-first":
        powers = powers[::-1]
    return (cells > 0) @ powers, known


def _choices(sighting: Sighting, wanted: Wanted, wide: bool) -> list[Arrangement]:
    """The arrangements to try, without the starts."""
    order = sighting.order_known and not wide
    sense = sighting.sense_known and not wide
    turnings = (wanted.turning,) if wanted.turning else ("clockwise", "anticlockwise")
    readings = (wanted.reading,) if wanted.reading else ("outside-in", "inside-out")
    means = (wanted.hole_means,) if wanted.hole_means is not None else (1, 0)
    if order and wanted.turning is None:
        turnings = ("clockwise",)
    if order and wanted.reading is None:
        readings = ("outside-in",)
    if sense and wanted.hole_means is None:
        means = (1,)
    return [Arrangement(0, t, r, m) for t, r, m in product(turnings, readings, means)]


def _starts(sighting: Sighting, wanted: Wanted, wide: bool) -> NDArray[np.int64]:
    if wanted.start is not None:
        if not 0 <= wanted.start < sighting.positions:
            raise InputError(
                f"{wanted.start} is no position; this disc has 0 to {sighting.positions - 1}",
                place="--start",
            )
        return np.array([wanted.start])
    if sighting.start_known and not wide:
        return np.array([0])
    return np.arange(sighting.positions)


def _habit(how: Arrangement, code: Code) -> float:
    """Bits that a usual way of doing things is ahead of an unusual one."""
    cost = 0.0
    cost += 3.0 * (how.turning != "clockwise")
    cost += 2.0 * (how.reading != "outside-in")
    cost += 4.0 * (how.hole_means != 1)
    cost += 2.0 * (code.bit_order != "high-first")
    cost += {"ascii": 0.0, "utf-8": 0.5, "ita2": 1.0}[code.alphabet]
    return cost


def _rotated(bits: Bits, how: Arrangement, starts: NDArray[np.int64], limit: int) -> Bits:
    """The first `limit` bits in reading order for each start, shape (starts, bits)."""
    base = arrange(bits, how)
    rows = min(len(base), -(-limit // base.shape[1]))
    step = 1 if how.turning == "clockwise" else -1
    places = (step * starts[:, None] + np.arange(base.shape[1])) % base.shape[1]
    out = base[:rows][:, places].transpose(1, 0, 2).reshape(len(starts), -1)
    return out[:, :limit]


def _plain_codes(wanted: Wanted) -> list[Code]:
    alphabets = (wanted.alphabet,) if wanted.alphabet else tuple(ALPHABETS)
    orders = (wanted.bit_order,) if wanted.bit_order else ("high-first", "low-first")
    return [Code(alphabet=a, bit_order=o) for a, o in product(alphabets, orders)]  # type: ignore[arg-type]


def _screen(
    bits: Bits, sighting: Sighting, wanted: Wanted, wide: bool
) -> Iterator[tuple[float, Arrangement, Code]]:
    """A first score for every way to read a plain disc, from as many bits as time allows."""
    starts = _starts(sighting, wanted, wide)
    limit = int(np.clip(4_000_000 // len(starts), 350, 4200))
    codes = _plain_codes(wanted)
    for how in _choices(sighting, wanted, wide):
        for part in np.array_split(starts, -(-len(starts) // 256)):
            lines = _rotated(bits, how, part, limit)
            for code in codes:
                if lines.shape[1] < code.unit_bits:
                    continue
                units, known = _units(lines, code.unit_bits, code.bit_order)
                scores = evidence(units, known, code.alphabet, code.unit_bits)
                for k in np.argsort(-scores)[:3]:
                    found = Arrangement(int(part[k]), how.turning, how.reading, how.hole_means)
                    yield float(scores[k]) - _habit(how, code), found, code


def _judged(bits: Bits, how: Arrangement, code: Code, tried: int) -> Candidate:
    """One way to read a plain disc, judged on all its bits."""
    grid = arrange(bits, how)
    disc = Disc.from_bits(grid, code=code)
    line = grid.reshape(1, -1)
    units, known = _units(line, code.unit_bits, code.bit_order)
    score = float(evidence(units, known, code.alphabet, code.unit_bits)[0])
    score -= _habit(how, code) + float(np.log2(max(1, tried)))
    text = disc.message or ""
    usual = sum(c.isalnum() or c in " ,.-:;!?'\n" for c in text)
    why = f"{usual} of {len(text)} characters are letters, digits, blanks or usual signs"
    failed = text.count("\ufffd")
    if failed:
        why += f", {failed} can't be read"
    odd = sum(not c.isprintable() and c not in "\r\n\ufffd" for c in text)
    if odd:
        why += f", {odd} are control characters"
    return Candidate(how, code, text, score, f"{why}; {score:+.0f} bits of evidence")


def _plain(bits: Bits, sighting: Sighting, wanted: Wanted, wide: bool) -> list[Candidate]:
    ways = sorted(_screen(bits, sighting, wanted, wide), key=lambda w: -w[0])
    starts = len(_starts(sighting, wanted, wide))
    tried = starts * len(_choices(sighting, wanted, wide)) * len(_plain_codes(wanted))
    judged = [_judged(bits, how, code, tried) for _, how, code in ways[:12]]
    judged.sort(key=lambda c: -c.score)
    out: list[Candidate] = []
    for one in judged:
        if all(one.text != other.text for other in out):
            out.append(one)
    return out


def find_message(
    sighting: Sighting,
    wanted: Wanted | None = None,
    *,
    threshold: float = THRESHOLD,
    name: str = "disc",
) -> Found:
    """Settle a sighting into a disc.

    Parameters
    ----------
    sighting : Sighting
    wanted : Wanted, optional
        What is settled already.
    threshold : float
        Below this confidence a bit is unknown.
    name : str
        The disc's name.

    Returns
    -------
    Found
        A framed message is taken as it says itself. A plain one is taken when its evidence is
        well above chance or when its code was given; else the disc has bits and no message.
    """
    from sonify.read.framed import framed_candidates

    wanted = wanted or Wanted()
    bits = sighting.bits(threshold)
    notes: list[str] = []
    candidates: list[Candidate] = []
    chosen: Candidate | None = None
    if sighting.code is not None:
        how = _fixed(sighting, wanted)
        text = Disc.from_bits(arrange(bits, how), code=sighting.code).message or ""
        chosen = Candidate(how, sighting.code, text, np.inf, "the source names its code")
        candidates = [chosen]
    for wide in (False, True):
        if chosen is not None:
            break
        if wanted.framing in (None, "framed"):
            framed = framed_candidates(
                bits, _choices(sighting, wanted, wide), _starts(sighting, wanted, wide), wanted
            )
            if framed:
                candidates = framed
                chosen = framed[0]
                break
        if wanted.framing in (None, "plain") and wanted.check in (None, "none"):
            plain = _plain(bits, sighting, wanted, wide)
            known = {c.text for c in candidates}
            more = [c for c in plain if c.text not in known]
            candidates = sorted([*candidates, *more], key=lambda c: -c.score)[:5]
            if candidates and candidates[0].score > SURE:
                chosen = candidates[0]
        if sighting.start_known and sighting.order_known and sighting.sense_known:
            break
    if chosen is None and wanted.names_code and candidates:
        chosen = candidates[0]
    if chosen is None:
        how = _fixed(sighting, wanted)
        notes.append(
            "no message stands out from chance, so the disc keeps its bits alone; "
            "--alphabet, --start, --turning, --reading and --hole-means settle it"
        )
    else:
        how = chosen.arrangement
        rival = next((c for c in candidates if c is not chosen), None)
        if rival is not None and rival.score > chosen.score - 8:
            notes.append(
                f"another way to read it is nearly as plausible: '{rival.text[:40]}' "
                f"({rival.arrangement})"
            )
        if sighting.start_known and how.start != 0:
            notes.append(f"the message starts at position {how.start}, not at the mark")
    return Found(
        _disc_of(sighting, bits, how, chosen, name),
        sighting,
        how,
        tuple(candidates),
        tuple(notes),
    )


def _fixed(sighting: Sighting, wanted: Wanted) -> Arrangement:
    """The arrangement when there is no message to go by."""
    _starts(sighting, wanted, wide=False)
    return Arrangement(
        wanted.start or 0,
        wanted.turning or "clockwise",
        wanted.reading or "outside-in",
        1 if wanted.hole_means is None else wanted.hole_means,
    )


def _disc_of(
    sighting: Sighting, bits: Bits, how: Arrangement, chosen: Candidate | None, name: str
) -> Disc:
    import msgspec

    geometry = sighting.geometry
    if geometry is not None and how.reading == "inside-out":
        innermost = abs(geometry.first_row_radius - (sighting.rows - 1) * geometry.row_pitch)
        geometry = msgspec.structs.replace(geometry, first_row_radius=round(innermost, 4))
    return Disc.from_bits(
        arrange(bits, how),
        code=None if chosen is None else chosen.code,
        layout=Layout(
            positions=sighting.positions,
            turning=how.turning,  # type: ignore[arg-type]
            reading=how.reading,  # type: ignore[arg-type]
            hole_means=how.hole_means,  # type: ignore[arg-type]
        ),
        geometry=geometry,
        title=sighting.title,
        name=name,
    )
