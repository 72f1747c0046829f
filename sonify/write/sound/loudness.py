"""Loudness and true peak, measured and set.

Source: Recommendation ITU-R BS.1770-4 (2015): annex 1 for loudness (K-weighting, mean square,
gates at -70 LUFS and 10 LU below), annex 2 for true peak (4 times oversampling). -14 LUFS with
peaks under -1 dBTP is common practice for video on the web, no source.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sonify.write.sound.smf import RATE
from sonify.write.sound.synth import PIECE, Samples
from sonify.write.sound.take import STRIDE, Take, blocks_of

__all__ = ["Level", "Meter", "level", "measure", "true_peaks"]

CELL = 96
"""Samples of a cell: the resolution of levels. 2 ms, and 50 of them are a gating step."""

Floats = NDArray[np.float64]

# BS.1770-4, tables 1 and 2, for 48 kHz
_SHELF = (
    1.53512485958697,
    -2.69169618940638,
    1.19839281085285,
    -1.69065929318241,
    0.73248077421585,
)
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


def _interpolation() -> NDArray[np.float32]:
    """The filter as a matrix, from a cell's samples and those around it to what lies between."""
    out = np.zeros((CELL + _REACH - 1, len(_TAPS), CELL), np.float32)
    at = np.arange(CELL)
    for k in range(_REACH):
        out[at + k, :, at] = _TAPS[:, _REACH - 1 - k]
    return out.reshape(CELL + _REACH - 1, -1)

_STEP = 50
_WINDOW = 4 * _STEP
_GATE = -70.0
_RELATIVE = -10.0


class Meter:
    """Takes blocks one after the other; holds their cells' energies and sample peaks."""

    def __init__(self) -> None:
        self._graph: Any = None
        self._rest = np.zeros((0, 2), np.float32)
        self._energy: list[Floats] = []
        self._peak: list[NDArray[np.float32]] = []
        self._sent = 0

    def add(self, block: Samples) -> None:
        """Measure a block."""
        if len(self._rest):
            block = np.concatenate([self._rest, block])
        whole = len(block) // CELL * CELL
        self._rest = block[whole:].copy()
        for a in range(0, whole, STRIDE):
            self._cells(np.ascontiguousarray(block[a : min(a + STRIDE, whole)]))

    def _cells(self, block: Samples) -> None:
        import av

        if self._graph is None:
            self._graph = _weighting()
        frame = av.AudioFrame.from_ndarray(block.reshape(1, -1), format="flt", layout="stereo")
        frame.sample_rate = RATE
        frame.pts = self._sent
        self._sent += len(block)
        self._graph.push(frame)
        weighted = self._graph.pull()
        y = np.frombuffer(weighted.planes[0], np.float32, weighted.samples * 2)
        y = y.reshape(-1, CELL * 2)
        self._energy.append(np.einsum("ij,ij->i", y, y).astype(np.float64))
        cells = block.reshape(-1, CELL * 2)
        self._peak.append(np.maximum(cells.max(axis=1), -cells.min(axis=1)))

    def done(self) -> tuple[Floats, Floats]:
        """Energy (the sum of squares, K-weighted, both channels) and sample peak of each cell."""
        if len(self._rest):
            self.add(np.zeros((CELL - len(self._rest), 2), np.float32))
        if not self._energy:
            return np.zeros(0), np.zeros(0)
        return np.concatenate(self._energy), np.concatenate(self._peak).astype(np.float64)


def _weighting() -> Any:
    """The K-weighting as a chain of filters that keep their state from block to block."""
    import av.filter

    graph = av.filter.Graph()
    chain = [
        graph.add(
            "abuffer",
            f"sample_rate={RATE}:sample_fmt=flt:channel_layout=stereo:time_base=1/{RATE}",
        ),
        graph.add("aformat", "sample_fmts=dblp"),
    ]
    for b0, b1, b2, a1, a2 in (_SHELF, _HIGH_PASS):
        chain.append(graph.add("biquad", f"b0={b0}:b1={b1}:b2={b2}:a0=1:a1={a1}:a2={a2}"))
    chain += [graph.add("aformat", "sample_fmts=flt"), graph.add("abuffersink")]
    for one, other in itertools.pairwise(chain):
        one.link_to(other)
    graph.configure()
    return graph


def integrated(energy: Floats) -> float:
    """The loudness of cells' energies, in LUFS; -inf where all is under the gate."""
    if len(energy) < _WINDOW:
        energy = np.concatenate([energy, np.zeros(_WINDOW - len(energy))])
    total = np.concatenate([[0.0], np.cumsum(energy)])[::_STEP]
    square = np.maximum(total[4:] - total[:-4], 0) / (_WINDOW * CELL)
    square = square[square > _power(_GATE)]
    if not len(square):
        return -np.inf
    square = square[square > _power(_lufs(square.mean()) + _RELATIVE)]
    return _lufs(square.mean())


def _power(lufs: float) -> float:
    return float(10 ** ((lufs + 0.691) / 10))


def _lufs(square: float) -> float:
    return float(-0.691 + 10 * np.log10(square))


