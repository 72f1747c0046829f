"""A score as MusicXML 4.0.

Source: MusicXML 4.0 (W3C Music Notation Community Group, 2021); the tests hold each file against
its schema.
"""

from __future__ import annotations

import re
from bisect import bisect_left
from dataclasses import replace
from fractions import Fraction
from math import lcm
from operator import itemgetter
from typing import TYPE_CHECKING, NamedTuple
from xml.etree.ElementTree import Element, SubElement, indent, tostring

import numpy as np

from sonify.errors import InputError
from sonify.export.melody import melody_of
from sonify.export.score.drums import NAMES, places
from sonify.export.score.notes import Event, Piece, Staff, Value, beams, pieces, staves, values
from sonify.export.score.spelling import spell
from sonify.midi.channels import DRUM_CHANNEL
from sonify.music.form.pace import RITARDANDO_BARS
from sonify.music.theory.key_signatures import key_signature
from sonify.music.theory.scales import find_scale, note_number
from sonify.progress import report
from sonify.ranges import row_range

if TYPE_CHECKING:
    from sonify.performance import Performance

__all__ = ["MAX_EVENTS", "musicxml"]

# own limit
MAX_EVENTS = 20_000

_SPACE = "\u2423"
# XML 1.0, production 2: a message may have characters that no XML file can hold
_NOT_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
_HEAD = """<?xml version="1.0" encoding="utf-8"?>
<!DOCTYPE score-partwise PUBLIC "-//Recordare//DTD MusicXML 4.0 Partwise//EN" \
"http://www.musicxml.org/dtds/partwise.dtd">
"""
_SIGNS = {
    0: "natural", 1: "sharp", -1: "flat", 2: "double-sharp", -2: "flat-flat", 0.5: "quarter-sharp",
    -0.5: "quarter-flat", 1.5: "three-quarters-sharp", -1.5: "three-quarters-flat",
}  # fmt: skip
"""Values of `accidental` by semitones."""


