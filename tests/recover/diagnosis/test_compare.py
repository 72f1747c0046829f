"""`sonify compare` against a machine with faults that shares no code with it."""

from __future__ import annotations

import html
import io
import itertools
import json
import math
import shutil

import matplotlib
import mido
import numpy as np
import pytest
from PIL import Image

import sonify
from sonify.errors import InputError
from sonify.recover.diagnosis import compare
from sonify.recover.diagnosis.profile import fitted_player
from sonify.recover.signal.slicer import best_threshold
from tests.nightly import nightly, sampled, sampled_product
from tests.recover.diagnosis.faults import FAULTS, judge, make
from tests.recover.diagnosis.machine import Machine


@pytest.mark.parametrize("seed", sampled(range(8), 2))
@pytest.mark.parametrize("kind", ["log", "midi"])
def test_nothing_is_accused_on_clean_takes(kind, seed, tmp_path):
    """Machines that drift, flutter a little and are not their profile, and read all right."""
    show, recording = make(None, 0, seed)
    one, seen = judge(show, recording, kind, tmp_path)
    assert recording.errors() == set()
    assert len(seen.errors) == 0
    assert seen.causes == []
    assert abs(one.rpm_error) < 1e-3
    assert one.stage_error_s < 5e-3
    assert seen.message_read == show.disc.message


BY_NOTES = (
    "clock missing", "clock doubled", "stage, a row off", "threshold", "off centre",
    "sense reversed", "bit order",
)  # fmt: skip


