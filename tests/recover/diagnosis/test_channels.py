"""Faults that a log's channels show by themselves: silence, limits, hum, gaps, depth, delay.

The takes come from this folder's player in the mind, and are bent here, each in one way.
"""

import numpy as np
import pytest

import sonify
from sonify.recover.diagnosis import compare
from tests.nightly import sampled
from tests.recover.diagnosis.machine import Machine

RATE = 500.0
RNG = np.random.default_rng(7)


def made(stage_error=None, rows=slice(None), **faults):
    disc = sonify.load_disc("cairn-middle")
    machine = Machine(
        disc.grid[rows].tolist(), 7, rate=RATE, noise=0.05, stage_error=stage_error or {}, **faults
    )
    recording = machine.run()
    return sonify.perform(disc, ["usual"]), recording.clock, recording.data


@pytest.fixture(scope="module")
def take():
    """A disc, its show, the log's two channels, and the moments of its rows."""
    return made()


def first_cause(take, tmp_path, clock=None, data=None, **told):
    show, *both = take
    clock = both[0] if clock is None else clock
    data = both[1] if data is None else data
    path = tmp_path / "log.npy"
    times = np.arange(len(clock)) / RATE
    # as a recorder rounds
    np.save(path, np.round(np.column_stack([times, clock, data]), 5))
    return compare(show, path, **told)


def test_a_sound_take_is_accused_of_nothing(take, tmp_path):
    seen = first_cause(take, tmp_path)
    assert not seen.causes
    assert not len(seen.errors)


def test_an_output_that_does_not_move(take, tmp_path):
    for level, names in ((0.1, ["data-stuck"]), (4.9, ["amplifier-saturated", "data-stuck"])):
        seen = first_cause(take, tmp_path, data=np.full_like(take[2], level))
        assert seen.right is None or len(seen.errors)
        assert [c.name for c in seen.causes[: len(names)]] == names
        assert str(level) in seen.causes[0].evidence[0]
        assert seen.causes[0].try_this[0].startswith("measure")


def test_a_lamp_that_is_out(take, tmp_path):
    dark = 0.4 + 0.05 * RNG.standard_normal(len(take[2]))
    names = [c.name for c in first_cause(take, tmp_path, data=dark).causes]
    assert names[:2] == ["lamp-out", "data-dead"]


def test_what_a_silent_channel_can_not_show(take, tmp_path):
    """Its rest is no sign of lost samples, nor of a detector that moves."""
    show, *both = take
    clock, data = ((x > 1.75) * 1.0 for x in both)
    position = int(RATE * 60 / show.setup.player.rpm / show.disc.positions)
    data[6000:] = 0
    for begin in (9100, 15300):
        clock[begin : begin + 4 * position] = clock[begin]
    seen = first_cause(take, tmp_path, clock=clock, data=data)
    assert "recorder-drops" not in [c.name for c in seen.causes]


def test_a_channel_that_dies_is_dated_and_its_bits_are_found(take, tmp_path):
    show, _, data = take
    at = int(0.6 * len(data))
    broken = data.copy()
    broken[at:] = 2.9 + 0.05 * RNG.standard_normal(len(data) - at)
    seen = first_cause(take, tmp_path, data=broken)
    assert seen.causes[0].name == "data-dead"
    when = float(seen.causes[0].evidence[0].split("from ")[1].split(" s")[0])
    assert at / RATE - 4.0 < when <= at / RATE + 0.1
    late = seen.seen.time_s > at / RATE
    assert len(seen.errors) == ((show.disc.grid == 1) & late).sum()


def test_an_amplifier_at_its_limit(take, tmp_path):
    clipped = np.minimum(2.75 + 0.02 * take[2] + 0.05 * RNG.standard_normal(len(take[2])), 2.8)
    assert first_cause(take, tmp_path, data=clipped).causes[0].name == "amplifier-saturated"


@pytest.mark.parametrize("hertz", sampled([100, 120], 1))
def test_hum_of_lamps(take, tmp_path, hertz):
    _, _, data = take
    hum = 1.2 * np.sin(2 * np.pi * hertz * np.arange(len(data)) / RATE)
    cause = first_cause(take, tmp_path, data=data + hum).causes[0]
    assert cause.name == "lamp-hum"
    assert f"at {hertz} Hz" in cause.evidence[0]


