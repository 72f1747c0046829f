"""The table of rhythm rules: which places sound, when, how long and how loudly.

Rules chain: each takes the events that the one before it made. To add one, write its class (see
`sonify.music.rhythm.rule.Rule`) and name it here.
"""

from __future__ import annotations

from sonify.music.rhythm import choosing_rules as choosing
from sonify.music.rhythm import copying_rules as copying
from sonify.music.rhythm import letter_rules as letters
from sonify.music.rhythm import playing_rules as playing
from sonify.music.rhythm import row_change_rules as row_changes
from sonify.music.rhythm import shaping_rules as shaping
from sonify.music.rhythm import timing_rules as timing
from sonify.music.rhythm.rule import Rule

__all__ = ["RULES", "Rule"]

_KINDS: tuple[type[Rule], ...] = (
    choosing.Each, shaping.Joined, shaping.Held, choosing.Changes, choosing.Thinned,
    choosing.Sparse, choosing.Numbered, choosing.Pattern, choosing.Even, choosing.Turns,
    timing.Spread, choosing.Breath, shaping.Gate, shaping.Length, timing.Swing, shaping.Accents,
    copying.Ghosts, copying.Layered, copying.Echoes, copying.Repeat, timing.HalfTime,
    timing.DoubleTime, timing.Entry, timing.Strum, timing.Humanise, row_changes.Vamp,
    row_changes.PickUp, row_changes.Roll, letters.Motif, playing.GrooveRule, playing.Ornament,
)  # fmt: skip

RULES: dict[str, type[Rule]] = {str(c.__struct_config__.tag): c for c in _KINDS}
