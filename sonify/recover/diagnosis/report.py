"""A comparison as lines for a terminal, or as a file: .html with its picture, .png, .json."""

from __future__ import annotations

import base64
import difflib
import html
import json
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np

from sonify.atomic import write_data
from sonify.errors import InputError
from sonify.recover.diagnosis.report_picture import draw_report, rate_in_words
from sonify.recover.diagnosis.safety import SAFETY

if TYPE_CHECKING:
    from sonify.recover.diagnosis.result import Comparison

__all__ = [
    "as_json",
    "measures",
    "printable",
    "report_lines",
    "right_of",
    "write_report",
    "written",
]

T = TypeVar("T")

MOST_ERRORS = 400
"""Errors listed in a page: what a person scrolls through."""

KIND = {"log": "detector log", "midi": "MIDI file"}


def write_report(comparison: Comparison, path: str | Path) -> Path:
    """Write the report of a comparison; the kind follows the suffix, as `written` has it."""
    makers = {".html": _html, ".htm": _html, ".png": draw_report, ".json": _json}
    return written(comparison, makers, path)


def written(what: T, makers: Mapping[str, Callable[[T], bytes]], path: str | Path) -> Path:
    """Write a file by the maker of its suffix.

    Raises
    ------
    InputError
        A suffix that is not offered.
    OutputError
        The file can't be written.
    """
    path = Path(path)
    make = makers.get(path.suffix.casefold())
    if make is None:
        shown = f"'{path.suffix}' is not offered" if path.suffix else "a suffix is needed"
        raise InputError(f"{shown} for a report; one of: {', '.join(makers)}", file=path)
    data = make(what)
    write_data(path, data)
    return path


def _json(c: Comparison) -> bytes:
    from sonify.recover.diagnosis.facts import facts

    return as_json(facts(c))


def as_json(facts: dict[str, Any]) -> bytes:
    """Facts as a JSON file."""
    return (json.dumps(facts, ensure_ascii=False, indent=1) + "\n").encode()


def printable(text: str | None) -> str:
    if text is None:
        return "none: bare bits"
    return "".join(ch if ch.isprintable() else "\u00b7" for ch in text)


def _title(c: Comparison) -> str:
    return c.show.disc.title or c.show.disc.name


def right_of(c: Comparison) -> str:
    if not len(c.errors):
        open_ = "; the machine's own threshold is not known" * (c.tells == "levels")
        return f"all bits right ({c.sure:.1%} sure{open_})"
    # never "100 %" if some bits are wrong
    return f"{min(100 * (c.right or 0.0), 99.9):.1f} % of the bits right"


def measures(c: Comparison) -> list[tuple[str, str]]:
    """What was measured: name and value."""
    m, change = c.motion, c.row_change_s
    profile = c.show.setup.player.rpm
    out = [
        ("Speed", f"{m.rpm:.3f} turns per minute ({profile:g} in the profile)"),
        ("Drift", f"{100 * m.drift:+.2f} % during the recording"),
        ("Flutter", f"{100 * m.flutter:.2f} % once a turn"),
        ("Start", f"{100 * min(m.start, 1):.0f} % of the settled speed at the first positions"),
    ]
    if len(change):
        span = f"({change.min():.3f} to {change.max():.3f} s)"
        out.append(("Between rows", f"{np.median(change):.3f} s {span}"))
    if c.delay_s is not None:
        out.append(("Data after clock", f"{1000 * c.delay_s:+.1f} ms"))
    if c.clock_jitter is not None:
        out.append(("Clock jitter", f"{c.clock_jitter:.1%} of a position (standard deviation)"))
    if c.margins is not None:
        g = c.margins
        out += [
            ("Threshold", f"{g.threshold:.3g}"),
            ("Best threshold", f"{g.best:.3g} ({rate_in_words(g.error_rate)})"),
            ("Eye opening", f"{max(g.eye_opening, 0):.0%} of the swing"),
        ]
    return out


def report_lines(c: Comparison, most: int = 12) -> list[str]:
    """The report for a terminal."""
    right = "" if c.right is None else f"; {right_of(c)}"
    out = [f"{c.path.name}: a {KIND[c.kind]} of {_title(c)}{right}"]
    out += [f"{name.lower():<17}{value}" for name, value in measures(c)]
    out.append(f"{'message':<17}{printable(c.message)}")
    if c.message_read != c.message:
        out.append(f"{'as read':<17}{printable(c.message_read)}")
    out.append(f"{'errors':<17}{len(c.errors)}")
    for e in c.errors[:most]:
        row, position, kind, character, time = _error(c, e)
        place = f"row {row} position {position}: {kind}"
        more = [f"character {character}"] * bool(character) + [f"at {time}"] * bool(time)
        out.append("  " + ", ".join([place, *more]))
    if len(c.errors) > most:
        out.append(f"  ... and {len(c.errors) - most} more (in the report)")
    if not c.causes:
        out.append(f"{'cause':<17}no fault found")
    for k, cause in enumerate(c.causes[:3]):
        out.append(f"{'or' if k else 'cause':<17}{cause.surely}")
        out += [f"  - {line}" for line in cause.evidence]
        out += [f"  try: {line}" for line in cause.try_this if k == 0]
        out += [f"  safety: {line}" for line in SAFETY if k == 0]
    return out


