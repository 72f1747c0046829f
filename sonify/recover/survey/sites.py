"""The sites of a disc, where a hole is meant or not, and which way round the disc lies."""

from __future__ import annotations

import warnings
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sonify.disc.disc import Disc
from sonify.disc.geometry.cautions import geometry_of
from sonify.disc.geometry.holes import holes_of
from sonify.disc.sizes import Geometry
from sonify.errors import InputError
from sonify.recover.diagnosis.fits import FITS, told

__all__ = ["READS", "Seen", "Sites", "apply", "typical"]

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

# Of a hole's diameter: a hole farther off its site does not read there. `read` takes the same limit
# for drawings.
READS = 0.4


def apply(matrix: NDArray[Any], xy: NDArray[Any]) -> Floats:
    """Points (..., 2) under a homography."""
    out = np.concatenate([xy, np.ones((*xy.shape[:-1], 1))], axis=-1) @ matrix.T
    moved: Floats = out[..., :2] / out[..., 2:]
    return moved


def typical(values: NDArray[Any]) -> tuple[float, float]:
    """The median, and the spread about it as a standard deviation, whatever a few values are."""
    middle = float(np.nanmedian(values))
    return middle, 1.4826 * float(np.nanmedian(np.abs(values - middle)))


class Seen(NamedTuple):
    """The holes that are there, in the design's mm.

    Attributes
    ----------
    xy : ndarray, shape (holes, 2)
    size : ndarray, shape (holes,)
        Against the usual hole: its area, or its width if a crack makes it wider.
    like : ndarray of bool, shape (holes,)
        Whether it looks like a hole and not like a stain or a letter.
    at : ndarray of int64, shape (rows + 1, positions)
        The hole at each site; -1 for none.
    doubtful : ndarray of bool, shape (rows + 1, positions)
        Sites that can't be judged.
    cautions : list of str
    picture : ndarray of uint8 or None
        A photograph.
    place : callable
        From mm to pixels of the picture.
    """

    xy: Floats
    size: Floats
    like: Flags
    at: NDArray[np.int64]
    doubtful: Flags
    cautions: list[str]
    picture: NDArray[np.uint8] | None = None
    place: Callable[[Floats], Floats] = np.asarray


@dataclass(frozen=True, eq=False)
class Sites:
    """The sites of a disc: data rows in the order of reading, then the clock row.

    Attributes
    ----------
    geometry : Geometry
    derived : bool
        Whether the geometry was derived because the disc has none.
    xy : ndarray, shape (rows + 1, positions, 2)
        In mm; x to the right, y up.
    meant : ndarray of int8, shape (rows + 1, positions)
        1 for a hole, 0 for none, -1 for unknown.
    """

    geometry: Geometry
    derived: bool
    xy: Floats
    meant: NDArray[np.int8]

    @classmethod
    def of(cls, disc: Disc) -> Sites:
        """The sites of a disc."""
        geometry, derived = geometry_of(disc)
        full = np.full_like(disc.grid, disc.layout.hole_means)
        holes = holes_of(replace(disc, grid=full, code=None), geometry)
        xy = np.stack([holes["x_mm"], holes["y_mm"]], axis=-1).reshape(-1, disc.positions, 2)
        meant = np.where(disc.grid < 0, -1, disc.grid == disc.layout.hole_means)
        return cls(geometry, derived, xy, np.pad(meant, ((0, 1), (0, 0)), constant_values=1))

    @property
    def hole(self) -> float:
        """The diameter of a hole, in mm."""
        return self.geometry.hole_diameter

    def nearest(self, xy: Floats) -> tuple[NDArray[np.int64], NDArray[np.int64], Floats]:
        """The row and the position of the site nearest to each point, and how far off it is: in mm
        outwards and in the direction of counting, shape (points, 2)."""
        own, z = self.xy @ [1, 1j], xy @ [1, 1j]
        row = np.argmin(np.abs(np.abs(z)[..., None] - np.abs(own[:, 0])), axis=-1)
        n = own.shape[1]
        step = np.angle(own[-1, 1 % n] / own[-1, 0]) or 2 * np.pi
        place = np.rint(np.angle(z / own[-1, 0]) / step).astype(np.int64) % n
        site = own[row, place]
        away = z / (site / np.abs(site)) - np.abs(site)
        return row, place, np.stack([away.real, away.imag * np.sign(step)], axis=-1)

    def around(self, values: Floats) -> tuple[Floats, Floats]:
        """The median at the sites around each one, and the spread about it, as `typical` has them
        for all; NaN in `values` counts for nothing."""
        order = np.argsort(np.linalg.norm(self.xy[:, 0], axis=-1))
        rows = np.pad(values[order], ((1, 1), (0, 0)), constant_values=np.nan)
        shifts = [(r, p) for r in (0, 1, 2) for p in range(-2, 3) if (r, p) != (1, 0)]
        near = np.stack([np.roll(rows[r : r + len(values)], p, axis=1) for r, p in shifts])
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", RuntimeWarning)  # of a site with nothing around it
            middle = np.nanmedian(near, axis=0)
            spread = 1.4826 * np.nanmedian(np.abs(near - middle), axis=0)
        back, alone, (usual, least) = np.argsort(order), np.isnan(middle), typical(values)
        return np.where(alone, usual, middle)[back], np.where(alone, least, spread)[back]

    def turned(self, looks: tuple[Floats, Floats], file: object) -> tuple[Floats, list[str]]:
        """The turn that a disc has in a picture, as a matrix, and what to say about it.

        Parameters
        ----------
        looks : tuple of ndarray, shape (rows, positions)
            How much the data sites look like holes (above 0) if position 0 is at twelve o'clock: as
            the picture is, and with x mirrored.
        file : object

        Raises
        ------
        InputError
            Another disc.
        """
        meant = self.meant[:-1]
        target = np.where(meant < 0, 0, meant - meant[meant >= 0].mean())
        n = meant.shape[1]
        fits = np.array([(np.roll(v, -k, 1) * target).sum() for v in looks for k in range(n)])
        flip, turn = divmod(int(np.argmax(fits)), n)
        there = np.where(np.roll(looks[flip], -turn, 1) > 0, 1, -1).astype(np.int8)
        # photographs of 24 other discs scored up to 0.19, of 24 discs with faults 0.46 or more
        if told(there, meant) < FITS:
            raise InputError("its holes do not fit this disc, however it is turned", file=file)
        said = ["it shows the disc from the back; places are named as on the front"] * flip
        # a disc that repeats itself
        if (fits > 0.98 * fits.max()).sum() > 1:
            said.append("the disc looks much the same turned or mirrored, so places may be others")
        z = self.xy[-1] @ [1, 1j]
        w = z[turn] / z[0]
        rotation = np.array([[w.real, -w.imag, 0], [w.imag, w.real, 0], [0, 0, 1.0]])
        return np.diag([1.0 - 2 * flip, 1, 1]) @ rotation, said
