"""A take, what a real player was recorded doing, against what it should have done."""

from __future__ import annotations

from sonify.recover.diagnosis.compare import Comparison, compare_take

__all__ = ["Comparison", "compare_take"]
