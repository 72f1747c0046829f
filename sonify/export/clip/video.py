"""Video files: frames in the encoder's own planes, sent again if nothing changed."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from struct import pack
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sonify.errors import OutputError
from sonify.export.clip.memory import give_back_large
from sonify.light.planes import FORMATS, Format, Picture, Planes
from sonify.limits import most

__all__ = ["KINDS", "Kind", "VideoSink"]

RATE = 48_000
# Samples of a packet of sound.
_PACKET = 1024

# For pictures of up to this many pixels, the encoder may keep many frames.
LARGE = 1920 * 1088

# The quality after some coarser steps: six CRF about halve the bits in H.264 (FFmpeg wiki,
# "Encode/H.264", from memory); twice the quantiser is our own choice. What comes out is measured.
_COARSER: dict[str, Callable[[int, int], int]] = {
    "crf": lambda crf, steps: min(crf + 6 * steps, 51),
    "qscale": lambda q, steps: min(q << steps, 64),
}

# x264's bytes depend on the number of its threads, and each holds frames, so it is the same on any
# machine (own choice). Other encoders make the same bytes with any number; more threads than cores
# only take memory and time.
_THREADS, _THREADS_LARGE = 4, 2

# FFmpeg's AVFMT_FLAG_BITEXACT.
_BITEXACT = 0x0400
_BT709 = 1
_LIMITED = 1


@dataclass(frozen=True)
class Kind:
    """One kind of video file.

    Attributes
    ----------
    muxer, video, audio : str
        The container and the encoders, as FFmpeg calls them.
    format, clear_format : str
        Of the frames, with a background and without one.
    container : dict
        Options of the file.
    quality : dict
        For each quality, the options of the video encoder.
    large : dict
        Options added for pictures of more than `LARGE` pixels.
    bit_rate : int
        Of the sound, in bit/s.
    frames_held : bool
        Whether the encoder may still read a frame after it was sent.
    """

    muxer: str
    video: str
    audio: str
    format: str
    clear_format: str | None
    container: dict[str, str]
    quality: dict[str, dict[str, str]]
    bit_rate: int
    large: dict[str, str] = field(default_factory=dict)
    frames_held: bool = False


# the finest chroma and no psychovisual tricks, so that flat colours stay true
_TRUE = "chroma-qp-offset=-12:psy=0"


def _h264(preset: str, crf: int) -> dict[str, str]:
    # a short lookahead, because each frame takes about 7 MB
    return {
        "preset": preset, "crf": str(crf), "profile": "high",
        "x264-params": f"{_TRUE}:rc-lookahead=5",
    }  # fmt: skip


# a frame of 2160p takes about 30 MB: no lookahead, and no frame waits for a later one
_H264_LARGE = {
    "x264-params": f"{_TRUE}:rc-lookahead=0:sync-lookahead=0:mbtree=0:bframes=0",
}


def _vp9(speed: int, crf: int) -> dict[str, str]:
    # lookahead changes nothing at constant quality, and each frame would take about 5 MB
    return {
        "deadline": "good", "cpu-used": str(speed), "crf": str(crf), "b": "0", "row-mt": "1",
        "tile-columns": "2", "auto-alt-ref": "0", "lag-in-frames": "0",
    }  # fmt: skip


def _prores(q: int) -> dict[str, str]:
    return {"profile": "4444", "vendor": "apl0", "alpha_bits": "16", "qscale": str(q)}


KINDS = {
    ".mp4": Kind(
        "mp4", "libx264", "aac", "yuv420p", None, {"movflags": "+faststart"},
        {"rough": _h264("ultrafast", 20), "normal": _h264("veryfast", 16),
         "fine": _h264("slow", 12)},
        192_000,
        large=_H264_LARGE,
    ),
    ".webm": Kind(
        "webm", "libvpx-vp9", "libopus", "yuv420p", "yuva420p", {},
        {"rough": _vp9(8, 33), "normal": _vp9(6, 24), "fine": _vp9(3, 16)},
        160_000,
    ),
    ".mov": Kind(
        "mov", "prores_ks", "pcm_s24le", "yuva444p10le", "yuva444p10le", {"movflags": "+faststart"},
        {"rough": _prores(12), "normal": _prores(6), "fine": _prores(2)},
        0,
        frames_held=True,
    ),
}  # fmt: skip


def format_of(kind: Kind, clear: bool) -> Format:
    """The format of a kind's frames."""
    return FORMATS[kind.clear_format if clear and kind.clear_format else kind.format]


