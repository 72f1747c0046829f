"""A survey of a cut disc as lines for a terminal, as plain data, and as a picture with marks."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import numpy as np

from sonify.disc.report import VERDICTS
from sonify.errors import plural
from sonify.recover.diagnosis.report import as_json, printable, written
from sonify.recover.diagnosis.safety import SAFETY_OF_DISC
from sonify.recover.survey.sites import READS
from sonify.recover.survey.survey import Fault, Survey, notes_changed, site_name

__all__ = ["fault_line", "survey_facts", "survey_lines", "write_survey"]

# Shapes that differ without colours. A drawing has missing and resized holes.
KINDS = ("blocked", "missing", "extra", "misplaced", "torn", "resized")
MARKS = dict(zip(KINDS, "xxP^ss", strict=True))
# What the check makes of one fault.
CHECK = {
    "valid": "the message stays right",
    "repaired": "the check repairs it",
    "failed": "the check finds it and can't repair it",
    "unchecked": "no check would find it",
}
MOST_NUMBERS = 99  # beside marks: more hide the picture


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
    from matplotlib.figure import Figure
    from matplotlib.patheffects import withStroke

    picture, place = s.seen.picture, s.seen.place
    high, wide = (1, 1) if picture is None else picture.shape[:2]
    inch = 12 / max(high, wide)
    figure = Figure(figsize=(inch * wide, inch * high + 0.6), dpi=130, layout="constrained")
    ax = figure.subplots()
    if picture is None:
        ax.plot(*s.seen.xy.T, "o", ms=9, mfc="none", mec="0.5")
        ax.set_aspect("equal")
    else:
        ax.imshow(picture)
    ax.axis("off")
    style: Any = {"path_effects": [withStroke(linewidth=4, foreground="white")]}
    for kind in dict.fromkeys(f.kind for f in s.faults):
        xy = place(np.array([f.xy_mm for f in s.faults if f.kind == kind]))
        label = f"{kind}: {len(xy)}"
        ax.plot(*xy.T, MARKS[kind], ms=15, mfc="none", mec="black", mew=1.6, label=label, **style)
    near: Any = {"textcoords": "offset points", **style}
    for k, f in enumerate(s.faults[:MOST_NUMBERS], 1):
        ax.annotate(str(k), tuple(place(np.array(f.xy_mm))), (9, 9), fontsize=11, **near)
    ax.annotate("position 1", tuple(place(s.sites.xy[-1, 0])), (-18, 14), **near)
    title = s.show.disc.title or s.show.disc.name
    ax.set_title(f"{title}: {plural(len(s.faults), 'fault')}, numbered as listed", loc="left")
    if s.faults:
        figure.legend(loc="outside lower left", ncols=4, frameon=False)
    out = io.BytesIO()
    figure.savefig(out, format="png", metadata={"Software": None})
    return out.getvalue()
