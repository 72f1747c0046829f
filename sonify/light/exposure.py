"""From light to colour: how a picture's exposure turns the light of lamps into linear colours.

A lens at full level has light 1 and the look's own colour. More light than that, as in its hot
core, can't be shown by more of the same colour; as in a photograph it turns white.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from sonify.light.look import BRIGHTEST, LUMINANCE, Look, linear

__all__ = [
    "BRIGHT",
    "MOST_LIGHT",
    "NOTICED",
    "Real",
    "gain",
    "lab",
    "light_steps",
    "shade",
    "shines",
]

F64 = NDArray[np.float64]
Real = NDArray[np.float32] | NDArray[np.float64]

# The most light that is told apart: a hot core between four lit neighbours (`lamp_shapes.CORE`)
# at an exposure of +1. More looks the same.
MOST_LIGHT = 8.0
# The difference in CIELAB that is just noticed: 2.3 (Mahy, Van Eycken and Oosterlinck 1994,
# "Evaluation of uniform color spaces developed after the adoption of CIELAB and CIELUV").
NOTICED = 2.3
# Light from which on edges and cores are so steep that steps between neighbouring pixels hide
# those of the levels (compared by eye).
BRIGHT = 0.35

# CIE XYZ of linear sRGB and its white (IEC 61966-2-1).
_XYZ = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
_WHITE = _XYZ.sum(axis=1)


def shade(look: Look, cover: Real, light: Real, lamp: Real | None = None) -> F64:
    """Colours in linear light.

    Parameters
    ----------
    look : Look
    cover : ndarray
        How much of the unlit lamp is seen, from 0 to 1; below 0, how much darker than the
        background it is, to -1 for black.
    light : ndarray
        Light of lamps; a lens at full level has 1.
    lamp : ndarray, shape (..., 3), optional
        The colour of that light in linear light; the look's lamp if not given.

    Returns
    -------
    ndarray
        Of the shape that all broadcast to, and three components.
    """
    own, unlit, ground = (linear(c) for c in (look.lamp, look.off, look.ground))
    tone = own if lamp is None else lamp
    m, x = cover[..., None], light[..., None] * gain(look)
    base = np.where(m < 0, ground * (1 + m), ground + (unlit - ground) * m)
    out: F64 = base + (tone - base) * np.minimum(x, 1)
    if shines(look):
        out = out + (1 - out) * glare(x)
    return out


def shines(look: Look) -> bool:
    """Whether a lamp is brighter than the background; a darker one is ink, without glare."""
    return float(linear(look.lamp) @ LUMINANCE) > float(linear(look.ground) @ LUMINANCE)


def gain(look: Look) -> float:
    """The factor that brightness and exposure put on light."""
    return float(look.brightness / BRIGHTEST * 2.0**look.exposure)


def glare(light: Real) -> F64:
    """How far light over 1 turns white, from 0 to 1; half at 3 (chosen by eye)."""
    over: F64 = np.maximum(np.asarray(light, np.float64) - 1, 0)
    return over / (over + 2)


def lab(rgb: F64) -> F64:
    """Colours in linear light, shape (..., 3), in CIELAB (CIE 15)."""
    xyz = rgb @ _XYZ.T / _WHITE
    f = np.where(xyz > 216 / 24389, np.cbrt(xyz), (24389 / 27 * xyz + 16) / 116)
    x, y, z = np.moveaxis(f, -1, 0)
    out: F64 = np.stack([116 * y - 16, 500 * (x - y), 200 * (y - z)], axis=-1)
    return out


@lru_cache(maxsize=64)
def light_steps(look: Look, fine: float, coarse: float) -> F64:
    """Levels of light in ascending order, from 0, that are so far apart in CIELAB.

    Parameters
    ----------
    look : Look
    fine, coarse : float
        The distance up to `BRIGHT`, and from there on.
    """
    light = np.concatenate([[0.0], np.geomspace(1e-6, MOST_LIGHT, 8192)])
    colours = lab(shade(look, np.zeros_like(light), light))
    apart = np.linalg.norm(np.diff(colours, axis=0), axis=1)
    apart /= np.where(light[1:] * gain(look) < BRIGHT, fine, coarse)
    far = np.concatenate([[0.0], np.cumsum(apart)])
    # the lens, and the brightest colour of a lamp, have levels of their own, so that they are exact
    own = [1.0, min(1 / gain(look), MOST_LIGHT)]
    out: F64 = np.union1d(np.interp(np.arange(int(np.ceil(far[-1])) + 1), far, light), own)
    return out
