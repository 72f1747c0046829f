"""A recording, what a real player was recorded doing, against what it should have done."""

from __future__ import annotations

from sonify.recover.diagnosis.comparison import Comparison, compare

__all__ = ["Comparison", "compare"]
