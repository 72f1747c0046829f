"""The `[music.form]` and `[music.harmony]` sections."""

from __future__ import annotations

from typing import Annotated, Literal

import msgspec

from sonify.controls import control
from sonify.settings import Settings

__all__ = ["Form", "Harmony"]

Level = Annotated[float, msgspec.Meta(ge=0.1, le=2)]
Share = Annotated[float, msgspec.Meta(ge=0, le=1)]
Octaves = Annotated[float, msgspec.Meta(ge=-3, le=3)]


class Form(Settings, frozen=True):
    """The `[music.form]` section: a plan over the rows of a disc, whatever their number.

    A named plan brings its own sections and arcs; what is given here replaces them. The points of
    an arc are spread evenly over the piece and interpolated.

    Attributes
    ----------
    plan
        The named form.

        - none: no sections, no arcs
        - song: A A' B A'': the middle section contrasts, then the first returns
        - arch: A B C B' A': rises to the middle and returns
        - strophic: A A' A'' A''': the same again, fuller each time
        - rondo: A B A' C A'': a refrain between episodes
        - crescendo: A A' A'' A''': from one voice to all
        - canon: A B C D: the voices enter one by one
        - passacaglia: A A' A'' A''' A'''': variations over a ground
    sections
        Labels of sections in order, such as A A' B A. They share the rows in proportion. Empty:
        those of the plan.
    intro
        How many phrases come before the first section, as a section of the name Intro: voices
        whose sections don't name it wait.
    phrase
        How many rows make a phrase; on a disc of few rows, how many bars.
    dynamics
        Loudness over the piece: 1 is the voice's own velocity.
    register
        Octaves added over the piece, for voices that follow it.
    density
        The share of metrical places that may sound, for voices that follow it: 1 all, 0.75 half
        beats, 0.5 beats, 0.25 bars.
    brightness
        Brightness (controller 74) over the piece, 0 to 1. Empty: not sent.
    tempo : Tempo over the piece
        With the timing bars: 1 is the player's own.
    rubato
        How much slower phrases begin and end than they are in their middle, with the timing bars.
    ritardando
        The tempo at the end of the last row, with the timing bars: 1 keeps time, 0.6 is usual.
    entries
        How voices come in.

        - sections: as each voice's own sections say
        - staggered: one more voice with each section
    ending
        What follows the last row.

        - none: nothing
        - chord: the tonic chord, from the next beat on, left to ring
        - cadence: the dominant for a bar, then the tonic chord
    ending_bars
        How many bars the last chord rings.
    """

    plan: Literal[
        "none", "song", "arch", "strophic", "rondo", "crescendo", "canon", "passacaglia"
    ] = "none"
    sections: str = ""
    intro: Annotated[int, control(step=1, soft=(0, 4), ge=0, le=64)] = 0
    phrase: Annotated[int, control(step=1, soft=(1, 8), ge=1, le=64)] = 2
    dynamics: Annotated[tuple[Level, ...], msgspec.Meta(max_length=64)] = ()
    register: Annotated[tuple[Octaves, ...], msgspec.Meta(max_length=64)] = ()
    density: Annotated[tuple[Share, ...], msgspec.Meta(max_length=64)] = ()
    brightness: Annotated[tuple[Share, ...], msgspec.Meta(max_length=64)] = ()
    tempo: Annotated[tuple[Level, ...], msgspec.Meta(max_length=64)] = ()
    rubato: Annotated[float, control(step=0.05, soft=(0, 0.3), ge=0, le=0.5)] = 0.0
    ritardando: Annotated[float, control(step=0.05, soft=(0.4, 1), ge=0.3, le=1)] = 1.0
    entries: Literal["sections", "staggered"] | None = None
    ending: Literal["none", "chord", "cadence"] = "none"
    ending_bars: Annotated[int, control(step=1, soft=(1, 4), ge=1, le=16)] = 2


class Harmony(Settings, frozen=True):
    """The `[music.harmony]` section: the chords that progressions without chords of their own play.

    Attributes
    ----------
    chords
        In roman numerals, such as i VI III VII.
    sections
        Other chords by the label of a section, such as { B = "iv VII III VI" }.
    each : A new chord
        How often the chord changes.

        - half-bar: twice a bar
        - bar: with each bar of a row
        - row: with each row
    hold
        How many of these a chord lasts.
    restart : Starts again
        Where the progression begins again.

        - row: with each row
        - phrase: with each phrase
        - section: with each section
        - never: it goes on over all rows
    cadences
        Whether phrases end in half cadences and sections in full ones.
    half : Half cadence
        The chord at the end of a phrase. Empty: V.
    full : Full cadence
        The chords at the end of a section. Empty: V I, or V i in minor.
    suspensions
        Whether a tone of the chord before is held for the first half of a chord and then falls by
        a step, such as the fourth to the third, where the chords allow it.
    secondary : Secondary dominants
        How often a chord gives way to the dominant seventh of the chord that follows.
    borrowed : Borrowed chords
        How often a chord comes from the parallel key, such as iv in place of IV.
    walk
        Instead of `chords`, the chance of each chord after each other one, such as
        { I = { IV = 2, V = 1 } }; "functional" takes a table of common practice.
    seed
        The same seed, the same walk.
    """

    chords: str = ""
    sections: dict[str, str] = msgspec.field(default_factory=dict)
    each: Literal["half-bar", "bar", "row"] = "bar"
    hold: Annotated[int, control(step=1, soft=(1, 16), ge=1, le=1024)] = 1
    restart: Literal["row", "phrase", "section", "never"] = "section"
    cadences: bool = False
    half: str = ""
    full: str = ""
    suspensions: bool = False
    secondary: Annotated[float, control(step=0.05, ge=0, le=1)] = 0.0
    borrowed: Annotated[float, control(step=0.05, ge=0, le=1)] = 0.0
    walk: str | dict[str, dict[str, float]] = ""
    seed: Annotated[int, control(step=1, soft=(0, 99), ge=0, le=2**31)] = 1
