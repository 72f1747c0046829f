"""About how long each download takes to make, and how large it gets.

Measured by `python -m tests.benchmarks.bench_downloads` on two busy cores with discs that ship, so
rather too long than too short. The page corrects the figures by what it sees on its own machine.
"""

from __future__ import annotations

__all__ = ["COSTS"]

COSTS: dict[tuple[str, str], tuple[float, float, int, int]] = {
    ("midi", ".mid"): (0.3, 0.0, 0, 70),
    ("midi", ".midi"): (0.3, 0.0, 0, 70),
    ("lights", ".gif"): (0.3, 0.002, 2116, 902),
    ("lights", ".png"): (0.3, 0.003, 0, 911),
    ("lights", ".webp"): (0.4, 0.002, 0, 1124),
    ("lights", ".mp4"): (0.0, 0.056, 0, 10200),
    ("lights", ".webm"): (0.0, 0.595, 0, 10283),
    ("lights", ".mov"): (0.0, 0.7, 0, 7023674),
    ("message", ".gif"): (0.1, 0.024, 0, 54406),
    ("message", ".png"): (0.1, 0.049, 0, 16229),
    ("message", ".webp"): (0.0, 0.066, 0, 13187),
    ("message", ".mp4"): (0.0, 0.054, 0, 9230),
    ("message", ".webm"): (0.0, 0.29, 0, 8799),
    ("message", ".mov"): (0.0, 0.47, 0, 4499960),
    ("clip", ".mp4"): (0.7, 0.595, 0, 68383),
    ("sound", ".wav"): (0.7, 0.013, 112, 288000),
    ("sound", ".flac"): (0.8, 0.015, 0, 168693),
    ("sound", ".opus"): (0.7, 0.024, 0, 19679),
    ("sound", ".mp3"): (0.7, 0.05, 2325, 31996),
    ("sound", ".m4a"): (0.7, 0.031, 0, 32588),
    ("score", ".musicxml"): (0.6, 0.003, 0, 2664),
    ("score", ".svg"): (0.6, 0.006, 0, 4897),
    ("score", ".png"): (0.6, 0.017, 2881, 7204),
    ("score", ".pdf"): (1.0, 0.011, 17037, 855),
    ("explain", ".pdf"): (0.8, 0.0, 41124, 450),
    ("explain", ".svg"): (0.3, 0.0, 91555, 513),
    ("explain", ".html"): (0.3, 0.0, 113267, 761),
    ("explain", ".png"): (0.7, 0.0, 355965, 441),
    ("draw", ".svg"): (0.2, 0.0, 5498, 136),
    ("draw", ".dxf"): (0.4, 0.0, 32731, 318),
    ("draw", ".pdf"): (0.6, 0.0, 2762, 199),
    ("draw", ".png"): (1.4, 0.0, 1074575, 0),
    ("draw", ".csv"): (0.2, 0.0, 1322, 81),
    ("page", ".html"): (0.9, 0.055, 220989, 16495),
    ("disc", ".toml"): (0.2, 0.0, 149, 4),
    ("tuning", ".scl"): (0.2, 0.0, 900, 0),
    ("tuning", ".kbm"): (0.2, 0.0, 600, 0),
    ("preset", ".toml"): (0.2, 0.0, 2456, 0),
    ("clip", ".webm"): (0.0, 4.845, 0, 59883),
    ("clip", ".mov"): (1.0, 10.273, 0, 34364936),
    ("clip", ".gif"): (0.6, 0.01, 35909, 14019),
    ("clip", ".png"): (0.3, 0.043, 9012, 38367),
    ("clip", ".webp"): (0.4, 0.04, 0, 12195),
}
"""Seconds before the first second of the piece and for each second, and bytes likewise."""
