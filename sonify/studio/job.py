"""A job, run in its own process so that it can be stopped at any time.

`python -m sonify.studio.job FOLDER` reads `job.json` in the folder and works there. It reports on
standard output in lines of JSON: `{"progress": 0.4}`, and at the end `{"file": name}`,
`{"disc": ...}` or `{"error": ..., "place": ...}`. Without a folder it reads folders from standard
input, a line each, and reports `{"waits": true}` after each job.
"""

from __future__ import annotations

import json
import os
import sys
import time
from pathlib import Path
from typing import Any

__all__ = ["main"]

MAX_MEMORY = 6 * 1024**3


def say(**line: Any) -> None:
    """Report to the server."""
    print(json.dumps(line, ensure_ascii=False), flush=True)


def limit() -> None:
    """Limit the memory and priority of this process, where the system can."""
    from sonify.limits import limit_memory

    limit_memory(MAX_MEMORY)
    if hasattr(os, "nice"):
        os.nice(5)


def work(spec: dict[str, Any]) -> None:
    """Do what `job.json` says, in its folder."""
    from sonify.progress import watching
    from sonify.settings import convert
    from sonify.studio.comparing import compared
    from sonify.studio.document import Document, show_of, trusted
    from sonify.studio.downloads import EVERYTHING, FileOptions
    from sonify.studio.drafts import draft_of
    from sonify.studio.flashing import check
    from sonify.studio.making import loudness_of, write_download, write_everything
    from sonify.studio.receive import receive

    last = 0.0

    def tell(share: float) -> None:
        nonlocal last
        now = time.monotonic()
        if now - last > 0.2:
            last = now
            say(progress=round(share, 4))

    trusted.update(spec["trusted"])
    if spec["kind"] == "read":
        os.chdir("dropped")
        with watching(tell):
            found = receive(Path(spec["file"]), spec["setup"], spec["hints"])
        say(**found)
        return
    if spec["kind"] == "compare":
        os.chdir("dropped")
        document = convert(spec["document"], Document)
        with watching(tell):
            found = compared(Path(spec["file"]), document, spec["hints"])
        say(compared=found)
        return
    document = convert(spec["document"], Document)
    if spec["kind"] == "flash":
        say(flash=check(show_of(document), spec["pace"]))
        return
    if spec["kind"] == "loudness":
        say(loudness=loudness_of(document))
        return
    options = convert(spec["options"], FileOptions)
    if spec["kind"] == "draft":
        say(draft=draft_of(document, spec["what"], spec["suffix"], options, spec["at"]))
        return
    with watching(tell):
        if spec["what"] == EVERYTHING:
            items = tuple((what, suffix) for what, suffix in spec["items"])
            path, notes = write_everything(document, items, Path(), spec["calm"], options)
        else:
            path, notes = write_download(
                document, spec["what"], spec["suffix"], Path(), spec["calm"], options
            )
    say(file=path.name, notes=notes)


def run(folder: str) -> None:
    """Run a job and report its errors."""
    import warnings

    from sonify.errors import Caution, SonifyError
    from sonify.studio.naming import place_of, said

    os.chdir(folder)
    try:
        with warnings.catch_warnings(record=True) as seen:
            warnings.simplefilter("always")
            work(json.loads(Path("job.json").read_text(encoding="utf-8")))
        cautions = [said(w.message) for w in seen if isinstance(w.message, Caution)]
        if cautions:
            say(cautions=cautions)
    except SonifyError as e:
        say(error=said(e), place=place_of(e))


def main() -> None:
    """Run one job, or those that standard input names."""
    home = Path.cwd()
    limit()
    try:
        if len(sys.argv) > 1:
            run(sys.argv[1])
            return
        for line in sys.stdin:
            run(line.rstrip("\n"))
            os.chdir(home)  # the server removes the folder
            say(waits=True)
    except MemoryError:
        say(error="not enough memory", place=None)


if __name__ == "__main__":
    main()
