"""The timeline of the sheet: one row as it passes the detectors."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from sonify.export.sheet.facts import Facts, visible
from sonify.export.sheet.page import BOLD, HEAD, SMALL, Box, Canvas, Line, Target, width_of, wrapped
from sonify.music.theory.scales import note_name

if TYPE_CHECKING:
    from sonify.music.notes import Part

__all__ = ["draw_turn", "turn_height"]

LABELS = 21.0
MOST_SLOTS = 128
"""The most positions that can be told apart on the width of a page."""
WITH_BITS = 2.2
"""The least width of a position whose bit is written as a digit."""
ROLL, LANE = 8.0, 4.4
"""The height of the notes of a single voice, and of each of several."""


def roll_height(facts: Facts) -> float:
    """The height of the notes."""
    return ROLL if len(facts.voices) < 2 else LANE * len(facts.voices)


def turn_height(facts: Facts) -> float:
    """The height of the timeline."""
    return 29.0 + roll_height(facts)


def draw_turn(canvas: Canvas, facts: Facts, y: float, width: float) -> None:
    """Draw the row of the first character shown: detectors, bits, notes and time."""
    timeline, n = facts.show.timeline, facts.disc.positions
    row, position = divmod(facts.units[0].first, n)
    first = int(timeline.row_first[row])
    count = min(n, MOST_SLOTS)
    # slots from the start of the row; those of the first character if not all fit
    start = 0 if n <= MOST_SLOTS else min((position - first) % n // 10 * 10, n - count)
    positions = [(first + start + k) % n for k in range(count)]
    step = (width - LABELS) / count
    x = [LABELS + step * k for k in range(count + 1)]
    seconds = count * timeline.position_s
    what = f"row {row + 1} passes"
    if count < n:
        what = f"positions {positions[0] + 1} to {positions[-1] + 1} of row {row + 1} pass"
    title = f"One turn: {what} the detectors in {seconds:.2f} s"
    canvas.text(0, y + 3.6, title, HEAD, style=BOLD)
    begin = float(timeline.row_start_s()[row]) + start * timeline.position_s
    lines = {
        name: y + where
        for name, where in (("character", 8.4), ("position", 11.9), ("clock detector", 15.6),
                            ("data detector", 19.6), ("bit", 23.6),
                            ("time", 28.0 + roll_height(facts)))
    }  # fmt: skip
    for name, base in lines.items():
        canvas.text(0, base, name, SMALL, colour="soft")
    bits = [row * n + p for p in positions]
    _characters(canvas, facts, bits, x, lines["character"])
    _numbers(canvas, positions, x, lines["position"])
    _trace(canvas, [True] * count, x, lines["clock detector"])
    holes = [int(facts.flat[b]) == facts.disc.layout.hole_means for b in bits]
    _trace(canvas, holes, x, lines["data detector"])
    for k, bit in enumerate(bits):
        value, middle = int(facts.flat[bit]), (x[k] + x[k + 1]) / 2
        base = lines["bit"]
        if step < WITH_BITS:
            if not canvas.blank:
                fill = ("paper", "ink", "line")[value]
                canvas.add(Box(x[k], base - 2.2, step, 2.4, fill, "soft", 0.1))
        elif canvas.blank:
            canvas.add(Box(x[k] + 0.1, base - 2.4, step - 0.2, 3.0, "paper", "soft", 0.12))
        else:
            canvas.text(middle, base, "01?"[value], SMALL, anchor="middle")
    _notes(canvas, facts, row, begin, seconds, x, y + 25.0)
    _seconds(canvas, begin, seconds, x, lines["time"])
    for k, bit in enumerate(bits):
        high = 12.5 + roll_height(facts) + 0.2
        canvas.add(Target(x[k], y + 12.5, step, high, (bit, bit), facts.about(bit)))


def _characters(canvas: Canvas, facts: Facts, bits: list[int], x: list[float], y: float) -> None:
    """A bracket over the bits of each character that lie side by side."""
    slots = {bit: k for k, bit in enumerate(bits)}
    shown = {unit.link for unit in facts.units}
    for group in [*facts.groups, facts.marks]:
        for unit in group:
            some = [slots[b] for b in range(unit.first, unit.last + 1) if b in slots]
            if not some or some[-1] - some[0] != len(some) - 1:
                continue
            left, right = x[some[0]] + 0.15, x[some[-1] + 1] - 0.15
            fill = unit.tint if unit.link in shown else None
            canvas.add(Box(left, y - 3.0, right - left, 3.8, fill, "line", 0.15, unit.link))
            name = visible(unit.char)
            if name and width_of(name, SMALL) > right - left - 0.4:
                name = ""
            if name and not (canvas.blank and len(unit.char) == 1):
                canvas.text((left + right) / 2, y - 0.2, name, SMALL, anchor="middle")


def _numbers(canvas: Canvas, positions: list[int], x: list[float], y: float) -> None:
    """Number the first position and every tenth, or fewer if they are narrow."""
    every = 10 if (x[1] - x[0]) * 10 > 8 else 20
    for k, position in enumerate(positions):
        if position == 0 or (position + 1) % every == 0:
            middle = (x[k] + x[k + 1]) / 2
            canvas.text(middle, y, str(position + 1), SMALL, anchor="middle")


def _trace(canvas: Canvas, holes: list[bool], x: list[float], y: float) -> None:
    """The signal of a detector: high on solid material, low at a hole."""
    high, low, edge = y - 2.4, y + 0.3, 0.22 * (x[1] - x[0])
    points = [(x[0], high)]
    for k, hole in enumerate(holes):
        if hole:
            left, right = x[k] + edge, x[k + 1] - edge
            points += [(left, high), (left, low), (right, low), (right, high)]
    canvas.add(Line((*points, (x[-1], high)), "ink", 0.22))


def _notes(
    canvas: Canvas, facts: Facts, row: int, begin: float, seconds: float, x: list[float], top: float
) -> None:
    """The notes that sound, as bars: time to the right, pitch upwards, a lane for each voice."""
    several = len(facts.voices) > 1
    if not several:
        canvas.text(0, top + 3.6, "notes", SMALL, colour="soft")
    canvas.add(Box(x[0], top, x[-1] - x[0], roll_height(facts), "paper", "line", 0.15))
    sounding = [_sounding(facts, part, row, begin, seconds) for part in facts.voices]
    if not any(map(len, sounding)):
        base = top + roll_height(facts) / 2 + 0.9
        canvas.text(x[0] + 2, base, "no note in this row", SMALL, colour="soft")
    high = LANE if several else ROLL
    for k, (part, notes) in enumerate(zip(facts.voices, sounding, strict=True)):
        lane = top + k * high
        if several:
            name = wrapped(f"{k + 1} {part.name}", LABELS - 1, SMALL)[0]
            canvas.text(0, lane + 3.2, name, SMALL, colour="soft")
        if k:
            canvas.add(Line(((x[0], lane), (x[-1], lane)), "line", 0.15))
        if len(notes):
            span = _lane(canvas, facts, notes, row, (begin, seconds), x, (lane, high))
            if not several and part.voice.drum is None:
                canvas.text(0, top + 7.0, span, SMALL, colour="soft")


def _sounding(facts: Facts, part: Part, row: int, begin: float, seconds: float) -> NDArray[np.void]:
    """The notes of a voice that belong to a row and sound in a stretch of time."""
    notes = facts.own_notes(part)
    notes = notes[notes["row"] == row]
    ends = notes["onset_s"] + notes["duration_s"]
    out: NDArray[np.void] = notes[(ends > begin) & (notes["onset_s"] < begin + seconds)]
    return out


def _lane(
    canvas: Canvas, facts: Facts, notes: NDArray[np.void], row: int, time: tuple[float, float],
    x: list[float], lane: tuple[float, float],
) -> str:  # fmt: skip
    """Draw the notes of a voice in a lane, by its top and height; returns which tones they are."""
    (begin, seconds), (top, tall) = time, lane
    scale = (x[-1] - x[0]) / seconds
    low, high = float(notes["pitch"].min()), float(notes["pitch"].max())
    reach = max(high - low, 1.0)
    thick = float(np.clip(tall / (reach + 1), 0.6, 1.2))
    for note in notes[["onset_s", "duration_s", "pitch", "position"]].tolist():
        onset, duration, pitch, position = note
        left = max(x[0], x[0] + (onset - begin) * scale)
        right = min(x[-1], x[0] + (onset + duration - begin) * scale)
        share = (high - pitch) / reach if high > low else 0.5
        at = top + 0.5 + (tall - 1 - thick) * share
        bit = row * facts.disc.positions + position
        canvas.add(
            Box(left, at, max(0.3, right - left - 0.1), thick, "accent", None, 0.2, (bit, bit))
        )
    return note_name(round(low)) + (f" to {note_name(round(high))}" if high > low else "")


def _seconds(canvas: Canvas, begin: float, seconds: float, x: list[float], y: float) -> None:
    """A scale of seconds since the reading began."""
    step = next(
        s for s in (0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 60, 600, 6000) if seconds / s <= 13
    )
    scale = (x[-1] - x[0]) / seconds
    for k in range(int(np.ceil(begin / step - 1e-9)), int((begin + seconds) / step + 1e-9) + 1):
        at = x[0] + (k * step - begin) * scale
        canvas.add(Line(((at, y - 3.2), (at, y - 2.4)), "soft", 0.2))
        words = f"{k * step:g} s"
        if at < x[-1] - 3:
            anchor = "middle" if at > x[0] + 2 else "start"
            canvas.text(at, y, words, SMALL, anchor=anchor, colour="soft")
