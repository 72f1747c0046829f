"""The audition: one page with a disc under many presets, to hear, compare and choose.

The page is a single file: sound, pictures, style and script are inside it.
"""

from __future__ import annotations

import base64
import html
import io
import json
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from sonify.atomic import write_data
from sonify.errors import InputError
from sonify.music.measures.bits_kept import bits_kept
from sonify.music.measures.nearness import Profile, nearness, profile_of_parts
from sonify.music.measures.piece import Measures, measured
from sonify.progress import report

if TYPE_CHECKING:
    from sonify.disc.disc import Disc
    from sonify.performance import Performance

__all__ = ["Candidate", "audition", "figures", "nearest_first", "notes_picture"]

MAX_CANDIDATES = 200
_TEMPLATE = Path(__file__).with_name("audition.html")
_ROLL = (720, 132)
BITS_TRIED = 100
"""How many bits are tried for the share that is kept: a tenth of a second of work."""
# colours that are distinct on light and dark backgrounds, one per voice
_INKS = (
    (46, 110, 142), (196, 98, 45), (92, 128, 62), (140, 84, 150), (176, 140, 36), (60, 140, 130),
    (176, 72, 96), (104, 104, 116),
)  # fmt: skip


@dataclass(frozen=True)
class Candidate:
    """One way to play the disc: its name, a word about it, presets and single settings, and how
    near it is to what was asked for, if anything was."""

    name: str
    about: str
    presets: tuple[str, ...]
    settings: Mapping[str, Any] = field(default_factory=dict)
    nearness: float | None = None


def audition(
    disc: Disc,
    candidates: list[Candidate],
    path: Path,
    command: Callable[[Candidate], str],
    *,
    seconds: float = 60.0,
    bitrate: int = 64,
) -> None:
    """Write the page. Its cards are made side by side on the machine's cores.

    Parameters
    ----------
    disc : Disc
    candidates : list of Candidate
    path : Path
    command : callable
        Gives the command line that makes a candidate.
    seconds : float
        How much of each is heard at most.
    bitrate : int
        Of the sound, in kbit/s.

    Raises
    ------
    InputError
        No candidates, too many, or settings that are not possible.
    """
    from sonify.limits import most

    if not 0 < len(candidates) <= MAX_CANDIDATES:
        raise InputError(
            f"{len(candidates)} candidates can't be compared on a page; give 1 to {MAX_CANDIDATES}"
        )

    def card(numbered: tuple[int, Candidate]) -> tuple[str, str]:
        number, candidate = numbered
        return _card(disc, candidate, number, command(candidate), seconds, bitrate)

    cards: list[str] = []
    keys: set[str] = set()
    with ThreadPoolExecutor(most()) as pool:
        for key, text in pool.map(card, enumerate(candidates)):
            cards.append(text)
            keys |= {key} - {""}
            report(len(cards) / len(candidates))
    text = _TEMPLATE.read_text(encoding="utf-8")
    for name, value in {
        "TITLE": html.escape(disc.display_name),
        "MESSAGE": html.escape(disc.message or "bare bits, without a message"),
        "COUNT": str(len(cards)),
        "KEYS": "".join(f"<option>{html.escape(k)}</option>" for k in sorted(keys)),
        "CARDS": "\n".join(cards),
    }.items():
        text = text.replace(f"<!--{name}-->", value)
    write_data(path, text)


def nearest_first(disc: Disc, candidates: list[Candidate], like: Profile) -> list[Candidate]:
    """The candidates with their nearness to some music, the nearest one first."""
    from sonify.performance import perform

    out = []
    for candidate in candidates:
        show = perform(disc, candidate.presets, candidate.settings)
        mine = profile_of_parts(show.parts, show.grid, show.tick_s)
        out.append(replace(candidate, nearness=nearness(mine, like)))
    return sorted(out, key=lambda c: -(c.nearness or 0.0))


def figures(show: Performance) -> tuple[Measures, float, list[tuple[str, str]]]:
    """What is measured of a performance's music, the share of the bits that it keeps, and both in
    words, in the order in which they are shown."""
    m = measured(show.parts, show.bit_stream, show.grid, show.setup.music)
    setup = show.setup
    kept, tried = bits_kept(setup.music, show.bit_stream, show.grid, BITS_TRIED, setup.note)
    return (
        m,
        kept / max(1, tried),
        [
            ("notes per second", f"{m.density:.1f}"),
            ("density varies by", f"{m.density_arc:.0%}"),
            ("velocity varies by", f"{m.dynamics_arc:.1f}"),
            ("range", f"{m.lowest} to {m.highest}" if m.lowest else "drums only"),
            ("rests", f"{m.rests:.0%}"),
            ("longest rest", f"{m.silence:g} beats"),
            ("mean interval", f"{m.interval:.1f} semitones"),
            ("repetition", f"{m.repetition:.0%}"),
            ("bars alike in phrases", f"{m.within:.0%}"),
            ("phrases that return", f"{m.between:.0%}"),
            ("key", m.key or "none"),
            ("clarity", f"{m.clarity:.2f}"),
            ("ending", m.ending or "none"),
            ("letters heard", f"{m.traceability:.0%}"),
            ("bits kept", f"{kept / tried:.0%}" if tried else "none"),
            ("voices", f"{m.voices}{' with drums' if m.drums else ''}"),
        ],
    )


