"""`sonify studio`: the page in the browser."""

from __future__ import annotations

import click
from click import IntRange, option

from sonify.cli.common import SETTINGS, Request, disc_command
from sonify.cli.usual import caution

__all__ = ["studio"]


@disc_command(
    SETTINGS[0],
    option("--no-open", is_flag=True, help="Print the address without opening a browser."),
    option(
        "--port", type=IntRange(0, 65535), metavar="N",
        help="The port to listen on; 0 is any free one. [default: 8437, or any if that is taken]",
    ),
    option(
        "--host", default="127.0.0.1", show_default=True, metavar="ADDRESS",
        help="The address to listen on. If other computers can reach it, the page needs a token.",
    ),
    disc_needed=False,
)  # fmt: skip
def studio(request: Request, port: int | None, host: str, no_open: bool) -> None:
    """Edit a disc's music and light by ear and eye, on a page in your browser.

    This starts a small server, prints the page's address and opens it; Ctrl-C stops the server.
    Nothing leaves your computer, and only what you download is saved.

    Caution: moving light can harm people with photosensitive epilepsy, and sudden loud sound
    can damage hearing.

    \b
    Examples:
      sonify studio
      sonify studio cairn-large -p bell-tower
      sonify studio my.toml --port 8123 --no-open
    """
    from sonify.cli.command_line import command_line
    from sonify.studio.document import FIRST_PRESETS, starting
    from sonify.studio.run import is_loopback, run

    start = {
        "document": starting(request.disc, request.presets or FIRST_PRESETS),
        "asked": bool(request.disc or request.presets),
    }

    def ready(address: str) -> None:
        click.echo(address)
        if not is_loopback(host):
            caution("anyone who has this address with its token can use the page")
        if not no_open:
            import threading
            import webbrowser

            threading.Timer(0.2, webbrowser.open, (address,)).start()

    run(start, host, port, ready, command_line)
