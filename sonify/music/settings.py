"""The `[music]` section and its voices."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from sonify.controls import control
from sonify.music.controllers import Controller
from sonify.music.curves import Curve
from sonify.music.form.settings import Form, Harmony
from sonify.music.theory.tuning import OwnScale
from sonify.settings import Settings

__all__ = ["Music", "Voice"]

Table = dict[str, Any]


class Voice(Settings, frozen=True):
    """One voice: what it sounds at, which notes, which rhythm, which instrument.

    `pitch` is a pitch scheme with its settings, or its bare name; `rhythm` a list of rhythm
    rules, each a bare name or a table. A voice with a `drum` plays that General MIDI drum on
    channel 10 and needs no pitch; with a list of drums, its pitch scheme's degrees choose among
    them.

    Attributes
    ----------
    name
        What the voice is called.
    source : Plays at
        The positions that give this voice a note.
    program : Instrument
        The General MIDI instrument.
    bank
        The bank of the instrument on players that have several: 128 times what is sent as
        controller 0, plus what is sent as controller 32. Empty: none is sent.
    drum
        Plays this drum instead of pitches.
    pitch : Pitch scheme
        How a position on the disc becomes a note of the scale.
    rhythm : Rhythm rules
        Which notes sound, when they start and how long they last. The rules apply in order, from
        the top.
    velocity
        How hard the notes are struck, 1 to 127.
    octave
        Transposes the voice by octaves.
    channel
        The MIDI channel, 1 to 16. Empty: the first free one.
    pan
        -1 is left, 0 the middle, 1 right.
    volume
        The level of the voice in the mix, 0 to 127.
    glide
        How long each note glides from the one before, 0 to 1, on players that can. Empty: none.
    curves
        How the velocity changes over a character, a row or the piece, for example
        [{ over = "row", points = [0.6, 1, 0.6] }].
    controllers
        MIDI controllers that move, for example
        [{ send = "expression", over = "row", points = [0.7, 1] }].
    rows : Only rows
        For example 1-4, 7, 9- or odd. Empty: all.
    positions : Only positions
        For example 1-28 or even. Empty: all.
    places : Only bits
        Bits of a character, for example 1-3. Empty: all.
    sections : Only sections
        Sections of the form in which the voice plays, such as A B', A* or 2-. Empty: all.
    arcs : Follows
        The arcs of the form that the voice follows: dynamics, register, density.
    ending : Plays the ending
        Whether the voice has a tone of the last chord. Drums strike once.
    """

    name: str = ""
    source: str = "ones"
    program: str | int = "acoustic grand piano"
    bank: Annotated[int, control(step=1, ge=0, le=16383)] | None = None
    drum: str | int | tuple[str | int, ...] | None = None
    pitch: str | Table = "row-ladder"
    rhythm: str | tuple[str | Table, ...] = ()
    velocity: Annotated[int, control(step=1, ge=1, le=127)] = 84
    octave: Annotated[int, control(step=1, soft=(-3, 3), ge=-5, le=5)] = 0
    channel: Annotated[int, control(step=1, ge=1, le=16)] | None = None
    pan: Annotated[float, control(step=0.1, ge=-1, le=1)] | None = None
    volume: Annotated[int, control(step=1, ge=0, le=127)] | None = None
    glide: Annotated[float, control(step=0.05, ge=0, le=1)] | None = None
    curves: tuple[Curve, ...] = ()
    controllers: tuple[Controller, ...] = ()
    rows: str | None = None
    positions: str | None = None
    places: str | None = None
    sections: str | None = None
    arcs: tuple[Literal["dynamics", "register", "density"], ...] = ("dynamics",)
    ending: bool | None = None


class Music(Settings, frozen=True):
    """The `[music]` section.

    A `scale` is a name or a table (see `sonify.music.theory.tuning.OwnScale`). A piece without
    voices gets one, as on the plain player: a note for each one.

    Attributes
    ----------
    root
        The tonic of the scale; scale degrees count from it.
    scale
        The notes that may sound; the keyboard shows them lit.
    concert_pitch
        The frequency of A4.
    tuning_output
        How MIDI files have pitches between the keys.

        - bends: a channel for each bend, for any synthesizer
        - one-channel: bends on each voice's own channel, one note at a time
        - mpe: a zone of channels for each of up to two voices, for MPE instruments
        - mts: keys retuned by the MIDI Tuning Standard
    step
        The note value of one position, or auto: the one that brings the tempo nearest to 110. It
        sets the notation; the speed of the player sets how fast the notes come.
    timing
        What happens to the pause while the stage moves to the next row.

        - player: as the player reads, with all pauses
        - bars: pauses become whole beats, so each row starts on a bar line
    tempo
        Quarters a minute. The step, and the speed if the player allows it, are chosen for it.
        Empty: as the player's speed gives it.
    length
        How long the disc is read, such as 90 s or 32 bars. The speed is chosen for it, if the
        player allows it.
    metre
        The time signature. Auto finds one in which a row is a whole number of bars; of several,
        such as 4/4, 3/4, the one in which the next row begins soonest is taken.
    """

    root: str = "D4"
    scale: str | OwnScale = "dorian"
    concert_pitch: Annotated[float, control(step=0.5, unit="Hz", ge=390, le=490)] = 440.0
    tuning_output: Literal["bends", "one-channel", "mpe", "mts"] = "bends"
    step: str = "auto"
    timing: Literal["player", "bars"] = "player"
    tempo: Annotated[float, control(step=1, unit="bpm", soft=(40, 200), ge=20, le=400)] | None = (
        None
    )
    length: str | None = None
    metre: str = "auto"
    form: Form = Form()
    harmony: Harmony = Harmony()
    voice: tuple[Voice, ...] = (Voice(name="bells", program="vibraphone", pitch="place"),)

    @property
    def scale_name(self) -> str:
        """The scale's name, its own or that of the table."""
        return self.scale if isinstance(self.scale, str) else self.scale.name
