"""`sonify tuning`: the scale as a file for other instruments."""

from __future__ import annotations

from sonify.cli.common import SETTINGS, Request, disc_command, output_option
from sonify.cli.outputs import destination
from sonify.cli.usual import wrote
from sonify.export.file_formats import run

__all__ = ["tuning"]


@disc_command(
    output_option("The file: .scl (the scale) or .kbm (its root). [default: out/DISC.scl]"),
    *SETTINGS,
)
def tuning(request: Request, output: str | None) -> None:
    """Write the music's scale as a Scala file, for synthesizers that can be retuned.

    A .scl holds the scale and a .kbm the key and the frequency at which it begins. Both can be
    given as a preset, the .scl first: the music then has this tuning.

    \b
    Examples:
      sonify tuning my.toml -p bayati-evening -o bayati.scl
      sonify midi my.toml -p music-box -p bayati.scl --set music.tuning-output=mts
    """
    show = request.perform()
    with destination(output, f"{show.disc.name}.scl") as path:
        run(show, path, "tuning", {})
    wrote(path)
