"""The reader of MIDI files, against the specification's examples and hand-written files.

Source: Standard MIDI Files 1.0 (RP-001, MIDI Manufacturers Association).
"""

from __future__ import annotations

import numpy as np
import pytest

from sonify.errors import InputError
from sonify.midi.reader import read_midi
from tests.smf import FORMAT_0, FORMAT_1, notes, parse


def read(tmp_path, data: bytes):
    path = tmp_path / "file.mid"
    path.write_bytes(data)
    return read_midi(path)


def track(text: str) -> bytes:
    body = bytes.fromhex(text)
    return b"MTrk" + len(body).to_bytes(4, "big") + body


def head(form: int, tracks: int, division: str) -> bytes:
    return b"MThd" + bytes((0, 0, 0, 6, 0, form, 0, tracks)) + bytes.fromhex(division)


@pytest.mark.parametrize("data", [FORMAT_0, FORMAT_1])
def test_the_specifications_examples(tmp_path, data):
    got = read(tmp_path, data)
    ons = (got.message[:, 0] & 0xF0 == 0x90) & (got.message[:, 2] > 0)
    expected = sorted(n for t in parse(data).tracks for n in notes(t))
    found = zip(got.tick[ons], got.message[ons, 0] & 15, *got.message[ons, 1:].T, strict=True)
    assert sorted(found) == [(on, channel, *rest) for on, _, channel, *rest in expected]
    assert (np.diff(got.tick) >= 0).all()
    # 96 ticks per quarter note of half a second
    assert got.time_s == pytest.approx(got.tick / 192)
    assert got.beat == pytest.approx(got.tick / 96)
    assert (got.end_s, got.end_beat) == pytest.approx((2.0, 4.0))
    assert got.longest_tick_s == pytest.approx(1 / 192)


def test_tempo_changes_in_any_track_count_for_all(tmp_path):
    # 100 ticks per quarter note: half a second per quarter, then a second from tick 100 on
    data = head(1, 2, "00 64")
    data += track("00 90 3C 40 81 48 3C 00 00 FF 2F 00")
    data += track("64 FF 51 03 0F 42 40 64 C3 07 00 FF 2F 00")
    got = read(tmp_path, data)
    assert got.tick.tolist() == [0, 200, 200]
    assert got.time_s == pytest.approx([0.0, 1.5, 1.5])
    assert got.message.tolist() == [[0x90, 60, 64], [0x90, 60, 0], [0xC3, 7, 0]]
    assert got.track.tolist() == [0, 0, 1]
    assert got.longest_tick_s == pytest.approx(0.01)


@pytest.mark.parametrize(
    ("division", "tick_s"),
    [("E7 28", 1 / 1000), ("E8 50", 1 / 1920), ("E3 64", 1001 / 3_000_000), ("E2 02", 1 / 60)],
)
def test_film_frames_are_seconds_whatever_the_tempo(tmp_path, division, tick_s):
    data = head(0, 1, division)
    data += track("00 FF 51 03 0F 42 40 64 90 3C 40 83 60 3C 00 00 FF 2F 00")
    got = read(tmp_path, data)
    assert got.time_s == pytest.approx([100 * tick_s, 580 * tick_s], rel=1e-12)
    assert got.end_s == pytest.approx(580 * tick_s)
    assert got.longest_tick_s == pytest.approx(tick_s)
    assert not got.beat.any()


def test_damaged_files_are_refused_in_one_line(tmp_path):
    for data in (FORMAT_0, FORMAT_1):
        for size in range(len(data)):
            with pytest.raises(InputError) as e:
                read(tmp_path, data[:size])
            assert "\n" not in str(e.value)
            assert "file.mid: this is not a MIDI file that can be read" in str(e.value)


def test_any_changed_byte_is_read_or_refused(tmp_path):
    rng = np.random.default_rng(4)
    for _ in range(300):
        data = bytearray(FORMAT_1)
        data[rng.integers(len(data))] = rng.integers(256)
        try:
            got = read(tmp_path, bytes(data))
        except InputError:
            continue
        assert len(got.tick) == len(got.message) == len(got.time_s)
        assert (got.message[:, 1:] < 128).all()


def test_separate_pieces_and_missing_files_are_refused(tmp_path):
    with pytest.raises(InputError, match="separate pieces"):
        read(tmp_path, head(2, 2, "00 60") + 2 * track("00 90 3C 40 10 3C 00 00 FF 2F 00"))
    with pytest.raises(InputError, match="no such file"):
        read_midi(tmp_path / "none.mid")
