"""Find the message: where the reading starts, which way it runs, and in which code.

The frame of a framed message shows this. For a plain one, all combinations of start, direction,
order of rows, meaning of a hole, bit order and alphabet are tried, and the most plausible text
wins.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import msgspec
import numpy as np
from numpy.typing import NDArray

import sonify.hooks as hooks
from sonify.disc.disc import Disc
from sonify.disc.layout import Layout
from sonify.errors import Caution
from sonify.log import debug
from sonify.progress import part
from sonify.recover.search.arrangement import Arrangement, Candidate, Wanted, arrange, space_of
from sonify.recover.search.framed import framed_candidates
from sonify.recover.search.plain import plain_candidates
from sonify.recover.sighting import THRESHOLD, Sighting

__all__ = ["Arrangement", "Candidate", "Found", "Wanted", "arrange", "find_message", "readings"]

Bits = NDArray[np.int8]

SURE = 12.0
"""A message is accepted above this many bits of evidence. Down to as many against it, it is given
with a caution if no other reading comes near; the best score of 150 random discs was 2."""
SURE_FRAMED = 6.0
"""The same for a framed message."""
RIVAL = 8.0
"""The next candidate is mentioned if it lies fewer bits of evidence behind."""
LIKELIER = 2.0
"""Bits by which a message that is likelier than chance must lead to be given with a caution: odds
of 4 to 1."""
SHOWN = 5


@dataclass(frozen=True, eq=False)
class Found:
    """The disc that a sighting shows, and other ways to read it.

    Attributes
    ----------
    disc : Disc
    sighting : Sighting
    arrangement : Arrangement
    candidates : tuple of Candidate
        The most plausible first.
    cautions : tuple of Caution
        What is in doubt about the message.
    threshold : float
        The confidence below which a bit is unknown.
    """

    disc: Disc
    sighting: Sighting
    arrangement: Arrangement
    candidates: tuple[Candidate, ...]
    cautions: tuple[Caution, ...]
    threshold: float = THRESHOLD

    def __repr__(self) -> str:
        return f"<Found {self.disc!r} in a {self.sighting.kind}>"

    def _repr_mimebundle_(self, include: Any = None, exclude: Any = None) -> dict[str, Any]:
        return hooks.shown(self)

    def read_as(self, candidate: Candidate) -> Disc:
        """The disc, read in one of the ways that were found."""
        how = candidate.arrangement
        grid = arrange(self.sighting.bits(self.threshold), how)
        return _disc_of(self.sighting, grid, how, candidate, self.disc.name)


def find_message(
    sighting: Sighting,
    wanted: Wanted | None = None,
    *,
    threshold: float = THRESHOLD,
    name: str = "disc",
) -> Found:
    """Turn a sighting into a disc.

    Parameters
    ----------
    sighting : Sighting
    wanted : Wanted, optional
        What is known already.
    threshold : float
        Below this confidence a bit is unknown.
    name : str
        The disc's name.

    Returns
    -------
    Found
        A plain message is taken if it is well above chance or its code was given; else the disc
        has bits and no message.
    """
    wanted = wanted or Wanted()
    bits = sighting.bits(threshold)
    candidates: list[Candidate] = []
    chosen: Candidate | None = None
    if sighting.code is not None and not wanted.names_code:
        how = _fixed(sighting, wanted)
        text = Disc.from_bits(arrange(bits, how), code=sighting.code).message or ""
        chosen = Candidate(how, sighting.code, text, float("inf"), "the source names its code")
        candidates = [chosen]
    settled = sighting.start_known and sighting.order_known and sighting.sense_known
    widths = (False,) if settled else (False, True)
    for n, wide in enumerate(widths):
        if chosen is None:
            with part(n / len(widths), (n + 1) / len(widths)):
                candidates = _merged(candidates, _search(bits, sighting, wanted, wide))
            chosen = next((c for c in candidates[:1] if _sure(c)), None)
    if chosen is None and candidates and (wanted.names_code or _ahead(candidates)):
        chosen = candidates[0]
    for one in candidates[:10]:
        debug(__name__, "candidate: %s", one)
    how = _fixed(sighting, wanted) if chosen is None else chosen.arrangement
    cautions = _cautions(sighting, chosen, candidates)
    disc = _disc_of(sighting, arrange(bits, how), how, chosen, name)
    if sighting.kind in ("drawing", "photograph") and _may_want_a_row(disc):
        # a last row of zeros has no holes to see
        empty = np.full((1, disc.positions), int(how.hole_means == 0), np.int8)
        assert chosen is not None
        checked = msgspec.structs.replace(
            chosen.code, check="crc-16", redundancy=None, filling=None
        )
        # what looks like free filling may be a check that breaks off
        for code in (checked,) if chosen.code.filling else (chosen.code, checked):
            one = replace(chosen, code=code)
            longer = _disc_of(sighting, np.concatenate([disc.grid, empty]), how, one, name)
            if not _may_want_a_row(longer):
                disc = longer
                cautions.append(Caution("a last row without holes was added: the message needs it"))
                break
    return Found(disc, sighting, how, tuple(candidates), tuple(cautions), threshold)


def _may_want_a_row(disc: Disc) -> bool:
    """Whether a message breaks off within a character, or its check fails without more bits."""
    if disc.code is None or disc.decoding is None:
        return False
    if disc.code.filling is not None and disc.code.check == "none":
        return True
    if disc.code.check in ("crc-16", "reed-solomon") or disc.code.framing == "framed":
        return disc.decoding.verdict == "failed"
    rest = disc.grid.size % disc.code.unit_bits
    return bool(rest and (disc.grid.reshape(-1)[-rest:] == 1).any())


def _sure(candidate: Candidate) -> bool:
    framed = candidate.code.framing == "framed"
    return candidate.score > (SURE_FRAMED if framed else SURE)


def _ahead(candidates: list[Candidate]) -> bool:
    """Whether the first is far ahead of all others, though chance alone could explain it, or ahead
    of them and of chance."""
    first, *others = (c.score for c in candidates)
    lead = first - max(others, default=-np.inf)
    return (first > -SURE and lead > RIVAL) or (first > 0 and lead > LIKELIER)


def readings(sighting: Sighting, wanted: Wanted) -> list[Candidate]:
    """The most plausible ways to read a sighting as it stands, the best first."""
    return _search(sighting.bits(), sighting, wanted, wide=False)


def _search(bits: Bits, sighting: Sighting, wanted: Wanted, wide: bool) -> list[Candidate]:
    space = space_of(sighting, wanted, wide)
    out: list[Candidate] = []
    if wanted.framing in (None, "framed"):
        with part(0, 0.5):
            out = framed_candidates(bits, space, wanted)
        if out and _sure(out[0]):
            return out
    if wanted.framing in (None, "plain"):
        with part(0.5, 1):
            out = _merged(out, plain_candidates(bits, space, wanted))
    return out


def _merged(first: list[Candidate], more: list[Candidate]) -> list[Candidate]:
    """The best candidates for each text."""
    best: dict[str, Candidate] = {}
    for one in sorted([*first, *more], key=lambda c: -c.score):
        best.setdefault(one.text, one)
    return list(best.values())[:SHOWN]


def _cautions(
    sighting: Sighting, chosen: Candidate | None, candidates: list[Candidate]
) -> list[Caution]:
    if chosen is None:
        no_message = "no message stands out from chance, so the disc has bits only"
        hint = "{alphabet}, {start}, {turning}, {reading} and {hole-means} settle it"
        out = [Caution(no_message, hint=hint)]
        if not sighting.start_known:
            out.append(Caution("nothing shows where the rows begin", hint="{start} settles it"))
        return out
    out = []
    rival = next((c for c in candidates if c is not chosen), None)
    if rival is not None and rival.score > chosen.score - RIVAL:
        text = f"'{rival.text[:40]}' ({rival.arrangement})"
        out.append(Caution(f"another way to read it is nearly as plausible: {text}"))
    if not _sure(chosen):
        out.append(Caution("the message barely stands out from chance"))
    if sighting.start_known and chosen.arrangement.start != 0:
        where = f"position {chosen.arrangement.start + 1}"
        out.append(Caution(f"the message starts at {where}, not at the index mark"))
    if sighting.clockwise * (1 if chosen.arrangement.turning == "clockwise" else -1) < -RIVAL / 2:
        out.append(Caution("the message runs against the arrow about the bore"))
    return out


def _fixed(sighting: Sighting, wanted: Wanted) -> Arrangement:
    """The arrangement if no message decides it."""
    costs = space_of(sighting, wanted, wide=False).turning_cost
    return Arrangement(
        wanted.start or 0,
        wanted.turning or min(costs, key=lambda turning: costs[turning]),
        wanted.reading or "outside-in",
        1 if wanted.hole_means is None else wanted.hole_means,
    )


def _disc_of(
    sighting: Sighting, grid: Bits, how: Arrangement, chosen: Candidate | None, name: str
) -> Disc:
    geometry = sighting.geometry
    if geometry is not None and how.reading == "inside-out":
        innermost = geometry.first_row_radius - (len(grid) - 1) * geometry.row_pitch
        geometry = msgspec.structs.replace(geometry, first_row_radius=round(abs(innermost), 4))
    sense = {"turning": how.turning, "reading": how.reading, "hole_means": how.hole_means}
    return Disc.from_bits(
        grid,
        code=None if chosen is None else chosen.code,
        layout=msgspec.structs.replace(Layout(), positions=sighting.positions, **sense),
        geometry=geometry,
        title=sighting.title,
        name=name,
    )
