"""A process that renders MIDI files: requests on stdin, answers on stdout, both in marshal.

It runs as a script and imports only the renderer, so that it starts at once. The renderer holds
Python's lock while it works, so threads would not help.

A request is a tuple: the number of a SoundFont, its bytes (None if they were sent before), a MIDI
file, and limits: processor seconds and bytes of memory, or None. The answer is that of `render`; of
a WAV file, the number of its bytes, which follow.
"""

from __future__ import annotations

import contextlib
import marshal
import signal
import sys


def render(font: bytes, midi: bytes) -> bytes | str:
    """Render a MIDI file as a WAV file (48 kHz, 16-bit stereo), or say why that failed."""
    import midirenderer

    try:
        out: bytes = midirenderer.render_wave_from(font, midi)
    except (KeyboardInterrupt, MemoryError):
        raise
    except BaseException as e:
        # a panic in the renderer is not an Exception
        return str(e) or type(e).__name__
    return out


def main() -> None:
    """Serve until stdin ends."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    # import it while there is nothing to render yet; `render` reports if it is missing
    with contextlib.suppress(ImportError):
        import midirenderer  # noqa: F401
    fonts: dict[int, bytes] = {}
    with contextlib.suppress(EOFError):
        while True:
            number, font, midi, limits = marshal.load(sys.stdin.buffer)
            if font is not None:
                fonts[number] = font
            if limits is not None:
                from sonify.limits import limit_memory, limit_time

                limit_time(limits[0])
                limit_memory(limits[1])
            answer = render(fonts[number], midi)
            marshal.dump(answer if isinstance(answer, str) else len(answer), sys.stdout.buffer)
            if isinstance(answer, bytes):
                sys.stdout.buffer.write(answer)
            sys.stdout.buffer.flush()


if __name__ == "__main__":
    main()
