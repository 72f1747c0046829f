"""A mapping made for a tune, and the holes that play it.

A hole at every so many positions is a step of the tune at which notes begin, and the bits before
it, read as a number, choose which: each chord of the tune has a number. A voice for each tone of a
part plays at the numbers of the chords that have this tone, by a pitch table. So a disc that is
large enough plays all onsets and pitches of any tune on a grid of even steps.
"""

from __future__ import annotations

import math
from fractions import Fraction
from typing import Any

import msgspec
import numpy as np
from numpy.typing import NDArray

from sonify.compose.mapping import key_of
from sonify.compose.pieces import DRUMS, Ground
from sonify.compose.tune_disc import (
    AS_NEEDED,
    FEWEST,
    MOST,
    MOST_ROWS,
    Fitted,
    TuneDisc,
    TuneRows,
    head_rows,
)
from sonify.compose.tune_rows import Target, missed_notes, notes_in_slots
from sonify.compose.tune_steps import Stepped, TuneFile, stepped
from sonify.disc.code.code import Code
from sonify.disc.disc import Disc
from sonify.disc.geometry.fit import FitSpec, fit_grid
from sonify.disc.layout import Layout
from sonify.disc_player.timeline import read_times
from sonify.errors import InputError
from sonify.midi.general_midi import DRUMS as DRUM_NAMES
from sonify.midi.general_midi import PROGRAMS
from sonify.music.measures.alignment import Tune
from sonify.music.settings import Music, Voice
from sonify.music.theory.scales import degrees_to_pitch, find_scale, note_name
from sonify.performance_settings import Setup

__all__ = ["fitted_disc"]

Ints = NDArray[np.int64]
Reals = NDArray[np.float64]

NEAR_TEMPO = 0.5
"""A tempo so far from the tune's, in doublings, is near enough to save rows. Own choice."""

SHORT, LONGEST, MOST_LENGTHS = 0.25, 4096.0, 32
"""The shortest and the longest note in positions, as of their settings, and how many lengths are
tried. Own choice."""


def fitted_disc(
    tune: TuneFile, setup: Setup, layout: Layout, spec: FitSpec, message: str | None = None,
    code: Code | None = None, rows: TuneRows = AS_NEEDED, name: str = "disc",
    speeds: tuple[float, float] = (1.0, 60.0),
) -> TuneDisc:  # fmt: skip
    """The mapping and the disc that play a tune, after the rows of a message if one is given.

    The disc has as few rows as it can, so that the tune waits least, and then as few positions.

    Parameters
    ----------
    tune : TuneFile
    setup : Setup
        Its music is replaced.
    layout, spec, message, code, rows, name
        As for `disc_for_tune`.
    speeds : tuple of float
        The lowest and the highest speed that may be chosen for the tune's tempo, in rpm.

    Raises
    ------
    InputError
        No disc of the material holds the tune.
    """
    score = stepped(tune)
    head, n, need = _size(score, tune, setup, layout, spec, message, code, rows, speeds)
    layout = msgspec.structs.replace(layout, positions=n)
    bits = np.zeros((head + need, n), np.int8)
    words = head_rows(message, code, layout)
    bits[: len(words)] = words
    player = msgspec.structs.replace(setup.player, rpm=_speed(tune, score, n, speeds))
    timeline = read_times(head + need, n, player)
    gates = _gates(timeline.places(), n, score.cell, head)
    flat = bits.reshape(-1)[timeline.places()]
    before = sum(int(bit) << k for k, bit in enumerate(flat[: gates[0]][::-1][: score.cell - 1]))
    # the first chord has the number that the bits before it happen to make
    numbers = list(range(len(score.chords)))
    own = before % len(numbers)
    numbers[0], numbers[own] = own, 0
    for step, chord in score.at.items():
        if step < len(gates):
            gate = gates[step]
            flat[gate] = 1
            for k in range(min(score.cell - 1, gate)):
                # the first note takes the bits before it as they are
                if gate - 1 - k >= head * n:
                    flat[gate - 1 - k] = numbers[chord] >> k & 1
    music = _music(score, tune, numbers, before, n)
    setup = msgspec.structs.replace(setup, music=music, player=player)
    grid = np.empty_like(flat)
    grid[timeline.places()] = flat
    geometry = fit_grid(head + need, layout, spec).geometry
    disc = Disc.from_bits(grid.reshape(bits.shape), code=code, layout=layout, geometry=geometry,
                          name=name)  # fmt: skip
    return _outcome(disc, setup, score, tune, gates, head, player.rpm * _quarters(score, n))


