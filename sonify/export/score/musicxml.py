"""A score as MusicXML 4.0, built and written with music21.

Source: MusicXML 4.0 (W3C Music Notation Community Group, 2021).
"""

from __future__ import annotations

import copy
import importlib
import re
from bisect import bisect_left
from dataclasses import replace
from fractions import Fraction
from typing import TYPE_CHECKING, Any

import numpy as np

from sonify.errors import InputError
from sonify.export.melody import melody_of
from sonify.export.score.drums import add_instruments, places
from sonify.export.score.notes import Event, Piece, Staff, pieces, staves
from sonify.export.score.spelling import spell
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
_QUARTERS = {
    0.5: "half-sharp",
    -0.5: "half-flat",
    1.5: "one-and-a-half-sharp",
    -1.5: "one-and-a-half-flat",
}


def musicxml(show: Performance, rows: str | None = None, quarter_tones: bool = True) -> bytes:
    """Write the score of a performance as a MusicXML file.

    Without signs for quarter tones, pitches between the semitones get the nearest semitone, with
    the cents above it.

    Raises
    ------
    InputError
        Nothing to write, or more than can be written.
    """
    m = _music21()
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
    score = m.stream.Score()
    title = show.disc.display_name
    score.metadata = m.metadata.Metadata(title=title, movementName=title)
    melody = melody_of(show, show.parts)
    sung = next((k for k, v in enumerate(voices) if melody and v.number == melody.number), 0)
    words = _words(show, voices[sung], range(first, last))
    writers = [_Writer(show, v, range(first, last), quarter_tones) for v in voices]
    for k, writer in enumerate(writers):
        score.insert(0, writer.part(k, words if k == sung else {}))
        report(0.5 * (k + 1) / len(voices))
    data = _exported(score, writers)
    report(0.8)
    return data


def _music21() -> Any:
    """The library, imported when it is used."""
    return importlib.import_module("music21")


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


