"""A score as MusicXML 4.0, built and written with music21.

Source: MusicXML 4.0 (W3C Music Notation Community Group, 2021).
"""

from __future__ import annotations

import copy
import importlib
import re
from dataclasses import replace
from fractions import Fraction
from typing import TYPE_CHECKING, Any

from sonify.errors import InputError
from sonify.export.score.notes import Event, Piece, Staff, pieces, staves
from sonify.export.score.spelling import spell
from sonify.music.theory.key_signatures import key_signature
from sonify.music.theory.scales import find_scale, note_number
from sonify.progress import report
from sonify.ranges import row_range

if TYPE_CHECKING:
    from sonify.performance import Performance

__all__ = ["MAX_EVENTS", "musicxml"]

MAX_EVENTS = 20_000
_SPACE = "\u2423"
_DRUM_LINE = ("B", 4)
_KIT = (("F", 4), ("A", 4), ("C", 5), ("E", 5), ("G", 5), ("D", 4), ("B", 5), ("D", 5))


_QUARTERS = {
    0.5: "half-sharp",
    -0.5: "half-flat",
    1.5: "one-and-a-half-sharp",
    -1.5: "one-and-a-half-flat",
}


def _music21(*names: str) -> tuple[Any, ...]:
    """Modules of music21, imported when they are used."""
    return tuple(importlib.import_module(f"music21.{name}") for name in names)


def musicxml(show: Performance, rows: str | None = None) -> bytes:
    """The score of a performance as a MusicXML file.

    Raises
    ------
    InputError
        Nothing to write, or more than can be written.
    """
    metadata, stream = _music21("metadata", "stream")

    span = _span(show, rows)
    bar = show.grid.bar * 4
    voices = [v for v in (_cut(v, span[0] * bar, span[1] * bar) for v in staves(show)) if v.events]
    if not voices:
        raise InputError("no note sounds, so there is no score to write")
    count = sum(len(v.events) for v in voices)
    if count > MAX_EVENTS:
        raise InputError(
            f"{count:,} notes are too many for a score; at most {MAX_EVENTS:,}",
            hint="choose rows with {rows}, such as 1-8",
        )
    score = stream.Score()
    title = show.disc.title or show.disc.name
    score.metadata = metadata.Metadata(title=title, movementName=title)
    first, last = span
    bars = range(first, last if rows else _last_bar(show, voices))
    sung = next((k for k, v in enumerate(voices) if not v.drum), 0)
    for k, voice in enumerate(voices):
        score.insert(0, _part(show, voice, k, bars, k == sung))
        report(0.5 * (k + 1) / len(voices))
    data = _exported(score)
    report(0.8)
    return data