def test_noise(take, tmp_path):
    noisy = take[2] + 1.5 * RNG.standard_normal(len(take[2]))
    assert first_cause(take, tmp_path, data=noisy).causes[0].name == "noise"


def test_noise_that_is_slower_than_the_samples(take, tmp_path):
    rough = RNG.standard_normal(len(take[2]))
    for k in range(1, len(rough)):  # a first-order filter of eight samples
        rough[k] += np.exp(-1 / 8) * rough[k - 1]
    data = take[2] + 1.2 * rough / rough.std()
    assert first_cause(take, tmp_path, data=data).causes[0].name == "noise"


def test_hum_that_shows_on_the_material_alone(take, tmp_path):
    t = np.arange(len(take[2])) / RATE
    web = (take[2] - take[2].min()) / np.ptp(take[2])
    seen = first_cause(take, tmp_path, data=take[2] + 0.25 * web * np.sin(2 * np.pi * 100 * t))
    assert not len(seen.errors)
    assert seen.causes[0].name == "lamp-hum"


def test_a_limit_that_harms_nothing_yet(take, tmp_path):
    low, high = np.percentile(take[2], [2, 98])
    seen = first_cause(take, tmp_path, data=np.minimum(take[2], low + 0.8 * (high - low)))
    assert not len(seen.errors)
    assert seen.causes[0].name == "amplifier-saturated"


def test_a_channel_that_is_cut_off_at_the_level_of_holes(take, tmp_path):
    at = int(0.6 * len(take[2]))
    broken = take[2].copy()
    broken[at:] = 0.05
    names = [c.name for c in first_cause(take, tmp_path, data=broken).causes]
    assert names[:2] == ["data-dead", "lamp-out"]


def test_samples_that_the_recorder_missed(take, tmp_path):
    show, clock, data = take
    path = tmp_path / "log.csv"
    keep = np.ones(len(clock), bool)
    keep[3000:3090] = keep[9000:9050] = False
    rows = np.column_stack([np.arange(len(clock)) / RATE, clock, data])[keep]
    np.savetxt(path, rows, "%.5f", ",", header="time,clock,data", comments="")
    cause = compare(show, path).causes[0]
    assert cause.name == "recorder-drops"
    assert "2 gaps of up to 180 ms" in cause.evidence[0]


def test_samples_missing_without_a_word_from_the_times(take, tmp_path):
    _, clock, data = take
    # a position takes 54 samples
    kept = np.delete(np.arange(len(clock)), [np.arange(k, k + 80) for k in (4000, 9011, 15055)])
    first = first_cause(take, tmp_path, clock=clock[kept], data=data[kept]).causes[0]
    assert first.name == "recorder-drops"
    when = [float(w.split()[-1]) for w in first.evidence[0].split(" s")[:-1] if w[-1].isdigit()]
    gone = np.array([4000, 9011 - 80, 15055 - 160]) / RATE
    assert when
    assert all(np.abs(gone - t).min() < 0.3 for t in when)


@pytest.mark.parametrize("positions", sampled([1, 2, 7], 1))
def test_whole_positions_that_a_recorder_lost(take, positions, tmp_path):
    """The clock's pulses come as evenly as before; only the disc is farther on."""
    _, clock, data = take
    falls = np.flatnonzero(np.diff((clock < 1.75).astype(int)) == 1)
    first = falls[np.searchsorted(falls, 9000)]
    lost = np.arange(first, falls[np.searchsorted(falls, 9000) + positions]) - 10
    kept = np.delete(np.arange(len(clock)), lost)
    seen = first_cause(take, tmp_path, clock=clock[kept], data=data[kept])
    assert seen.causes[0].name == "recorder-drops"
    when = float(seen.causes[0].evidence[0].split(" at ")[1].split(" s")[0])
    assert abs(when - lost[0] / RATE) < 1.5  # until the bits of two angles differ
    assert not len(seen.errors)


