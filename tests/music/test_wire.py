"""The 5-pin line, against the MIDI 1.0 specification's rate and a queue kept message by message."""

from __future__ import annotations

import json

import numpy as np
import pytest

import sonify
from sonify.midi.bandwidth import BYTE_S, caution_of, keeps_up, line_load, traffic_of
from sonify.midi.events import events_at, timed

# MIDI 1.0 Detailed Specification, hardware: 31.25 kbaud, a start bit, 8 data bits, a stop bit;
# so a byte takes 320 us and a message of three bytes 960 us
THREE_BYTES_MS = 0.960


def by_hand(show: sonify.Performance, running: bool) -> tuple[float, float]:
    """Fullest 100 ms and latest note, a message at a time, from the file as mido reads it."""
    import io

    import mido

    from sonify.export.midi import midi_bytes

    now, line, status = 0.0, 0.0, None
    due = []
    # at one moment: what ends, then bends, then what begins
    rank = {"note_off": 0, "pitchwheel": 1, "note_on": 2}
    for m in mido.MidiFile(file=io.BytesIO(b"".join(midi_bytes(show)))):
        now += m.time
        if m.type in rank:
            due.append((round(now, 6), rank[m.type], m))
    sent: list[tuple[float, int]] = []
    late = 0.0
    for t, _, m in sorted(due, key=lambda d: d[:2]):
        kind = "note" if m.type.startswith("note") else "bend"
        size = 2 if running and status == (kind, m.channel) else 3
        status = (kind, m.channel)
        line = max(line, t) + size * 10 / 31250
        sent.append((t, size))
        if m.type == "note_on":
            late = max(late, line - t)
    fullest = 0.0
    for k, (t, _) in enumerate(sent):
        total = 0
        for u, size in sent[k:]:
            if u >= t + 0.1 - 1e-7:
                break
            total += size
        fullest = max(fullest, total * 10 / 31250 / 0.1)
    return fullest, late


def spans(show: sonify.Performance) -> list[tuple[np.ndarray, np.ndarray]]:
    return [(p.on, p.off) for p in show.parts]


@pytest.mark.parametrize(
    ("disc", "presets"),
    [
        ("cairn-small", ["usual"]),
        ("cairn-middle", ["hut-band", "quick"]),
        ("cairn-small", ["ridge-run", "quick"]),
    ],
)
def test_figures_equal_a_queue_kept_by_hand(disc, presets):
    show = sonify.perform(sonify.load_disc(disc), presets=presets)
    traffic = traffic_of(show.events, show.seconds)
    for wire, running in ((traffic.full, False), (traffic.running, True)):
        fullest, late = by_hand(show, running)
        assert wire.late_s == pytest.approx(late, abs=2e-5)
        assert wire.fullest == pytest.approx(fullest, rel=0.02)


def test_one_note_is_as_late_as_its_three_bytes_take():
    wire = line_load(np.array([1.0]), np.array([3.0]), np.array([True]))
    assert wire.late_s * 1000 == pytest.approx(THREE_BYTES_MS)
    assert wire.fullest == pytest.approx(0.0096)
    assert wire.late_at_s == 1.0


def test_a_chord_goes_out_note_after_note():
    n = 10
    wire = line_load(np.zeros(n), np.full(n, 3.0), np.ones(n, bool))
    assert wire.late_s * 1000 == pytest.approx(n * THREE_BYTES_MS)


def test_a_full_line_is_a_full_line():
    # 312.5 bytes pass in 100 ms
    t = np.linspace(0, 0.0999, 125)
    wire = line_load(t, np.full(125, 2.5), np.ones(125, bool))
    assert wire.fullest == pytest.approx(1.0)
    assert pytest.approx(0.1 / 312.5) == BYTE_S


def test_clock_takes_its_share():
    show = sonify.perform(sonify.load_disc("cairn-small"))
    without = traffic_of(show.events, show.seconds)
    with_clock = traffic_of(show.events, show.seconds, show.grid.ticks_per_quarter / 24)
    assert with_clock.full.fullest > without.full.fullest
    assert with_clock.full.late_s >= without.full.late_s


BUSY = {
    "player.rpm": 400,
    "music.voice": [{"name": f"v{k}", "source": "clock", "octave": k % 3} for k in range(9)],
}


def test_a_player_that_falls_behind_is_cautioned(run, tmp_path):
    show = sonify.perform(sonify.load_disc("cairn-small"), settings=BUSY)
    tick = show.tick_s
    says = caution_of(traffic_of(show.events, show.seconds))
    assert says is not None
    assert "31,250" in says
    assert not keeps_up(spans(show), tick)
    voices = ", ".join(f"{{name = 'v{k}', source = 'clock', octave = {k % 3}}}" for k in range(9))
    result = run(
        "midi", "cairn-small", "-o", tmp_path / "a.mid", "--set", "player.rpm=400",
        "--set", f"music.voice=[{voices}]",
    )  # fmt: skip
    assert result.status == 0
    assert "31,250 bit/s" in result.err
    assert result.err.count("\n") == 1


def test_one_that_keeps_up_is_not(run, tmp_path):
    result = run("midi", "cairn-small", "-o", tmp_path / "a.mid")
    assert "31,250" not in result.err
    show = sonify.perform(sonify.load_disc("cairn-small"))
    tick = show.tick_s
    assert keeps_up(spans(show), tick)
    assert caution_of(traffic_of(show.events, show.seconds)) is None


def test_the_quick_answer_is_never_wrong():
    for disc in ("cairn-small", "cairn-wire", "cairn-quilt"):
        for rpm in (5, 30, 120, 600):
            show = sonify.perform(sonify.load_disc(disc), settings={"player.rpm": rpm})
            tick = show.tick_s
            if keeps_up(spans(show), tick):
                assert caution_of(traffic_of(show.events, show.seconds)) is None


def test_inspect_says_it(run):
    assert "5-pin MIDI" in run("inspect", "cairn-small").out
    wire = json.loads(run("inspect", "cairn-small", "--json").out)["wire"]
    assert set(wire) == {"full", "running"}
    assert set(wire["full"]) == {"fullest", "fullest_s", "late_s", "late_at_s"}


def test_nothing_on_the_line():
    show = sonify.perform(sonify.Disc.from_bits(["0000"]))
    assert traffic_of(show.events, show.seconds).full.fullest == 0.0
    assert traffic_of(timed([], show.tempo_map, 0), show.seconds).running.late_s == 0.0


def test_bends_keep_a_note_waiting_but_not_those_that_set_a_channel_up():
    show = sonify.perform(sonify.load_disc("cairn-small"))
    bends = [bytes((0xE0 | c, 0, 70)) for c in range(10)]
    note = events_at(480, [bytes((0x90, 60, 90))])
    for tick, before in ((0, 0), (480, 10)):
        traffic = traffic_of(
            timed([events_at(tick, bends), note], show.tempo_map, 960), lambda t: t / 1000
        )
        # a note is there with its last byte, when all before it is through
        assert 1000 * traffic.full.late_s == pytest.approx((before + 1) * THREE_BYTES_MS)
