"""A comparison as a file: .html with its picture inside, .png, .json."""

from __future__ import annotations

import base64
import html
import io
import json
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from sonify.atomic import whole
from sonify.errors import InputError
from sonify.recover.diagnosis.report_picture import rate_in_words

if TYPE_CHECKING:
    from sonify.recover.diagnosis.result import Comparison

__all__ = ["SUFFIXES", "report_lines", "write_report"]

SUFFIXES = (".html", ".png", ".json")
_MOST_ERRORS = 400


def write_report(comparison: Comparison, path: str | Path) -> Path:
    """Write the report of a comparison; the kind follows the suffix.

    Raises
    ------
    InputError
        A suffix that is not offered.
    OutputError
        The place can't be written.
    """
    path = Path(path)
    suffix = path.suffix.casefold()
    makers = {".html": _html, ".htm": _html, ".png": _png, ".json": _json}
    if suffix not in makers:
        shown = f"'{path.suffix}' is not offered" if path.suffix else "a suffix is needed"
        raise InputError(f"{shown} for a report; one of: {', '.join(SUFFIXES)}", file=path)
    data = makers[suffix](comparison)
    with whole(path) as beside:
        beside.write_bytes(data)
    return path


def _png(c: Comparison) -> bytes:
    from sonify.recover.diagnosis.report_picture import draw_report

    out = io.BytesIO()
    # few colours but for the eye's shades: a palette keeps the picture small
    draw_report(c).quantize(128).save(out, "PNG", optimize=True)
    return out.getvalue()


def _json(c: Comparison) -> bytes:
    from sonify.recover.diagnosis.facts import facts

    return (json.dumps(facts(c), ensure_ascii=False, indent=1) + "\n").encode()


def _shown(text: str | None) -> str:
    if text is None:
        return "none: bare bits"
    return "".join(ch if ch.isprintable() else "\u00b7" for ch in text)


def report_lines(c: Comparison, most: int = 12) -> list[str]:
    """The report for a terminal."""
    m = c.motion
    out = [
        f"{c.path.name}: a {'detector log' if c.kind == 'log' else 'MIDI file'} of "
        f"{c.show.disc.title or c.show.disc.name}" + ("" if c.right is None else f"; {_right(c)}"),
        f"speed      {m.rpm:.3f} turns a minute, drift {100 * m.drift:+.2f} %, flutter "
        f"{100 * m.flutter:.2f} % once a turn",
    ]
    change = m.change_s[np.isfinite(m.change_s)]
    if len(change):
        out.append(
            f"rows       {np.median(change):.3f} s from the end of one to the start of the next, "
            f"{change.min():.3f} to {change.max():.3f} s"
        )
    if c.delay_s is not None:
        out.append(f"detectors  the data detector is {1000 * c.delay_s:+.1f} ms behind the clock's")
    if c.margins is not None:
        g = c.margins
        out.append(
            f"levels     threshold {g.threshold:.3g}, best {g.best:.3g} "
            f"({rate_in_words(g.error_rate)} there); {max(g.eye_opening, 0):.0%} of "
            "the swing is clear"
        )
    out.append(f"message    {_shown(c.message)}")
    if c.message_read != c.message:
        out.append(f"came out   {_shown(c.message_read)}")
    out.append(f"errors     {len(c.errors)}")
    for e in c.errors[:most]:
        out.append(f"  {_where(c, e)}")
    if len(c.errors) > most:
        out.append(f"  ... and {len(c.errors) - most} more (in the report)")
    if not c.causes:
        out.append("cause      nothing speaks for a fault")
    for k, cause in enumerate(c.causes[:3]):
        out.append(f"{'cause' if k == 0 else 'or':<10} {cause.title}")
        out += [f"  - {line}" for line in cause.evidence]
        if k == 0:
            out += [f"  try: {line}" for line in cause.try_this]
    return out


def _right(c: Comparison) -> str:
    if not len(c.errors):
        return "all bits right"
    # never "100 %" of bits some of which are wrong
    return f"{min(100 * (c.right or 0.0), 99.9):.1f} % of the bits right"


def _where(c: Comparison, e: np.void) -> str:
    row, position = int(e["row"]), int(e["position"])
    text = f"row {row + 1} position {position + 1}: {e['kind']}"
    k = c.character_at(row, position)
    if k is not None and c.message:
        ch = c.message[k] if k < len(c.message) else ""
        text += f", character {k + 1} '{_shown(ch)}'"
    if np.isfinite(e["time_s"]):
        text += f", at {float(e['time_s']):.2f} s"
    return text


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