@pytest.mark.parametrize("held", ["last", "zero"])
def test_samples_that_a_recorder_repeats(take, held, tmp_path):
    clock, data = take[1].copy(), take[2].copy()
    for at in (5000, 9000, 14000):
        for x in (clock, data):
            x[at : at + 70] = x[at - 1] if held == "last" else 0.0
    first = first_cause(take, tmp_path, clock=clock, data=data).causes[0]
    assert first.name == "recorder-drops"
    assert "repeat" in first.evidence[0]


def test_holes_that_are_less_deep_once_a_turn(take, tmp_path):
    show, _, data = take
    turn = 60 / show.setup.player.rpm * RATE
    away = 0.5 + 0.5 * np.cos(2 * np.pi * np.arange(len(data)) / turn)
    material = np.percentile(data, 90)
    seen = first_cause(take, tmp_path, data=data + 0.6 * away * (material - data))
    assert seen.causes[0].name == "warped-disc"


def test_a_clock_detector_that_moves(take, tmp_path):
    clock = take[1].copy()
    period = 60 / take[0].setup.player.rpm / take[0].disc.positions
    by = round(0.3 * period * RATE)
    clock[6000:12000] = clock[6000 - by : 12000 - by]
    first = first_cause(take, tmp_path, clock=clock).causes[0]
    assert first.name == "clock-loose"
    assert "30" in first.evidence[0]


def test_two_clock_holes_that_run_into_one(take, tmp_path):
    show, clock = take[0], take[1].copy()
    hole = (clock < 1.75).astype(int)
    falls, rises = np.flatnonzero(np.diff(hole) < 0), np.flatnonzero(np.diff(hole) > 0)
    for fall in falls[5 :: show.disc.positions]:
        after = rises[np.searchsorted(rises, fall)]
        clock[fall - 2 : after + 3] = clock[fall - 3]
    causes = first_cause(take, tmp_path, clock=clock).causes
    assert causes[0].name == "clock-doubled"
    assert "clock-missing" not in [c.name for c in causes]


def test_a_clock_detector_that_rattles(take, tmp_path):
    """It swings by a quarter of a position either way, once in seven positions."""
    show, clock, _ = take
    position = RATE * 60 / show.setup.player.rpm / show.disc.positions
    at = np.arange(len(clock))
    swing = 0.25 * position * np.sin(2 * np.pi * at / (7 * position))
    rattling = np.interp(at + swing, at, clock)
    first = first_cause(take, tmp_path, clock=rattling).causes[0]
    assert first.name == "clock-loose"
    assert "wander" in first.evidence[0]


def test_clock_holes_that_are_seen_twice_now_and_then(take, tmp_path):
    """A web as thin as a splinter in the middle of one hole in nine."""
    clock = take[1].copy()
    hole = (clock < 1.75).astype(int)
    falls, rises = (np.flatnonzero(np.diff(hole) == k) for k in (1, -1))
    rises = rises[np.searchsorted(rises, falls[0]) :]
    for fall, rise in list(zip(falls, rises, strict=False))[::9]:
        middle = (fall + rise) // 2
        clock[middle - 1 : middle + 2] = 3.4
    causes = first_cause(take, tmp_path, clock=clock).causes
    assert causes[0].name == "clock-doubled"
    assert "within the time of one hole" in causes[0].evidence[0]


def test_an_amplifier_that_flattens_the_material_only(take, tmp_path):
    """Its holes swing as far as the clock's, and its material is at the limit."""
    flat = np.minimum(2 * take[2] - 0.6, 3.2)
    seen = first_cause(take, tmp_path, data=flat, threshold=0.2)
    assert seen.errors.size
    assert seen.causes[0].name == "amplifier-saturated"


def test_a_log_without_the_machine_s_threshold_is_not_quite_sure(take, tmp_path):
    seen = first_cause(take, tmp_path)
    told = first_cause(take, tmp_path, threshold=1.75)
    assert not len(told.errors)
    assert seen.sure < 0.99 < told.sure < 1


def test_a_stage_whose_step_is_wrong(tmp_path):
    faded = made({r: 0.05 * r for r in range(20)})
    assert first_cause(faded, tmp_path).causes[0].name == "wrong-row-pitch"


def test_play_in_the_stage(tmp_path):
    short = made(dict.fromkeys(range(1, 20), 0.3))
    assert first_cause(short, tmp_path).causes[0].name == "backlash"


