"""What each control of the page is called, and what it does in plain words: one row a setting.

A setting without a row gets its key as its name and the sentence of its class's docstring that
speaks of it as its help.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

__all__ = ["CONTROLS", "FAMILIES", "WORDS", "Words"]


class Words(NamedTuple):
    """A control's name, its help, the step it moves by, its unit, the range that a slider spans
    (the number beside it takes all that is allowed), and what its choices mean."""

    label: str
    help: str
    step: float | None = None
    unit: str = ""
    soft: tuple[float, float] | None = None
    choices: Mapping[str, str] | None = None


FAMILIES = (
    "Piano", "Chromatic percussion", "Organ", "Guitar", "Bass", "Strings", "Ensemble", "Brass",
    "Reed", "Pipe", "Synth lead", "Synth pad", "Synth effects", "Ethnic", "Percussive",
    "Sound effects",
)  # fmt: skip
"""The families of eight programs each (General MIDI System Level 1)."""

CONTROLS: dict[str, str] = {
    "music.root": "root",
    "music.scale": "scale",
    "music.step": "step",
    "music.metre": "metre",
    "music.voice": "skip",
    "voice.name": "skip",
    "voice.source": "source",
    "voice.program": "program",
    "voice.drum": "drum",
    "voice.pitch": "scheme",
    "voice.rhythm": "rules",
    "player.matrix.fill": "fill",
    "player.matrix.letters": "skip",
    "light.background": "colour",
    "geometry.keep-out": "skip",
    "fit.keep-out": "skip",
    "fit.clock-radius": "skip",
    "fit.first-row-radius": "skip",
    "fit.row-pitch": "skip",
    "sound.soundfont": "skip",
    "clip.font": "skip",
}
"""Settings that the page has a control of its own for, and those it leaves to files."""

WORDS: dict[str, Words] = {
    # music
    "music.root": Words("Root", "The tone that feels like home; all others are counted from it."),
    "music.scale": Words("Scale", "Which tones may sound. The lit keys are the ones in it."),
    "music.step": Words("Step", "The note value of one position. It sets how the notes are "
                        "written and counted; how fast they come is the player's speed."),
    "music.timing": Words(
        "Timing", "What becomes of the pause while the stage moves to the next row.",
        choices={"player": "true to the machine, pauses and all",
                 "bars": "pauses become whole beats, so that rows begin on a bar line"},
    ),
    "music.concert-pitch": Words("Concert pitch", "The A above middle C, in Hz.", 0.5, "Hz"),
    "music.metre": Words("Metre", "How beats are grouped into bars. Auto finds the one in which "
                         "a row is whole bars."),
    # voices
    "voice.source": Words("Sounds at", "Which places on the disc give this voice a note."),
    "voice.program": Words("Instrument", "The General MIDI instrument that plays."),
    "voice.drum": Words("Drum", "Plays this drum at every note instead of tones."),
    "voice.pitch": Words("Pitch scheme", "How a place on the disc becomes a tone of the scale."),
    "voice.rhythm": Words("Rhythm rules", "Which notes stay, when they begin and how long they "
                          "last. Rules work one after the other, from the top."),
    "voice.velocity": Words("Strength", "How hard the notes are struck, 1 to 127.", 1),
    "voice.octave": Words("Octave", "Moves the whole voice up or down by octaves.", 1,
                          soft=(-3, 3)),
    "voice.channel": Words("Channel", "The MIDI channel, 1 to 16. Empty: the first free one.", 1),
    "voice.pan": Words("Left or right", "Where the voice stands: -1 left, 1 right.", 0.1),
    "voice.volume": Words("Loudness", "The voice's place in the mix, 0 to 127.", 1),
    "voice.curves": Words("Curves", "How its strength moves over a character, a row or the "
                          "piece, such as [{ over = \"row\", points = [0.6, 1, 0.6] }]."),
    "voice.rows": Words("Only rows", "Such as 1-4, 7, 9- or odd. Empty: all."),
    "voice.positions": Words("Only positions", "Such as 1-28 or even. Empty: all."),
    "voice.places": Words("Only places", "Bits of a character, such as 1-3. Empty: all."),
    # player
    "player.rpm": Words("Speed", "Turns of the disc a minute.", 0.5, "turns/min", (1, 60)),
    "player.row-start": Words(
        "Next row begins", "When reading goes on after the stage has moved.",
        choices={"index": "at the index mark: every row waits for its beginning",
                 "next-position": "at once: wherever the disc is by then"},
    ),
    "player.stage": Words("Stage move", "How long the stage takes to the next row.", 0.05, "s",
                          (0, 5)),
    "player.settle": Words("Settling", "The rest before it reads.", 0.05, "s", (0, 2)),
    "player.delay": Words("Detector delay", "How much later the data detector sees a hole than the "
                          "clock detector. No note moves by it; a log is read with it.", 0.001,
                          "s", (-0.1, 0.1)),
    "player.sample-at": Words("Sampled at", "When the machine samples its data detector, counted "
                              "from the middle of the clock's pulse. A log is read with it. "
                              "Empty: where holes pass.", 0.001, "s", (-0.1, 0.1)),
    "player.sample-width": Words("Sampled over", "Over which share of a position the machine "
                                 "averages for a bit. A log is read with it. Empty: the usual "
                                 "share.", 0.01, "", (0.01, 0.99)),
    "player.message-pause": Words("Pause before the message", "From the last bit to the first "
                                  "letter that scrolls in.", 0.1, "s", (0, 10)),
    "player.matrix.width": Words("Lamps across", "How many lamps the matrix is wide.", 1, "",
                                 (8, 128)),
    "player.matrix.height": Words("Lamps down", "How many lamps the matrix is high.", 1, "",
                                  (1, 64)),
    "player.matrix.fill": Words("Filling", "In which order bits light the lamps."),
    "player.matrix.scroll": Words("Scroll", "How fast the message passes.", 0.5, "columns/s",
                                  (2, 60)),
    # look
    "light.lamp": Words("Lit lamp", "The colour of a lamp that is on."),
    "light.unlit": Words("Dark lamp", "The colour of a lamp that is off."),
    "light.background": Words("Behind", "The colour of the board behind the lamps."),
    "light.shape": Words("Lamp shape", "The lens of a lamp.", choices={
        "round": "a round lens", "square": "a square one",
        "diffused": "frosted glass, bright in the middle"}),
    "light.glow": Words("Glow", "How far a lamp lights what is round it.", 0.05),
    "light.gap": Words("Gap", "How much dark there is between lamps.", 0.01),
    "light.pixels": Words("Lamp size", "Pixels from lamp to lamp in pictures.", 1, "px", (4, 60)),
    "light.module": Words("Panel", "After how many lamps a seam parts the panels; 0 for none.", 1,
                          soft=(0, 64)),
    "light.module-gap": Words("Seam", "How wide the seam is, in lamps.", 0.05),
    "light.margin": Words("Border", "The frame round the matrix, in lamps.", 0.25),
    "light.brightness": Words("Brightness", "In sixteen steps, as LED drivers have it.", 1),
    "light.fade": Words("Fade", "How long a lamp takes to change.", 0.05, "s", (0, 1)),
    "light.turned": Words("Turned", "How far the matrix is mounted turned, in degrees.", choices={
        "0": "upright", "90": "a quarter turn clockwise", "180": "upside down",
        "270": "a quarter turn back"}),
    "light.mirrored": Words("Mirrored", "As it is seen from behind."),
    # clip
    "clip.size": Words("Size", "landscape, portrait, square, 720p to 2160p, or such as "
                       "1280x720."),
    "clip.fps": Words("Frames a second", "24 to 120, or 23.976, 29.97, 59.94.", 1, "", (24, 120)),
    "clip.scenes": Words("Scenes", "What is shown, the first one largest: some of title, matrix, "
                         "disc, notes, message."),
    "clip.material": Words("Material", "What the disc is made of in the clip."),
    "clip.title-s": Words("Title", "How long the title stands.", 0.5, "s", (1, 15)),
    "clip.text": Words("Text", "The colour of titles and captions. Empty: that of the lamps."),
    "clip.quality": Words("Quality", "From a quick look to the largest file.", choices={
        "draft": "quick to make", "good": "good for most uses", "best": "slow, and large"}),
    # sound
    "sound.loudness": Words("Loudness", "Of the file, in LUFS; off leaves it as it is rendered."),
    "sound.true-peak": Words("Peak", "The most that a peak may reach.", 0.5, "dBTP"),
    "sound.rate": Words("Rate", "Samples a second."),
    "sound.bits": Words("Bits", "How finely each sample is kept in .wav and .flac."),
    "sound.bitrate": Words("Bit rate", "For kinds that compress with loss. Empty: the usual one.",
                           8, "kbit/s", (64, 320)),
    "sound.renderer": Words("Renderer", "What turns notes into sound; fluidsynth only where that "
                            "program is installed."),
    # disc
    "code.alphabet": Words("Alphabet", "How many bits a character takes, and which characters "
                           "there are.", choices={
        "ascii": "7 bits, plain English", "ita2": "5 bits, capitals and figures, as by wire",
        "utf-8": "8 bits and more, every character there is"}),
    "code.bit-order": Words("Bit order", "Which end of a character is read first.", choices={
        "high-first": "the highest bit first", "low-first": "the lowest bit first"}),
    "code.framing": Words("Framing", "Marks round the message by which a reader finds where it "
                          "starts.", choices={
        "plain": "none: just the characters", "framed": "start and end marks"}),
    "code.check": Words("Check", "Extra bits by which damage is found or repaired.", choices={
        "none": "no extra bits", "parity": "one bit a character finds single faults",
        "crc-16": "sixteen bits find nearly all faults",
        "reed-solomon": "repairs faults, even a whole lost row"}),
    "code.redundancy": Words("Repair share", "How much of the disc is spent on repair.", 0.05,
                             soft=(0.05, 0.6)),
    "layout.positions": Words("Positions", "Holes of the clock row; bits of one row.", 1, "",
                              (16, 256)),
    "layout.reading": Words("Rows run", "Which row is read first.", choices={
        "outside-in": "from the rim inwards", "inside-out": "from the middle outwards"}),
    "layout.turning": Words("Turning", "Seen from the front.", choices={
        "clockwise": "with the clock", "anticlockwise": "against the clock"}),
    "layout.hole-means": Words("A hole means", "Which bit is cut.", choices={
        "1": "a one", "0": "a zero"}),
    "fit.hole-diameter": Words("Hole", "Across one hole.", 0.1, "mm", (0.5, 12)),
    "fit.least-web": Words("Least web", "The least material between holes, and to every edge.",
                           0.1, "mm", (0.5, 8)),
    "fit.bore-diameter": Words("Bore", "The hole in the middle.", 0.5, "mm", (1, 40)),
    "fit.outer-diameter": Words("Diameter", "Across the whole disc. Empty: as small as can be.",
                                1, "mm", (60, 600)),
    "fit.positions": Words("Positions", "Bits of one row. Empty: found as well.", 1, "",
                           (16, 256)),
    "geometry.outer-diameter": Words("Diameter", "Across the whole disc.", 1, "mm", (60, 600)),
    "geometry.bore-diameter": Words("Bore", "The hole in the middle.", 0.5, "mm", (1, 40)),
    "geometry.clock-radius": Words("Clock row at", "From the middle to the clock row.", 0.5, "mm",
                                   (10, 300)),
    "geometry.first-row-radius": Words("First row at", "From the middle to the row that is read "
                                       "first.", 0.5, "mm", (10, 300)),
    "geometry.row-pitch": Words("Row pitch", "From row to row.", 0.25, "mm", (1, 20)),
    "geometry.hole-diameter": Words("Hole", "Across one hole.", 0.1, "mm", (0.5, 12)),
}  # fmt: skip