class _Writer:
    """Writes a staff."""

    def __init__(self, show: Performance, voice: Staff, bars: range, quarter_tones: bool) -> None:
        self.m = m = _music21()
        self.steps = 2 if quarter_tones else 1
        self.show, self.voice, self.first = show, voice, bars.start
        self.metre, self.bar = show.grid.metre, show.grid.bar * 4
        self.measures = [m.stream.Measure(number=n + 1) for n in bars]
        self.symbols: list[list[tuple[Piece, Any]]] = [[] for _ in bars]
        music = show.setup.music
        key = key_signature(find_scale(music.scale), note_number(music.root), music.root)
        self.has_key = key is not None
        self.sharps, self.minor = key or (0, False)
        self.key = m.key.KeySignature(self.sharps)
        signs = {letter: self.key.accidentalByStep(letter) for letter in "ABCDEFG"}
        self.in_key = {letter: sign.alter if sign else 0.0 for letter, sign in signs.items()}
        self.signature = m.meter.TimeSignature("{}/{}".format(*self.metre))
        self.beams: dict[tuple[tuple[Fraction, bool], ...], Any] = {}
        kit = {round(p) for e in voice.events for p in e.pitches}
        self.drums = places(kit) if voice.drum else {}

    def part(self, number: int, words: dict[int, str]) -> Any:
        """The whole staff, with words below its notes by the number of the event."""
        m, voice = self.m, self.voice
        part = m.stream.Part(id=f"P{number + 1}")
        player = m.instrument.UnpitchedPercussion() if voice.drum else m.instrument.Instrument()
        for named in (part, player):
            named.partName = named.partAbbreviation = voice.name
        player.instrumentName = voice.name
        player.partId, player.instrumentId = part.id, f"{part.id}-I1"
        player.midiChannel, player.midiProgram = voice.channel, voice.program
        part.insert(0, player)
        self._head(first=number == 0)
        at = self.first * self.bar
        for k, event in enumerate(voice.events):
            self._rests(at, event.start)
            at = event.start + event.length
            self._event(event, words.get(k))
        self._rests(at, (self.first + len(self.measures)) * self.bar)
        for measure, symbols in zip(self.measures, self.symbols, strict=True):
            self._fill(measure, symbols)
        if number == 0:
            self._rows()
            self.measures[0].insert(0, m.layout.SystemLayout(isNew=True))
        self.measures[-1].rightBarline = "final"
        for measure in self.measures:
            part.append(measure)
        return part

    def _head(self, first: bool) -> None:
        """Add clef, key, metre, directions in words, and above the first staff the tempo."""
        m, measure = self.m, self.measures[0]
        measure.insert(0, m.clef.PercussionClef() if self.voice.drum else self._clef())
        if not self.voice.drum and self.has_key:
            measure.insert(0, self.key)
        measure.insert(0, self.signature)
        words = self.voice.marks
        if first:
            # the number is in quarter notes per minute whatever the metre
            number = round(self.show.tempo_bpm, 2)
            measure.insert(0, m.tempo.MetronomeMark(number=number, referent="quarter"))
            pitch = self.show.setup.music.concert_pitch
            words = (f"A = {pitch:g} Hz", *words) if pitch != 440 else words
        for word in words:
            self._over(measure, 0, word)

    def _over(self, measure: Any, offset: Any, words: str) -> None:
        text = self.m.expressions.TextExpression(words)
        text.placement = "above"
        measure.insert(offset, text)

    def _clef(self) -> Any:
        clef = self.m.clef
        tones = sorted(p for e in self.voice.events for p in e.pitches)
        low, middle, high = tones[0], tones[len(tones) // 2], tones[-1]
        if middle >= 81 and low >= 67:
            return clef.Treble8vaClef()
        if middle <= 43 and high <= 57:
            return clef.Bass8vbClef()
        return clef.TrebleClef() if middle >= 59 else clef.BassClef()

    def _rests(self, start: Fraction, end: Fraction) -> None:
        while start < end:
            bar = int(start // self.bar)
            stop = min(end, (bar + 1) * self.bar)
            full = stop - start == self.bar
            symbols = (
                [Piece(bar, Fraction(0), self.bar)] if full else pieces(start, stop, self.metre)
            )
            for piece in symbols:
                rest = self.m.note.Rest(quarterLength=piece.length)
                if full:
                    rest.fullMeasure = True
                self.symbols[bar - self.first].append((piece, rest))
            start = stop

    def _event(self, event: Event, word: str | None) -> None:
        m = self.m
        symbols = pieces(event.start, event.start + event.length, self.metre)
        for k, piece in enumerate(symbols):
            one = self._symbol(event, piece.length)
            if len(symbols) > 1:
                kind = "start" if k == 0 else "stop" if k == len(symbols) - 1 else "continue"
                one.tie = m.tie.Tie(kind)
            if k == 0:
                if word:
                    one.lyrics = [m.note.Lyric(text=word, applyRaw=True, syllabic="single")]
                if "staccato" in self.voice.marks:
                    one.articulations.append(m.articulations.Staccato())
                # above a tone for which there is no sign, the cents by which it differs from the
                # one it has
                off = [round(100 * (p - self._written(p))) for p in event.pitches]
                if not self.voice.drum and any(abs(c) >= 2 for c in off):
                    words = " ".join(f"{c:+d}" for c in off)
                    self._over(self.measures[piece.bar - self.first], piece.offset, words)
            self.symbols[piece.bar - self.first].append((piece, one))

    def _symbol(self, event: Event, length: Fraction) -> Any:
        m = self.m
        make = self._hit if self.voice.drum else self._tone
        tones = [make(p, length) for p in event.pitches]
        if len(tones) == 1:
            return tones[0]
        chord = m.percussion.PercussionChord if self.voice.drum else m.chord.Chord
        return chord(tones, quarterLength=length)

    def _hit(self, number: float, length: Fraction) -> Any:
        hit = self.m.note.Unpitched(quarterLength=length)
        hit.displayStep, hit.displayOctave, hit.notehead = self.drums[round(number)]
        return hit

    def _written(self, number: float) -> float:
        """The pitch that has a sign and is nearest."""
        return round(self.steps * number) / self.steps

    def _tone(self, number: float, length: Fraction) -> Any:
        letter, alter, octave = spell(round(number), self.sharps, self.minor)
        tone = self.m.pitch.Pitch(step=letter, octave=octave)
        # always an accidental, so that a natural can be shown where it is needed
        quarters = alter + self._written(number) - round(number)
        tone.accidental = self.m.pitch.Accidental(_QUARTERS.get(quarters, round(quarters)))
        one = self.m.note.Note(quarterLength=length)
        one.pitch = tone
        return one

    def _fill(self, measure: Any, symbols: list[tuple[Piece, Any]]) -> None:
        """Put symbols into a measure, with beams, accidentals and brackets."""
        shown: dict[tuple[str, int], float] = {}
        beams = self._beams(symbols)
        for (piece, one), beam in zip(symbols, beams, strict=True):
            if beam is not None and not one.isRest:
                one.beams = beam
            self._accidentals(one, shown)
            measure.insert(piece.offset, one)
        if any(one.duration.tuplets for _, one in symbols):
            self.m.stream.makeNotation.makeTupletBrackets(measure, inPlace=True)

    def _beams(self, symbols: list[tuple[Piece, Any]]) -> list[Any]:
        """Beams of a bar; bars of one rhythm have the same."""
        pattern = tuple((piece.length, bool(one.isRest)) for piece, one in symbols)
        if pattern not in self.beams:
            try:
                self.beams[pattern] = self.signature.getBeams([one for _, one in symbols])
            except Exception:  # music21 has no beams for some odd metres; flags are correct too
                self.beams[pattern] = [None] * len(symbols)
        beams: list[Any] = copy.deepcopy(self.beams[pattern])
        return beams

    def _accidentals(self, one: Any, shown: dict[tuple[str, int], float]) -> None:
        """Show an accidental if it differs from the key and from what the bar has shown."""
        if self.voice.drum or one.isRest:
            return
        held = one.tie is not None and one.tie.type != "start"
        for tone in one.pitches:
            spot, now = (tone.step, tone.octave), tone.accidental.alter
            before = shown.get(spot, self.in_key[tone.step])
            tone.accidental.displayStatus = not held and now != before
            if not held:
                shown[spot] = now

    def _rows(self) -> None:
        """Add a rehearsal mark where each row begins, and a word where the tempo slows down."""
        step, t = self.show.grid.step * 4, self.show.timeline
        for row, slot in enumerate(t.row_slot.tolist()):
            if place := self._place(slot * step):
                mark = self.m.expressions.RehearsalMark(f"{row + 1}")
                place[0].insert(place[1], mark)
        slow = min(RITARDANDO_BARS * self.bar, t.positions * step)
        place = self._place(t.end_slot * step - slow)
        if t.pace is not None and self.show.setup.music.form.ritardando < 1 and place:
            self._over(*place, "rit.")

    def _place(self, at: Fraction) -> tuple[Any, Fraction] | None:
        """The measure of a time in quarters, and the time within it; None outside the score."""
        bar, offset = divmod(at, self.bar)
        here = 0 <= bar - self.first < len(self.measures)
        return (self.measures[int(bar) - self.first], offset) if here else None


def _exported(score: Any, writers: list[_Writer]) -> bytes:
    """The bytes of a score, always the same for the same score: no date, no random names."""
    exporter = _music21().musicxml.m21ToXml.ScoreExporter(score, makeNotation=False)
    root = exporter.parse()
    heads, parts = root.findall("part-list/score-part"), root.findall("part")
    for head, part, writer in zip(heads, parts, writers, strict=True):
        # music21 assigns channels of its own, and knows one instrument of a kind in a part
        for channel in head.iter("midi-channel"):
            channel.text = str(writer.voice.channel + 1)
        if writer.voice.drum:
            add_instruments(head, part, writer.drums)
    data: bytes = exporter.asBytes(noCopy=False)
    for pattern in (
        rb"<encoding-date>.*?</encoding-date>",
        rb'<creator type="composer">Music21</creator>',
    ):
        data = re.sub(rb"\s*" + pattern, b"", data)
    return data
