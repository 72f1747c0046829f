"""Compares a dropped file with the page's disc: a recording, a log, or the cut disc itself."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from sonify.errors import InputError
from sonify.settings import convert
from sonify.studio.document import Document, show_of
from sonify.studio.naming import naming
from sonify.studio.receive import Hints, picture_of

if TYPE_CHECKING:
    from sonify.performance import Performance

__all__ = ["compared"]

MOST_ERRORS = 400
"""Errors that the page lists: what a person scrolls through."""


def compared(path: Path, document: Document, hints: dict[str, Any]) -> dict[str, Any]:
    """What a file shows of the disc, with likely causes of what is wrong.

    Parameters
    ----------
    path : Path
        The file, in a folder of its own that may be written to.
    document : Document
        The disc, and the settings that the player used.
    hints : dict
        `sample-rate`, where it is known.

    Returns
    -------
    dict
        `kind`, `title`, `right` (a sentence, or None), `message`, `read` (the message as read),
        `measures` (names and values), `errors` (rows and positions from 0, a row of None for the
        clock row, and a line of text each), `count` of the errors, `causes`, `safety`, `cautions`,
        `report` (a page, or None) and `picture` (a data URL, or None).

    Raises
    ------
    InputError
        The file can't be read, or does not fit the disc.
    """
    from sonify.recover.sources.options import ReadOptions
    from sonify.recover.sources.source import kind_of

    rate = convert(hints, Hints).sample_rate
    show = show_of(document, audible_only=True)
    try:
        disc = path.suffix == ".toml"
        kind = "disc" if disc else kind_of(path, ReadOptions(sample_rate=rate))
        if kind in ("log", "recording"):
            return _of_recording(show, path, rate)
        return _of_disc(show, path, kind)
    except InputError as e:
        raise InputError(e.at(path).say(naming), place="compare.file") from None


def _of_recording(show: Performance, path: Path, rate: float | None) -> dict[str, Any]:
    from sonify.recover import diagnosis
    from sonify.recover.diagnosis.facts import facts
    from sonify.recover.diagnosis.report import KIND, measures, right_of, write_report

    c = diagnosis.compare(show, path, sample_rate=rate)
    told = facts(c)
    report = write_report(c, path.with_name(".report.html"))
    return {
        "kind": KIND[c.kind],
        "title": show.disc.display_name,
        "right": None if c.right is None else right_of(c),
        "message": c.message,
        "read": c.message_read,
        "measures": [list(pair) for pair in measures(c)],
        "errors": [_error(e, show) for e in told["errors"][:MOST_ERRORS]],
        "count": len(c.errors),
        "causes": told["causes"],
        "safety": told["safety"],
        "cautions": told["cautions"],
        "report": report.read_text(encoding="utf-8"),
        "picture": None,
    }


def _error(e: dict[str, Any], show: Performance) -> dict[str, Any]:
    what = {
        "missed": "a hole that was not seen",
        "added": "a hole where there is none",
        "wrong": "another pitch",
    }
    text = what[e["kind"]]
    if e["character"] is not None and show.disc.message:
        text += f", character {e['character'] + 1}"
    return {"row": e["row"], "position": e["position"], "text": text, "time": e["time_s"]}


def _of_disc(show: Performance, path: Path, kind: str) -> dict[str, Any]:
    from sonify.load import load_disc
    from sonify.recover.survey import survey
    from sonify.recover.survey.report import fault_line, survey_facts, write_survey

    s = survey(show, path, load_disc(path) if kind in ("disc", "grid") else kind)
    told = survey_facts(s)
    marked = write_survey(s, path.with_name(".marked.png"))
    music = f"{told['notes_lost']} notes lost, {told['notes_new']} new"
    return {
        "kind": kind,
        "title": show.disc.display_name,
        "right": "no fault found" if not s.faults else None,
        "message": told["message"],
        "read": told["message_read"],
        "measures": [
            ["Half of the holes lie within", f"{s.scatter_mm:.2f} mm of their place"],
            ["Music", music],
        ],
        "errors": [
            {"row": f.row, "position": f.position, "text": fault_line(s, f), "time": None}
            for f in s.faults[:MOST_ERRORS]
        ],
        "count": len(s.faults),
        "causes": [],
        "safety": told["safety"],
        "cautions": [str(line) for line in told["cautions"]],
        "report": None,
        "picture": picture_of(marked),
    }