def test_a_clock_that_the_disc_leaves_once_a_turn(take, tmp_path):
    _, clock, data = take
    turn = 6.0 * RATE
    near = 0.5 + 0.5 * np.cos(2 * np.pi * np.arange(len(clock)) / turn)
    solid = float(np.median(clock))
    warped = [solid + (x - solid) * near for x in (clock, data)]
    seen = first_cause(take, tmp_path, *warped)
    assert seen.causes[0].name == "warped-disc"


@pytest.mark.parametrize(
    ("times", "part", "said"),
    [(2, 0.25, "twice"), (2, 0.12, "twice"), (4, 0.12, "four times"), (1, 0.12, ""), (4, 0.06, "")],
)
def test_a_disc_that_is_bent_though_all_bits_are_right(take, times, part, said, tmp_path):
    """Like a saddle, or in waves; flat discs wobble a little."""
    turn, swing = 6.0 * RATE, 2.5
    level = part * swing * np.cos(2 * np.pi * times * np.arange(len(take[2])) / turn)
    seen = first_cause(take, tmp_path, data=take[2] + level)
    assert not len(seen.errors)
    assert [c.name for c in seen.causes] == ["warped-disc"] * bool(said)
    if said:
        assert f"rises and falls {said} a turn" in seen.causes[0].evidence[0]


def test_rows_in_the_opposite_order(take, tmp_path):
    _, clock, data = made(rows=slice(None, None, -1))
    names = [c.name for c in first_cause(take, tmp_path, clock, data).causes]
    assert names[0] == "reversed"
    assert "rows-swapped" not in names


def test_two_faults_at_once_are_both_named(tmp_path):
    grid = np.array(sonify.load_disc("cairn-middle").grid)
    blocked = {(1, int(np.flatnonzero(grid[1])[9]))}
    off = made(stage_error={5: 1.0}, blocked=blocked)
    causes = first_cause(off, tmp_path, *off[1:]).causes
    assert [c.name for c in causes[:2]] == ["stage", "hole"]
    assert causes[1].evidence[0].startswith("one place: row 2")
    fast = made(rpm=11.0, blocked=blocked)
    causes = first_cause(fast, tmp_path, *fast[1:]).causes
    assert {c.name for c in causes[:2]} == {"motor-off-speed", "hole"}
    assert all(0.4 < c.probability < 0.6 for c in causes[:2])


def test_data_that_come_late(take, tmp_path):
    _, _, data = take
    late = np.roll(data, int(0.25 * 60 / 10 / 56 * RATE))
    seen = first_cause(take, tmp_path, data=late)
    assert seen.causes[0].name == "filter-delay"
    assert "another speed" in seen.causes[0].evidence[1]


def test_a_filter_that_is_too_slow(take, tmp_path):
    data = take[2].copy()
    tau = 0.15 * 60 / take[0].setup.player.rpm / take[0].disc.positions
    for k in range(1, len(data)):
        data[k] = data[k - 1] + (take[2][k] - data[k - 1]) / (tau * RATE)
    first = first_cause(take, tmp_path, data=data).causes[0]
    assert first.name == "filter-delay"
    told = float(first.evidence[0].split(" ms")[0].split()[-1]) / 1000
    assert told == pytest.approx(tau, rel=0.25)


def test_hum_that_a_limit_hides_from_the_data_channel(take, tmp_path):
    _, clock, data = take
    hum = 0.8 * np.sin(2 * np.pi * 120 * np.arange(len(data)) / RATE)
    clipped = np.minimum(data + hum, 2.5)
    seen = first_cause(take, tmp_path, clock=clock + hum, data=clipped)
    assert seen.causes[0].name == "lamp-hum"
    assert "the clock channel" in seen.causes[0].evidence[0]


def test_light_that_moves_both_levels(take, tmp_path):
    _, clock, data = take
    lit = np.arange(len(clock)) > 0.6 * len(clock)
    brighter = [x + 1.5 * np.ptp(clock) * lit for x in (clock, data)]
    seen = first_cause(take, tmp_path, *brighter)
    assert seen.causes[0].name == "ambient-light"
    assert "both levels of the data channel" in seen.causes[0].evidence[0]


