"""The player profile that fits a recording."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import msgspec
import numpy as np

from sonify.atomic import write_data
from sonify.disc_player.profile import Player
from sonify.recover.diagnosis.result import Comparison
from sonify.settings import to_builtins

__all__ = ["fitted_player", "write_player"]


def fitted_player(c: Comparison) -> Player:
    """The profile with the speed, the stage's time and the delay that the recording shows.

    If rows wait for the index, a recording shows only how many turns a row change takes; the
    stage's time is kept if it agrees with that. If reading goes on at the next position, the move
    takes up to a position less than the time from row to row.
    """
    given = c.show.setup.player
    m = c.motion
    n = c.truth.shape[1]
    position = 60.0 / (m.rpm * n)
    move = given.stage + given.settle
    change = c.row_change_s
    if len(change):
        usual = float(np.median(change))
        if given.row_start == "index":
            turn = n * position
            turns = max(1, round((usual - position) / turn))
            if not (turns - 1) * turn < move <= turns * turn:
                move = (turns - 0.5) * turn
        elif not usual - position - 1e-3 <= move < usual:
            move = max(0.0, usual - 0.5 * position)
    stage = max(0.0, move - given.settle)
    settle = given.settle if move >= given.settle else move
    delay = given.delay if c.delay_s is None else c.delay_s
    return msgspec.structs.replace(
        given,
        rpm=round(m.rpm, 5),
        stage=round(stage, 4),
        settle=round(settle, 4),
        delay=round(float(np.clip(delay, -1, 1)), 5),
    )


def write_player(c: Comparison, path: str | Path) -> Path:
    """Save that profile as a preset.

    Raises
    ------
    OutputError
        The file can't be written.
    """
    import tomli_w

    path = Path(path)
    data: dict[str, Any] = {
        "about": f"{c.motion.rpm:.2f} turns per minute, as {c.path.name} shows this player",
        "player": to_builtins(fitted_player(c)),
    }
    write_data(path, tomli_w.dumps(data))
    return path
