"""What to know before a disc is cut: thin webs, cut holes, balance."""

from __future__ import annotations

from functools import lru_cache
from math import pi
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sonify.disc.geometry.fit import derive_geometry
from sonify.disc.geometry.mass import Mass, mass_of
from sonify.disc.geometry.webs import Webs, open_share, webs_of
from sonify.disc.sizes import Geometry
from sonify.errors import plural

if TYPE_CHECKING:
    from sonify.disc.disc import Disc

__all__ = ["LEAST_WEB", "Workshop", "derived_note", "geometry_of", "workshop"]

LEAST_WEB = 1.5
"""Webs thinner than this, in mm, get a caution if no other limit is given. Common practice for
wood and acrylic of about 3 mm; no source."""
MOSTLY_GONE = 0.6
"""A row gets a caution if at least this share of its circle is cut away."""
OFF_CENTRE = 0.01
"""The disc gets a caution if its centre of mass is off by at least this share of the radius."""
GRADE = 6.3
"""The disc gets a caution from this product of offset and angular speed on, in mm/s: balance
quality grade G 6.3 of ISO 21940-11, which that standard names for machinery in general."""
MOST_CAUTIONS = 8
"""The most cautions of one kind."""


class Workshop(NamedTuple):
    """What to know before a disc is cut.

    Its geometry, and whether that was derived; webs; mass; the share of each row's circle that is
    cut away; the force of the imbalance in newtons for each kg of disc; and cautions.
    """

    geometry: Geometry
    derived: bool
    webs: Webs
    mass: Mass
    open_share: list[float]
    force_n_per_kg: float
    cautions: list[str]


def geometry_of(disc: Disc) -> tuple[Geometry, bool]:
    """A disc's geometry, and whether it was derived because the disc has none."""
    if disc.geometry is not None:
        return disc.geometry, False
    return derive_geometry(disc.rows, disc.positions, disc.layout), True


@lru_cache(maxsize=8)
def _measured(
    disc: Disc, least_web: float
) -> tuple[Geometry, bool, Webs, Mass, NDArray[np.float64]]:
    """What does not depend on the player's speed."""
    geometry, derived = geometry_of(disc)
    webs = webs_of(disc, geometry, least_web)
    return geometry, derived, webs, mass_of(disc, geometry), open_share(disc, geometry)


def workshop(disc: Disc, *, rpm: float, least_web: float = LEAST_WEB) -> Workshop:
    """Check a disc before it is cut.

    Parameters
    ----------
    disc : Disc
    rpm : float
        The player's speed.
    least_web : float
        Webs thinner than this get a caution, in mm.

    Raises
    ------
    InputError
        A geometry that the rows don't fit.
    """
    geometry, derived, webs, mass, share = _measured(disc, least_web)
    speed = rpm * 2 * pi / 60
    cautions: list[str] = []
    unknown = int(np.count_nonzero(disc.grid < 0))
    if unknown:
        cautions.append(f"{_are(unknown, 'bit')} unknown; no hole is drawn there")
    if webs.first_touching is not None:
        one, other = webs.first_touching.one, webs.first_touching.other
        pairs = "1 pair" if webs.touching == 1 else f"{webs.touching:,} pairs"
        cautions.append(f"{pairs} of holes touch, the first {one} and {other}")
    for count, edge in ((webs.at_rim, "rim"), (webs.at_bore, "bore")):
        if count:
            cautions.append(f"{_are(count, 'hole')} cut by the {edge}")
    cautions += [
        f"the hole at {c.one} is cut by {c.other}" for c in webs.at_keep_out[:MOST_CAUTIONS]
    ]
    more = len(webs.at_keep_out) - MOST_CAUTIONS
    if more > 0:
        cautions.append(f"{_are(more, 'more hole')} cut by keep-outs")
    if webs.thin:
        thinnest = f"; the thinnest is {webs.thinnest}" if webs.thinnest.width > 0 else ""
        cautions.append(f"{_are(webs.thin, 'web')} thinner than {least_web:g} mm{thinnest}")
    for row in np.flatnonzero(share >= MOSTLY_GONE)[:MOST_CAUTIONS]:
        cautions.append(f"row {row + 1} is mostly gone: {share[row]:.0%} of its circle is cut away")
    if mass.offset >= OFF_CENTRE * geometry.outer_diameter / 2 or mass.offset * speed >= GRADE:
        cautions.append(
            f"the disc is out of balance: its centre of mass is {mass.offset:.2f} mm from the "
            f"axis, {mass.angle:.0f}° clockwise from twelve o'clock (ISO 21940 grade "
            f"G {mass.offset * speed:.2g} at {rpm:g} rpm)"
        )
    force = mass.offset / 1000 * speed**2
    return Workshop(geometry, derived, webs, mass, share.tolist(), force, cautions)


def _are(n: int, what: str) -> str:
    return f"{plural(n, what)} {'is' if n == 1 else 'are'}"


def derived_note(geometry: Geometry) -> str:
    """The caution for a derived geometry."""
    return (
        f"the disc has no geometry, so one was derived: {geometry.outer_diameter:g} mm in "
        f"diameter, holes of {geometry.hole_diameter:g} mm, webs of at least "
        f"{geometry.row_pitch - geometry.hole_diameter:g} mm"
    )