def _span(show: Performance, rows: str | None) -> tuple[int, int]:
    """The bars to write: the first, and the one after the last."""
    if rows is None:
        return 0, 1 << 60
    first, last = row_range(rows, show.timeline.rows)
    step, bar = show.grid.step * 4, show.grid.bar * 4
    slot = show.timeline.row_slot
    end = int(slot[last]) + show.timeline.positions
    return int(int(slot[first]) * step // bar), int(-(-end * step // bar))


def _cut(voice: Staff, start: Fraction, end: Fraction) -> Staff:
    """What a staff holds between two times."""
    events = [
        replace(e, length=min(e.length, end - e.start))
        for e in voice.events
        if start <= e.start < end
    ]
    return replace(voice, events=events)


def _last_bar(show: Performance, voices: list[Staff]) -> int:
    bar = show.grid.bar * 4
    end = Fraction(show.timeline.end_slot) * show.grid.step * 4
    for voice in voices:
        last = voice.events[-1]
        end = max(end, last.start + last.length)
    return int(-(-end // bar))


def _part(show: Performance, voice: Staff, number: int, bars: range, sung: bool) -> Any:
    instrument, layout, stream = _music21("instrument", "layout", "stream")

    part = stream.Part(id=f"P{number + 1}")
    part.partName = voice.name
    part.partAbbreviation = voice.name
    player = instrument.UnpitchedPercussion() if voice.drum else instrument.Instrument()
    player.partName = player.instrumentName = voice.name
    player.partAbbreviation = voice.name
    player.partId = part.id
    player.instrumentId = f"{part.id}-I1"
    player.midiChannel = voice.channel
    player.midiProgram = voice.program
    if voice.drum and len({p for e in voice.events for p in e.pitches}) == 1:
        player.percMapPitch = round(voice.events[0].pitches[0])
    part.insert(0, player)
    measures = [stream.Measure(number=n + 1) for n in bars]
    writer = _Writer(show, voice, measures, bars)
    writer.head(part, first=number == 0)
    writer.notes(_words(show, voice, bars) if sung else {})
    if number == 0:
        writer.rows()
        measures[0].insert(0, layout.SystemLayout(isNew=True))
    measures[-1].rightBarline = "final"
    for measure in measures:
        part.append(measure)
    return part


def _words(show: Performance, voice: Staff, bars: range) -> dict[int, str]:
    """The message's characters by the event of a staff that carries them.

    A character stands under the first note that begins while it is read, or else under the last
    note before; several may share a note.
    """
    if show.disc.decoding is None:
        return {}
    step = show.grid.step * 4
    starts = [e.start for e in voice.events]
    last = show.character_slots().tolist()
    length = (show.disc.decoding.characters["last_bit"] + 1).tolist()
    first_bit = show.disc.decoding.characters["first_bit"].tolist()
    out: dict[int, str] = {}
    at = 0
    points = show.captions["codepoint"].tolist()
    order = sorted(range(len(last)), key=lambda k: last[k])
    bar = show.grid.bar * 4
    for k in order:
        if not bars.start * bar <= last[k] * step < bars.stop * bar:
            continue
        begin = (last[k] - (length[k] - 1 - first_bit[k])) * step
        while at + 1 < len(starts) and starts[at] < begin:
            at += 1
        if starts[at] > last[k] * step and at:
            at -= 1
        char = chr(points[k])
        out[at] = out.get(at, "") + (_SPACE if char.isspace() else char)
    return out


class _Writer:
    """Writes a staff's symbols into its measures."""

    def __init__(self, show: Performance, voice: Staff, measures: list[Any], bars: range) -> None:
        meter = _music21("meter")[0]

        self.show, self.voice, self.measures = show, voice, measures
        self.first = bars.start
        self.metre = show.grid.metre
        self.bar = show.grid.bar * 4
        music = show.setup.music
        key = key_signature(find_scale(music.scale), note_number(music.root), music.root)
        self.sharps, self.minor = key or (0, False)
        self.has_key = key is not None
        self.signature = meter.TimeSignature("{}/{}".format(*self.metre))
        self.beams: dict[tuple[tuple[Fraction, bool], ...], Any] = {}
        kit = sorted({p for e in voice.events for p in e.pitches})
        self.line = (
            {kit[0]: _DRUM_LINE}
            if len(kit) == 1
            else {p: _KIT[k % len(_KIT)] for k, p in enumerate(kit)}
        )

    def head(self, part: Any, first: bool) -> None:
        """Clef, key, metre, and over the first staff the tempo; words for the playing."""
        clef, expressions, key, tempo = _music21("clef", "expressions", "key", "tempo")

        measure = self.measures[0]
        measure.insert(0, clef.PercussionClef() if self.voice.drum else self._clef())
        if not self.voice.drum and self.has_key:
            measure.insert(0, key.KeySignature(self.sharps))
        measure.insert(0, self.signature)
        if first:
            # a mark's number is in quarter notes a minute whatever the metre
            mark = tempo.MetronomeMark(number=round(self.show.tempo_bpm, 2), referent="quarter")
            measure.insert(0, mark)
        words = self.voice.marks
        pitch = self.show.setup.music.concert_pitch
        if first and pitch != 440:
            words = (f"A = {pitch:g} Hz", *words)
        for word in words:
            text = expressions.TextExpression(word)
            text.placement = "above"
            measure.insert(0, text)

    def _clef(self) -> Any:
        clef = _music21("clef")[0]

        tones = sorted(p for e in self.voice.events for p in e.pitches)
        low, middle, high = tones[0], tones[len(tones) // 2], tones[-1]
        if middle >= 81 and low >= 67:
            return clef.Treble8vaClef()
        if middle <= 43 and high <= 57:
            return clef.Bass8vbClef()
        return clef.TrebleClef() if middle >= 59 else clef.BassClef()

    def notes(self, words: dict[int, str]) -> None:
        """All notes and rests."""
        bars: list[list[tuple[Piece, Any]]] = [[] for _ in self.measures]
        at = self.first * self.bar
        for k, event in enumerate(self.voice.events):
            self._rests(bars, at, event.start)
            at = event.start + event.length
            self._event(bars, event, words.get(k))
        self._rests(bars, at, (self.first + len(self.measures)) * self.bar)
        for measure, symbols in zip(self.measures, bars, strict=True):
            self._fill(measure, symbols)

    def _rests(self, bars: list[list[tuple[Piece, Any]]], start: Fraction, end: Fraction) -> None:
        note = _music21("note")[0]

        while start < end:
            bar = int(start // self.bar)
            stop = min(end, (bar + 1) * self.bar)
            if stop - start == self.bar:
                rest = note.Rest(quarterLength=self.bar)
                rest.fullMeasure = True
                bars[bar - self.first].append((Piece(bar, Fraction(0), self.bar), rest))
            else:
                for piece in pieces(start, stop, self.metre):
                    bars[bar - self.first].append((piece, note.Rest(quarterLength=piece.length)))
            start = stop

    def _event(self, bars: list[list[tuple[Piece, Any]]], event: Event, word: str | None) -> None:
        articulations, note, tie = _music21("articulations", "note", "tie")

        symbols = pieces(event.start, event.start + event.length, self.metre)
        for k, piece in enumerate(symbols):
            one = self._symbol(event, piece.length)
            if len(symbols) > 1:
                kind = "start" if k == 0 else "stop" if k == len(symbols) - 1 else "continue"
                one.tie = tie.Tie(kind)
            if k == 0:
                if word:
                    one.lyrics = [note.Lyric(text=word, applyRaw=True, syllabic="single")]
                if "staccato" in self.voice.marks:
                    one.articulations.append(articulations.Staccato())
                self._cents(event, piece)
            bars[piece.bar - self.first].append((piece, one))

    def _cents(self, event: Event, piece: Piece) -> None:
        """Over a tone between the quarter tones, how far it lies from its sign."""
        expressions = _music21("expressions")[0]
        off = [round(100 * (p - round(2 * p) / 2)) for p in event.pitches]
        if self.voice.drum or not any(abs(c) >= 2 for c in off):
            return
        text = expressions.TextExpression(" ".join(f"{c:+d}" for c in off))
        text.placement = "above"
        self.measures[piece.bar - self.first].insert(piece.offset, text)

    def _symbol(self, event: Event, length: Fraction) -> Any:
        chord, note, percussion = _music21("chord", "note", "percussion")

        if self.voice.drum:
            hits = []
            for pitch in event.pitches:
                hit = note.Unpitched(quarterLength=length)
                hit.displayStep, hit.displayOctave = self.line[pitch]
                hits.append(hit)
            if len(hits) == 1:
                return hits[0]
            return percussion.PercussionChord(hits, quarterLength=length)
        tones = [self._tone(p, length) for p in event.pitches]
        return tones[0] if len(tones) == 1 else chord.Chord(tones, quarterLength=length)

    def _tone(self, number: float, length: Fraction) -> Any:
        note, pitch = _music21("note", "pitch")

        letter, alter, octave = spell(round(number), self.sharps, self.minor)
        tone = pitch.Pitch(step=letter, octave=octave)
        # an accidental always, so that a natural can be shown where it is needed
        quarters = round(2 * (alter + number - round(number))) / 2
        tone.accidental = pitch.Accidental(_QUARTERS.get(quarters, round(quarters)))
        one = note.Note(quarterLength=length)
        one.pitch = tone
        return one

    def _fill(self, measure: Any, symbols: list[tuple[Piece, Any]]) -> None:
        stream = _music21("stream")[0]

        shown: dict[tuple[str, int], float] = {}
        beams = self._beams(symbols)
        tuplets = False
        for k, (piece, one) in enumerate(symbols):
            if beams is not None and beams[k] is not None and not one.isRest:
                one.beams = beams[k]
            tuplets = tuplets or bool(one.duration.tuplets)
            self._accidentals(one, shown)
            measure.insert(piece.offset, one)
        if tuplets:
            stream.makeNotation.makeTupletBrackets(measure, inPlace=True)

    def _beams(self, symbols: list[tuple[Piece, Any]]) -> list[Any] | None:
        """Beams of a bar; bars of one rhythm have the same."""
        pattern = tuple((piece.length, bool(one.isRest)) for piece, one in symbols)
        if pattern not in self.beams:
            try:
                self.beams[pattern] = self.signature.getBeams([one for _, one in symbols])
            except Exception:  # music21 has no beams for some odd metres; flags are right too
                self.beams[pattern] = None
        beams: list[Any] | None = copy.deepcopy(self.beams[pattern])
        return beams

    def _accidentals(self, one: Any, shown: dict[tuple[str, int], float]) -> None:
        """Show an accidental where it differs from the key and from what the bar showed."""
        if self.voice.drum or one.isRest:
            return
        held = one.tie is not None and one.tie.type != "start"
        for tone in one.pitches:
            spot = (tone.step, tone.octave)
            now = tone.accidental.alter
            before = shown.get(spot, self._in_key(tone.step))
            tone.accidental.displayStatus = not held and now != before
            if not held:
                shown[spot] = now

    def _in_key(self, letter: str) -> float:
        order = "FCGDAEB"
        place = order.index(letter)
        if self.sharps > place:
            return 1.0
        return -1.0 if -self.sharps > 6 - place else 0.0

    def rows(self) -> None:
        """A rehearsal mark where each row begins."""
        expressions = _music21("expressions")[0]

        step = self.show.grid.step * 4
        for row, slot in enumerate(self.show.timeline.row_slot.tolist()):
            bar, offset = divmod(slot * step, self.bar)
            if 0 <= bar - self.first < len(self.measures):
                mark = expressions.RehearsalMark(f"{row + 1}")
                self.measures[int(bar) - self.first].insert(offset, mark)


def _exported(score: Any) -> bytes:
    """The bytes of a score, the same for the same score: no date, no random names."""
    writer = _music21("musicxml.m21ToXml")[0]
    exporter = writer.ScoreExporter(score, makeNotation=False)
    exporter.parse()
    data: bytes = exporter.asBytes(noCopy=False)
    data = re.sub(rb"\s*<encoding-date>.*?</encoding-date>", b"", data)
    data = _own_channels(data, score)
    data = re.sub(rb"\s*<creator type=\"composer\">Music21</creator>", b"", data)
    return data


def _own_channels(data: bytes, score: Any) -> bytes:
    """The voices' own MIDI channels, in place of those that music21 gives out."""
    channels = iter([p.getInstrument().midiChannel + 1 for p in score.parts])
    return re.sub(
        rb"<midi-channel>\d+</midi-channel>",
        lambda _: b"<midi-channel>%d</midi-channel>" % next(channels),
        data,
    )
