"""What a lower layer calls in a higher one; `sonify/__init__.py` sets it.

`save` is the function of `sonify.export.file_formats`; so `Performance.save` imports no export.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

__all__ = ["save"]

save: Callable[..., Any]
