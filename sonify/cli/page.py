"""`sonify page`: a page to share."""

from __future__ import annotations

from sonify.cli.common import TIMED, Request, cautions_shown, disc_command, output_option, result
from sonify.cli.outputs import destination
from sonify.cli.progress import progress_shown

__all__ = ["page"]


@disc_command(output_option("The page (.html). [default: out/DISC.html]"), *TIMED)
def page(request: Request, output: str | None) -> None:
    """Make one web page that plays the show: disc, lamps, notes, message and sound.

    The page is a single file. It plays in a browser without a network or a server; send it to a
    friend or put it on a web site.

    Caution: moving light can harm people with photosensitive epilepsy, and sudden loud sound can
    damage hearing. A page whose lamps flash more than WCAG 2.2 SC 2.3.1 allows asks first.

    \b
    Examples:
      sonify page cairn-small
      sonify page my.toml -p hut-band -o show.html
    """
    from sonify.studio.page import write_page

    show = request.perform()
    with (
        destination(output, f"{show.disc.name}.html") as path,
        cautions_shown(),
        progress_shown("page"),
    ):
        write_page(show, path)
    result(path, show.duration_s)
