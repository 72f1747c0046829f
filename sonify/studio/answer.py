"""The answer to a document: everything the page draws and plays, as arrays and facts."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError
from sonify.light.colours import palette_of
from sonify.light.exposure import gain, shines
from sonify.light.lamp_shapes import REACH, Lamp
from sonify.light.look import BRIGHTEST
from sonify.light.mounting import Mounting
from sonify.settings import to_builtins
from sonify.studio.document import Document, flash_key, show_of
from sonify.studio.flashing import may_flash
from sonify.studio.naming import naming, said
from sonify.studio.packing import pack

if TYPE_CHECKING:
    from sonify.disc.disc import Disc
    from sonify.disc_player.profile import Player
    from sonify.light.look import Look
    from sonify.music.notes import Part
    from sonify.performance import Performance
    from sonify.performance_settings import Setup

__all__ = ["answer", "arrays_of", "facts", "midi_answer", "turning"]

CLOCKS_PER_QUARTER = 24
"""MIDI 1.0, system real-time messages."""


def answer(document: Document) -> bytes:
    """A document's reading, notes, lights, scroll and captions, packed.

    Raises
    ------
    InputError
        Whatever is wrong in the document, with its place.
    """
    show = show_of(document)
    own = {"flashKey": flash_key(document), "equals": presets_equal_to(show.setup)}
    return pack({**facts(show), **own}, arrays_of(show))


def presets_equal_to(setup: Setup) -> dict[str, str | None]:
    """The names of the player and the look that ship with the same settings; the look that is the
    default has an empty name."""
    from sonify.light.look import Look

    players, looks = _shipped_sections()
    return {
        "player": next((name for name, x in players if x == setup.player), None),
        "look": next((name for name, x in [("", Look()), *looks] if x == setup.light), None),
    }


@lru_cache(maxsize=1)
def _shipped_sections() -> tuple[list[tuple[str, Player]], list[tuple[str, Look]]]:
    """The players and looks that ship, with their settings."""
    from sonify.performance_settings import load_setup
    from sonify.presets import shipped

    made = [
        (s.kind, s.name, load_setup((s.name,))) for s in shipped() if s.kind in ("player", "look")
    ]
    players = [(name, setup.player) for kind, name, setup in made if kind == "player"]
    return players, [(name, setup.light) for kind, name, setup in made if kind == "look"]


def midi_answer(document: Document) -> bytes:
    """A document's MIDI messages and clocks by time, packed, for the page to send to a port.

    Each message has three bytes and the voice that it belongs to.
    """
    show = show_of(document)
    step = show.grid.ticks_per_quarter / CLOCKS_PER_QUARTER
    events = show.events
    arrays: dict[str, NDArray[Any]] = {
        "time_s": events.time_s,
        "message": events.message[:, :3].reshape(-1),
        "voice": events.track.astype("i4"),
        "clock_s": show.seconds(np.arange(0, show.end_tick, step)),
    }
    return pack({}, arrays)


def arrays_of(show: Performance) -> dict[str, NDArray[Any]]:
    """A performance's reading, notes, lights, scroll and captions, by the page's names."""
    reading, notes, lights = show.reading, show.notes, show.lights
    t = show.timeline
    turn_s, turns = turning(show)
    decoding = show.disc.decoding
    none = np.zeros(0, [("first_bit", "i4"), ("last_bit", "i4")])
    characters = none if decoding is None else decoding.characters
    arrays: dict[str, NDArray[Any]] = {
        "bits": show.disc.grid.reshape(-1),
        "read_s": reading["time_s"],
        "read_row": reading["row"],
        "read_position": reading["position"],
        "row_s": t.row_start_s(),
        "turn_s": turn_s,
        "turns": turns,
        **_columns(notes, "note_"),
        "bar_s": bars_of(show),
        **{f"silent_{name}": column for name, column in silenced(show).items()},
        "light_s": lights["time_s"],
        "light_led": lights["led"],
        "light_level": lights["level"],
        "light_hue": lights["hue"],
        "caption_s": show.captions["time_s"],
        "caption_point": show.captions["codepoint"],
        "caption_first": characters["first_bit"].astype("i4"),
        "caption_last": characters["last_bit"].astype("i4"),
        "seen": Mounting.of(show.setup.light, show.setup.player.matrix)
        .leds(np.arange(show.setup.player.matrix.lamps))
        .astype("i4"),
        "angles": np.array([show.disc.layout.angle(p) for p in range(show.disc.positions)], "f4"),
    }
    scroll = show.scroll
    if scroll is not None:
        arrays["scroll_bits"] = np.packbits(scroll.columns, axis=1, bitorder="little").reshape(-1)
    return arrays


def bars_of(show: Performance) -> NDArray[np.float64]:
    """When the bars begin, in s."""
    return show.seconds(np.arange(0, show.end_tick + 1, show.grid.bar_ticks))


def silenced(show: Performance) -> dict[str, NDArray[Any]]:
    """The notes that changes by hand leave out, so that the page can bring them back."""
    from sonify.music.notes import changed, notes_of, untuned_parts

    changes, m = show.setup.note, show.bit_stream
    parts = untuned_parts(show.setup.music, m, show.grid) if any(c.mute for c in changes) else []
    notes = notes_of([changed(p, changes, m, silent=True) for p in parts], m, show.grid)
    return _columns(notes)


def _columns(notes: NDArray[np.void], place: str = "") -> dict[str, NDArray[Any]]:
    """Notes by column; the names of row and position begin with `place`."""
    return {
        "onset": notes["onset_s"],
        "duration": notes["duration_s"].astype("f4"),
        "pitch": notes["pitch"].astype("f4"),
        "velocity": notes["velocity"],
        "voice": notes["voice"],
        f"{place}row": notes["row"],
        f"{place}position": notes["position"],
    }


def facts(show: Performance) -> dict[str, Any]:
    """What the page needs besides the arrays."""
    from sonify.midi.channels import DRUM_CHANNEL
    from sonify.music.theory.scales import find_scale, note_number
    from sonify.studio.samples import keys_of

    disc, setup, notes, scroll = show.disc, show.setup, show.notes, show.scroll
    matrix, scale = setup.player.matrix, find_scale(setup.music.scale)
    low, high = (int(notes["pitch"].min()), int(notes["pitch"].max())) if len(notes) else (60, 60)
    return {
        "title": disc.display_name,
        "message": disc.message,
        "rows": disc.rows,
        "positions": disc.positions,
        "ones": int((disc.grid == 1).sum()),
        "unknown": int((disc.grid < 0).sum()),
        "clockwise": disc.layout.turning == "clockwise",
        "holeMeans": disc.layout.hole_means,
        "geometry": sizes_of(disc, setup.player.rpm),
        "positionS": show.timeline.position_s,
        "readS": show.read_s,
        "durationS": show.duration_s,
        "soundS": float((notes["onset_s"] + notes["duration_s"]).max()) if len(notes) else 0.0,
        "tempo": show.tempo_bpm,
        "said": [s.replace("player.rpm-range", naming("player.rpm-range")) for s in show.said],
        "metre": "{}/{}".format(*show.grid.metre),
        "rowIsBars": show.grid.row_is_bars,
        "low": low,
        "high": high,
        "voices": [
            {
                "name": p.name,
                "instrument": 128 if p.channel == DRUM_CHANNEL else p.program,
                "notes": len(p),
                "range": _range(p),
                "pan": 0.0 if p.voice.pan is None else p.voice.pan,
                "volume": 100 if p.voice.volume is None else p.voice.volume,
            }
            for p in show.parts
        ],
        "keys": keys_of(show),
        "matrix": {"width": matrix.width, "height": matrix.height},
        "scale": {
            "name": scale.name,
            "semitones": [float(x) for x in scale.semitones],
            "period": float(scale.period),
            "root": note_number(setup.music.root),
        },
        "look": look_of(show),
        "mayFlash": may_flash(show),
        "scroll": None
        if scroll is None
        else {
            "startS": scroll.start_s,
            "columnS": scroll.column_s,
            "columns": int(scroll.columns.shape[1]),
            "steps": scroll.steps,
        },
        # flashing takes longer to measure and has a request of its own
        "cautions": show.cautions,
    }


def _range(part: Part) -> str:
    """The names of a voice's lowest and highest notes."""
    from sonify.music.theory.scales import note_name

    if not len(part) or part.voice.drum is not None:
        return "drum" if len(part) else ""
    low, high = (note_name(int(x)) for x in (part.pitch.min(), part.pitch.max()))
    return low if low == high else f"{low} to {high}"