def _marked(wanted: str, came: str) -> str:
    """The message as it came out, with the characters that differ marked."""
    import difflib

    out = []
    for op, _, _, b0, b1 in difflib.SequenceMatcher(None, wanted, came, False).get_opcodes():
        piece = html.escape(_shown(came[b0:b1]))
        out.append(piece if op == "equal" else f'<span class="off">{piece}</span>')
    return "".join(out)


def _html(c: Comparison) -> bytes:
    picture = base64.b64encode(_png(c)).decode()
    m = c.motion
    change = m.change_s[np.isfinite(m.change_s)]
    rows = [
        (
            "Recording",
            f"{html.escape(c.path.name)}, {'detector log' if c.kind == 'log' else 'MIDI'}",
        ),
        ("Bits", "can't be told" if c.right is None else _right(c)),
        ("Speed", f"{m.rpm:.4g} turns a minute (profile {c.show.setup.player.rpm:g})"),
        ("Drift", f"{100 * m.drift:+.2f} % over the recording"),
        ("Flutter", f"{100 * m.flutter:.2f} % once a turn"),
        ("Start", f"{100 * min(m.start, 1):.0f} % of the settled speed at the first positions"),
    ]
    if len(change):
        rows.append(
            (
                "Between rows",
                f"{np.median(change):.3f} s ({change.min():.3f} to {change.max():.3f} s)",
            )
        )
    if c.delay_s is not None:
        rows.append(("Data behind clock", f"{1000 * c.delay_s:+.1f} ms"))
    if c.margins is not None:
        g = c.margins
        rows += [
            ("Threshold", f"{g.threshold:.4g}"),
            ("Best threshold", f"{g.best:.4g}, {rate_in_words(g.error_rate)} there"),
            ("Eye", f"{max(g.eye_opening, 0):.0%} of the swing is clear"),
        ]
    facts_table = "".join(f"<tr><th>{k}</th><td>{v}</td></tr>" for k, v in rows)
    causes = "".join(
        f"<li><strong>{html.escape(one.title)}</strong><ul>"
        + "".join(f"<li>{html.escape(line)}</li>" for line in one.evidence)
        + "".join(f"<li>Try: {html.escape(line)}</li>" for line in one.try_this)
        + "</ul></li>"
        for one in c.causes
    )
    listed = "".join(
        f"<tr><td>{int(e['row']) + 1}</td><td>{int(e['position']) + 1}</td><td>{e['kind']}</td>"
        f"<td>{_character(c, e)}</td><td>{_seconds(e)}</td></tr>"
        for e in c.errors[:_MOST_ERRORS]
    )
    more = len(c.errors) - _MOST_ERRORS
    title = html.escape(f"What the player did: {c.show.disc.title or c.show.disc.name}")
    wanted, came = c.message, c.message_read
    text = (
        "<p>The disc has no message: bare bits.</p>"
        if wanted is None
        else f'<p>As it should be</p><p class="message">{html.escape(_shown(wanted))}</p>'
        f'<p>As it came out</p><p class="message">{_marked(wanted, came or "")}</p>'
    )
    cautions = "".join(f"<p class='faint'>{html.escape(x)}.</p>" for x in c.cautions)
    page = f"""<!doctype html>
<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width">
<title>{title}</title><style>{_STYLE}</style></head><body><main>
<h1>{title}</h1>
<h2>Likely cause</h2>
{f'<ol class="causes">{causes}</ol>' if causes else "<p>Nothing speaks for a fault.</p>"}
{cautions}
<h2>The reading</h2>
<div class="picture" tabindex="0" role="region" aria-label="The reading, as a picture">
<img alt="The disc's grid with what went wrong, the speed over time, levels and eye"
 src="data:image/png;base64,{picture}"></div>
<table>{facts_table}</table>
<h2>Message</h2>
{text}
<h2>Errors: {len(c.errors)}</h2>
{
        "<table><tr><th>Row</th><th>Position</th><th>What</th><th>Character</th><th>Time</th></tr>"
        + listed
        + "</table>"
        if listed
        else "<p>None.</p>"
    }
{f"<p>... and {more} more.</p>" if more > 0 else ""}
<p class="faint">Before you open the player: no laser beam into any eye, not even by a mirror
(classes of IEC 60825-1); unplug it from the mains; hands, hair and sleeves away from what turns.
Local rules come first.</p>
</main></body></html>
"""
    return page.encode()


def _character(c: Comparison, e: np.void) -> str:
    k = c.character_at(int(e["row"]), int(e["position"]))
    if k is None or c.message is None or k >= len(c.message):
        return ""
    return f"{k + 1} '{html.escape(_shown(c.message[k]))}'"


def _seconds(e: np.void) -> str:
    return f"{float(e['time_s']):.2f} s" if np.isfinite(e["time_s"]) else ""
