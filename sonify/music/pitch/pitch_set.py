"""All pitches that a voice can sound, whatever is read: channels are allocated for them."""

from __future__ import annotations

import numpy as np

from sonify.music.pitch.scheme import Frame, Pitches, Scheme, led_bounds, within
from sonify.music.rhythm.rule import Rule

__all__ = ["pitch_set"]


def pitch_set(scheme: Scheme, rules: list[Rule], unit_bits: int, frame: Frame) -> Pitches | None:
    """All pitches that a voice can sound, each once.

    Parameters
    ----------
    scheme : Scheme
    rules : list of Rule
        The voice's.
    unit_bits : int
        Bits of a character's code unit.
    frame : Frame
        With the voice's own root.

    Returns
    -------
    ndarray of float64, shape (pitches,), or None
        Rising; None if the scheme can't tell. A scheme whose tones move from row to row is
        followed over 256 rows.
    """
    shifts = {0}
    for rule in rules:
        shifts = rule.shifts(shifts)
    pitch = scheme.pitch_set(np.array(sorted(shifts)), unit_bits, frame)
    if pitch is None:
        return None
    pitch = within(scheme, pitch, frame)
    if scheme.leading == "nearest":
        # a tone that is led may come in any octave
        low, high = led_bounds(scheme, frame)
        octaves = np.ceil((high - low) / frame.scale.period)
        pitch = np.add.outer(frame.scale.period * np.arange(-octaves, octaves + 1), pitch)
        pitch = pitch[(pitch >= low - 1e-3) & (pitch <= high + 1e-3)]
    return np.unique(pitch)
