"""A player in the mind, with faults: the physics of disc, light, stage and motor, in plain steps.

It shares no code with the program. A disc turns under two detectors, a comparator makes pulses of
the clock channel, a small machine counts them, samples the data channel and moves the stage, and a
note is sent for each one that it reads. Out come a detector log, a MIDI file, and the truth: which
bits the machine read, when each row was read, how fast the disc turned.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from pathlib import Path

import mido
import numpy as np

DORIAN = (0, 2, 3, 5, 7, 9, 10)
D4 = 62


@dataclass
class Machine:
    """A player, its disc and its faults. Angles in positions, times in s, levels in volts."""

    grid: list[list[int]]
    unit_bits: int
    rpm: float = 10.0
    row_start: str = "index"
    stage: float = 0.8
    settle: float = 0.2
    delay: float = 0.0
    seed: int = 0
    rate: float = 1000.0
    # the disc
    blocked: set[tuple[int, int]] = field(default_factory=set)
    torn: set[tuple[int, int]] = field(default_factory=set)
    clock_missing: set[int] = field(default_factory=set)
    clock_doubled: set[int] = field(default_factory=set)
    off_centre: float = 0.0  # of a row's pitch
    inverted: bool = False
    turned: bool = False
    bits_turned: bool = False
    # the motor
    drift: float = 0.0  # share of the speed over the recording
    flutter: float = 0.0  # share of the speed, once a turn
    slow_start: float = 0.0  # share of the speed that is missing at first
    slow_for: float = 0.0  # s until a third of that is left
    # the stage: per row, how far from the row's middle it stops, in pitches
    stage_error: dict[int, float] = field(default_factory=dict)
    # the light
    solid: float = 3.0
    hole: float = 0.5
    noise: float = 0.06
    spread: float = 0.0  # volts by which places of the disc differ in what they throw back
    threshold: float = 1.75
    sample_half: float = 0.1  # positions about the middle of a pulse over which it averages
    ambient: float = 0.0  # volts
    ambient_from: float = 0.0  # s, of the recording
    ambient_for: float = 0.0
    ambient_row: int | None = None  # if given, from this row's reading on, a share of it later
    ambient_share: float = 0.0
    # the wire: share of the messages that are lost where they are dense
    lost: float = 0.0

    def run(self) -> Recording:
        """Turn the disc once through all its rows."""
        rng = np.random.default_rng(self.seed)
        rows, n = len(self.grid), len(self.grid[0])
        holes = self._holes()
        slow = 1.0 - min(self.slow_start, 0.9)
        seconds = 60.0 / self.rpm
        longest = rows * (math.ceil((self.stage + self.settle) / seconds) + 1.2) * seconds
        longest = (longest + 3 * self.slow_for / slow + 4) / (1 - abs(self.drift) - self.flutter)
        t = np.arange(int(longest * self.rate)) / self.rate
        lead = 1.5 + rng.uniform(0, 1)  # s before the first index
        speed = self._speed(t, lead, longest, n)
        angle = np.cumsum(speed) / self.rate
        start = np.interp(lead, t, angle)
        angle = angle - start - 0.5
        if self.flutter or self.off_centre:
            # the clock row's own middle is not the axis: positions come early, then late
            swing = (self.flutter + 0.35 * self.off_centre / (2 * math.pi)) * n / (2 * math.pi)
            angle = angle + swing * np.sin(2 * math.pi * angle / n + 0.6)
        self.angle = angle
        seen_clock = self._clock(angle, n)
        clock = self._level(seen_clock, t, rng, steady=True)
        pulses = self._pulses(clock, t, speed)
        at = np.interp(pulses, t, angle)
        readings, radius = self._read_times(pulses, at, t, rows, n)
        if self.ambient_row is not None:
            taken = readings[self.ambient_row]
            self.ambient_from = float(pulses[taken[int(self.ambient_share * len(taken))]])
        data_angle = np.interp(t - self.delay, t, angle)
        seen = self._data(holes, data_angle, radius, n)
        data = self._level(seen, t, rng, steady=False)
        period = np.interp(pulses, t, 1 / speed)
        bits = self._sample(data, t, pulses, period)
        return self._outcome(t, clock, data, pulses, bits, readings, period, rows, n, rng, speed)

    # ---- the disc ----

    def _holes(self) -> np.ndarray:
        holes = np.array(self.grid, int)
        if self.bits_turned:
            flat = holes.reshape(-1)
            for first in range(0, len(flat) - self.unit_bits + 1, self.unit_bits):
                flat[first : first + self.unit_bits] = flat[first : first + self.unit_bits][::-1]
        for row, position in self.blocked:
            holes[row, position] = 0
        for row, position in self.torn:
            holes[row, position] = 1
        if self.turned:
            holes = np.roll(holes[:, ::-1], 1, axis=1)
        return holes

    def _speed(self, t: np.ndarray, lead: float, longest: float, n: int) -> np.ndarray:
        """Positions a second."""
        usual = self.rpm / 60 * n
        speed = usual * (1 + self.drift * (t / longest - 0.5))
        if self.slow_start:
            since = np.maximum(t - lead, 0)
            speed = speed * (1 - self.slow_start * np.exp(-since / self.slow_for))
        return speed

    @staticmethod
    def _window(frac: np.ndarray, half: float = 0.24, edge: float = 0.1) -> np.ndarray:
        return np.clip((half + edge / 2 - np.abs(frac)) / edge, 0, 1)

    def _clock(self, angle: np.ndarray, n: int) -> np.ndarray:
        near = np.rint(angle)
        seen = self._window(angle - near)
        place = near.astype(int) % n
        for p in self.clock_missing:
            seen[place == p] = 0
        for p in self.clock_doubled:
            away = (angle - p + n / 2) % n - n / 2
            # a crack beside the hole: a short second pulse
            seen = np.maximum(seen, self._window(away - 0.47, 0.06, 0.04))
        return seen

    def _data(self, holes: np.ndarray, angle: np.ndarray, radius: np.ndarray, n: int) -> np.ndarray:
        rows = len(holes)
        near = np.rint(angle)
        place = near.astype(int) % n
        if self.off_centre:
            radius = radius + self.off_centre * np.sin(2 * math.pi * angle / n)
        row = np.clip(np.rint(radius).astype(int), 0, rows - 1)
        cover = np.clip((0.36 - np.abs(radius - row)) / 0.16, 0, 1)
        return holes[row, place] * self._window(angle - near) * cover

    # ---- light and electronics ----

    def _level(
        self, seen: np.ndarray, t: np.ndarray, rng: np.random.Generator, steady: bool
    ) -> np.ndarray:
        if self.inverted and not steady:
            seen = 1 - seen
        level = self.solid - (self.solid - self.hole) * seen
        if self.spread and not steady:
            patch = rng.normal(0, self.spread, int(self.angle[-1] - self.angle[0]) + 3)
            level = level + patch[np.rint(self.angle - self.angle[0]).astype(int)]
        if steady:
            # the clock's detector is a good one
            return 3.0 - 2.5 * seen + rng.normal(0, 0.05, len(t))
        if self.ambient:
            inside = (t >= self.ambient_from) & (t < self.ambient_from + self.ambient_for)
            level = level + self.ambient * inside * (1 + 0.04 * np.sin(2 * math.pi * 100 * t))
        return level + rng.normal(0, self.noise, len(t))

    def _pulses(self, clock: np.ndarray, t: np.ndarray, speed: np.ndarray) -> np.ndarray:
        """Middles of the clock channel's pulses, as a comparator with hysteresis gives them."""
        out, low, begun = [], False, 0.0
        for k in range(len(clock)):
            if not low and clock[k] < 1.5:
                low, begun = True, t[k]
            elif low and clock[k] > 2.0:
                low = False
                out.append((begun + t[k]) / 2)
        return np.array(out)

    def _sample(
        self, data: np.ndarray, t: np.ndarray, pulses: np.ndarray, period: np.ndarray
    ) -> np.ndarray:
        """What the machine takes each pulse's bit for: an average about its middle."""
        total = np.concatenate([[0], np.cumsum(data)])
        out = []
        for c, p in zip(pulses + self.delay, period, strict=True):
            half = self.sample_half * p
            a, b = int((c - half) * self.rate), int((c + half) * self.rate) + 1
            a, b = max(0, min(a, len(data) - 1)), max(1, min(b, len(data)))
            out.append((total[b] - total[a]) / max(1, b - a) < self.threshold)
        return np.array(out, int)

    # ---- the machine's own steps ----

    def _read_times(
        self, pulses: np.ndarray, at: np.ndarray, t: np.ndarray, rows: int, n: int
    ) -> tuple[list[list[int]], np.ndarray]:
        """Which pulses each row is read at, and where the stage is over time."""
        readings: list[list[int]] = []
        first = int(np.searchsorted(at, -0.4))
        knots_t, knots_r = [0.0], [0.0 + self.stage_error.get(0, 0.0)]
        j = first
        for row in range(rows):
            taken = list(range(j, min(j + n, len(pulses))))
            readings.append(taken)
            if len(taken) < n:
                break
            done = pulses[taken[-1]] + 0.5 * (pulses[taken[-1]] - pulses[taken[-2]])
            knots_t += [done, done + self.stage]
            aim = row + 1 + self.stage_error.get(row + 1, 0.0)
            knots_r += [knots_r[-1], aim]
            if self.row_start == "index":
                ready = done + self.stage + self.settle
                # the index comes by half a position before position 0
                turn = math.ceil((np.interp(ready, t, np.interp(t, pulses, at)) + 0.5) / n - 1e-9)
                j = int(np.searchsorted(at, turn * n - 0.4))
            else:
                ready = pulses[taken[-1]] + self.stage + self.settle
                j = max(int(np.searchsorted(pulses, ready, "right")), taken[-1] + 1)
        return readings, np.interp(t, knots_t, knots_r)

    def _outcome(self, t, clock, data, pulses, bits, readings, period, rows, n, rng, speed):
        read = np.full((rows, n), -1)
        times = np.full((rows, n), np.nan)
        notes = []
        origin = readings[0][0]
        for row, taken in enumerate(readings):
            for step, j in enumerate(taken):
                position = step if self.row_start == "index" else (j - origin) % n
                read[row, position] = bits[j]
                times[row, position] = pulses[j]
                if bits[j]:
                    place = (row * n + position) % self.unit_bits
                    octave, degree = divmod(place, 7)
                    pitch = D4 + 12 * octave + DORIAN[degree]
                    end = pulses[j + 1] if step + 1 < len(taken) else pulses[j] + period[j]
                    notes.append((pulses[j], end, pitch, row, position))
        last = readings[-1][-1]
        upto = int(min(len(t), (pulses[last] + 1.0) * self.rate))
        inside = slice(int(pulses[readings[0][0]] * self.rate), int(pulses[last] * self.rate))
        return Recording(
            machine=self,
            clock=clock[:upto],
            data=data[:upto],
            read=read,
            times=times,
            notes=notes,
            rpm=float(speed[inside].mean() * 60 / n),
            rng=rng,
        )