@pytest.mark.parametrize("level", [0, 1])
def test_an_edge_list_without_edges(take, tmp_path, level):
    path = tmp_path / "edges.csv"
    path.write_text(f"time,clock,data\n0,{level},{level}\n")
    names = {c.name for c in compare(take[0], path).causes[:2]}
    assert names == {"ambient-light", "lamp-out"}


def test_a_pulse_that_is_missed_without_harm_accuses_nobody(take, tmp_path):
    _, clock, _ = take
    seen = first_cause(take, tmp_path)
    between = seen.motion.row_end_s[2] + 0.5 * seen.motion.change_s[2]
    clock = clock.copy()
    pulses = seen.seen.clock.pulse_s
    at = int(RATE * pulses[np.argmin(np.abs(pulses - between))])
    clock[at - 15 : at + 16] = np.median(clock)
    seen = first_cause(take, tmp_path, clock=clock)
    assert len(seen.seen.clock.missing)
    assert not seen.causes


def test_blocked_holes_are_told_from_a_wrong_threshold(take, tmp_path):
    """They look like solid material, and all other holes like holes."""
    show, _, data = take
    seen = first_cause(take, tmp_path).seen
    filled = data.copy()
    some = np.argwhere(show.disc.grid == 1)
    for r, p in some[:: len(some) // 5].tolist():
        at = int(seen.time_s[r, p] * RATE)
        filled[at - 22 : at + 23] = seen.levels.web[r, p] + 0.05 * RNG.standard_normal(45)
    assert first_cause(take, tmp_path, data=filled).causes[0].name == "hole"


def test_a_clock_detector_that_hops_now_and_then(take, tmp_path):
    """It stands a third of a position late for some positions, and in place for the next ones."""
    show, clock, _ = take
    position = RATE * 60 / show.setup.player.rpm / show.disc.positions
    at = np.arange(len(clock))
    late = np.repeat(RNG.random(len(clock) // int(3 * position) + 1) < 0.5, int(3 * position))
    hopping = np.interp(at - position / 3 * late[: len(at)], at, clock)
    first = first_cause(take, tmp_path, clock=hopping).causes[0]
    assert first.name == "clock-loose"


def test_positions_that_pass_as_often_as_a_folded_flicker(take, tmp_path):
    """At 98.4 samples a second, light of 100 Hz shows at 1.6 Hz, and positions pass at 9.3."""
    show, *both = take
    position_hz = show.disc.positions * show.setup.player.rpm / 60
    rate = 100 - position_hz - 0.3
    times = np.arange(0, len(both[0]) / RATE, 1 / rate)
    clock, data = (np.interp(times, np.arange(len(x)) / RATE, x) for x in both)
    np.savetxt(
        tmp_path / "log.csv", np.column_stack([times, clock, data]), "%.5f", ",",
        header="time,clock,data", comments="",
    )  # fmt: skip
    seen = compare(show, tmp_path / "log.csv")
    assert "lamp-hum" not in [c.name for c in seen.causes]


def test_gaps_in_what_two_comparators_gave(take, tmp_path):
    """An edge list goes on in time, but some edges were not recorded."""
    show, *both = take
    clock, data = ((x > 1.75) * 1.0 for x in both)
    position = int(RATE * 60 / show.setup.player.rpm / show.disc.positions)
    for begin in (3000, 9100, 15300):
        for x in (clock, data):
            x[begin : begin + 4 * position] = x[begin]
    seen = first_cause(take, tmp_path, clock=clock, data=data)
    assert seen.causes[0].name == "recorder-drops"


def test_a_scratch_over_neighbouring_holes(take, tmp_path):
    """Holes of three rows are blocked where a scratch crosses them."""
    show, _, data = take
    plain = first_cause(take, tmp_path)
    blocked = [(r, p) for r in (3, 4, 5) for p in range(20, 27) if show.disc.grid[r, p] == 1]
    data, position = data.copy(), RATE * 60 / show.setup.player.rpm / show.disc.positions
    material = np.percentile(data, 75)
    for r, p in blocked:
        at = int(plain.seen.time_s[r, p] * RATE)
        data[at - int(position / 2) : at + int(position / 2)] = material
    seen = first_cause(take, tmp_path, data=data)
    assert {(int(e["row"]), int(e["position"])) for e in seen.errors} == set(blocked)
    assert seen.causes[0].name == "hole"
