"""Whether a person could read a picture of a disc: hole from no hole at every site.

- Every site lies in the picture, is uncovered, and its hole is 4 pixels wide in its narrowest way.
- A hole keeps more than half of its light within its own outline. In a lattice of equal holes, what
  a site gets from the others is at most what its own hole loses, so then its own always prevails.
- A hole differs from the bare face by two just noticeable differences of 2.3 units of CIELAB
  (Mahy, Van Eycken, Oosterlinck 1994), and by 5 deviations of what noise, compression and the
  face's grain do to patches of a hole's size (Rose 1948: a disc is seen for sure when it exceeds
  the noise within its own area by 3 to 7, mostly 5, deviations).
- No site looks more like the other kind than like its own.
- Where reading starts is settled by the index mark, seen by the same measure, or else by a frame,
  a check, or a message of at least 8 characters (own choice).
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.world.lens_d import Camera, Sensor
from tests.world.plate_d import Plate
from tests.world.shine_d import Scene

Reals = NDArray[np.float64]
Pixels = NDArray[np.uint8]

LEAST, ROSE, NOTICED = 4.0, 5.0, 2.3
"""Pixels, deviations and units of CIELAB, as said above."""


def ellipses(camera: Camera, plate: Plate) -> tuple[Reals, Reals, Reals]:
    """Of each site: its pixel, pixels a mm (2 × 2), and the narrow width of a hole there."""
    flat = np.concatenate((plate.sites, np.zeros((*plate.sites.shape[:2], 1))), -1)
    step = 0.05
    ways = [camera.project(flat + d) - camera.project(flat - d)
            for d in ([step, 0, 0], [0, step, 0])]  # fmt: skip
    jacobian = np.stack(ways, -1) / (2 * step)
    narrow = np.linalg.svd(jacobian, compute_uv=False)[..., -1]
    return camera.project(flat), jacobian, narrow * plate.geometry.hole_diameter


def bars(scene: Scene, camera: Camera) -> list[str]:
    """What geometry alone says against a picture."""
    plate = scene.plate
    at, jacobian, narrow = ellipses(camera, plate)
    why = [] if narrow.min() >= LEAST else ["tiny"]
    reach = np.linalg.norm(jacobian, axis=-1) * plate.geometry.hole_diameter / 2
    size = np.array(camera.shape[::-1]) - 1
    if ((at - reach < 0) | (at + reach > size)).any():
        why.append("cut off")
    if scene.over[1].any():
        cover = scene.over[1].astype(np.float32)
        around = cv2.dilate(
            cover, np.ones((2 * round(scene.ppm * plate.geometry.hole_diameter / 2) + 1,) * 2)
        )
        _, slope = camera.rays(at)
        spot = np.round((plate.sites + 4.0 * slope - scene.corner) * [1, -1] * scene.ppm).astype(
            int
        )
        inside = np.clip(spot, 0, np.array(around.shape[::-1]) - 1)
        if around[inside[..., 1], inside[..., 0]].any():
            why.append("covered")
    return why


def _lab(levels: Any) -> Reals:
    image = np.float32(np.clip(levels, 0, 255) / 255).reshape(1, -1, 3)
    return cv2.cvtColor(image, cv2.COLOR_RGB2Lab).reshape(np.shape(levels)).astype(float)


def seen(
    plate: Plate, camera: Camera, sensor: Sensor, ideal: Any, box: Any, bare: Any, shown: Pixels
) -> tuple[list[str], dict[str, float]]:
    """What is against a picture that was taken, by the criterion above.

    `ideal` is the exposed light on the sensor without noise, `bare` that of the face in the box as
    if it had no holes, and `shown` the picture.
    """
    turn = np.arange(12) * np.pi / 6
    ring = np.stack((np.cos(turn), np.sin(turn)), -1)
    # a hole's area and its edge, evenly: three rings and the centre
    dots = np.concatenate(
        [[[0, 0]], *(k * ring[:: 1 if k > 0.5 else 2] for k in (0.4, 0.75, 1.05))]
    )
    dots = dots * plate.geometry.hole_diameter / 2

    def look(points: Reals) -> tuple[Reals, Reals, Reals]:
        flat = np.concatenate((points, np.zeros((*points.shape[:-1], 1))), -1)
        x, y = np.moveaxis(camera.project(flat), -1, 0).astype(np.float32).reshape(2, -1, 1)
        shape = (*points.shape[:-1], 3)

        def take(image: Any, left: int = 0, top: int = 0) -> Reals:
            # OpenCV's maps are at most 32767 long
            count = len(x) // 30000 + 1
            strips = zip(np.array_split(x, count), np.array_split(y, count), strict=True)
            parts = [cv2.remap(image, a - left, b - top, 1, borderMode=1) for a, b in strips]
            return np.concatenate(parts).reshape(shape).astype(float)

        face_ = _lab(sensor.tone(take(bare, *box[:2])))
        return _lab(sensor.tone(take(ideal))), face_, _lab(take(shown))

    clean, face_, real = look(plate.sites[..., None, :] + dots)
    shape = (clean - face_) * plate.holes[..., None, None]
    # every site is compared with the nearest hole of its row, or else with the clock's
    rows, count = plate.holes.shape
    model = shape.copy()
    steps = np.abs(np.arange(count) - np.arange(count)[:, None])
    steps = np.minimum(steps, count - steps)
    slugs = plate.look["slugs"]
    for r in range(rows):
        like = np.flatnonzero(plate.holes[r])
        for p in np.flatnonzero(~plate.holes[r]):
            near = like[np.argmin(steps[p, like])] if len(like) else p
            model[r, p] = shape[r if len(like) else rows - 1, near]
    power = np.sqrt((model**2).sum(-1).mean(-1))
    got = ((real - face_) * model).sum(-1).mean(-1) / np.maximum(power, 1e-6)
    rest = (real - clean).mean(-2)
    rest = rest - np.median(rest, axis=(0, 1))
    noise = float(np.sqrt((rest**2).sum(-1).mean()))
    # grain: how a patch of the face of a hole's size differs from the web around it
    around = look(plate.sites[..., None, :] + 1.35 * plate.geometry.hole_diameter / 2 * ring)[1]
    differ = np.linalg.norm(face_.mean(-2) - around.mean(-2), axis=-1)
    # deviations from the median, and through a clear sheet, whose grain is the table's pattern,
    # from the rarer sites as well
    grain = 1.48 * float(np.median(differ))
    if plate.material.clear:
        grain = max(grain, float(np.percentile(differ, 90)) / 1.645)
    signal = got[plate.holes]
    limit = max(2 * NOTICED, ROSE * float(np.hypot(noise, grain)))
    why = [] if signal.min() >= limit else ["faint"]
    like_hole = got / np.maximum(power, 1e-6)
    wrong = (like_hole < 0.5) & plate.holes | (like_hole > 0.5) & ~plate.holes
    if wrong.any():
        why.append("unlike")
    figures = {"signal": float(signal.min()), "noise": noise, "grain": grain, "slugs": len(slugs)}
    mark = next((n.points for n in plate.drawing.lines if n.group == "index-mark"), None)
    figures["mark"] = 0.0
    if mark is not None and plate.marked:
        centre = mark.mean(axis=0)
        size = float(np.linalg.norm(mark - centre, axis=1).min())
        inner = (
            centre + 0.5 * size * ring if plate.look["filled"] else np.linspace(mark[1], mark[2], 9)
        )
        outer = centre + 3 * size * ring
        pixels = np.ptp(camera.project(np.column_stack((mark, np.zeros(3)))), axis=0).min()
        if pixels >= LEAST:
            inside, out = look(inner)[2].mean(0), np.median(look(outer)[2], axis=0)
            figures["mark"] = float(np.linalg.norm(inside - out))
    code = plate.disc.code
    said = code is not None and (
        code.framing == "framed" or code.check in ("crc-16", "reed-solomon")
    )
    long = len(plate.message or "") >= 8
    if figures["mark"] < limit and not said and not long:
        why.append("no start")
    return why, figures
