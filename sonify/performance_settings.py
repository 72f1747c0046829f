"""All settings of a performance: presets merged in order, then single settings."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from sonify.disc_player.profile import Player
from sonify.errors import InputError
from sonify.light.clip_settings import Clip
from sonify.light.look import Look
from sonify.log import info
from sonify.music.note_changes import NoteChange
from sonify.music.settings import Music
from sonify.music.sound_settings import Sound
from sonify.music.theory.scala import SUFFIXES, keyboard_table, scale_table
from sonify.music.theory.scales import find_scale
from sonify.presets import Presets, find_preset, listed
from sonify.settings import Settings, assign, convert, load_toml, merge, to_builtins

__all__ = ["Setup", "is_preset", "load_setup", "setup_table"]


class Setup(Settings, frozen=True):
    """The sections of a preset; the folder that uses a section defines it.

    Each `[[note]]` changes the notes of one place of the disc, whatever the mapping.
    """

    about: str = ""
    player: Player = Player()
    music: Music = Music()
    light: Look = Look()
    sound: Sound = Sound()
    clip: Clip = Clip()
    note: tuple[NoteChange, ...] = ()


def is_preset(table: Mapping[str, Any]) -> bool:
    """Whether a table is a preset and not a disc."""
    sections = set(Setup.__struct_encode_fields__) - {"about"}
    return not {"message", "bits"} & table.keys() and not sections.isdisjoint(table)


def load_setup(
    presets: Presets = (),
    settings: Mapping[str, Any] | None = None,
    base: Mapping[str, Any] | None = None,
) -> Setup:
    """Merge presets in order, and single settings on top.

    A tempo chooses the step, so a later layer that sets the step takes an earlier tempo away.

    Parameters
    ----------
    presets : str, Path, or iterable of them
        Names of presets that ship, or paths of TOML files. Later ones win.
    settings : mapping, optional
        Dotted keys such as `music.root`, and their values.
    base : mapping, optional
        A table of settings under the presets.

    Returns
    -------
    Setup

    Raises
    ------
    InputError
        A preset or setting is wrong, or one layer sets both step and tempo; with the file and the
        place in it.
    """
    data = setup_table(presets, settings, base)
    try:
        return convert(data, Setup)
    except InputError as e:
        if not settings:
            raise
        raise InputError(e.what, file=e.file, key=f"set {e.place}" if e.place else "set") from None


def setup_table(
    presets: Presets = (),
    settings: Mapping[str, Any] | None = None,
    base: Mapping[str, Any] | None = None,
) -> dict[str, Any]:
    """What presets and single settings say, as a table; the arguments are those of `load_setup`.

    Raises
    ------
    InputError
        A preset is wrong; with the file and the place in it.
    """
    data: dict[str, Any] = dict(base or {})
    settings = settings or {}
    for preset in listed(presets):
        path = preset if isinstance(preset, Path) else find_preset(preset)
        info(__name__, "%s: applied as a preset", path)
        if path.suffix.casefold() in SUFFIXES:
            table = _tuning(path, data)
            # a scale is replaced as a whole, not key by key
            data = {**data, "music": {**data.get("music", {}), "scale": ""}}
        else:
            table = load_toml(path)
        for key in ("message", "bits"):
            if key in table:
                raise InputError(
                    f"it has '{key}', as a disc file does; give it as the disc", file=path
                )
        convert(table, Setup, path)
        music = table.get("music", {})
        if _step_alone("step" in music, "tempo" in music, path):
            data = _without_tempo(data)
        data = merge(data, table)
    data.pop("about", None)
    if _step_alone("music.step" in settings, "music.tempo" in settings):
        data = _without_tempo(data)
    if "music.voice" not in settings and any(k.startswith("music.voice.") for k in settings):
        # the setting of a single voice changes one of the existing voices
        data = merge({"music": {"voice": to_builtins(Music().voice)}}, data)
    for key, value in settings.items():
        data = assign(data, key, value)
    return data


def _tuning(path: Path, data: Mapping[str, Any]) -> dict[str, Any]:
    """A Scala file as a preset over others."""
    if path.suffix.casefold() == ".scl":
        return {"music": {"scale": scale_table(path)}}
    music = convert(data.get("music", {}), Music)
    return {"music": keyboard_table(path, find_scale(music.scale))}


def _step_alone(step: bool, tempo: bool, file: Path | None = None) -> bool:
    """Whether a layer sets the step; an `InputError` if it sets the tempo, too."""
    if step and tempo:
        what = "a tempo chooses the step; leave one of the two out"
        keys = "music.step, music.tempo"
        raise InputError(what, file=file, **{"place" if file else "key": keys})
    return step


def _without_tempo(data: Mapping[str, Any]) -> dict[str, Any]:
    music = {k: v for k, v in data.get("music", {}).items() if k != "tempo"}
    return {**data, "music": music}