def views_of(frame: Any, format: Format) -> Planes:
    """The planes of a frame as arrays on its own memory."""
    out = []
    size = np.dtype(format.dtype).itemsize
    for plane in frame.planes:
        whole: NDArray[Any] = np.frombuffer(plane, format.dtype)
        out.append(whole.reshape(-1, plane.line_size // size)[: plane.height, : plane.width])
    return out


def blank_frame(width: int, height: int, format: str) -> Any:
    """A frame of a pixel format to paint on, with its tags."""
    import av

    return _tagged(av.VideoFrame(width, height, format), FORMATS[format])


def _tagged(target: Any, format: Format) -> Any:
    target.color_primaries = target.colorspace = _BT709
    target.color_trc, target.color_range = format.transfer, _LIMITED
    return target


class VideoSink:
    """A video file that frames and sound are written to in step.

    Parameters
    ----------
    path : Path
        Where to write; the suffix is the kind's.
    kind : Kind
    format : Format
    width, height : int
    fps : Fraction
    quality : str
    coarse : int
        How many steps to compress more than that.
    sound : bool
        Whether it has sound.
    tags : dict
        Title, comment and the like.
    chapters : list of dict
        As `marks.chapters_of` makes them.
    """

    def __init__(
        self,
        path: Path,
        kind: Kind,
        format: Format,
        width: int,
        height: int,
        fps: Fraction,
        quality: str,
        coarse: int,
        sound: bool,
        tags: dict[str, str],
        chapters: list[Any],
    ) -> None:
        import av

        # frames of ProRes come and go, and those of VP9 leave holes
        if kind.video != "libx264":
            give_back_large()
        self.kind, self.format, self.fps = kind, format, fps
        self.path, self.size = path, (width, height)
        self._av = av
        self.out = av.open(str(path), "w", format=kind.muxer, options=dict(kind.container))
        # without random numbers for tracks and chapters
        self.out.flags |= _BITEXACT
        self.out.metadata.update(tags)
        self.out.set_chapters(chapters)
        self.stream = self._video(width, height, quality, coarse)
        # 192 kbit/s become 128, 96 and 77 (own choice)
        self.sound: Any = self._audio(kind.bit_rate * 2 // (2 + coarse)) if sound else None
        self.frame = blank_frame(width, height, format.name)
        self._sent = self.frame
        self._pts = 0
        self._samples = 0

    def _video(self, width: int, height: int, quality: str, coarse: int) -> Any:
        stream: Any = self.out.add_stream(self.kind.video, rate=self.fps)
        stream.width, stream.height, stream.pix_fmt = width, height, self.format.name
        stream.options = {**self.kind.quality[quality], "field_order": "progressive"}
        for key, coarser in _COARSER.items():
            if key in stream.options:
                stream.options[key] = str(coarser(int(stream.options[key]), coarse))
        if width * height > LARGE:
            stream.options |= self.kind.large
        context = _tagged(stream.codec_context, self.format)
        context.time_base = 1 / self.fps
        context.gop_size = max(1, round(self.fps * 2))
        context.thread_count = _THREADS if width * height <= LARGE else _THREADS_LARGE
        if self.kind.video != "libx264":
            context.thread_count = min(context.thread_count, most())
        if self.kind.video == "libvpx-vp9" and self.format.alpha:
            stream.metadata["alpha_mode"] = "1"
        return stream

    def _audio(self, bit_rate: int) -> Any:
        stream: Any = self.out.add_stream(self.kind.audio, rate=RATE, layout="stereo")
        if bit_rate:
            stream.bit_rate = bit_rate
        return stream

    def on(self, picture: Picture) -> Picture:
        """Have a picture of the same format painted straight into the encoder's frame."""
        own = views_of(self.frame, self.format)
        for plane, old in zip(own, picture.planes, strict=True):
            plane[:] = old
        picture.planes = own
        return picture

    def add(self, changed: bool) -> None:
        """Send what the planes show as the next frame."""
        frame = self.frame
        if self.kind.frames_held:
            # the encoder may still read the last one, so send a copy
            if changed or self._sent is self.frame:
                self._sent = blank_frame(*self.size, self.format.name)
                for new, old in zip(
                    views_of(self._sent, self.format), views_of(frame, self.format), strict=True
                ):
                    new[:] = old
            frame = self._sent
        frame.pts = self._pts
        frame.time_base = 1 / self.fps
        self._pts += 1
        self.out.mux(self.stream.encode(frame))

    def add_sound(self, samples: NDArray[np.float32]) -> None:
        """Add sound, shape (samples, 2)."""
        # in short packets, because pictures wait until the packet before them is complete
        if self.sound is not None:
            for a in range(0, len(samples), _PACKET):
                self._add_packet(samples[a : a + _PACKET])

    def _add_packet(self, samples: NDArray[np.float32]) -> None:
        layout = self.sound.codec_context.format.name
        data: NDArray[Any]
        if layout == "s32":
            full = np.rint(np.clip(samples, -1, 1 - 2**-23) * 2**23).astype(np.int32) << 8
            data = full.reshape(1, -1)
        elif layout == "fltp":
            data = np.ascontiguousarray(samples.T)
        else:
            layout, data = "flt", samples.reshape(1, -1)
        frame = self._av.AudioFrame.from_ndarray(data, format=layout, layout="stereo")
        frame.sample_rate = RATE
        frame.pts = self._samples
        frame.time_base = Fraction(1, RATE)
        self._samples += len(samples)
        self.out.mux(self.sound.encode(frame))

    def __enter__(self) -> VideoSink:
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        """Finish the file; after an error leave it as it is."""
        if kind is not None:
            with contextlib.suppress(Exception):
                self.out.close()
            return
        self.out.mux(self.stream.encode())
        if self.sound is not None:
            self.out.mux(self.sound.encode())
        self.out.close()
        if self.kind.muxer == "webm":
            _correct_length(self.path, float(1000 * self._pts / self.fps))


def _correct_length(path: Path, milliseconds: float) -> None:
    """Correct the length of a WebM file, to which FFmpeg adds the lead of the Opus coder."""
    with open(path, "r+b") as file:
        # the element Duration with 8 bytes (RFC 9559, 5.1.2.10)
        at = file.read(4096).find(b"\x44\x89\x88")
        file.seek(at + 3)
        file.write(pack(">d", milliseconds))


@contextlib.contextmanager
def av_errors(path: Path) -> Iterator[None]:
    """Turn errors of an encoder or a full disk into one line."""
    import av

    from sonify.atomic import cannot_write

    try:
        yield
    except av.error.FFmpegError as e:
        if isinstance(e, OSError) and e.errno:
            raise cannot_write(OSError(e.errno, e.strerror), path) from None
        raise OutputError(f"the encoder failed ({e})", file=path) from None
