"""Loudness and true peak, measured.

Source: Recommendation ITU-R BS.1770-4 (2015): annex 1 for loudness (K-weighting, mean square,
gates at -70 LUFS and 10 LU below), annex 2 for true peak (4 times oversampling).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sonify.export.sound.audio import PIECE, RATE, STRIDE, Audio, StoredAudio

__all__ = ["CELL", "Meter", "integrated", "steps_of", "true_peaks"]

# samples in a cell, the resolution of levels: 2 ms, so that 50 make a gating step
CELL = 96

Floats = NDArray[np.float64]

# BS.1770-4, tables 1 and 2, for 48 kHz
_SHELF = (
    1.53512485958697, -2.69169618940638, 1.19839281085285, -1.69065929318241, 0.73248077421585,
)  # fmt: skip
_HIGH_PASS = (1.0, -2.0, 1.0, -1.99004745483398, 0.99007225036621)

# BS.1770-4, annex 2: the four phases of the interpolating filter
_PHASES = np.array(
    [
        [0.0017089843750, 0.0109863281250, -0.0196533203125, 0.0332031250000, -0.0594482421875,
         0.1373291015625, 0.9721679687500, -0.1022949218750, 0.0476074218750, -0.0266113281250,
         0.0148925781250, -0.0083007812500],
        [-0.0291748046875, 0.0292968750000, -0.0517578125000, 0.0891113281250, -0.1665039062500,
         0.4650878906250, 0.7797851562500, -0.2003173828125, 0.1015625000000, -0.0582275390625,
         0.0330810546875, -0.0189208984375],
    ]
)  # fmt: skip
_TAPS = np.concatenate([_PHASES, _PHASES[::-1, ::-1]]).astype(np.float32)
_REACH = _TAPS.shape[1]


@cache
def _interpolation() -> NDArray[np.float32]:
    """The filter as a matrix: from the samples in and around a cell to those in between."""
    out = np.zeros((CELL + _REACH - 1, len(_TAPS), CELL), np.float32)
    at = np.arange(CELL)
    for k in range(_REACH):
        out[at + k, :, at] = _TAPS[:, _REACH - 1 - k]
    return out.reshape(CELL + _REACH - 1, -1)


# cells of a gating step, 100 ms; four of them are a gating block
STEP = 50

_WINDOW = 4
_PART = 1000 * STEP
# bytes of cells that are kept in memory: half an hour
_KEPT = 8 << 20

# The filters' state must not fade to subnormal numbers, which take 40 times as long (measured on
# silence after noise). At -360 dBFS, this changes no level, and its square is a normal number.
_HISS = np.float32(1e-18) * np.tile(np.array([[1], [-1]], np.float32), (STRIDE // 2, 2))

_GATE = -70.0
_RELATIVE = -10.0


class Meter:
    """Measures the cells of a sound: their energy and sample peak.

    The energy is the sum of squares, K-weighted, of both channels. The memory is the same for
    any length.

    Attributes
    ----------
    audio : StoredAudio or LoopedAudio
    top : float
        The highest sample peak so far.
    """

    def __init__(self, audio: Audio) -> None:
        self.audio = audio
        self.top = 0.0
        self._graph: Any = None
        self._cells = StoredAudio(_KEPT)

    def __len__(self) -> int:
        return self._cells.size

    def measure(self, end: bool = False) -> None:
        """Measure all whole cells that are new; at the `end`, the last one too."""
        import av

        size = self.audio.size + (CELL - 1) * end
        for a in range(len(self) * CELL, size // CELL * CELL, STRIDE):
            block = self.audio.read(a, min(a + STRIDE, size // CELL * CELL))
            self._graph = self._graph or _weighting()
            heard = (block + _HISS[: len(block)]).reshape(1, -1)
            frame = av.AudioFrame.from_ndarray(heard, format="flt", layout="stereo")
            frame.sample_rate, frame.pts = RATE, a
            self._graph.push(frame)
            weighted = self._graph.pull()
            y = np.frombuffer(weighted.planes[0], np.float32, weighted.samples * 2)
            y, x = y.reshape(-1, CELL * 2), block.reshape(-1, CELL * 2)
            peak = np.maximum(x.max(axis=1), -x.min(axis=1))
            self.top = max(self.top, float(peak.max()))
            self._cells.add(np.stack([np.einsum("ij,ij->i", y, y), peak], axis=1))

    def parts(self) -> Iterator[tuple[int, NDArray[np.float32], NDArray[np.float32]]]:
        """The first cell (at the start of a step), energies and peaks of each part."""
        for a in range(0, len(self), _PART):
            both = self._cells.read(a, min(a + _PART, len(self)))
            yield a, both[:, 0], both[:, 1]

    def loudness(self) -> float:
        """In LUFS."""
        return integrated(steps_of((energy for _, energy, _ in self.parts()), len(self)))


def _weighting() -> Any:
    """K-weighting as a chain of filters that keep their state from block to block."""
    import av.filter

    graph = av.filter.Graph()
    source = f"sample_rate={RATE}:sample_fmt=flt:channel_layout=stereo:time_base=1/{RATE}"
    biquads = [
        ("biquad", f"b0={b0}:b1={b1}:b2={b2}:a0=1:a1={a1}:a2={a2}")
        for b0, b1, b2, a1, a2 in (_SHELF, _HIGH_PASS)
    ]
    into, back = ("aformat", "sample_fmts=dblp"), ("aformat", "sample_fmts=flt")
    chain = [("abuffer", source), into, *biquads, back, ("abuffersink", None)]
    graph.link_nodes(*(graph.add(*each) for each in chain)).configure()
    return graph


def steps_of(parts: Iterable[NDArray[np.floating]], cells: int) -> Floats:
    """Sum the energies of cells over whole steps.

    Sound shorter than a gating block is padded with silence.

    Parameters
    ----------
    parts : iterable of ndarray
        Energies of cells, part by part; each begins at the start of a step.
    cells : int
        The number of cells.
    """
    out = [np.zeros(0)]
    for part in parts:
        energy = np.pad(part.astype(np.float64), (0, max(_WINDOW * STEP - cells, 0)))
        out.append(energy[: len(energy) // STEP * STEP].reshape(-1, STEP).sum(axis=1))
    return np.concatenate(out)


def integrated(steps: Floats) -> float:
    """Compute loudness from the energies of steps, in LUFS; -inf if all is below the gate."""
    if not len(steps):
        return -np.inf
    total = np.concatenate([[0.0], np.cumsum(steps)])
    square = np.maximum(total[_WINDOW:] - total[:-_WINDOW], 0) / (_WINDOW * STEP * CELL)
    square = square[square > _power(_GATE)]
    if not len(square):
        return -np.inf
    square = square[square > _power(_lufs(square.mean()) + _RELATIVE)]
    return _lufs(square.mean())


def _power(lufs: float) -> float:
    return float(10 ** ((lufs + 0.691) / 10))


def _lufs(square: float) -> float:
    return float(-0.691 + 10 * np.log10(square))


def true_peaks(audio: Audio, cells: NDArray[np.int64]) -> Floats:
    """Find the true peaks of some cells (in rising order), full scale at 1.0."""
    out = np.zeros(len(cells))
    size = CELL + _REACH - 1
    between = _interpolation()
    begin = int(cells[0]) * CELL // PIECE * PIECE if len(cells) else audio.size
    for a in range(begin, audio.size, PIECE):
        low, high = np.searchsorted(cells, [a // CELL, (a + PIECE) // CELL])
        if low == len(cells):
            break
        if low == high:
            continue
        x = audio.read(a - _REACH, min(a + PIECE, audio.size) + CELL + _REACH).T
        starts = (cells[low:high] * CELL - a) + _REACH - _REACH // 2
        for k in range(0, high - low, 128):
            at = starts[k : k + 128, None] + np.arange(size)
            over = x[:, at].reshape(-1, size) @ between
            most = np.maximum(over.max(axis=1), -over.min(axis=1))
            out[low + k : low + k + len(at)] = most.reshape(2, -1).max(axis=0)
    return out