@dataclass
class Recording:
    """What was recorded, and what is true of it."""

    machine: Machine
    clock: np.ndarray
    data: np.ndarray
    read: np.ndarray  # bits by row and position as the machine counts them
    times: np.ndarray
    notes: list[tuple[float, float, int, int, int]]
    rpm: float
    rng: np.random.Generator
    lost_notes: set[tuple[int, int]] = field(default_factory=set)

    def errors(self) -> set[tuple[int, int]]:
        """Rows and positions at which the machine's bit differs from the disc's design."""
        design = np.array(self.machine.grid)
        wrong = (self.read != design) & (design >= 0) & (self.read >= 0)
        return {(int(r), int(p)) for r, p in zip(*np.nonzero(wrong), strict=True)}

    def write_log(self, path: Path) -> Path:
        """A detector log: .npy with time, clock, data."""
        time = np.arange(len(self.clock)) / self.machine.rate
        np.save(path, np.stack([time, self.clock, self.data], axis=1))
        return path

    def write_midi(self, path: Path) -> Path:
        """The MIDI output; the wire may lose messages where they are dense."""
        m = self.machine
        events = []
        for on, off, pitch, row, position in self.notes:
            events.append((on, 1, pitch, row, position))
            events.append((off, 0, pitch, row, position))
        events.sort(key=lambda e: (e[0], e[1]))
        begin = events[0][0] - 0.2
        gap = 60 / m.rpm / len(m.grid[0])
        kept = []
        for k, e in enumerate(events):
            dense = k > 0 and e[0] - events[k - 1][0] < 0.4 * gap
            if m.lost and dense and self.rng.random() < m.lost:
                if e[1] == 1:
                    self.lost_notes.add((e[3], e[4]))
                continue
            kept.append(e)
        file = mido.MidiFile(type=0, ticks_per_beat=480)
        track = mido.MidiTrack()
        file.tracks.append(track)
        track.append(mido.MetaMessage("set_tempo", tempo=500_000))
        before = 0
        for time, kind, pitch, _, _ in kept:
            tick = round((time - begin + self.rng.uniform(0, 0.001)) * 960)
            tick = max(tick, before)
            track.append(
                mido.Message(
                    "note_on" if kind else "note_off", note=pitch, velocity=84 if kind else 64,
                    time=tick - before,
                )
            )  # fmt: skip
            before = tick
        file.save(path)
        return path
