"""The holes in a photograph of a cut disc, in the mm of its design.

The clock row gives a first view, the design's own holes refine it (a homography and the lens's
distortion), and the picture is laid flat by it. Levels are logarithms of brightness, less that of
the material around, so uneven light and colours don't matter.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError
from sonify.recover.sources.image.locate import find_disc
from sonify.recover.survey.sites import READS, Floats, Seen, Sites, apply, typical

__all__ = ["seen_in_picture"]

Levels = NDArray[np.float32]

# Pixels across a hole in the picture laid flat: the centre of a hole is then known to 1 % of its
# diameter; and the most pixels across the disc.
ACROSS, LARGEST = 16, 4000
# Standard deviations from how the other kind looks, from which a site that differs from the design
# is certain: chance gives one in 300,000, and a disc has up to some thousand sites.
CERTAIN = 4.5
# Steps, of which five are tried either way, of the first radial term of the lens's distortion; half
# the picture's diagonal is the unit (from memory: phones stay within 0.05, wide lenses in 0.15).
LENS = 0.03, 0.004
# Of the error without a step: what a step must improve on, or it only fits noise.
BETTER = 0.95
# The contrast of holes in a part of the disc against all, at least and at most: half as much
# is left at the edge of glare, or where half of a hole is wall.
LOCAL = 0.5, 2.0
# Around a site, in holes: webs are a third of a hole or more.
AT_SITE = 0.65
# The least share of its box that a hole fills (a circle fills 0.785), and the least ratio of the
# box's sides, as for the spots of the reader of photographs; and its area against the usual hole:
# outside of these bounds it is nearer to none or to two.
ROUND, SIDES, ONE = 0.55, 0.5, (0.5, 1.6)


class _View(NamedTuple):
    """How the disc lies in the picture: the camera's matrix, its lens's distortion, and the
    homography from mm to the picture without distortion, in focal lengths."""

    camera: Floats
    lens: float
    matrix: NDArray[Any]

    @property
    def bend(self) -> Floats:
        """The distortion as OpenCV has it."""
        return np.array([self.lens, 0, 0, 0])

    def place(self, xy: Floats) -> Floats:
        """Points in mm, in pixels of the picture."""
        import cv2

        rays = np.pad(apply(self.matrix, xy.reshape(-1, 2)), ((0, 0), (0, 1)), constant_values=1)
        out = cv2.projectPoints(rays, np.zeros(3), np.zeros(3), self.camera, self.bend)[0]
        return np.asarray(out, np.float64).reshape(xy.shape)

    def fitted(self, xy: Floats, pixels: Floats, step: float) -> _View:
        """The view that takes points in mm to pixels, whatever a few of them say."""
        import cv2

        tries = []
        for k in range(-5, 6):
            view = self._replace(lens=self.lens + k * step)
            flat = cv2.undistortPoints(pixels[:, None], self.camera, view.bend)
            matrix, _ = cv2.findHomography(xy, flat, cv2.LMEDS)
            view = self if matrix is None else view._replace(matrix=matrix)
            off = float(np.median(np.linalg.norm(view.place(xy) - pixels, axis=1)))
            tries.append((off if k else BETTER * off, view))
        return min(tries, key=lambda one: one[0])[1]


class _Flat(NamedTuple):
    """The picture laid flat: levels less that of the material around, that level, levels averaged
    over half a hole's width, what is in view, and the matrix from its pixels to mm."""

    level: Levels
    material: Levels
    mean: Levels
    inside: NDArray[np.bool_]
    to_mm: Floats

    def pixels(self, xy: Floats) -> NDArray[np.int64]:
        """The nearest pixels to points in mm, shape (points, 2)."""
        flat = apply(np.linalg.inv(self.to_mm), xy.reshape(-1, 2))
        return np.rint(flat).astype(np.int64)

    def at(self, values: NDArray[Any], xy: Floats) -> NDArray[Any]:
        """The values of pixels at points in mm."""
        x, y = self.pixels(xy).T
        out: NDArray[Any] = values[y, x].reshape(xy.shape[:-1])
        return out


