"""What `sonify compose` prints: for scripts, and for people."""

from __future__ import annotations

from fractions import Fraction
from typing import TYPE_CHECKING, Any

from sonify.cli.common import plain
from sonify.errors import plural
from sonify.settings import to_builtins

if TYPE_CHECKING:
    from sonify.compose.mapping import FittedMapping
    from sonify.compose.objectives import Aims
    from sonify.compose.search import Composed
    from sonify.compose.tune_disc import Fitted, TuneDisc
    from sonify.disc.disc import Disc

__all__ = ["composed_facts", "composed_lines", "mapping_report", "tune_report"]

MOST_MISSED = 12
"""The most notes that are named."""

Report = tuple[dict[str, Any], list[str]]


def composed_facts(found: Composed, aims: Aims, seed: int) -> dict[str, Any]:
    """What `compose --json` prints."""

    def of(disc: Disc, score: float, values: dict[str, float]) -> dict[str, Any]:
        diameter = None if disc.geometry is None else disc.geometry.outer_diameter
        return {
            "message": disc.message, "rows": disc.rows, "positions": disc.positions,
            "outer_diameter": diameter, "score": score, "objectives": values,
        }  # fmt: skip

    return {
        "before": of(found.before, found.score_before, found.values_before),
        "after": of(found.after, found.score, found.values),
        "weights": dict(aims.weights),
        "changes": [vars(c) for c in found.changes],
        "filling_bits": found.filling,
        "scored": found.scored,
        "all_ways": found.all_ways,
        "stopped": found.stopped,
        "seed": seed,
    }


def composed_lines(found: Composed, aims: Aims, seed: int) -> list[str]:
    """The same for people."""

    lines = [
        f"message    {plain(found.after.message or '', 160)}",
        f"disc       {_shape(found.after)} (before: {_shape(found.before)})",
    ]
    for c in found.changes:
        known = "" if c.without is None else f" (the best with {_word(c.before)}: {c.without:.3f})"
        lines.append(f"changed    {c.name}: {_word(c.before)} to {_word(c.after)}{known}")
    if found.filling:
        lines.append(f"filling    {found.filling:,} bits after the end of the message")
    lines.append(f"score      {found.score_before:.3f} before, {found.score:.3f} now; 1 is best")
    lines.append(f"{'objective':<12} {'weight':>6} {'before':>7} {'now':>6}")
    for name, weight in aims.weights.items():
        before, now = found.values_before[name], found.values[name]
        lines.append(f"{name:<12} {weight:>6g} {before:>7.3f} {now:>6.3f}")
    every = ", all that there are" if found.all_ways else f" (seed {seed})"
    lines.append(f"searched   {found.scored:,} discs{every}")
    return lines


def _rows(first: int, last: int) -> str:
    return f"row {first}" if first == last else f"rows {first}-{last}"


def _shape(disc: Disc) -> str:
    size = "" if disc.geometry is None else f", {disc.geometry.outer_diameter:g} mm"
    return f"{plural(disc.rows, 'row')} of {plural(disc.positions, 'position')}{size}"


def _word(value: Any) -> str:
    return "none" if value is None else str(value)