def look_of(show: Performance) -> dict[str, Any]:
    """The look for the page's drawing: its settings, and a lamp's light.

    `lens` is its light from its middle to its edge, and `halo` from its edge to `reach`, in equal
    steps; `glare` is whether more light than 1 turns white.
    """
    look = show.setup.light
    across, down = Mounting.of(look, show.setup.player.matrix).size
    lens, halo = Lamp(look).profile(8)
    return {
        **to_builtins(look),
        "unlit": look.off,
        "hues": [look.lamp, *palette_of(look)],
        "steps": BRIGHTEST,
        "lens": np.round(lens * gain(look), 6).tolist(),
        "halo": np.round(halo * gain(look), 6).tolist(),
        "glare": shines(look),
        "reach": REACH,
        "across": across,
        "down": down,
    }


@lru_cache(maxsize=16)
def sizes_of(disc: Disc, rpm: float) -> dict[str, Any]:
    """The disc's sizes in mm, calculated if it gives none, and cautions for cutting it."""
    from sonify.disc.geometry.cautions import workshop

    try:
        shop = workshop(disc, rpm=rpm)
        told = shop.cautions
    except InputError as e:
        # the music does not need a disc that can be cut; draw it with calculated sizes
        told = [f"the disc can't be cut: {said(e)}"]
        shop = workshop(replace(disc, geometry=None), rpm=rpm)
    g = shop.geometry
    rows = np.arange(disc.rows)
    inwards = disc.layout.reading == "outside-in"
    radii = g.first_row_radius + (-rows if inwards else rows) * g.row_pitch
    thinnest = shop.webs.thinnest
    return {
        "given": not shop.derived,
        "outer": g.outer_diameter / 2,
        "bore": g.bore_diameter / 2,
        "clock": g.clock_radius,
        "hole": g.hole_diameter / 2,
        "gap": min(g.row_pitch, float(2 * np.pi * radii.min() / disc.positions)),
        "web": None if thinnest is None else round(thinnest.width, 3),
        "radii": [round(float(r), 3) for r in radii],
        "keepOut": [
            {"radius": k.radius, "angle": k.angle, "hole": k.diameter / 2} for k in g.keep_out
        ],
        "cautions": told,
        "table": to_builtins(g),
    }


