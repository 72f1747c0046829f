"""The index mark of a disc in a photograph: what stands beside the rows at one position only."""

from __future__ import annotations

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from sonify.recover.sources.image.ring import View, project
from sonify.recover.sources.image.sites import STANDS_OUT, STEP, sample

__all__ = ["index_mark"]

Floats = NDArray[np.float64]

ABOUT = 4
"""Positions on either side that a position is compared with (own choice)."""
LEAST = 4  # radii at which a mark is looked for


def index_mark(
    image: NDArray[np.float32], view: View, radii: Floats, hidden: NDArray[np.bool_]
) -> tuple[int, bool] | None:
    """The position at which a mark stands beside the rows, and whether it is hard to see.

    Looked for between the outermost holes and the rim, then inside of the innermost, at every
    position but those where something may lie over the disc.
    """
    r = view.hole
    inner, outer = min(1.0, radii.min()), max(1.0, radii.max())
    hole = np.linspace(-1.0, 1.0, 9) * r
    wide = min(1.3 * r / outer, np.pi / view.positions)
    beyond = np.arange(outer + 1.2 * r, min(view.rim - 0.3 * r, outer + 5 * r), r / 5)
    for judge, rho, across in (
        (_plain, _strips(outer, view.rim - 0.2 * r, r), hole / outer),
        (_faint, beyond, np.linspace(-wide, wide, 13)),
        (_plain, _strips(inner, 0.03, r), hole / inner),
    ):
        if len(rho) >= LEAST:
            found = judge(*_beside(image, view, rho, across), hidden)
            if found is not None:
                return found, judge is _faint
    return None


def _strips(edge: float, end: float, r: float) -> Floats:
    """Radii from a row towards an end, where a mark beside holes of radius `r` may be."""
    low, high = sorted((edge, min(max(end, edge - 4.6 * r), edge + 4.6 * r)))
    rho = np.linspace(low, high, 16)
    return rho[np.abs(rho - edge) > 1.2 * r]


def _plain(patch: Floats, fine: NDArray[np.bool_], hidden: NDArray[np.bool_]) -> int | None:
    """The position about which the picture is unlike that at the others."""
    # how uneven each strip across a position is, and how unlike the usual strip there
    unlike = np.sqrt(np.mean((patch - np.median(patch, axis=0)) ** 2, axis=2))
    unlike = np.where(fine & ~hidden[:, None], unlike, 0.0)
    unlike = (unlike[:, 2:] + unlike[:, 1:-1] + unlike[:, :-2]) / 3
    typical = np.median(unlike, axis=0)
    spread = 1.4826 * np.median(np.abs(unlike - typical), axis=0)
    return _stands_out((unlike - typical) / (spread + 0.35 * typical + 0.004))


def _faint(patch: Floats, fine: NDArray[np.bool_], hidden: NDArray[np.bool_]) -> int | None:
    """The same for a mark that is hard to see.

    Light changes from one position to the next, so each is compared with those about it, and noise
    is finer than a mark, so it is smoothed.
    """
    near = [np.roll(patch, k, axis=0) for k in range(-ABOUT, ABOUT + 1) if k]
    unlike = patch - np.median(near, axis=0)
    smooth = sliding_window_view(unlike, (3, 3), axis=(1, 2)).mean(axis=(-2, -1))
    uneven = np.sqrt(np.mean(smooth**2, axis=(1, 2)))
    typical = np.median(uneven)
    uneven = np.where(fine.all(axis=1) & ~hidden, uneven - typical, 0.0)
    spread = 1.4826 * np.median(np.abs(uneven)) + 0.05 * typical + STEP / 3
    return _stands_out(uneven[:, None] / spread)


def _beside(
    image: NDArray[np.float32], view: View, rho: Floats, across: Floats
) -> tuple[Floats, NDArray[np.bool_]]:
    """Brightness about a line from the middle outwards at each position, as logarithms less their
    median across it, shape (positions, radii, across); and where all of it is in the picture."""
    angle = 2 * np.pi * np.arange(view.positions) / view.positions
    turn, at = angle[:, None, None] + across, rho[:, None]
    points = np.stack(np.broadcast_arrays(at * np.cos(turn), at * np.sin(turn)), axis=-1)
    with np.errstate(all="ignore"):
        patch: Floats = np.log(sample(image, project(view.matrix, points)))
    fine: NDArray[np.bool_] = np.all(np.isfinite(patch), axis=2)
    patch = np.where(np.isfinite(patch), patch, 0.0)
    patch -= np.median(patch, axis=2, keepdims=True)
    return patch, fine


def _stands_out(z: Floats) -> int | None:
    """The position that stands out from all others; `z` has the shape (positions, strips)."""
    best: tuple[float, int] | None = None
    for strip in z.T:
        k = int(np.argmax(strip))
        # a mark may reach its neighbours
        rest = max(float(np.delete(np.roll(strip, 1 - k), range(3)).max()), 1.0)
        # engraving goes on beside a position at which it stands out
        beside = z[(k + np.array([-3, -2, 2, 3])) % len(z)].max()
        if strip[k] > max(STANDS_OUT, 1.6 * rest) and beside < STANDS_OUT:
            best = max(best or (0.0, 0), (float(strip[k] / rest), k))
    return best and best[1]
