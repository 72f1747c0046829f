"""The performance: the one object that every writer takes.

Everything heard or seen is derived here from one timeline, so that all outputs agree on when a
note sounds or a lamp lights.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO, overload

import msgspec
import numpy as np
from numpy.typing import NDArray

import sonify.hooks as hooks
from sonify.atomic import Target
from sonify.disc.code.units import space_value
from sonify.disc.disc import Disc
from sonify.disc_player.timeline import Timeline, read_times, reading_of
from sonify.errors import plural
from sonify.light.colours import Bits, faded
from sonify.light.fill_rules import fill_lights, find_fill
from sonify.light.lamp_levels import LampLevels
from sonify.light.wiring import Wiring
from sonify.log import info
from sonify.midi.events import TimedEvents, timed
from sonify.midi.tempo import TempoMap, even_tempo
from sonify.music.bit_stream import BitStream
from sonify.music.blocks import Block, blocks_of
from sonify.music.metre import Grid, grid_of, paced_tempo, rows_to_bars
from sonify.music.note_changes import outside
from sonify.music.notes import Part, make_parts, notes_of
from sonify.music.tempo import timed as timed_music
from sonify.music.trials import Before, Trials
from sonify.performance_settings import Setup, load_setup
from sonify.presets import Presets
from sonify.progress import report, watching

if TYPE_CHECKING:
    from sonify.light.power import Power
    from sonify.light.scroll import Scroll

__all__ = ["CAPTIONS", "Performance", "perform"]

CAPTIONS = np.dtype([("time_s", "f8"), ("codepoint", "i4"), ("state", "u1")])
"""One character as it is decoded: when its last bit is read, its code point, and its state
(0 good, 1 repaired, 2 failed)."""

_NO_CODE_UNIT = 8


@dataclass(frozen=True, eq=False)
class Performance:
    """A disc, as a player with these settings plays it.

    Attributes
    ----------
    disc : Disc
    setup : Setup
        All settings.
    timeline : Timeline
        When rows are read.
    grid : Grid
        Beats, bars and ticks.
    said : tuple of str
        What was chosen for a tempo or length that was asked for.
    """

    disc: Disc
    setup: Setup
    timeline: Timeline
    grid: Grid
    said: tuple[str, ...] = ()

    @cached_property
    def bit_stream(self) -> BitStream:
        """The disc's bits in order of reading, from which the music is made."""
        decoding = self.disc.decoding
        return BitStream(
            bits=self.timeline.in_order(self.disc.grid),
            timeline=self.timeline,
            unit_bits=self.unit_bits,
            characters=None if decoding is None else decoding.characters,
            space=self._space,
        )

    @property
    def unit_bits(self) -> int:
        """Bits per code unit; 8 on a disc without a code."""
        return _NO_CODE_UNIT if self.disc.code is None else self.disc.code.unit_bits

    @cached_property
    def parts(self) -> list[Part]:
        """The notes, voice by voice, in ticks."""
        return make_parts(self.setup.music, self.bit_stream, self.grid, self.setup.note)

    def blocks(self) -> Iterator[Block]:
        """The same notes in blocks, each of which is made when it is asked for."""
        found = None
        if "parts" not in self.__dict__:
            music, rows = self.setup.music, self.timeline.rows
            found = blocks_of(music, self._window, rows, self.grid, self.setup.note)
        yield from [Block(self.parts)] if found is None else found

    def _window(self, first: int, last: int, before: Before) -> Trials:
        """The bits of some rows, from those that were read before."""
        t, rows = self.timeline, slice(first, last)
        own = replace(t, row_slot=t.row_slot[rows], row_first=t.row_first[rows])
        bits = own.in_order(self.disc.grid[rows])[None]
        m = Trials.side_by_side(bits, t, self.unit_bits, first, before)
        return replace(m, space=self._space)

    @property
    def _space(self) -> int | None:
        return None if self.disc.code is None else space_value(self.disc.code)

    @property
    def tick_s(self) -> float:
        """The length of a MIDI tick at the player's speed, in s."""
        return self.grid.tick_s(self.timeline.position_s)

    def seconds(self, tick: NDArray[Any]) -> NDArray[np.float64]:
        """The times of MIDI ticks, in s."""
        return self.timeline.seconds(tick / self.grid.step_ticks)

    @property
    def end_tick(self) -> int:
        """The tick at which the last bar ends."""
        return self.end_of(max((int(p.off.max()) for p in self.parts if len(p)), default=0))

    def end_of(self, last: int) -> int:
        """The tick at which the last bar ends, if no note sounds after tick `last`."""
        last = max(self.timeline.end_slot * self.grid.step_ticks, last)
        return -(-last // self.grid.bar_ticks) * self.grid.bar_ticks

    @property
    def music_s(self) -> float:
        """The length of the music to the end of its last bar, in s."""
        return float(self.seconds(np.array(self.end_tick)))

    @cached_property
    def tempo_map(self) -> TempoMap:
        """The tempo of the MIDI file: that of the pace, or one."""
        t, grid = self.timeline, self.grid
        if t.pace is not None:
            return paced_tempo(t.pace, grid)
        exact = 1e6 * t.position_s / grid.step_beats
        return even_tempo(exact, grid.ticks_per_quarter)

    @cached_property
    def events(self) -> TimedEvents:
        """The MIDI messages of all voices, at the times that the tempo map gives them.

        Pitches between the keys are bends, whatever files have.
        """
        music, parts = self.setup.music, self.parts
        if music.tuning_output != "bends":
            music = msgspec.structs.replace(music, tuning_output="bends")
            parts = make_parts(music, self.bit_stream, self.grid, self.setup.note)
        return timed([p.events() for p in parts], self.tempo_map, self.end_tick)

    def event_blocks(self) -> Iterator[TimedEvents]:
        """The same messages in blocks."""
        for block in self.blocks():
            if block.whole:
                yield self.events
            else:
                some = [block.events(p.events()) for p in block.parts]
                yield timed(some, self.tempo_map, 0 if block.end is None else block.end)

    @cached_property
    def reading(self) -> NDArray[np.void]:
        """When each position is read: an array of `READING`."""
        return reading_of(self.disc.grid, self.timeline)

    @cached_property
    def notes(self) -> NDArray[np.void]:
        """All notes: an array of `NOTES`."""
        return notes_of(self.parts, self.bit_stream, self.grid)

    @cached_property
    def lights(self) -> NDArray[np.void]:
        """The matrix while the disc is read: an array of `LIGHTS`, changes only."""
        look, player = self.setup.light, self.setup.player
        again = look.trail > 0 or look.colours == "age"
        shown = self.lamp_bits.shown(look)
        lights = fill_lights(shown, self.timeline, player.matrix, self.unit_bits, again=again)
        return faded(lights, look, player.turn_s)

    @cached_property
    def lamp_bits(self) -> Bits:
        """The bits that light lamps, and the notes that may colour them."""
        return Bits(self.bit_stream.bits, self.timeline, self.unit_bits, lambda: self.parts)

    @cached_property
    def wiring(self) -> Wiring:
        """Where each lamp is on the strip; `wiring.strip.flat[lights["led"]]` for all changes."""
        return Wiring.of(self.setup.player.matrix)

    @cached_property
    def power(self) -> Power:
        """What the lamps draw while the disc is read and the message scrolls."""
        from sonify.light.power import power_of

        look, matrix = self.setup.light, self.setup.player.matrix
        lights = self.lights
        if self.scroll is not None:
            levels = LampLevels(lights, matrix).at(self.scroll.start_s)
            scrolled = self.scroll.lights((levels & 255).astype(np.uint8).reshape(-1))
            lights = np.concatenate([lights[lights["time_s"] < self.scroll.start_s], scrolled])
        there = self.wiring.strip.reshape(-1)[lights["led"]] >= 0
        return power_of(lights[there], look, matrix, self.wiring.length)

    @cached_property
    def captions(self) -> NDArray[np.void]:
        """The characters at the times at which they are decoded: an array of `CAPTIONS`."""
        characters = None if self.disc.decoding is None else self.disc.decoding.characters
        out = np.empty(0 if characters is None else len(characters), CAPTIONS)
        if characters is not None:
            out["time_s"] = self.timeline.seconds(self.character_slots())
            out["codepoint"] = characters["codepoint"]
            out["state"] = characters["state"]
        return out

    def character_slots(self) -> NDArray[np.int64]:
        """The slot in which the last bit of each character is read, shape (characters,)."""
        if self.disc.decoding is None:
            return np.zeros(0, np.int64)
        t, characters = self.timeline, self.disc.decoding.characters
        last = np.ascontiguousarray(characters["last_bit"])
        slot = t.slot_of(last)
        if t.straight:
            return slot
        # where reading of the row began inside the character, its first bits come last
        row, position = np.divmod(last, t.positions)
        begin = np.maximum(characters["first_bit"] - row * t.positions, 0)
        first = t.row_first[row]
        split = (begin < first) & (first <= position)
        out: NDArray[np.int64] = np.where(split, t.row_slot[row] + t.positions - 1, slot)
        return out

    @property
    def read_s(self) -> float:
        """When the last position has passed, in s."""
        return self.timeline.end_s

    @property
    def message_s(self) -> float:
        """When the message begins to scroll, in s."""
        return self.timeline.end_s + self.setup.player.message_pause

    @cached_property
    def scroll(self) -> Scroll | None:
        """The message as it scrolls by; None on a disc without one."""
        from sonify.light.scroll import scroll_of

        message = self.disc.message
        if not message:
            return None
        return scroll_of(message, self.setup.player.matrix, self.message_s)

    @property
    def duration_s(self) -> float:
        """From the first position to the end of the message, in s."""
        return self.read_s if self.scroll is None else self.scroll.end_s

    def at_speed(self, speed: float) -> Performance:
        """The same performance, so many times as fast."""
        change = msgspec.structs.replace
        player = self.setup.player
        player = change(
            player,
            rpm=player.rpm * speed,
            stage=player.stage / speed,
            settle=player.settle / speed,
            message_pause=player.message_pause / speed,
            matrix=change(player.matrix, scroll=player.matrix.scroll * speed),
        )
        setup = change(self.setup, player=player)
        return replace(self, setup=setup, timeline=self.timeline.at_speed(speed))

    @property
    def tempo_bpm(self) -> float:
        """Quarter notes per minute."""
        return 60.0 * self.grid.step_beats / self.timeline.position_s

    @property
    def cautions(self) -> list[str]:
        """What is missing from the sound or the light, one sentence each."""
        out = []
        unknown = int((self.disc.grid < 0).sum())
        if unknown:
            bits = "bits are" if unknown > 1 else "bit is"
            out.append(f"{unknown:,} {bits} unknown: no sound and no light")
        failed = 0 if self.disc.decoding is None else self.disc.decoding.failed
        if failed:
            out.append(f"{failed:,} character{'s' * (failed > 1)} can't be read, shown as \ufffd")
        if self.scroll is not None and self.scroll.missing:
            missing = " ".join(self.scroll.missing[:12])
            out.append(f"the matrix font lacks {missing}, shown as a box")
        lost = outside(self.setup.note, self.disc.rows, self.disc.positions)
        if lost:
            out.append(f"{lost:,} changed note{'s lie' if lost > 1 else ' lies'} outside this disc")
        if not len(self.notes):
            out.append("no note plays")
        return out

    @property
    def off_bars(self) -> str | None:
        """A caution if some rows begin inside bars, else None."""
        if not (self.timeline.row_slot * self.grid.step_ticks % self.grid.bar_ticks).any():
            return None
        return (
            'rows begin inside bars; music.timing = "bars" moves them to bar lines, and so may '
            "another number of positions"
        )

    @overload
    def save(
        self, target: str | Path, what: str | None = None, *,
        progress: Callable[[float], None] | None = None, **options: Any,
    ) -> Path: ...  # fmt: skip

    @overload
    def save(
        self, target: BinaryIO, what: str | None = None, *, format: str,
        progress: Callable[[float], None] | None = None, **options: Any,
    ) -> None: ...  # fmt: skip

    def save(
        self,
        target: Target,
        what: str | None = None,
        *,
        format: str | None = None,
        progress: Callable[[float], None] | None = None,
        **options: Any,
    ) -> Path | None:
        """Write the performance to a file or buffer; the kind follows the suffix.

        Parameters
        ----------
        target : str, Path or binary file
        what : str, optional
            Which part of the performance, where a suffix is ambiguous: "lights", "message",
            "clip", "score" or "explain".
        format : str, optional
            The kind of file that a buffer takes, such as "mid".
        progress : callable, optional
            Is called with the share that is done, 0 to 1; an exception from it stops the work.
        **options
            The writer's options, such as `rows="1-4"`.

        Returns
        -------
        Path or None
            Where it is; None for a buffer.

        Raises
        ------
        InputError
            A suffix that is not offered, or an unknown option.
        OutputError
            The place can't be written.

        Examples
        --------
        >>> import io
        >>> buffer = io.BytesIO()
        >>> perform(Disc.from_message("FOG")).save(buffer, format="mid")
        >>> buffer.getvalue()[:4]
        b'MThd'
        """
        with watching(progress) if progress else contextlib.nullcontext():
            out: Path | None = hooks.save(self, target, what, format, options)
            report(1.0)
        return out

    def __reduce__(self) -> tuple[type[Performance], tuple[Any, ...]]:
        # what follows from these is made again, which takes less time than to send it
        return Performance, (self.disc, self.setup, self.timeline, self.grid, self.said)

    def __repr__(self) -> str:
        rows = plural(self.disc.rows, "row")
        return (
            f"<Performance of '{self.disc.name}': {rows} of {self.disc.positions}, "
            f"{self.duration_s:.1f} s at {self.setup.player.rpm:g} rpm>"
        )

    def _repr_mimebundle_(self, include: Any = None, exclude: Any = None) -> dict[str, Any]:
        return hooks.shown(self)


def perform(
    disc: Disc | str | Path,
    presets: Presets = (),
    settings: Mapping[str, Any] | None = None,
    *,
    setup: Setup | None = None,
) -> Performance:
    """Play a disc.

    Parameters
    ----------
    disc : Disc, str or Path
        A disc, or what `load_disc` takes: a name or a file.
    presets : str, Path, or iterable of them
        One preset, or several that are laid over each other; later ones win.
    settings : mapping, optional
        Dotted keys and values, over all presets.
    setup : Setup, optional
        Ready settings, in place of presets and settings.

    Returns
    -------
    Performance

    Raises
    ------
    InputError
        Settings that are unknown, wrong or out of range.

    Examples
    --------
    >>> show = perform(Disc.from_message("FOG LIFTS 9"), settings={"music.root": "E3"})
    >>> len(show.reading), show.disc.message
    (112, 'FOG LIFTS 9')
    >>> perform("cairn-small", "music-box")
    <Performance of 'cairn-small': 2 rows of 56, 24.1 s at 10 rpm>
    """
    played: Disc = disc if isinstance(disc, Disc) else hooks.load_disc(disc)
    setup = load_setup(presets, settings) if setup is None else setup
    find_fill(setup.player.matrix.fill)
    timing = timed_music(setup.music, setup.player, played.rows, played.positions)
    setup = msgspec.structs.replace(setup, music=timing.music, player=timing.player)
    grid = grid_of(setup.music, played.positions, played.rows)
    timeline = read_times(played.rows, played.positions, setup.player)
    if setup.music.timing == "bars":
        timeline = rows_to_bars(timeline, grid, setup.player)
    for line in timing.said:
        info(__name__, line)
    return Performance(played, setup, timeline, grid, timing.said)