def turning(show: Performance) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """How far the disc has turned: times in s, and the turns by then, to be interpolated linearly.

    While a row is read the disc turns at its speed. With the timing "bars" the pause between rows
    is not a whole number of turns; the disc then turns steadily to where the next row begins.
    """
    t, n = show.timeline, show.timeline.positions
    start = t.row_slot.astype(float)
    end = start + n
    # position p lies under the detector when the disc has turned by p positions
    first = t.row_first / n
    gap = (start[1:] - end[:-1]) / n
    ahead = (first[1:] - first[:-1] - 1) % 1.0
    whole = np.maximum(np.rint(gap - ahead), 0)
    turned = np.concatenate((first[:1], first[0] + np.cumsum(1 + ahead + whole)))
    # between changes of speed it turns evenly
    knots = np.stack([start, end], axis=1).reshape(-1)
    turns = np.stack([turned, turned + 1], axis=1).reshape(-1)
    if t.pace is not None:
        slot = np.union1d(knots, t.pace.slot)
        turns, knots = np.interp(slot, knots, turns), slot
    time = t.seconds(knots)
    last = max(show.duration_s + 5, time[-1] + 1)
    left = (last - time[-1]) / (n * t.position_s)
    return np.append(time, last), np.append(turns, turns[-1] + left)