def musicxml(show: Performance, rows: str | None = None, quarter_tones: bool = True) -> bytes:
    """Write the score of a performance as a MusicXML file.

    Without signs for quarter tones, pitches between the semitones get the nearest semitone, with
    the cents above it.

    Raises
    ------
    InputError
        Nothing to write, or more than can be written.
    """
    step, bar = show.grid.step * 4, show.grid.bar * 4
    slot, first, last = show.timeline.row_slot, 0, 1 << 60
    if rows is not None:
        a, b = row_range(rows, show.timeline.rows)
        first = int(int(slot[a]) * step // bar)
        last = int(-(-(int(slot[b]) + show.timeline.positions) * step // bar))
    voices = []
    for voice in staves(show):
        events = [
            replace(e, length=min(e.length, last * bar - e.start))
            for e in voice.events
            if first * bar <= e.start < last * bar
        ]
        if events:
            voices.append(replace(voice, events=events))
    if not voices:
        raise InputError("no note sounds, so there is no score to write")
    count = sum(len(v.events) for v in voices)
    if count > MAX_EVENTS:
        raise InputError(
            f"{count:,} notes are too many for a score; at most {MAX_EVENTS:,}",
            hint="choose rows with {rows}, such as 1-8",
        )
    if rows is None:
        ends = [v.events[-1].start + v.events[-1].length for v in voices]
        last = int(-(-max(show.timeline.end_slot * step, *ends) // bar))
    score = Element("score-partwise", version="4.0")
    _add(_add(score, "work"), "work-title", show.disc.display_name)
    encoding = _add(_add(score, "identification"), "encoding")
    _add(encoding, "software", "sonify")
    for kind in ("accidental", "beam"):
        _add(encoding, "supports", element=kind, type="yes")
    heads = _add(score, "part-list")
    melody = melody_of(show, show.parts)
    sung = next((k for k, v in enumerate(voices) if melody and v.number == melody.number), 0)
    words = _words(show, voices[sung], range(first, last))
    for k, voice in enumerate(voices):
        writer = _Writer(show, voice, range(first, last), quarter_tones, k)
        heads.append(writer.head())
        score.append(writer.part(words if k == sung else {}))
        report(0.8 * (k + 1) / len(voices))
    indent(score)
    return (_HEAD + tostring(score, "unicode") + "\n").encode()


def _add(into: Element, tag: str, text: object = None, /, **given: str) -> Element:
    """Add an element with its text and attributes."""
    one = SubElement(into, tag, {}, **given)
    one.text = None if text is None else _NOT_XML.sub("\ufffd", str(text))
    return one


def _words(show: Performance, voice: Staff, bars: range) -> dict[int, str]:
    """The message's characters by the number of the event that carries them.

    A character stands below the first note that begins while it is read, or else below the last
    note before that; several may share a note.
    """
    if show.disc.decoding is None:
        return {}
    step, bar = show.grid.step * 4, show.grid.bar * 4
    starts = [e.start for e in voice.events]
    slots, characters = show.character_slots(), show.disc.decoding.characters
    spans = characters["last_bit"] - characters["first_bit"]
    out: dict[int, str] = {}
    for k in np.argsort(slots, kind="stable").tolist():
        last = int(slots[k])
        if bars.start * bar <= last * step < bars.stop * bar:
            at = min(bisect_left(starts, (last - int(spans[k])) * step), len(starts) - 1)
            at -= at > 0 and starts[at] > last * step
            char = chr(show.captions["codepoint"][k])
            out[at] = out.get(at, "") + (_SPACE if char.isspace() else char)
    return out


class _Symbol(NamedTuple):
    """A piece of an event, or of a rest; whether the event was tied to it, and goes on."""

    piece: Piece
    event: Event | None = None
    held: bool = False
    tied: bool = False
    word: str = ""


class _Writer:
    """Writes a staff."""

    def __init__(
        self, show: Performance, voice: Staff, bars: range, quarter_tones: bool, number: int
    ) -> None:
        self.steps = 2 if quarter_tones else 1
        self.show, self.voice, self.bars, self.number = show, voice, bars, number
        self.metre, self.bar, self.id = show.grid.metre, show.grid.bar * 4, f"P{number + 1}"
        self.symbols: list[list[_Symbol]] = [[] for _ in bars]
        self.directions: list[list[tuple[Fraction, Element]]] = [[] for _ in bars]
        music = show.setup.music
        self.key = key_signature(find_scale(music.scale), note_number(music.root), music.root)
        self.sharps, self.minor = self.key or (0, False)
        self.in_key = dict.fromkeys("FCGDAEB"[: max(self.sharps, 0)], 1)
        self.in_key |= dict.fromkeys("BEADGCF"[: max(-self.sharps, 0)], -1)
        kit = {round(p) for e in voice.events for p in e.pitches}
        self.drums = places(kit) if voice.drum else {}

    def head(self) -> Element:
        """The staff's name, and what plays it."""
        voice, head = self.voice, Element("score-part", id=self.id)
        _add(head, "part-name", voice.name)
        _add(head, "part-abbreviation", voice.name)
        names = {k: NAMES.get(k, f"drum {k}") for k in self.drums} or {1: voice.name}
        for k, name in names.items():
            _add(_add(head, "score-instrument", id=f"{self.id}-I{k}"), "instrument-name", name)
        for k in names:
            one = _add(head, "midi-instrument", id=f"{self.id}-I{k}")
            _add(one, "midi-channel", 1 + (DRUM_CHANNEL if voice.drum else voice.channel))
            # programs and notes count from one
            kind, value = ("unpitched", k) if voice.drum else ("program", voice.program)
            _add(one, f"midi-{kind}", value + 1)
        return head

    def part(self, words: dict[int, str]) -> Element:
        """The whole staff, with words below its notes by the number of the event."""
        part = Element("part", id=self.id)
        if self.number == 0:
            self._rows()
        for word in self.voice.marks:
            self._over(self.bars.start * self.bar, "words", word)
        at = self.bars.start * self.bar
        for k, event in enumerate(self.voice.events):
            self._rests(at, event.start)
            at = event.start + event.length
            self._event(event, words.get(k, ""))
        self._rests(at, self.bars.stop * self.bar)
        times = [s.piece.length for bar in self.symbols for s in bar]
        self.divisions = lcm(*(t.denominator for t in (*times, self.show.grid.step * 4)))
        for n, symbols, directions in zip(self.bars, self.symbols, self.directions, strict=True):
            measure = _add(part, "measure", number=f"{n + 1}")
            if n == self.bars.start:
                self._attributes(measure)
            self._fill(measure, symbols, sorted(directions, key=itemgetter(0)))
        _add(_add(part[-1], "barline", location="right"), "bar-style", "light-heavy")
        return part

    def _attributes(self, measure: Element) -> None:
        """Divisions of a quarter, key, metre and clef."""
        out = _add(measure, "attributes")
        _add(out, "divisions", self.divisions)
        if self.key and not self.voice.drum:
            _add(_add(out, "key"), "fifths", self.sharps)
        time = _add(out, "time")
        for tag, number in zip(("beats", "beat-type"), self.metre, strict=True):
            _add(time, tag, number)
        sign, line, octave = self._clef()
        clef = _add(out, "clef")
        _add(clef, "sign", sign)
        for tag, number in (("line", line), ("clef-octave-change", octave)):
            if number:
                _add(clef, tag, number)

    def _clef(self) -> tuple[str, int, int]:
        """Sign, line, and octaves by which it differs."""
        if self.voice.drum:
            return "percussion", 0, 0
        tones = sorted(p for e in self.voice.events for p in e.pitches)
        low, middle, high = tones[0], tones[len(tones) // 2], tones[-1]
        if middle >= 59:
            return "G", 2, int(middle >= 81 and low >= 67)
        return "F", 4, -int(middle <= 43 and high <= 57)

    def _over(self, at: Fraction, tag: str, text: object = None, **given: str) -> Element | None:
        """A direction above the staff at a time in quarters; None outside the score."""
        bar, offset = divmod(at, self.bar)
        if bar not in self.bars:
            return None
        out = Element("direction", placement="above")
        self.directions[int(bar) - self.bars.start].append((offset, out))
        return _add(_add(out, "direction-type"), tag, text, **given)

    def _rows(self) -> None:
        """Mark where each row begins, the tempo, and where it slows down."""
        start, step, t = self.bars.start * self.bar, self.show.grid.step * 4, self.show.timeline
        for row, slot in enumerate(t.row_slot.tolist()):
            self._over(slot * step, "rehearsal", row + 1)
        # in quarter notes per minute whatever the metre
        tempo, mark = f"{round(self.show.tempo_bpm, 2):g}", self._over(start, "metronome")
        if mark is not None:
            _add(mark, "beat-unit", "quarter")
            _add(mark, "per-minute", tempo)
            _add(self.directions[0][-1][1], "sound", tempo=tempo)
        pitch = self.show.setup.music.concert_pitch
        if pitch != 440:
            self._over(start, "words", f"A = {pitch:g} Hz")
        if t.pace is not None and self.show.setup.music.form.ritardando < 1:
            slow = min(RITARDANDO_BARS * self.bar, t.positions * step)
            self._over(t.end_slot * step - slow, "words", "rit.")

    def _rests(self, start: Fraction, end: Fraction) -> None:
        while start < end:
            bar = int(start // self.bar)
            stop = min(end, (bar + 1) * self.bar)
            full = [Piece(bar, Fraction(0), self.bar)] if stop - start == self.bar else None
            for piece in full or pieces(start, stop, self.metre):
                self.symbols[bar - self.bars.start].append(_Symbol(piece))
            start = stop

    def _event(self, event: Event, word: str) -> None:
        parts = pieces(event.start, event.start + event.length, self.metre)
        for k, piece in enumerate(parts):
            one = _Symbol(piece, event, k > 0, k < len(parts) - 1, "" if k else word)
            self.symbols[piece.bar - self.bars.start].append(one)
        # above a tone for which there is no sign, the cents by which it differs from the one it has
        off = [round(100 * (p - self._written(p))) for p in event.pitches]
        if not self.voice.drum and any(abs(c) >= 2 for c in off):
            self._over(event.start, "words", " ".join(f"{c:+d}" for c in off))

    def _written(self, number: float) -> float:
        """The pitch that has a sign and is nearest."""
        return round(self.steps * number) / self.steps

    def _fill(
        self, measure: Element, symbols: list[_Symbol], above: list[tuple[Fraction, Element]]
    ) -> None:
        """Put notes, rests and what stands above them into a measure."""
        shown: dict[tuple[str, int], float] = {}
        every = [s.piece for s in symbols]
        beam = beams(every, [s.event is not None for s in symbols], self.metre)
        for k, (symbol, value) in enumerate(zip(symbols, values(every), strict=True)):
            at, length = symbol.piece.offset, symbol.piece.length
            if full := symbol.event is None and length == self.bar:
                value = Value("", 0)
            while above and above[0][0] < at + length:
                offset, direction = above.pop(0)
                measure.append(direction)
                if offset > at:
                    place = Element("offset")
                    place.text = str((offset - at) * self.divisions)
                    direction.insert(1, place)
            for n, pitch in enumerate(symbol.event.pitches if symbol.event else (None,)):
                note = _add(measure, "note")
                if n:
                    _add(note, "chord")
                sign = head = ""
                if pitch is None:
                    rest = _add(note, "rest")
                    if full:
                        rest.set("measure", "yes")
                elif self.voice.drum:
                    head = self._hit(note, round(pitch))
                else:
                    sign = self._tone(note, pitch, shown, symbol.held)
                _add(note, "duration", length * self.divisions)
                ties = [kind for kind, so in (("stop", symbol.held), ("start", symbol.tied)) if so]
                for kind in ties:
                    _add(note, "tie", type=kind)
                if self.voice.drum and pitch is not None:
                    _add(note, "instrument", id=f"{self.id}-I{round(pitch)}")
                if value.type:
                    _add(note, "type", value.type)
                for _ in range(value.dots):
                    _add(note, "dot")
                if sign:
                    _add(note, "accidental", sign)
                if value.actual > 1:
                    tuplet = _add(note, "time-modification")
                    _add(tuplet, "actual-notes", value.actual)
                    _add(tuplet, "normal-notes", value.normal)
                    _add(tuplet, "normal-type", value.unit)
                if head not in ("", "normal"):
                    _add(note, "notehead", head)
                if n == 0:
                    for level, kind in enumerate(beam[k], start=1):
                        _add(note, "beam", kind, number=f"{level}")
                self._notations(note, symbol, ties, value.bracket if n == 0 else "")
                if n == 0 and symbol.word:
                    lyric = _add(note, "lyric", number="1")
                    _add(lyric, "syllabic", "single")
                    _add(lyric, "text", symbol.word)

    def _hit(self, note: Element, number: int) -> str:
        """Where a stroke is written; returns its note head."""
        place = self.drums[number]
        hit = _add(note, "unpitched")
        _add(hit, "display-step", place.step)
        _add(hit, "display-octave", place.octave)
        return place.head

    def _tone(
        self, note: Element, pitch: float, shown: dict[tuple[str, int], float], held: bool
    ) -> str:
        """The pitch of a tone; returns its accidental if it differs from the key and from what the
        bar has shown."""
        letter, semitones, octave = spell(round(pitch), self.sharps, self.minor)
        alter = semitones + self._written(pitch) - round(pitch)
        alter = alter if alter in _SIGNS else round(alter)
        tone = _add(note, "pitch")
        _add(tone, "step", letter)
        if alter:
            _add(tone, "alter", f"{alter:g}")
        _add(tone, "octave", octave)
        before = shown.get((letter, octave), self.in_key.get(letter, 0))
        if held:
            return ""
        shown[letter, octave] = alter
        return _SIGNS[alter] if alter != before else ""

    def _notations(self, note: Element, symbol: _Symbol, ties: list[str], bracket: str) -> None:
        out = Element("notations")
        for kind in ties:
            _add(out, "tied", type=kind)
        if bracket:
            _add(out, "tuplet", number="1", type=bracket)
        if symbol.event and not symbol.held and "staccato" in self.voice.marks:
            _add(_add(out, "articulations"), "staccato")
        if len(out):
            note.append(out)
