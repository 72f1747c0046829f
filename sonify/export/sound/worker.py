"""A process that renders: it reads SoundFonts and MIDI files on stdin, and writes WAV on stdout.

It is run as a script and imports nothing but the renderer, so that it starts at once. The renderer
holds Python's lock while it works, so threads would not do.

Each request is a letter and a length, then so many bytes: `S` a SoundFont to keep (they count from
0), `M` a number of one of those (4 bytes) and a MIDI file to render with it. The answer to `M` is
`W` with a WAV file or `E` with a text. Numbers are unsigned, 4 bytes, little-endian.
"""

from __future__ import annotations

import contextlib
import signal
import struct
import sys


def render(font: bytes, midi: bytes) -> bytes:
    """A MIDI file as a WAV file: 48 kHz, two channels, 16 bits.

    Raises
    ------
    RuntimeError
        With what the renderer says.
    """
    import midirenderer

    try:
        out: bytes = midirenderer.render_wave_from(font, midi)
    except (KeyboardInterrupt, MemoryError):
        raise
    except BaseException as e:
        # a panic in the renderer is no Exception
        raise RuntimeError(str(e) or type(e).__name__) from None
    return out


def main() -> None:
    """Serve until stdin ends."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    # here, while there is nothing to render yet; `render` says what is wrong with it
    with contextlib.suppress(ImportError):
        import midirenderer  # noqa: F401
    source, sink = sys.stdin.buffer, sys.stdout.buffer
    fonts: list[bytes] = []
    while head := source.read(5):
        letter, size = struct.unpack("<cI", head)
        data = source.read(size)
        if letter == b"S":
            fonts.append(data)
            continue
        try:
            tag, answer = b"W", render(fonts[int.from_bytes(data[:4], "little")], data[4:])
        except RuntimeError as e:
            tag, answer = b"E", str(e).encode()
        sink.write(struct.pack("<cI", tag, len(answer)))
        sink.write(answer)
        sink.flush()


if __name__ == "__main__":
    main()