def tune_report(found: TuneDisc, disc: Disc) -> Report:
    """The facts and the lines for a disc that plays a tune."""
    from sonify.compose.pieces import DRUMS
    from sonify.music.theory.scales import note_name

    def name(pitch: float) -> str:
        return f"drum {pitch - DRUMS:g}" if pitch >= DRUMS else note_name(round(pitch))

    played, near = found.notes - len(found.missed), [m for m in found.missed if m.instead]
    facts = {
        "rows": disc.rows, "positions": disc.positions, "message": disc.message,
        "first_tune_row": found.first_row, "notes": found.notes, "played": played,
        "added": found.added, "waits": found.waits,
        "missed": [m._asdict() for m in found.missed],
    }  # fmt: skip
    lines = [f"disc       {_shape(disc)}"]
    if found.first_row and disc.message:
        rows = f"before row {found.first_row + 1}" if found.first_row > 1 else "row 1"
        lines.append(f"message    {plain(disc.message or '', 160)} ({rows})")
    lines.append(
        f"tune       {plural(found.notes, 'note')} on {_rows(found.first_row + 1, disc.rows)}: "
        f"{played:,} as they are, {len(near):,} at another pitch, "
        f"{len(found.missed) - len(near):,} missed; {found.added:,} added"
    )
    if found.fitted is not None:
        facts["music"] = to_builtins(found.fitted.setup.music)
        lines += _fitted_lines(found.fitted, found.notes)
    elif played < found.notes / 2:
        lines.append(
            "mapping    kept as given; without settings of music, one is made for the tune"
        )
    if found.waits:
        lines.append("pauses     the tune waits while the stage moves to the next row")
    for m in found.missed[:MOST_MISSED]:
        what = "missed   " if m.instead is None else f"{name(m.instead):<3} for  "
        lines.append(f"{what}  {name(m.pitch)} at beat {m.beat + 1:g}: {m.why}")
    if len(found.missed) > MOST_MISSED:
        lines.append(f"... and {len(found.missed) - MOST_MISSED:,} more")
    return facts, lines


def _fitted_lines(fitted: Fitted, notes: int) -> list[str]:
    """What was made for a tune."""
    setup, cell, tune = fitted.setup, fitted.cell, fitted.tune
    music, what = setup.music, "tones" if len(setup.music.voice) == 1 else "chords"
    voices, parts = plural(len(music.voice), "voice"), plural(len(tune.parts), "part")
    one = f"one of its {fitted.chords:,} {what}" if fitted.chords > 1 else f"its one {what[:-1]}"
    nth = {2: "second", 3: "third"}.get(cell, f"{cell}th")
    how = "a hole" if cell == 1 else f"a hole at every {nth} position"
    lines = [f"mapping    made for the tune: {how} sounds {one}"]
    if cell > 1:
        before = "position" if cell == 2 else f"{cell - 1} positions"
        lines.append(f"           that the {before} before it choose{'s' * (cell == 2)}")
    lines += [
        f"voices     {voices}, for {parts} of the tune",
        f"scale      {music.scale_name} on {music.root}; steps of {Fraction(music.step) * cell}",
        f"tempo      {fitted.tempo:.0f} bpm at {setup.player.rpm:g} rpm; "
        f"the tune has {tune.tempo:.0f}{' on the average' * tune.tempo_moves}",
        f"lengths    {fitted.lasting:,} of {plural(notes, 'note')} last as in the tune",
    ]
    if fitted.moved:
        lines.append(f"moved      {plural(fitted.moved, 'note')} to the nearest step")
    return lines


def mapping_report(found: FittedMapping, music: dict[str, Any]) -> Report:
    """The facts and the lines for a mapping; `music` is its part of the preset."""
    voice = music["voice"][0]
    rhythm, pitch = ", ".join(map(_rule, voice["rhythm"])) or "each", voice["pitch"]
    by = f" by {pitch['by']}" if "by" in pitch else ""
    facts = {
        "likeness_before": found.likeness_before, "likeness": found.likeness,
        "tried": found.tried, "music": music,
    }  # fmt: skip
    return facts, [
        f"scale      {music['scale']} on {music['root']}",
        f"positions  of {music['step']}, timing {music['timing']}",
        f"notes      at {found.music.voice[0].source}, rhythm {rhythm}",
        f"pitch      {pitch['scheme']}{by}",
        f"likeness   {found.likeness_before:.3f} before, {found.likeness:.3f} now; 1 is the tune",
        f"searched   {found.tried:,} mappings",
    ]


def _rule(rule: str | dict[str, Any]) -> str:
    if isinstance(rule, str):
        return rule
    values = " ".join(f"{k} {v}" for k, v in rule.items() if k != "rule")
    return f"{rule['rule']} ({values})"
