"""What `import sonify` makes of a performance: sound, frames, a page, and what notebooks show."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray

from sonify.atomic import Target, save_to
from sonify.disc.disc import Disc
from sonify.library import draw
from sonify.settings import convert, keyed

if TYPE_CHECKING:
    from sonify.performance import Performance

__all__ = ["Sound", "frames", "page", "render", "shown"]


@dataclass(frozen=True, eq=False)
class Sound:
    """Sound: `samples` of shape (n, 2), from -1 to 1, and how many of them there are a second."""

    samples: NDArray[np.float32]
    rate: int

    @property
    def seconds(self) -> float:
        """Its length."""
        return len(self.samples) / self.rate

    def __array__(self, dtype: Any = None, copy: Any = None) -> NDArray[Any]:
        return np.array(self.samples, dtype) if copy else np.asarray(self.samples, dtype)

    def __repr__(self) -> str:
        return f"<Sound of {self.seconds:.1f} s at {self.rate:,} samples/s>"

    def _repr_mimebundle_(self, include: Any = None, exclude: Any = None) -> dict[str, Any]:
        return shown(self)


def render(show: Performance, **options: Any) -> Sound:
    """The sound of a performance, at the loudness that its settings ask for.

    Parameters
    ----------
    show : Performance
    **options
        `rows`, `from_s`, `to_s`, `loop` or `speed`.

    Examples
    --------
    >>> from sonify import perform
    >>> sound = render(perform("cairn-small"), rows="1")
    >>> sound.rate, sound.samples.shape[1]
    (48000, 2)
    """
    from sonify.export.sound.audio import RATE
    from sonify.export.sound.master import mastered
    from sonify.export.sound.options import SoundOptions
    from sonify.extras import require

    require("sound")
    done = mastered(show, convert(keyed(options), SoundOptions))
    samples = np.asarray(done.read(0, done.size), np.float32)
    return Sound(samples, RATE)


def frames(
    show: Performance, what: Literal["clip", "lights", "message", "matrix"] = "clip", **options: Any
) -> Iterator[NDArray[np.uint8]]:
    """The frames of a moving picture, one after the other.

    Parameters
    ----------
    show : Performance
    what : str
        "clip", or the bare matrix: "lights", "message", or "matrix" for both.
    **options
        `size` ("640x360"), `fps`, `rows`, `from_s`, `to_s`, `duration`.

    Yields
    ------
    ndarray of uint8, shape (height, width, 3)
        With a fourth channel, opacity, if the look has no background.

    Examples
    --------
    >>> from sonify import perform
    >>> some = frames(perform("cairn-small"), "lights", size="160x90", fps=5, rows="1")
    >>> next(some).shape
    (90, 160, 3)
    """
    from sonify.export.clip import Options
    from sonify.export.clip.film import Film
    from sonify.export.clip.job import Job
    from sonify.export.clip.plan import plan_of
    from sonify.extras import require

    require("video")
    job = Job(show, convert(keyed(options), Options), what)
    film = Film(job, plan_of(job, ".png"), job.rgb)
    for _ in film.frames():
        yield np.dstack(film.picture.planes)


def page(show: Performance, target: Target) -> Path | None:
    """Write one web page (.html) that plays the show anywhere."""
    from sonify.studio.page import write_page

    return save_to(target, ".html", lambda path: write_page(show, Path(path)))


def shown(one: Any) -> dict[str, Any]:
    """What a notebook shows of a disc, a performance, a sound or a report, by media type."""
    from sonify.recover.diagnosis.report_picture import draw_report
    from sonify.recover.diagnosis.result import Comparison
    from sonify.recover.search.find import Found
    from sonify.recover.survey.report import draw_survey as drawn
    from sonify.recover.survey.survey import Survey

    out = {"text/plain": repr(one)}
    if isinstance(one, Disc):
        svg = draw(one).decode().split("?>", 1)[1]
        out["text/html"] = f'<div style="max-width:24em;background:#fff">{_fluid(svg)}</div>'
    elif isinstance(one, Sound):
        out["text/html"] = f'<audio controls src="{_wav(one)}"></audio>'
    elif isinstance(one, Found):
        out["text/html"] = shown(one.disc)["text/html"]
    elif isinstance(one, (Comparison, Survey)):
        data = _url("image/png", draw_report(one) if isinstance(one, Comparison) else drawn(one))
        out["text/html"] = f'<img style="max-width:100%" alt="report" src="{data}">'
    else:
        import html
        import io

        buffer = io.BytesIO()
        page(one, buffer)
        text = html.escape(buffer.getvalue().decode(), quote=True)
        style = "width:100%;height:34em;border:0"
        out["text/html"] = f'<iframe style="{style}" srcdoc="{text}"></iframe>'

    return out


def _fluid(svg: str) -> str:
    """A drawing as wide as there is room."""
    import re

    return re.sub(r' width="[^"]*mm" height="[^"]*mm"', ' width="100%"', svg, count=1)


def _wav(sound: Sound) -> str:
    """Sound as a data URL of 16-bit PCM."""
    import io
    import wave

    buffer = io.BytesIO()
    with wave.open(buffer, "wb") as out:
        out.setnchannels(2)
        out.setsampwidth(2)
        out.setframerate(sound.rate)
        out.writeframes((np.clip(sound.samples, -1, 1) * 32767).astype("<i2").tobytes())
    return _url("audio/wav", buffer.getvalue())


def _url(kind: str, data: bytes) -> str:
    """A file as a data URL (RFC 2397)."""
    import base64

    return f"data:{kind};base64,{base64.b64encode(data).decode()}"