def true_peaks(take: Take, cells: NDArray[np.int64]) -> Floats:
    """The true peak of some cells of a take, in order, full scale at 1.0."""
    out = np.zeros(len(cells))
    size = CELL + _REACH - 1
    between = _interpolation()
    for a in range(0, take.size, PIECE):
        low, high = np.searchsorted(cells, [a // CELL, (a + PIECE) // CELL])
        if low == high:
            continue
        x = take.read(a - _REACH, min(a + PIECE, take.size) + CELL + _REACH).T
        starts = (cells[low:high] * CELL - a) + _REACH - _REACH // 2
        for k in range(0, high - low, 128):
            at = starts[k : k + 128, None] + np.arange(size)
            over = x[:, at].reshape(-1, size) @ between
            most = np.maximum(over.max(axis=1), -over.min(axis=1))
            out[low + k : low + k + len(at)] = most.reshape(2, -1).max(axis=0)
    return out


@dataclass(frozen=True, eq=False)
class Level:
    """The gain to put on a take, cell by cell.

    Attributes
    ----------
    gain : ndarray of float64, shape (cells,)
    lufs : float
        The loudness that comes of it.
    peak_db : float
        The true peak that comes of it, in dBTP.
    limited_db : float
        How far the loudest moment was turned down.
    short_db : float
        By how much the loudness falls short of what was asked.
    """

    gain: Floats
    lufs: float
    peak_db: float
    limited_db: float
    short_db: float

    def apply(self, take: Take, start: int, end: int) -> Samples:
        """A take's samples from `start` to `end` with the gain on, from cell to cell evenly."""
        x = take.read(start, end)
        if not len(self.gain):
            return x
        if self.gain.min() == self.gain.max():
            return x * np.float32(self.gain[0])
        first, last = start // CELL - 1, -(-end // CELL) + 1
        near = self.gain[np.clip(np.arange(first, last + 1), 0, len(self.gain) - 1)]
        if near.min() == near.max():
            return x * np.float32(near[0])
        middle = (np.arange(first, last + 1) + 0.5) * CELL
        curve = np.interp(np.arange(start, end) + 0.5, middle, near)
        out: Samples = x * curve.astype(np.float32)[:, None]
        return out


_LOOK = 12
"""Cells on either side of a peak over which the gain gives way: 24 ms."""

_MOST_LIMITED = 10 ** (-12 / 20)
_MARGIN = 10 ** (-6 / 20)
_NEAR = 10 ** (-3 / 20)


def _curve(gain: float, peaks: Floats, ceiling: float) -> Floats:
    """The gain of each cell: `gain`, and less around cells whose peaks would pass the ceiling."""
    need = np.minimum(1.0, ceiling / np.maximum(peaks * gain, 1e-9))
    if need.min() == 1.0:
        return np.full(len(peaks), gain)
    reach = _LOOK + 1
    padded = np.pad(need, reach, mode="constant", constant_values=1.0)
    low = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1).min(axis=1)
    window = np.hanning(2 * _LOOK + 3)[1:-1]
    smooth = np.convolve(np.pad(low, _LOOK, mode="edge"), window / window.sum(), mode="valid")
    out: Floats = gain * np.minimum(smooth, 1.0)
    return out


def measure(take: Take) -> Level:
    """A take's loudness and true peak as they are."""
    energy, peaks = _metered(take)
    return level(take, energy, peaks, None, 0.0)


def _metered(take: Take) -> tuple[Floats, Floats]:
    meter = Meter()
    for block in blocks_of(take):
        meter.add(block)
    return meter.done()


def level(take: Take, energy: Floats, peaks: Floats, lufs: float | None, peak_db: float) -> Level:
    """The gain that brings a take to a loudness with its true peak under a ceiling.

    Parameters
    ----------
    take : Take
    energy, peaks : ndarray of float64, shape (cells,)
        Of a `Meter`.
    lufs : float or None
        The loudness to reach; None to leave the level as it is.
    peak_db : float
        The ceiling, in dBTP.

    Returns
    -------
    Level
    """
    top = float(peaks.max()) if len(peaks) else 0.0
    as_is = integrated(energy)
    if top == 0.0 or not np.isfinite(as_is):
        return Level(np.ones(len(peaks)), -np.inf, -np.inf, 0.0, 0.0)
    if lufs is None:
        cells = np.flatnonzero(peaks >= top * _NEAR)
        true = float(true_peaks(take, cells).max())
        return Level(np.ones(len(peaks)), as_is, _db(true), 0.0, 0.0)
    ceiling = 10 ** (peak_db / 20)
    gain = 10 ** ((lufs - as_is) / 20)
    # peaks that matter, and room for a gain that rises while others are limited
    cells = np.flatnonzero(peaks >= min(ceiling / gain * _MARGIN, top * _NEAR))
    exact = peaks.copy()
    exact[cells] = np.maximum(true_peaks(take, cells), peaks[cells])
    most = ceiling / (float(exact.max()) * _MOST_LIMITED)
    limit = ceiling
    for _ in range(12):
        gain = min(gain, most)
        curve = _curve(gain, exact, limit)
        reached = integrated(energy * curve**2)
        if abs(reached - lufs) < 0.01 or (gain == most and reached < lufs):
            break
        gain *= 10 ** ((lufs - reached) / 20)
    peak = float((exact * curve).max())
    return Level(
        curve, reached, _db(peak), _db(gain / float(curve.min())), max(0.0, lufs - reached)
    )


def _db(ratio: float) -> float:
    return float(20 * np.log10(max(ratio, 1e-12)))