@pytest.mark.parametrize("every", [False, pytest.param(True, marks=nightly)], ids=["middle", "all"])
@pytest.mark.parametrize("fault", FAULTS)
def test_faults_are_found_at_their_place_and_named(fault, every, tmp_path):
    """Each fault at each strength, and always at the middle one (the lower of two) in one of the
    kinds: its wrong bits, its cause first, and speed and stage still told. The wide
    statistics are in tests/benchmarks/takes.py."""
    kinds = ("midi",) if fault == "wire" else ("log", "midi")
    if not every:
        kinds = kinds[-1:] if fault in BY_NOTES else kinds[:1]
    count = len(FAULTS[fault][2])
    outcomes = []
    for strength, kind in itertools.product(range(count) if every else [(count - 1) // 2], kinds):
        show, recording = make(fault, strength, 4)
        outcomes.append(judge(show, recording, kind, tmp_path)[0])
    true = sum(o.true for o in outcomes)
    right = sum(o.right for o in outcomes)
    accused = sum(o.found - o.right for o in outcomes)
    assert right >= 0.98 * true
    assert accused <= 0.02 * true + 2
    # notes alone don't tell a row that was not read from one that was not sent: both are named
    said = [o.said.split(", ") for o in outcomes]
    first = [s[s[0].startswith("midi-rows-missing") :][:1] for s in said]
    named = sum(FAULTS[fault][0] == " ".join(s).partition(" ")[0] for s in first)
    assert named >= len(outcomes) - every, [o.said for o in outcomes]
    assert np.median([abs(o.rpm_error) for o in outcomes]) < 1e-3
    assert np.median([o.stage_error_s for o in outcomes]) < 5e-3


def clean(kind, tmp_path, **settings):
    disc = sonify.load_disc("cairn-middle")
    machine = Machine(disc.grid.tolist(), 7, **settings)
    recording = machine.run()
    show = sonify.perform(disc, ["usual"])
    path = (
        recording.write_midi(tmp_path / "recording.mid")
        if kind == "midi"
        else recording.write_log(tmp_path / "recording.npy")
    )
    return show, recording, path


def test_a_take_that_begins_late_and_ends_early(tmp_path):
    show, _, path = clean("log", tmp_path)
    log = np.load(path)
    np.save(path, log[9_000:-20_000])
    seen = compare(show, path)
    assert len(seen.errors) == 0
    assert seen.cautions
    assert "not in the recording" in seen.cautions[0]


def test_the_fitted_player_is_this_machine(tmp_path):
    show, _, path = clean("log", tmp_path, rpm=10.31, delay=0.012)
    seen = compare(show, path)
    player = fitted_player(seen)
    assert abs(player.rpm - 10.31) < 0.01
    assert abs(player.delay - 0.012) < 0.003
    assert (player.stage, player.settle) == (0.8, 0.2)
    moved = sonify.perform(show.disc, setup=show.setup)
    assert moved.setup.player.rpm == 10.0


def test_a_stage_slower_than_its_profile_is_fitted(tmp_path):
    disc = sonify.load_disc("cairn-middle")
    recording = Machine(
        disc.grid.tolist(), 7, rpm=24.0, row_start="next-position", stage=0.5, settle=0.05
    ).run()
    show = sonify.perform(disc, ["quick"])
    seen = compare(show, recording.write_log(tmp_path / "t.npy"))
    assert len(seen.errors) == 0
    player = fitted_player(seen)
    again = sonify.perform(disc, ["quick"], {"player.stage": player.stage})
    change = float(np.median(seen.motion.change_s))
    t = again.timeline
    assert abs((t.row_slot[1] - t.positions + 1) * t.position_s - change) < 0.003


def test_margins_say_what_a_log_can_bear(tmp_path):
    show, _, path = clean("log", tmp_path, noise=0.4)
    m = compare(show, path).margins
    assert abs(m.best - 1.75) < 0.1
    assert m.zeros.mean() > 2.9
    assert m.ones.mean() < 0.6
    assert m.error_rate < 1e-4
    assert 0.5 < m.eye_opening < 0.95


def test_the_best_threshold_is_that_of_two_gaussians():
    """J. G. Proakis, Digital Communications: for like spreads the middle, with Q(d / 2 sigma)
    wrong; for unlike ones the point where the densities cross."""
    rng = np.random.default_rng(5)
    ones, zeros = rng.normal(1.0, 0.4, 200_000), rng.normal(3.0, 0.4, 200_000)
    best, rate = best_threshold(ones, zeros)
    assert abs(best - 2.0) < 0.01
    expected = 0.5 * math.erfc(1.0 / 0.4 / math.sqrt(2))
    assert abs(rate / expected - 1) < 0.05
    ones, zeros = rng.normal(1.0, 0.2, 200_000), rng.normal(3.0, 0.6, 200_000)
    best, rate = best_threshold(ones, zeros)

    def wrong(t):
        return 0.25 * math.erfc((t - 1.0) / 0.2 / math.sqrt(2)) + 0.25 * math.erfc(
            (3.0 - t) / 0.6 / math.sqrt(2)
        )

    tried = [wrong(t) for t in np.linspace(1, 3, 401)]
    assert abs(best - np.linspace(1, 3, 401)[int(np.argmin(tried))]) < 0.02
    assert abs(rate / min(tried) - 1) < 0.1


@pytest.mark.parametrize(
    ("voice", "exact"),
    [
        ({"rhythm": ["joined"]}, True),
        pytest.param({"rhythm": ["swing"]}, True, marks=nightly),
        ({"source": "zeros", "pitch": "walk"}, True),
        pytest.param({"rhythm": ["held", {"rule": "gate", "amount": 0.8}]}, True, marks=nightly),
        ({"rhythm": [{"rule": "pattern", "pattern": "xx.x"}]}, True),
        ({"rhythm": [{"rule": "thinned", "every": 3}]}, False),
        pytest.param({"source": "row-starts"}, False, marks=nightly),
    ],
)
def test_other_mappings(voice, exact, tmp_path):
    """The performance's own MIDI file is a recording without a fault, whatever the mapping."""
    disc = sonify.load_disc("cairn-middle")
    show = sonify.perform(disc, ["usual"], {"music.voice": [{"name": "v", **voice}]})
    path = show.save(tmp_path / "recording.mid")
    seen = compare(show, path)
    assert seen.listening.exact == exact
    assert len(seen.errors) == 0
    assert seen.causes == []
    if not exact:
        assert "lost the bits" in seen.cautions[0]


def test_a_preset_that_lost_bits_says_what_can_still_be_told(tmp_path):
    disc = sonify.load_disc("cairn-middle")
    voice = {"name": "v", "rhythm": [{"rule": "thinned", "every": 2}]}
    show = sonify.perform(disc, ["usual"], {"music.voice": [voice]})
    file = mido.MidiFile(str(show.save(tmp_path / "recording.mid")))
    notes = [m for m in file.tracks[1] if m.type == "note_on"]
    gone = notes[40]
    k = next(k for k, m in enumerate(file.tracks[1]) if m is gone)
    file.tracks[1][k + 1].time += gone.time
    del file.tracks[1][k]
    file.save(str(tmp_path / "less.mid"))
    seen = compare(show, tmp_path / "less.mid")
    assert "the rule 'thinned' leaves bits out" in seen.cautions[0]
    assert [str(e["kind"]) for e in seen.errors] == ["missed"]
    note = show.notes[40]
    assert (seen.errors[0]["row"], seen.errors[0]["position"]) == (note["row"], note["position"])


@pytest.mark.skipif(shutil.which("gcc") is None, reason="needs gcc")
def test_what_the_core_plays_is_the_disc(tmp_path):
    """Bits read by the machine, played by the generated C, laid along the disc again."""
    from tests.export import firmware_host as host

    disc = sonify.load_disc("cairn-middle")
    show = sonify.perform(disc, ["usual"], {"music.timing": "player"})
    grid = disc.grid.copy()
    grid[4, 20] ^= 1
    misread = sonify.perform(
        sonify.Disc.from_bits(grid, code=disc.code, layout=disc.layout), setup=show.setup
    )
    program = host.build(show, tmp_path / "c")
    events, when = host.schedule(misread)
    file = mido.MidiFile(type=0)
    track = mido.MidiTrack()
    file.tracks.append(track)
    before = 0
    for time, raw in host.messages(host.run(program, events), when):
        tick = max(before, round((time + 500) * 0.96))
        track.append(mido.Message.from_bytes(raw, time=tick - before))
        before = tick
    file.save(str(tmp_path / "recording.mid"))
    seen = compare(show, tmp_path / "recording.mid")
    assert [(int(e["row"]), int(e["position"])) for e in seen.errors] == [(4, 20)]
    assert seen.causes[0].name == "hole"


def test_the_command_its_reports_and_its_player(run, tmp_path):
    disc = sonify.load_disc("cairn-middle")
    p = int(np.flatnonzero(disc.grid[3] == 1)[4])
    recording = Machine(disc.grid.tolist(), 7, rpm=9.8, blocked={(3, p)}).run()
    path = recording.write_log(tmp_path / "recording.npy")
    common = ("compare", "cairn-middle", path, "-p", "usual")
    done = run(*common, "-o", tmp_path / "r.html", "--write-player", tmp_path / "mine.toml")
    assert done.status == 0, done.err
    assert f"row 4 position {p + 1}: missed" in done.out
    assert "a blocked or torn hole" in done.out
    page = (tmp_path / "r.html").read_text()
    assert "data:image/png;base64," in page
    assert "http" not in page.replace("http-equiv", "")
    run(*common, "-o", tmp_path / "r.png")
    with Image.open(tmp_path / "r.png") as picture:
        picture.load()
        assert picture.width > 800
    done = run(*common, "--json")
    told = json.loads(done.out)
    assert told["errors"][0] | {"time_s": 0} == {
        "row": 3,
        "position": p,
        "kind": "missed",
        "character": told["errors"][0]["character"],
        "time_s": 0,
    }
    assert told["causes"][0]["name"] == "hole"
    assert abs(told["rpm"] - 9.8) < 0.01
    done = run("inspect", "cairn-middle", "-p", tmp_path / "mine.toml", "--json")
    assert abs(json.loads(done.out)["rpm"] - 9.8) < 0.01


def test_a_fade_row_by_row_shows_in_the_picture_and_safety_notes_stand_beside_repairs(
    run, tmp_path
):
    """Depth is drawn in the colour scale cividis; its ends are found in the picture."""
    disc = sonify.load_disc("cairn-middle")
    fade = {r: 0.5 * r / (disc.rows - 1) for r in range(disc.rows)}
    machine = Machine(disc.grid.tolist(), 7, stage_error=fade)
    path = machine.run().write_log(tmp_path / "fade.npy")
    done = run("compare", "cairn-middle", path, "-p", "usual", "-o", tmp_path / "r.png")
    assert done.status == 0, done.err
    with Image.open(tmp_path / "r.png") as picture:
        seen = np.asarray(picture.convert("RGB"), int)[:, : int(0.55 * picture.width)]
    colours = matplotlib.colormaps["cividis"]([1.0, 0.0], bytes=True)[:, :3].astype(int)
    deep, flat = (np.nonzero(np.abs(seen - c).max(axis=-1) < 8)[0] for c in colours)
    assert len(deep) > 1000
    assert len(flat) > 1000
    assert deep.mean() + 15 < flat.mean()
    notes = [line for line in done.out.splitlines() if line.startswith("  safety: ")]
    assert len(notes) == 5
    assert "never against the sun or a laser" in notes[3]
    told = json.loads(run("compare", "cairn-middle", path, "-p", "usual", "--json").out)
    assert [f"  safety: {line}" for line in told["safety"]] == notes
    run("compare", "cairn-middle", path, "-p", "usual", "-o", tmp_path / "r.html")
    page = html.unescape((tmp_path / "r.html").read_text())
    assert all(line in page for line in told["safety"])


@pytest.mark.parametrize("jitter", sampled([0.03, 0.0], 1))
def test_clock_jitter_is_measured(tmp_path, jitter):
    """A log made here: pulses at even times but for jitter, and each row in every other turn."""
    disc, rate = sonify.load_disc("cairn-middle"), 4000
    step = 60 / 10 / disc.positions
    count = 2 * disc.rows * disc.positions
    late = np.random.default_rng(5).normal(0, jitter, count)
    log = np.full((int((count + 2) * step * rate), 3), 3.0)
    log[:, 0] = np.arange(len(log)) / rate
    half = int(0.2 * step * rate)
    for k in range(count):
        turn, position = divmod(k, disc.positions)
        middle = int((k + 1 + late[k]) * step * rate)
        hole = turn % 2 == 0 and disc.grid[turn // 2, position] == 1
        for channel in (1, 2) if hole else (1,):
            log[middle - half : middle + half, channel] = 0.5
    np.save(tmp_path / "log.npy", log)
    seen = compare(sonify.perform(disc, ["usual"]), tmp_path / "log.npy")
    assert len(seen.errors) == 0
    assert seen.clock_jitter == pytest.approx(jitter, rel=0.1, abs=0.002)


# ---- bad input ----


def refused(run, *args):
    done = run("compare", "cairn-middle", *args)
    assert done.status == 2, done.out
    assert done.err.count("\n") == 1
    return done.err


def test_a_take_of_another_disc(run, tmp_path):
    show, _, path = clean("log", tmp_path)
    other = sonify.Disc.from_message("THE HUT IS FULL TONIGHT. " * 4, layout=show.disc.layout)
    with pytest.raises(InputError, match=r"does not fit the disc.*it scores \d of 100"):
        compare(sonify.perform(other, ["usual"]), path)
    show, _, path = clean("midi", tmp_path)
    with pytest.raises(InputError, match=r"does not fit the disc.*it scores \d of 100"):
        compare(sonify.perform(other, ["usual"]), path)


def test_files_that_are_no_recording(run, tmp_path):
    assert "no such file" in refused(run, tmp_path / "none.mid")
    (tmp_path / "notes.odt").write_bytes(b"text")
    assert "this kind of file can't be read" in refused(run, tmp_path / "notes.odt")
    (tmp_path / "empty.mid").write_bytes(b"")
    assert "empty" in refused(run, tmp_path / "empty.mid")
    (tmp_path / "bad.mid").write_bytes(b"MThd nonsense that is no file")
    assert "not a MIDI file" in refused(run, tmp_path / "bad.mid")
    (tmp_path / "folder.mid").mkdir()
    assert "folder" in refused(run, tmp_path / "folder.mid")
    file = mido.MidiFile()
    file.add_track()
    file.save(str(tmp_path / "silent.mid"))
    assert "it has no notes" in refused(run, tmp_path / "silent.mid")
    file.tracks[0] += [
        mido.Message("note_on", note=60, velocity=64, time=0),
        mido.Message("note_off", note=60, time=100),
    ]
    file.save(str(tmp_path / "one.mid"))
    assert "1 note" in refused(run, tmp_path / "one.mid")


def test_logs_without_pulses(run, tmp_path):
    flat = np.full((5000, 3), 2.0)
    flat[:, 0] = np.arange(5000) / 1000
    np.save(tmp_path / "flat.npy", flat)
    silent = run("compare", "cairn-middle", tmp_path / "flat.npy")
    assert silent.status == 0
    assert "the data channel shows no hole in the whole recording" in silent.out
    assert "measure" in silent.out
    np.save(tmp_path / "none.npy", np.zeros((0, 3)))
    assert refused(run, tmp_path / "none.npy")
    flat[100, 1] = np.nan
    np.save(tmp_path / "nan.npy", flat)
    assert "not a number" in refused(run, tmp_path / "nan.npy")
    wave = np.where(np.sin(np.arange(5000) / 20) > 0, 3.0, 0.5)
    few = flat.copy()
    few[:, 1], few[:, 2] = wave, 2.0
    few[400:, 1] = 3.0
    np.save(tmp_path / "few.npy", few)
    assert "pulses" in refused(run, tmp_path / "few.npy")


def test_a_report_of_another_kind(run, tmp_path):
    _, _, path = clean("log", tmp_path)
    assert "not offered" in refused(run, path, "-p", "usual", "-o", tmp_path / "r.pdf")
    assert not (tmp_path / "r.pdf").exists()


@pytest.mark.parametrize(
    ("preset", "faster"), sampled_product(["music-box", "slow-snow", "far-signal"], [1.0, 1.25])
)
def test_an_exported_file_accuses_no_machine(tmp_path, preset, faster):
    # its rows wait for bar lines, which on 48 positions are not whole turns apart
    disc = sonify.encode("HAIL ON THE SADDLE, ROPE UP", positions=48)
    show = sonify.perform(disc, preset)
    file = mido.MidiFile(file=io.BytesIO(_midi(show)))
    for track in file.tracks:
        for message in track:
            if message.type == "set_tempo":
                message.tempo = round(message.tempo / faster)
    file.save(tmp_path / "export.mid")
    found = sonify.compare(show, tmp_path / "export.mid")
    assert found.causes == []
    assert len(found.errors) == 0
    assert found.motion.rpm == pytest.approx(show.setup.player.rpm * faster, rel=0.002)
    assert found.motion.flutter == 0
    assert any("as it is exported" in line for line in found.cautions)


def _midi(show: sonify.Performance) -> bytes:
    out = io.BytesIO()
    show.save(out, "midi", format="mid")
    return out.getvalue()
