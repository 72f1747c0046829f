"""What a keyboard and its controllers change while a set plays: pitch, root, scale and settings."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import msgspec

from sonify.errors import InputError
from sonify.live.changing import limits_of
from sonify.live.commands import At, Command
from sonify.music.theory.scale_table import SCALES
from sonify.music.theory.scales import find_scale, note_name, note_number
from sonify.settings import Settings, convert, load_toml, to_builtins

if TYPE_CHECKING:
    from sonify.music.settings import Music
    from sonify.performance_settings import Setup

__all__ = ["Control", "ControlFile", "Controllers", "Keyboard", "chord_of", "load_controls"]

SevenBits = Annotated[int, msgspec.Meta(ge=0, le=127)]
Channel = Annotated[int, msgspec.Meta(ge=1, le=16)]

_FAMILIAR = ("major", "natural-minor", "mixolydian", "dorian", "harmonic-minor",
             "major-pentatonic", "minor-pentatonic")  # fmt: skip
"""Scales that a chord is taken for first: common practice, no source."""


class Keyboard(Settings, frozen=True):
    """What notes that come in do.

    Attributes
    ----------
    plays
        "transpose": a key moves all by its distance from `middle`. "chord": three or more keys
        give root and scale.
    channel
        Empty: any.
    at
        Where a chord takes effect.
    """

    plays: Literal["transpose", "chord"] = "transpose"
    channel: Channel | None = None
    middle: SevenBits = 60
    at: At = "bar"


class Control(Settings, frozen=True):
    """A controller and the setting that it moves, from `least` at 0 to `most` at 127."""

    controller: SevenBits
    setting: str
    channel: Channel | None = None
    least: float | None = None
    most: float | None = None


class ControlFile(Settings, frozen=True):
    """What is kept of an instrument: `[keyboard]` and `[[control]]`."""

    keyboard: Keyboard | None = None
    control: tuple[Control, ...] = ()

    def save(self, path: Path) -> None:
        """Write it as a TOML file.

        Raises
        ------
        OutputError
            It can't be written.
        """
        import tomli_w

        from sonify.atomic import write_data

        write_data(path, tomli_w.dumps(to_builtins(self)))


def load_controls(path: Path) -> ControlFile:
    """A file of controls.

    Raises
    ------
    InputError
        With the file and the place in it.
    """
    return convert(load_toml(path), ControlFile, path)


def chord_of(keys: Sequence[int], music: Music) -> dict[str, Any]:
    """The root and scale of a chord: its root by thirds, near the music's own, and of the scales
    that have all its tones the present one, a familiar one, or the first of the table."""
    low = sorted(keys)
    tones = list(dict.fromkeys(k % 12 for k in low))

    def above(root: int) -> frozenset[int]:
        return frozenset((t - root) % 12 for t in tones)

    # a triad or seventh chord has a third and a fifth above its root
    whole = [t for t in tones if above(t) & {3, 4} and 7 in above(t)]
    bent = [t for t in tones if above(t) & {3, 4} and above(t) & {6, 8}]
    root = [*whole, *bent, tones[0]][0]
    now = find_scale(music.scale)
    known = [now, *(SCALES[n] for n in _FAMILIAR), *SCALES.values()]
    fitting = [s for s in known if s.in_twelve and above(root) <= {round(x) for x in s.semitones}]
    same = [s for s in fitting if len(s.semitones) == len(now.semitones)]
    own = note_number(music.root)
    key = own + (root - own + 6) % 12 - 6
    out: dict[str, Any] = {"music.root": note_name(key)}
    best = [*same, *fitting][0]
    return out if best is now else {**out, "music.scale": best.name}


class Controllers:
    """Messages that come in as commands and settings.

    Parameters
    ----------
    file : ControlFile
    setup : Setup
        Of the first piece, in which the settings must exist.
    learn : sequence of str
        Settings that the next controllers to be moved will move, in this order.
    kept : callable, optional
        Takes the file again when a controller was learned.

    Raises
    ------
    InputError
        A setting that does not exist or is no number.
    """

    def __init__(
        self,
        file: ControlFile,
        setup: Setup,
        learn: Sequence[str] = (),
        kept: Callable[[ControlFile], None] = lambda _: None,
    ) -> None:
        self.file, self._setup, self._learn, self._kept = file, setup, list(learn), kept
        self.settings: dict[str, Any] = {}
        self.at: At = "now"
        self._held: list[int] = []
        for n, control in enumerate(file.control):
            try:
                limits_of(setup, control.setting)
            except InputError as e:
                raise InputError(e.what, place=f"control[{n}].setting") from None
        for setting in learn:
            try:
                limits_of(setup, setting)
            except InputError as e:
                raise InputError(e.what, key="learn") from None

    @property
    def learning(self) -> str | None:
        """The setting that the next controller will move."""
        return self._learn[0] if self._learn else None

    def midi(self, data: bytes, music: Music) -> Command | bool:
        """Take a message: a command, or whether `settings` changed, `at` a row, a bar or now.

        Parameters
        ----------
        data : bytes
        music : Music
            Of the piece that plays.
        """
        if len(data) != 3:
            return False
        kind, channel = data[0] & 0xF0, (data[0] & 15) + 1
        if kind == 0xB0:
            return self._control(channel, data[1], data[2])
        keyboard = self.file.keyboard
        if keyboard is None or kind not in (0x80, 0x90) or keyboard.channel not in (None, channel):
            return False
        on = kind == 0x90 and data[2] > 0
        if keyboard.plays == "transpose":
            return on and Command("transpose", number=data[1] - keyboard.middle)
        self._held = [k for k in self._held if k != data[1]] + [data[1]] * on
        if not on or len({k % 12 for k in self._held}) < 3:
            return False
        self.settings |= chord_of(self._held, music)
        self.at = keyboard.at
        return True

    def _control(self, channel: int, number: int, value: int) -> bool:
        if self._learn:
            new = Control(controller=number, channel=channel, setting=self._learn.pop(0))
            others = [
                c
                for c in self.file.control
                if c.setting != new.setting and (c.controller, c.channel) != (number, channel)
            ]
            self.file = msgspec.structs.replace(self.file, control=(*others, new))
            self._kept(self.file)
        moved = False
        for control in self.file.control:
            if control.controller == number and control.channel in (None, channel):
                self.settings[control.setting] = self._value(control, value)
                self.at, moved = "now", True
        return moved

    def _value(self, control: Control, value: int) -> float:
        least, most, whole = limits_of(self._setup, control.setting)
        least = least if control.least is None else control.least
        most = most if control.most is None else control.most
        out = least + (most - least) * value / 127
        return round(out) if whole else round(out, 4)