def _flat(image: Levels, view: _View, sites: Sites) -> _Flat:
    """The picture laid flat, less the level of the material."""
    import cv2

    g, hole = sites.geometry, sites.hole
    reach, scale = g.outer_diameter / 2, min(ACROSS / hole, LARGEST / g.outer_diameter)
    size = int(g.outer_diameter * scale) + 1
    to_mm = np.array([[1 / scale, 0, -reach], [0, -1 / scale, reach], [0, 0, 1]])
    to_flat = np.linalg.inv(view.matrix @ to_mm)
    x, y = cv2.initUndistortRectifyMap(
        view.camera, view.bend, np.eye(3), to_flat, (size, size), cv2.CV_32FC1
    )
    seen = cv2.remap(image, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=-1)
    disc = np.zeros((size, size), np.uint8)
    for edge, value in ((reach - 0.25 * hole, 1), (g.bore_diameter / 2 + 0.25 * hole, 0)):
        cv2.circle(disc, (size // 2, size // 2), int(edge * scale), value, -1)
    inside = (seen >= 0) & (disc > 0)
    # the material is what lies between all sites, whether they have a hole or not
    for site in np.rint(apply(np.linalg.inv(to_mm), sites.xy.reshape(-1, 2))).astype(int):
        cv2.circle(disc, site.tolist(), int(AT_SITE * hole * scale), 0, -1)
    weight = ((disc > 0) & inside).astype(np.float32)
    wide, narrow = (int(v * hole * scale) | 1 for v in (4, 0.5))
    about, near = (cv2.blur(v, (wide, wide)) for v in (weight * seen, weight))
    inside &= near > 0.01
    material = np.asarray(about / np.maximum(near, 1e-6), np.float32)
    level = np.asarray(np.where(inside, seen - material, 0), np.float32)
    mean = np.asarray(cv2.blur(level, (narrow, narrow)), np.float32)
    return _Flat(level, material, mean, inside, to_mm)


def seen_in_picture(path: Path, sites: Sites) -> Seen:
    """The holes in a photograph of the disc.

    Raises
    ------
    InputError
        No disc in the picture, another one, or holes that look like the material.
    """
    picture, found, image = find_disc(path, sites.xy.shape[1])
    image = np.log(image)
    height, width = image.shape
    half = float(np.hypot(width, height)) / 2
    camera = np.array([[half, 0, width / 2 - 0.5], [0, half, height / 2 - 0.5], [0, 0, 1.0]])
    # position 0 of a view lies to the right, and that of a disc at twelve o'clock
    upright = np.array([[0, 1, 0], [-1, 0, 0], [0, 0, sites.geometry.clock_radius]])
    view = _View(camera, 0.0, np.linalg.inv(camera) @ found.matrix @ upright)
    flat = _flat(image, view, sites)
    usual = float(np.median(flat.at(flat.mean, sites.xy[-1])))
    plain, mirrored = (flat.at(flat.mean, sites.xy[:-1] * [s, 1]) / usual - 0.5 for s in (1, -1))
    turn, said = sites.turned((plain, mirrored), path)
    view = view._replace(matrix=view.matrix @ turn)
    for step in LENS:
        seen = _holes(_flat(image, view, sites), sites, path)
        sure = (sites.meant == 1) & (seen.at >= 0) & (np.abs(seen.size[seen.at] - 1) < 0.3)
        view = view.fitted(sites.xy[sure], view.place(seen.xy[seen.at[sure]]), step)
    seen = _holes(_flat(image, view, sites), sites, path)
    return seen._replace(cautions=said, picture=picture.colour, place=view.place)


def _holes(flat: _Flat, sites: Sites, path: Path) -> Seen:
    """The holes in the picture laid flat."""
    import cv2

    meant = sites.meant
    mean, inside = flat.at(flat.mean, sites.xy), flat.at(flat.inside, sites.xy)
    ones, zeros = mean[inside & (meant == 1)], mean[inside & (meant == 0)]
    # on a disc that is nearly all holes: the material, which is 0 by itself
    (one, _), (zero, noise) = typical(ones), typical(zeros if len(zeros) > 7 else 0 * ones)
    # across a disc the walls of its holes come into view, so holes are like those around them
    plain = (mean - zero) / (one - zero)
    # blocked ones say nothing
    right = inside & (meant == 1) & (plain > LOCAL[0])
    local = (one - zero) * np.clip(sites.around(np.where(right, plain, np.nan))[0], *LOCAL)
    spread = typical((mean - zero - local)[right])[1]
    spread, noise = (max(v / abs(one - zero), 0.02) for v in (spread, noise))
    if max(spread, noise) > 1 / CERTAIN:
        how = "take it in even light, on a plain background of another brightness"
        raise InputError(f"holes and material look much the same in it; {how}", file=path)
    share = (mean - zero) / local
    is_hole = share > noise / (noise + spread)
    # what shows through holes may be patterned: the edge of each is half as unlike the material as
    # its most unlike part, wherever that lies
    px = 1 / flat.to_mm[0, 0]
    reach = int(READS * sites.hole * px)
    shape = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1))
    sign = np.float32(np.sign(one - zero))
    most = (sign * flat.at(cv2.dilate(sign * flat.mean, shape), sites.xy) - zero) / local
    half = np.full(flat.level.shape, (one - zero) / 2, np.float32)
    own = (local / 2 * np.where(is_hole, np.clip(most, LOCAL[0], 1), 1)).ravel().tolist()
    for (x, y), value in zip(flat.pixels(sites.xy).tolist(), own, strict=True):
        cv2.circle(half, (x, y), int(AT_SITE * sites.hole * px), value, -1)
    smooth = cv2.GaussianBlur(flat.level - zero, (0, 0), 0.1 * sites.hole * px)
    mask = ((smooth / half > 1) & flat.inside).astype(np.uint8)
    _, labels, stats, middle = cv2.connectedComponentsWithStats(mask, connectivity=4)
    at = np.where(is_hole, flat.at(labels, sites.xy), 0) - 1
    _, _, width, height, area = stats[1:].T.astype(float)
    right = at[(meant == 1) & (at >= 0)]
    fill, ratio = area / (width * height), np.minimum(width / height, height / width)
    area, wide = (v / np.median(v[right]) for v in (area, np.maximum(width, height)))
    like = (fill > ROUND) & (ratio > SIDES) & (area > ONE[0]) & (area < ONE[1])
    # as certain as the holes around it allow, by contrast and by brightness: a hole in glare has
    # less contrast, and one at a shadow's edge has another brightness
    missed = np.full(share.shape, np.inf)
    for look in (share, share + flat.at(flat.material, sites.xy) / (one - zero)):
        usual, scatter = sites.around(np.where(inside & (meant == 1), look, np.nan))
        missed = np.minimum(missed, (usual - look) / np.maximum(spread, scatter))
    certain = np.where(is_hole, share / noise, missed) > CERTAIN
    doubtful = ~inside | ((is_hole != (meant == 1)) & ~certain) | (is_hole & (at < 0))
    # a crack widens a hole, and adds at least a quarter as much area
    size = np.maximum(area, np.minimum(wide, 4 * area - 3))
    whole = at[(at >= 0) & (missed < CERTAIN)]
    size[whole] = np.maximum(size[whole], 1)
    return Seen(apply(flat.to_mm, middle[1:]), size, like, at, doubtful, [])
