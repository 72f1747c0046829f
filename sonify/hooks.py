"""What a lower layer calls in a higher one; the package's root fills it in.

`save` is that of `sonify.export.file_formats`: `Performance.save` calls it without importing any
export.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

__all__ = ["save"]

save: Callable[..., Any]