def _size(
    score: Stepped, tune: TuneFile, setup: Setup, layout: Layout, spec: FitSpec,
    message: str | None, code: Code | None, rows: TuneRows,
    speeds: tuple[float, float],
) -> tuple[int, int, int]:  # fmt: skip
    """The rows before the tune, the positions, and the rows of the tune."""
    found: list[tuple[int, float, int, int, int, int]] = []
    room = 0, 0, 0
    numbers = _positions(score, tune, spec)
    for n, kind in numbers.items():
        own = msgspec.structs.replace(layout, positions=n)
        head = rows.begin(len(head_rows(message, code, own)))
        if head is None:
            continue
        a_row = n // score.cell
        need = -(-score.steps // a_row)
        if setup.player.row_start != "index":
            need += need // a_row + 1  # rows begin anywhere, and may hold a step less
        need = rows.count or need
        most = _most_rows(head, own, spec)
        if need <= most:
            lost = max(0, score.steps - need * a_row)
            tempo = _speed(tune, score, n, speeds) * _quarters(score, n)
            off = abs(math.log2(tempo / tune.tempo))
            found.append((lost, round(max(0.0, off - NEAR_TEMPO), 3), kind, need, n, head))
        room = max(room, (most * a_row, -most, n))
    if not found:
        rows.check(message, code, layout, numbers)
        raise _too_long(score, room, spec)
    *_, need, n, head = min(found)
    return head, n, need


def _most_rows(head: int, layout: Layout, spec: FitSpec) -> int:
    """How many rows fit after the first `head` ones; `MOST_ROWS` at most."""
    few, many = 0, MOST_ROWS + 1
    while many - few > 1:
        middle = (few + many) // 2
        try:
            fit_grid(head + middle, layout, spec)
            few = middle
        except InputError:
            many = middle
    return few


def _quarters(score: Stepped, n: int) -> float:
    """The quarter notes of a turn of so many positions."""
    return n / score.cell * float(score.step) * 4


def _speed(tune: TuneFile, score: Stepped, n: int, speeds: tuple[float, float]) -> float:
    """The speed in rpm that is nearest to the tune's tempo."""
    return round(float(np.clip(tune.tempo / _quarters(score, n), *speeds)), 3)


def _too_long(score: Stepped, room: tuple[int, int, int], spec: FitSpec) -> InputError:
    steps, rows, _ = room
    quarters = float(score.step) * 4
    given = spec.outer_diameter is not None
    size = f"a disc of {spec.outer_diameter:g} mm" if given else f"a disc of {MOST_ROWS} rows"
    ways = ["a larger {outer-diameter}"] * given
    ways += [f"{{tune-rows}} {-rows} for its beginning"] if rows else []
    return InputError(
        f"the tune is {score.steps * quarters:g} quarters long, and {size} holds "
        f"{steps * quarters:g} of them",
        key="tune",
        hint=f"give {' or '.join(ways)}",
    )


def _positions(score: Stepped, tune: TuneFile, spec: FitSpec) -> dict[int, int]:
    """The numbers of positions to try: 0 for rows of whole bars, 1 for whole beats, 2 for steps."""
    cell = score.cell
    if spec.positions is not None:
        if spec.positions < cell:
            raise InputError(f"this tune takes {cell} positions for each of its steps",
                             key="positions")  # fmt: skip
        return {spec.positions: 0}
    out: dict[int, int] = {}
    for kind, unit in enumerate((Fraction(*tune.metre), Fraction(1, tune.metre[1]), score.step)):
        steps = unit / score.step
        if steps.denominator == 1:
            for n in range(int(steps) * cell, MOST + 1, int(steps) * cell):
                out.setdefault(n, kind)
    return {n: kind for n, kind in out.items() if n >= FEWEST} or {cell: 2}


def _gates(places: Ints, n: int, cell: int, first_row: int) -> list[int]:
    """The places in the order of reading at which the tune's steps begin."""
    position = places % n
    may = np.flatnonzero((position % cell == 0) & (position < n // cell * cell))
    out: list[int] = []
    for k in may[may >= first_row * n].tolist():
        # where a row begins anywhere, its first step may be too near to the one before
        if not out or k - out[-1] >= cell:
            out.append(k)
    return out


def _music(score: Stepped, tune: TuneFile, numbers: list[int], before: int, n: int) -> Music:
    """The mapping: for each rank of the notes of a part, a voice that plays at the numbers of the
    chords that have it; `before` is the number of the first chord too."""
    cell = score.cell
    drums = tune.notes.pitch >= DRUMS
    root, scale, degrees = _scale(tune.notes.pitch[~drums])
    voices = []
    for part, rank in sorted({(p, r) for c in score.chords for p, r, _ in c}):
        every = enumerate(score.chords)
        tones = {k: t for k, c in every for p, r, t in c if (p, r) == (part, rank)}
        own = tune.parts[part]
        table: dict[str, Any] = {
            "positions": None if cell == 1 else f"1-{n // cell * cell}/{cell}",
            "velocity": max(1, own.velocity),
        }
        if own.program is None:
            kit = sorted(set(tones.values()))
            names = {number: drum for drum, number in DRUM_NAMES.items()}
            table["drum"] = tuple(names.get(int(t - DRUMS), int(t - DRUMS)) for t in kit)
            entry = {k: kit.index(t) for k, t in tones.items()}
        else:
            entry = {k: degrees[t] for k, t in tones.items()}
            melodic = [k for k, p in enumerate(tune.parts) if p.program is not None]
            channel = melodic.index(part) + 1
            table |= {"program": PROGRAMS[own.program], "channel": channel + (channel >= 10)}
        usual = next(iter(entry.values()))
        by_number = {numbers[k]: d for k, d in entry.items()}
        line = [by_number.get(k, usual) for k in range(len(numbers))]
        rules: list[dict[str, Any]] = [_length(score, part, rank, n // cell)]
        if len(entry) < len(numbers):
            plays = set(by_number) | ({before} if 0 in entry else set())
            rules.insert(0, {"rule": "numbered", "numbers": sorted(plays), "bits": cell - 1})
        voices.append(Voice(
            name=f"part {part + 1}" + f", note {rank + 1}" * (rank > 0), rhythm=tuple(rules),
            pitch={"scheme": "table", "degrees": line, "by": "number"}, **table,
        ))  # fmt: skip
    value = score.step / cell
    return Music(
        root=root, scale=scale, step=f"{value.numerator}/{value.denominator}", timing="bars",
        metre=f"{tune.metre[0]}/{tune.metre[1]}", voice=tuple(voices),
    )  # fmt: skip


def _scale(pitch: Reals) -> tuple[str, str, dict[float, int]]:
    """The root and the scale of some tones, and their degrees."""
    if not len(pitch):
        return "D4", "dorian", {}
    middle, scale = key_of(Tune(np.zeros(len(pitch)), pitch))
    degree = np.arange(-64, 65)
    # from the middle of the tones, degrees reach all that MIDI has
    centre = round(float(pitch.min() + pitch.max()) / 2)
    for name, root in ((scale, middle), ("chromatic", middle), ("chromatic", centre)):
        known = degrees_to_pitch(degree, find_scale(name), float(root))
        if np.isin(pitch, known).all():
            break
    return note_name(root), name, dict(zip(known.tolist(), degree.tolist(), strict=True))


def _length(score: Stepped, part: int, rank: int, a_row: int) -> dict[str, Any]:
    """The rule whose lengths are nearest to those of a voice: all alike, or held to the next note
    or the row's end."""
    mine = sorted((k, n) for (k, p, r), n in score.length.items() if (p, r) == (part, rank))
    at, length = (np.array(c) for c in zip(*mine, strict=True))
    gap = np.minimum(np.append(at[1:], at[-1] + a_row), (at // a_row + 1) * a_row) - at
    best, rule = np.inf, {}
    some = np.unique(np.clip(np.round(length * score.cell, 2), SHORT, LONGEST))
    if len(some) > MOST_LENGTHS:
        some = np.unique(np.round(np.quantile(some, np.linspace(0, 1, MOST_LENGTHS)), 2))
    for positions in some.tolist():
        steps = positions / score.cell
        held = {"rule": "held", "longest": positions}
        alike = {"rule": "length", "steps": positions}
        for one, lasts in ((held, np.minimum(gap, steps)), (alike, np.full(len(at), steps))):
            off = round(float(np.abs(lasts - length).sum()), 6)
            if off < best:
                best, rule = off, one
    return rule


def _outcome(
    disc: Disc, setup: Setup, score: Stepped, tune: TuneFile, gates: list[int], head: int,
    tempo: float,
) -> TuneDisc:  # fmt: skip
    """What the disc plays of the tune."""
    ground = Ground.of(setup, disc.rows, disc.positions, disc.code)
    timeline = ground.show.timeline
    at, pitch, length, beat = score.notes
    slots = timeline.slots()[gates]
    # what the disc does not hold comes after its end
    late = timeline.end_slot + np.arange(score.steps + 1)
    slot = np.append(slots, late)[at]
    order = np.lexsort((pitch, slot))
    target = Target(slot[order], pitch[order], length[order] * score.cell, beat[order])
    bits = ground.in_order(disc.grid.reshape(1, -1))[0]
    missed, added = missed_notes(ground, target, bits, head)
    _, on, tone, lasts = notes_in_slots(ground, bits[None], 0)
    heard = dict(zip(zip(on.tolist(), tone.tolist(), strict=True), lasts.tolist(), strict=True))
    pairs = zip(target.slot.tolist(), target.pitch.tolist(), target.length.tolist(), strict=True)
    kept = sum(abs(heard.get((s, p), np.inf) - n) <= score.cell / 2 for s, p, n in pairs)
    fitted = Fitted(setup, score.cell, len(score.chords), tempo, tune, score.moved, kept)
    return TuneDisc(disc, len(at), tuple(missed), added, float(len(missed) + added),
                    disc.rows > head + 1, head, fitted)  # fmt: skip
