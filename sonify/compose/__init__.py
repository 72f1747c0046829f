"""The search for discs and mappings that sound better.

The package is also a function: `sonify.compose(message, ...)` is that of `sonify.library`.
"""

from __future__ import annotations

import sys
from types import ModuleType
from typing import Any

import sonify.hooks as hooks


class _Function(ModuleType):
    def __call__(self, *args: Any, **options: Any) -> Any:
        return hooks.compose(*args, **options)


sys.modules[__name__].__class__ = _Function
