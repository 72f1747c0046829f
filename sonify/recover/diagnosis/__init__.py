"""A recording of a real player compared with what it should have done: errors and likely causes."""

from __future__ import annotations

from sonify.recover.diagnosis.comparison import compare
from sonify.recover.diagnosis.result import Comparison

__all__ = ["Comparison", "compare"]
