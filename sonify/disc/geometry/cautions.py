"""Cautions that a workshop would give before a disc is cut."""

from __future__ import annotations

from math import pi
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from sonify.disc.geometry.fit import derive_geometry
from sonify.disc.geometry.mass import Mass, mass_of
from sonify.disc.geometry.webs import Webs, open_share, webs_of
from sonify.disc.sizes import Geometry

if TYPE_CHECKING:
    from sonify.disc.disc import Disc

__all__ = ["LEAST_WEB", "Workshop", "derived_note", "geometry_of", "workshop"]

LEAST_WEB = 1.5
"""Below this many mm a web gets a caution where no other limit is given. Common practice for wood
and acrylic of about 3 mm; no source."""
MOSTLY_GONE = 0.6
"""The share of a row's circle from which on it gets a caution."""
OFF_CENTRE = 0.01
"""Offset of the centre of mass, over the radius, from which on it gets a caution."""
GRADE = 6.3
"""Offset times angular speed in mm/s from which on it gets a caution: balance quality grade
G 6.3 of ISO 21940-11, which that standard names for machinery in general."""


class Workshop(NamedTuple):
    """What a workshop should know of a disc.

    Its geometry and whether that had to be derived; its webs; its mass; row by row how much of
    its circle is cut away, 0 to 1; the pull of what is out of balance, in newtons for each kg
    of disc; and cautions in plain words.
    """

    geometry: Geometry
    derived: bool
    webs: Webs
    mass: Mass
    open_share: list[float]
    force_n_per_kg: float
    cautions: list[str]

    @property
    def pull(self) -> str:
        """The pull for people."""
        return _force(self.force_n_per_kg)


def geometry_of(disc: Disc) -> tuple[Geometry, bool]:
    """A disc's geometry, and whether it had to be derived because the disc has none."""
    if disc.geometry is not None:
        return disc.geometry, False
    return derive_geometry(disc.rows, disc.positions, disc.layout), True


def workshop(disc: Disc, *, rpm: float, least_web: float = LEAST_WEB) -> Workshop:
    """Look a disc over before it is cut.

    Parameters
    ----------
    disc : Disc
    rpm : float
        Turns a minute of the player.
    least_web : float
        Webs thinner than this get a caution, in mm.

    Raises
    ------
    InputError
        A geometry that the rows don't fit.
    """
    geometry, derived = geometry_of(disc)
    webs = webs_of(disc, geometry, least_web)
    mass = mass_of(disc, geometry)
    share = open_share(disc, geometry)
    speed = rpm * 2 * pi / 60
    force = mass.offset / 1000 * speed**2
    cautions: list[str] = []
    unknown = int(np.count_nonzero(disc.grid < 0))
    if unknown:
        cautions.append(f"{_count(unknown, 'bit')} unknown: no hole is drawn there")
    if webs.touching and webs.first_touching is not None:
        one, other = webs.first_touching.one, webs.first_touching.other
        cautions.append(f"{_pairs(webs.touching)} of holes touch, the first {one} and {other}")
    for count, edge in ((webs.at_rim, "rim"), (webs.at_bore, "bore")):
        if count:
            cautions.append(f"{_count(count, 'hole')} cut by the {edge}")
    for cut in webs.at_keep_out[:8]:
        cautions.append(f"the hole at {cut.one} is cut by {cut.other}")
    if len(webs.at_keep_out) > 8:
        cautions.append(f"{len(webs.at_keep_out) - 8} holes more are cut by keep-outs")
    if webs.thin:
        cautions.append(
            f"{_count(webs.thin, 'web')} thinner than {least_web:g} mm"
            + (f", the thinnest {webs.thinnest}" if webs.thinnest.width > 0 else "")
        )
    for row in np.flatnonzero(share >= MOSTLY_GONE)[:8]:
        cautions.append(f"row {row + 1} is mostly gone: {share[row]:.0%} of its circle is cut away")
    if mass.offset >= OFF_CENTRE * geometry.outer_diameter / 2 or mass.offset * speed >= GRADE:
        cautions.append(
            f"the disc is out of balance: its centre of mass lies {mass.offset:.2f} mm off the "
            f"axis, towards {mass.angle:.0f}° clockwise from twelve o'clock; at {rpm:g} turns a "
            f"minute it pulls with {_force(force)} for each kg of disc"
        )
    return Workshop(geometry, derived, webs, mass, share.tolist(), force, cautions)


def _count(n: int, what: str) -> str:
    return f"{n:,} {what} is" if n == 1 else f"{n:,} {what}s are"


def _pairs(n: int) -> str:
    return "1 pair" if n == 1 else f"{n:,} pairs"


def _force(newton: float) -> str:
    return f"{newton:.2g} N" if newton >= 0.01 else f"{newton * 1000:.2g} mN"


def derived_note(geometry: Geometry) -> str:
    """What to say where a geometry was derived."""
    return (
        f"the disc has no geometry, so one was derived: {geometry.outer_diameter:g} mm across, "
        f"holes of {geometry.hole_diameter:g} mm, webs of at least "
        f"{geometry.row_pitch - geometry.hole_diameter:g} mm"
    )