def notes_picture(show: Performance, seconds: float) -> NDArray[np.uint8]:
    """Draw the notes up to a time: time to the right, pitch upwards, one colour per voice.

    Drums lie below the pitched voices, one line each.

    Returns
    -------
    ndarray of uint8, shape (height, width, 4)
        RGBA on a transparent background.
    """
    width, height = _ROLL
    out = np.zeros((height, width, 4), np.uint8)
    sounding = [p for p in show.parts if len(p)]
    pitched = [p for p in sounding if p.voice.drum is None]
    drums = [p for p in sounding if p.voice.drum is not None]
    floor = height - 7 * len(drums) - (4 if drums else 0)
    scale = width / seconds
    if pitched:
        low = min(float(p.pitch.min()) for p in pitched) - 1
        high = max(float(p.pitch.max()) for p in pitched) + 1
        thick = int(np.clip(floor / (high - low), 2, 7))
    for n, part in enumerate(sounding):
        left = np.clip((show.seconds(part.on) * scale).astype(np.int64), 0, width)
        right = np.clip((show.seconds(part.off) * scale).astype(np.int64), left + 1, width)
        if part.voice.drum is not None:
            right = np.minimum(right, left + 3)
            top = np.full(len(part), floor + 4 + 7 * drums.index(part))
            tall = 4
        else:
            top = ((high - part.pitch) / (high - low) * (floor - thick)).astype(np.int64)
            tall = thick
        # +1 where a note starts and -1 where it ends, summed over time, instead of a loop
        lines = np.zeros((height + 1, width + 1), np.int32)
        np.add.at(lines, (top, left), 1)
        np.add.at(lines, (top, right), -1)
        on = np.cumsum(lines, axis=1)[:height, :width] > 0
        filled = on.copy()
        for k in range(1, tall):
            filled[k:] |= on[:-k]
        out[filled] = (*_INKS[n % len(_INKS)], 255)
    return out


def matrix_picture(show: Performance) -> NDArray[np.uint8]:
    """Paint the matrix when the last row has been read, in RGB."""
    from sonify.light.lamp_levels import LampLevels
    from sonify.light.paint import Painter

    matrix = show.setup.player.matrix
    painter = Painter(show.setup.light, matrix)
    levels = LampLevels(show.lights, matrix).at(show.read_s)
    picture: NDArray[np.uint8] = painter.palette[painter.picture(levels)]
    return picture


def _png(pixels: NDArray[np.uint8], most: tuple[int, int] = _ROLL) -> str:
    from PIL import Image

    picture = Image.fromarray(pixels)
    picture.thumbnail(most, Image.Resampling.BOX)
    with io.BytesIO() as file:
        picture.save(file, "PNG", optimize=True)
        return _data("image/png", file.getvalue())


def _data(kind: str, data: bytes) -> str:
    return f"data:{kind};base64,{base64.b64encode(data).decode('ascii')}"


def _card(
    disc: Disc, candidate: Candidate, number: int, command: str, seconds: float, bitrate: int
) -> tuple[str, str]:
    """The key of a candidate, and its card."""
    from sonify.export.sound.file import compressed
    from sonify.export.sound.options import SoundOptions
    from sonify.performance import perform

    show = perform(disc, candidate.presets, candidate.settings)
    heard = min(seconds, show.music_s)
    sound = _data("audio/ogg", compressed(show, ".opus", bitrate, SoundOptions(to_s=heard)))
    m, kept, facts = figures(show)
    roll, matrix = _png(notes_picture(show, heard)), _png(matrix_picture(show), (480, 240))
    name = html.escape(candidate.name)
    if candidate.nearness is not None:
        facts.insert(0, ("nearness", f"{candidate.nearness:.2f}"))
    shown = "".join(f"<div><dt>{k}</dt><dd>{html.escape(v)}</dd></div>" for k, v in facts)
    sort = {
        "name": candidate.name, "order": number, "density": m.density, "span": m.span,
        "rests": m.rests, "interval": m.interval, "repetition": m.repetition, "key": m.key,
        "clarity": m.clarity, "drums": m.drums, "voices": m.voices, "arc": m.density_arc,
        "dynamics": m.dynamics_arc, "silence": m.silence, "within": m.within,
        "between": m.between, "ending": m.ending, "letters": m.traceability,
        "kept": kept, "nearness": candidate.nearness or 0.0,
    }  # fmt: skip
    data = html.escape(json.dumps(sort), quote=True)
    return (
        m.key,
        f"""<article class="card" data-facts="{data}">
<h2>{name}</h2>
<p class="about">{html.escape(candidate.about)}</p>
<div class="roll"><img src="{roll}" alt="The notes of {name}"><i></i></div>
<audio controls preload="metadata" aria-label="{name}" src="{sound}"></audio>
<div class="foot"><img class="matrix" src="{matrix}"
 alt="The matrix when the last row has been read"><dl>{shown}</dl></div>
<button type="button" class="copy" data-command="{html.escape(command, quote=True)}"
>Copy the command</button>
</article>""",
    )
