"""What a lower layer calls in a higher one; the package's root fills it in.

`save` is `sonify.export.save`, which `Performance.save` calls without knowing any export.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

__all__ = ["save"]

save: Callable[..., Any]
