"""`sonify studio`: the page."""

from __future__ import annotations

import click

__all__ = ["studio"]


@click.command()
@click.argument("disc", required=False)
@click.option("--preset", "-p", "presets", metavar="P", multiple=True,
              help="A preset to begin with. Repeatable; later ones win.")  # fmt: skip
@click.option("--port", type=click.IntRange(0, 65535), default=0, metavar="N",
              help="The port to listen on. [default: any that is free]")  # fmt: skip
@click.option("--host", default="127.0.0.1", show_default=True, metavar="ADDRESS",
              help="Where to listen. Anything but this machine alone puts a token into the "
              "address.")  # fmt: skip
@click.option("--no-open", is_flag=True, help="Print the address and open no browser.")
def studio(disc: str | None, presets: tuple[str, ...], port: int, host: str, no_open: bool) -> None:
    """Shape a disc's music and light by ear and eye, in a page on this machine.

    A small server starts, prints the page's address and opens it. It ends with Ctrl-C. Nothing
    leaves this machine, and nothing is written but what you download.

    Caution: moving light can harm people with photosensitive epilepsy, and sudden loud sound
    can hurt ears.

    \b
    Examples:
      sonify studio
      sonify studio cairn-large -p bell-tower
      sonify studio my.toml --port 8123 --no-open
    """
    from sonify.cli.command_line import command_line
    from sonify.studio.document import Recipe, starting
    from sonify.studio.run import is_loopback, run

    start = starting(disc, presets)

    def ready(address: str) -> None:
        click.echo(address)
        if not is_loopback(host):
            click.echo(
                "caution: whoever has this address, token and all, can use the page", err=True
            )
        if not no_open:
            import threading
            import webbrowser

            threading.Timer(0.2, webbrowser.open, (address,)).start()

    def command(recipe: Recipe) -> str:
        return command_line("make", *recipe)

    run(start, host, port, ready, command)
