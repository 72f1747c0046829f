"""What each of the package's extras needs, and the error when it is not installed."""

from __future__ import annotations

import importlib
import importlib.util
import os
import sys
from typing import TYPE_CHECKING

from sonify.errors import OutputError

if TYPE_CHECKING:
    from collections.abc import Iterable

__all__ = ["EXTRAS", "NotInstalled", "extra_of", "load_ezdxf", "require"]

EXTRAS: dict[str, tuple[str, ...]] = {
    "drawing": ("ezdxf", "fpdf", "fontTools"),
    "sound": ("av", "pretty_midi"),
    "video": ("av", "cv2", "pretty_midi"),
    "photo": ("cv2", "soundfile"),
    "score": ("verovio", "fpdf", "fontTools", "resvg_py"),
    "studio": ("starlette", "uvicorn", "av", "cv2", "pretty_midi"),
    "live": ("av", "pretty_midi"),
    "cluster": ("distributed",),
}
"""The modules of each extra in `pyproject.toml` that every platform has."""


class NotInstalled(OutputError):
    """An optional part of sonify is not installed."""


def _error(missing: Iterable[str], extra: str) -> NotInstalled:
    return NotInstalled(
        f"this needs packages that are not installed ({', '.join(missing)}); "
        f"run: pip install 'sonify[{extra}]'"
    )


def require(extra: str) -> None:
    """Check that what an extra needs is installed.

    Raises
    ------
    NotInstalled
        With the command that installs it.
    """
    missing = [name for name in EXTRAS[extra] if importlib.util.find_spec(name) is None]
    if missing:
        raise _error(missing, extra)


def extra_of(error: ModuleNotFoundError) -> NotInstalled | None:
    """The error to show for a module that is missing, or None if no extra has it."""
    name = (error.name or "").partition(".")[0]
    extra = next((e for e, names in EXTRAS.items() if name in names), None)
    return None if extra is None else _error([name], extra)


def load_ezdxf() -> None:
    """Import ezdxf without a list of the system's fonts.

    It would keep that list in the user's folder for caches; no drawing here has text in a font.
    """
    if "ezdxf" in sys.modules:
        return
    import tempfile
    from pathlib import Path

    key = "XDG_CACHE_HOME"
    usual = os.environ.get(key)
    with tempfile.TemporaryDirectory() as folder:
        fonts = Path(folder, "ezdxf", "font_manager_cache.json")
        fonts.parent.mkdir()
        fonts.write_text('{"version": 2, "font-faces": []}')
        os.environ[key] = folder
        try:
            importlib.import_module("ezdxf")
        finally:
            del os.environ[key]
            if usual is not None:
                os.environ[key] = usual
