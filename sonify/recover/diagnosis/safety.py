"""Safety notes, printed beside steps to repair a disc or a player."""

from __future__ import annotations

__all__ = ["SAFETY", "SAFETY_OF_DISC"]

SAFETY_OF_DISC = (
    "hold a disc against a lit wall or a lamp behind paper, never against the sun or a laser",
    "follow your local rules first, and ask a qualified person when in doubt",
)

SAFETY = (
    "before you open the player, unplug it, and keep hands, hair and sleeves away from moving "
    "parts",
    "keep every beam, reflected ones too, out of every eye; infrared can't be seen, so nobody "
    "blinks",
    "laser class 2 is for visible light only, as it relies on the blink (IEC 60825-1); an "
    "infrared laser must be class 1",
    *SAFETY_OF_DISC,
)
