"""Pictures of any kind, reduced to one channel of a practical size."""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from math import isqrt
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError

__all__ = ["MAX_PIXELS", "Picture", "open_picture"]

MAX_PIXELS = 50_000_000
HANDY = 2200  # pixels of the longer side that are worked on
SMALLEST = 120
SAMPLED = 4_000_000
"""Of a larger picture of 16 bits, about so many pixels tell its darkest and lightest."""
BAND = 256
"""Rows that are stretched at once, to save memory."""


@dataclass(frozen=True, eq=False)
class Picture:
    """A picture to work on.

    Attributes
    ----------
    colour : ndarray of uint8, shape (height, width, 3)
    scale : float
        Pixels of the file for one pixel of it.
    """

    colour: NDArray[np.uint8]
    scale: float

    def channel(self, name: str) -> NDArray[np.uint8]:
        """One channel: `light`, or `colour`, the colour difference that varies most."""
        import cv2

        if name == "light":
            return np.asarray(cv2.cvtColor(self.colour, cv2.COLOR_RGB2GRAY), np.uint8)
        lab = cv2.cvtColor(self.colour, cv2.COLOR_RGB2LAB)[:, :, 1:]
        lows, highs = np.percentile(lab[::8, ::8], (1, 99), axis=(0, 1))
        which = int(np.argmax(highs - lows))
        low, high = lows[which], highs[which]
        part = np.clip(lab[:, :, which].astype(np.float32), low, high) - np.float32(low)
        return np.asarray(part * (200 / max(float(high - low), 1.0)) + 30).astype(np.uint8)


def open_picture(path: Path, longest: int = HANDY) -> Picture:
    """Open a picture, turned upright and no larger than necessary.

    Raises
    ------
    InputError
        Not a picture, too large (before any of it is unpacked), too small, or cut short.
    """
    from PIL import Image, ImageOps, UnidentifiedImageError

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            with Image.open(path) as image:
                width, height = image.size
                if width * height > MAX_PIXELS:
                    raise _too_large(f"{width} x {height}", path)
                if min(width, height) < SMALLEST:
                    raise InputError(
                        f"{width} x {height} pixels are too few to tell holes apart; each side "
                        f"needs at least {SMALLEST}",
                        file=path,
                    )
                # JPEG can be unpacked at a half or a quarter of its size
                shrink = longest / max(width, height)
                if shrink < 1:
                    image.draft("RGB", (int(width * shrink), int(height * shrink)))
                turned = ImageOps.exif_transpose(image)
                if turned.mode in ("RGBA", "LA", "PA") or "transparency" in turned.info:
                    turned = turned.convert("RGBA")
                    turned = Image.alpha_composite(Image.new("RGBA", turned.size, "white"), turned)
                if turned.mode in ("I;16", "I", "F"):
                    turned = _stretched(turned)
                turned = turned.convert("RGB")
                if max(turned.size) > longest:
                    shrink = longest / max(turned.size)
                    size = (round(turned.width * shrink), round(turned.height * shrink))
                    turned = turned.resize(size, Image.Resampling.BOX, reducing_gap=2.0)
                return Picture(np.asarray(turned), max(width, height) / max(turned.size))
    except (Image.DecompressionBombWarning, Image.DecompressionBombError):
        raise _too_large("its size", path) from None
    except UnidentifiedImageError:
        raise InputError(
            "this is not a picture that can be opened; use a photograph (.jpg, .png and the like)",
            file=path,
        ) from None
    except (OSError, ValueError, SyntaxError, EOFError) as e:
        raise InputError(
            f"the picture can't be unpacked ({str(e) or type(e).__name__}); save it again",
            file=path,
        ) from None


def _too_large(size: str, path: Path) -> InputError:
    return InputError(
        f"{size} is more than {MAX_PIXELS // 1_000_000} million pixels; make the picture smaller",
        file=path,
    )


def _stretched(image: Any) -> Any:
    """A picture of 16 bits or of fractions, in 8 bits."""
    from PIL import Image

    values = np.asarray(image)
    apart = 1 + isqrt(values.size // SAMPLED)
    low, high = np.percentile(values[::apart, ::apart].astype(np.float32), (0.5, 99.5))
    out = np.empty(values.shape, np.uint8)
    for top in range(0, len(out), BAND):
        band = values[top : top + BAND].astype(np.float32)
        out[top : top + BAND] = np.clip((band - low) / max(high - low, 1e-6) * 255, 0, 255)
    return Image.fromarray(out)
