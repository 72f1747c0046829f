"""The table of rhythm rules: which places sound, when, how long and how hard.

Rules chain: each takes the events that the one before it made. To add one, write its class (see
`sonify.music.rhythm.rule.Rule`) and name it here.
"""

from __future__ import annotations

from sonify.music.rhythm.choosing_rules import (
    Breath,
    Changes,
    Each,
    Even,
    Pattern,
    Sparse,
    Thinned,
)
from sonify.music.rhythm.copying_rules import Echoes, Ghosts, Layered, Repeat
from sonify.music.rhythm.rule import Rule
from sonify.music.rhythm.shaping_rules import Accents, Gate, Held, Joined, Length
from sonify.music.rhythm.timing_rules import (
    DoubleTime,
    Entry,
    HalfTime,
    Humanise,
    Spread,
    Strum,
    Swing,
)

__all__ = ["RULES", "Rule"]

_KINDS: tuple[type[Rule], ...] = (
    Each, Joined, Held, Changes, Thinned, Sparse, Pattern, Even, Spread, Breath, Gate, Length,
    Swing, Accents, Ghosts, Layered, Echoes, Repeat, HalfTime, DoubleTime, Entry, Strum, Humanise,
)  # fmt: skip

RULES: dict[str, type[Rule]] = {str(c.__struct_config__.tag): c for c in _KINDS}