def _error(c: Comparison, e: np.void) -> tuple[int, int, str, str, str]:
    """Row and position from 1, kind, character and time of an error."""
    row, position = int(e["row"]), int(e["position"])
    k = c.character_at(row, position)
    character = ""
    if k is not None and c.message is not None:
        character = f"{k + 1} '{printable(c.message[k : k + 1])}'"
    time = f"{float(e['time_s']):.2f} s" if np.isfinite(e["time_s"]) else ""
    return row + 1, position + 1, str(e["kind"]), character, time


_STYLE = """
:root { color-scheme: light; }
body { font: 15px/1.5 system-ui, sans-serif; color: #20242a; max-width: 72rem; margin: 2rem auto;
  padding: 0 1rem; }
h1 { font-size: 1.5rem; } h2 { font-size: 1.15rem; margin-top: 2rem; }
.picture { overflow-x: auto; border: 1px solid #d7dce2; }
.picture img { display: block; width: 100%; min-width: 46rem; height: auto; }
.picture:focus-visible { outline: 3px solid #0d5c8a; }
table { border-collapse: collapse; } td, th { padding: .2rem .8rem .2rem 0; text-align: left;
  vertical-align: top; } th { font-weight: 600; }
.message { font-family: ui-monospace, monospace; white-space: pre-wrap; overflow-wrap: anywhere; }
.off { background: #f9d4da; } ol.causes > li { margin-bottom: .8rem; } .faint { color: #5b6b7c; }
"""


def _marked(wanted: str, read: str) -> str:
    """The message as read, with the characters that differ marked."""
    out = []
    for op, _, _, b0, b1 in difflib.SequenceMatcher(None, wanted, read, False).get_opcodes():
        piece = html.escape(printable(read[b0:b1]))
        out.append(piece if op == "equal" else f'<span class="off">{piece}</span>')
    return "".join(out)


def _items(lines: list[str]) -> str:
    return "".join(f"<li>{html.escape(line)}</li>" for line in lines)


def _html(c: Comparison) -> bytes:
    title = html.escape(f"What the player did: {_title(c)}")
    rows = [
        ("Recording", f"{c.path.name}, {KIND[c.kind]}"),
        ("Bits", "unknown" if c.right is None else right_of(c)),
        *measures(c),
    ]
    table = "".join(f"<tr><th>{k}</th><td>{html.escape(v)}</td></tr>" for k, v in rows)
    causes = "".join(
        f"<li><strong>{html.escape(one.surely)}</strong><ul>"
        f"{_items([*one.evidence, *(f'Try: {line}' for line in one.try_this)])}</ul></li>"
        for one in c.causes
    )
    if causes:
        causes = f'<ol class="causes">{causes}</ol><h3>Safety</h3><ul>{_items(list(SAFETY))}</ul>'
    errors = "".join(
        "<tr>" + "".join(f"<td>{html.escape(str(x))}</td>" for x in _error(c, e)) + "</tr>"
        for e in c.errors[:MOST_ERRORS]
    )
    if errors:
        names = ("Row", "Position", "Kind", "Character", "Time")
        head = "".join(f"<th>{name}</th>" for name in names)
        errors = f"<table><tr>{head}</tr>{errors}</table>"
    more = len(c.errors) - MOST_ERRORS
    if c.message is None:
        text = "<p>The disc has no message: bare bits.</p>"
    else:
        text = (
            f'<p>As designed</p><p class="message">{html.escape(printable(c.message))}</p>'
            f'<p>As read</p><p class="message">{_marked(c.message, c.message_read or "")}</p>'
        )
    page = f"""<!doctype html>
<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width">
<title>{title}</title><style>{_STYLE}</style></head><body><main>
<h1>{title}</h1>
<h2>Likely cause</h2>
{causes or "<p>No fault found.</p>"}
{"".join(f"<p class='faint'>{html.escape(x)}.</p>" for x in c.cautions)}
<h2>The reading</h2>
<div class="picture" tabindex="0" role="region" aria-label="The reading, as a picture">
<img alt="The disc's grid with its errors, the speed over time, levels and eye"
 src="data:image/png;base64,{base64.b64encode(draw_report(c)).decode()}"></div>
<table>{table}</table>
<h2>Message</h2>
{text}
<h2>Errors: {len(c.errors)}</h2>
{errors or "<p>None.</p>"}
{f"<p>... and {more} more.</p>" if more > 0 else ""}
</main></body></html>
"""
    return page.encode()
