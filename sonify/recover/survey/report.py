"""A survey of a cut disc as lines for a terminal, as plain data, and as a picture with marks."""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np

from sonify.disc.report import VERDICTS
from sonify.errors import plural
from sonify.recover.chart import Area, Chart, spread
from sonify.recover.diagnosis.report import as_json, printable, written
from sonify.recover.diagnosis.safety import SAFETY_OF_DISC
from sonify.recover.survey.sites import READS
from sonify.recover.survey.survey import Fault, Survey, notes_changed, site_name

__all__ = ["fault_line", "survey_facts", "survey_lines", "write_survey"]

# Shapes that differ without colours. A drawing has missing and resized holes.
KINDS = ("blocked", "missing", "extra", "misplaced", "torn", "resized")
MARKS = dict(zip(KINDS, ("x", "x", "cross", "triangle", "square", "square"), strict=True))
# What the check makes of one fault.
CHECK = {
    "valid": "the message stays right",
    "repaired": "the check repairs it",
    "failed": "the check finds it and can't repair it",
    "unchecked": "no check would find it",
}
MOST_NUMBERS = 99  # beside marks: more hide the picture
LONGER, ABOVE, BELOW, EDGE = 1550, 43, 43, 5  # pixels: the longer side, and what is around it


def fault_line(s: Survey, f: Fault) -> str:
    """A fault and what it does, in words."""
    ways = (("outwards", "inwards", f.out_mm), ("forwards", "backwards", f.on_mm))
    how = ", ".join(f"{abs(mm):.2f} mm {(a, b)[mm < 0]}" for a, b, mm in ways)
    out = [f"{site_name(f.row, f.position)}: {f.kind}"]
    if f.kind == "misplaced" or (f.kind == "extra" and f.off_mm > READS * s.sites.hole):
        out = [f"{out[0]} by {f.off_mm:.2f} mm ({how})"]
    elif f.size and f.kind != "extra":
        out = [f"{out[0]}, {f.size:.2f} times the usual size"]
    if f.row is None:
        lost = "the position is not counted, so later bits come one place early"
        out.append("a clock pulse may come late or twice" if f.size else lost)
    elif f.read == f.bit:
        out.append("still reads right")
    else:
        out.append("the bit may read either way" if f.read == -1 else f"{f.bit} reads as {f.read}")
        if f.character is not None:
            wanted, becomes = printable(f.wanted), printable(f.becomes)
            out.append(f"character {f.character + 1} '{wanted}' reads '{becomes}'")
        if f.verdict:  # a disc without a message has none
            out.append(CHECK[f.verdict])
        if f.lost is not None and f.new is not None:
            out.append(_notes((f.lost, f.new)))
    return ", ".join(out)


def _notes(changed: tuple[int, int]) -> str:
    lost, new = changed
    return f"{plural(lost, 'note')} lost, {new} new" if lost or new else "no note changes"


def survey_lines(s: Survey) -> list[str]:
    """The report for a terminal."""
    disc, read = s.show.disc, s.read.decoding
    out = [
        f"{s.path.name}: a {s.kind} of {disc.title or disc.name}",
        f"{'holes':<17}{(s.sites.meant == 1).sum()} wanted; half lie within {s.scatter_mm:.2f} mm",
        f"{'message':<17}{printable(disc.message)}",
    ]
    if read is not None:
        out.append(f"{'as read':<17}{printable(read.as_read)}")
        out.append(f"{'check':<17}{VERDICTS[read.verdict]}")
    out.append(f"{'music':<17}{_notes(notes_changed(s.show, s.read))}")
    out.append(f"{'faults':<17}{len(s.faults) or 'none'}")
    out += [f"  {k}  {fault_line(s, f)}" for k, f in enumerate(s.faults, 1)]
    return out + [f"  safety: {line}" for line in SAFETY_OF_DISC if s.faults]


def survey_facts(s: Survey) -> dict[str, Any]:
    """The same as one object with stable keys; rows and positions count from 0."""
    read, (lost, new) = s.read.decoding, notes_changed(s.show, s.read)
    return {
        "disc": s.show.disc.name,
        "what": str(s.path),
        "kind": s.kind,
        "scatter_mm": s.scatter_mm,
        "message": s.show.disc.message,
        "message_read": None if read is None else read.as_read,
        "verdict": None if read is None else read.verdict,
        "notes_lost": lost,
        "notes_new": new,
        "faults": [{**vars(f), "off_mm": f.off_mm} for f in s.faults],
        "doubtful": np.argwhere(s.seen.doubtful).tolist(),
        "cautions": list(s.cautions),
        "safety": list(SAFETY_OF_DISC) if s.faults else [],
    }


def write_survey(s: Survey, path: str | Path) -> Path:
    """Write the picture with marks (.png) or the facts (.json)."""
    return written(s, {".png": draw_survey, ".json": lambda s: as_json(survey_facts(s))}, path)


def draw_survey(s: Survey) -> bytes:
    """The photograph, or the holes that were seen, with a mark at each fault, as a PNG."""
    picture = s.seen.picture
    if picture is None:
        x, y = (spread(axis) for axis in s.seen.xy.T)
        wide, high = x[1] - x[0], y[1] - y[0]
    else:
        high, wide = picture.shape[:2]
        x, y = (-0.5, wide - 0.5), (high - 0.5, -0.5)
    large = LONGER / max(wide, high)
    size = round(large * wide), round(large * high)
    chart = Chart(size[0] + 2 * EDGE, size[1] + ABOVE + BELOW)
    area = Area(chart, EDGE, ABOVE, *size, x, y)
    if picture is None:
        for at in area.at(*s.seen.xy.T):
            chart.mark("circle", at, 16, "#808080", 1.4)
    else:
        area.field(picture, smooth=True)

    mm = np.array([s.sites.xy[-1, 0], *(f.xy_mm for f in s.faults)])
    first, *places = area.at(*s.seen.place(mm).T)
    for k, (f, at) in enumerate(zip(s.faults, places, strict=True), 1):
        chart.mark(MARKS[f.kind], at, 27, "black", 3, halo=2.2)
        if k <= MOST_NUMBERS:
            chart.text(at[0] + 16, at[1] - 16, str(k), 20, halo=3)
    chart.text(first[0], first[1] - 22, "position 1", 18, "ms", halo=3)
    title = s.show.disc.title or s.show.disc.name
    found = f"{plural(len(s.faults), 'fault')}, numbered as listed" if s.faults else "no faults"
    words = f"{title}: {found}"
    chart.text(EDGE, ABOVE - 14, words, 22)
    count = Counter(f.kind for f in s.faults)
    marks = [(MARKS[kind], "black", f"{kind}: {n}") for kind, n in count.items()]
    chart.key(EDGE + 10, ABOVE + size[1] + 29, *marks, size=18)
    return chart.png()
