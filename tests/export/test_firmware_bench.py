"""The whole machine on a bench of physics: on this computer, in a simulator of an 8-bit chip, and
on a 32-bit one in an emulator. What it plays is held against the performance.

Light through a hole: the share of a round spot that a round hole lets through, by numerical
integration over the spot. The bench (`firmware_bench.c`) knows nothing of thresholds or codes.
"""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pytest

import sonify
from tests.export import firmware_host as host
from tests.export.test_firmware_machine import needs_avr, needs_gcc, needs_simulator
from tests.nightly import sampled

HERE = Path(__file__).parent
SOURCES = ["player.c", "player_tables.c", "player_machine.c"]
needs_arm = pytest.mark.skipif(
    shutil.which("arm-none-eabi-gcc") is None or shutil.which("qemu-system-arm") is None,
    reason="needs Debian's gcc-arm-none-eabi, libnewlib-arm-none-eabi and qemu-system-arm",
)
BY = {"missing": 1, "double": 2, "own": 3}
IDLE, HOMING, CALIBRATE, READ, SCROLL, TEST, ERROR = range(7)
SAMPLE_US = 250


def profile(hole: float, spot: float) -> tuple[list[int], float]:
    """The light through a hole, 0 to 255, at 256 squares of the distance of its middle from the
    spot's, up to the distance in mm at which there is none."""
    reach = hole + spot
    y, x = np.mgrid[-1:1:201j, -1:1:201j] * spot
    inside = np.hypot(x, y) <= spot
    away = np.sqrt((np.arange(256) + 0.5) / 256) * reach
    light = [float((np.hypot(x + d, y) <= hole)[inside].mean()) for d in away]
    return [round(255 * v) for v in light], reach


def disc_h(show: sonify.Performance, **more) -> str:
    """The disc and the machine in numbers; sizes are invented: holes of 1.5 mm some 4 mm apart."""
    light, reach = profile(0.75, 0.45)
    holes = (show.disc.grid == show.disc.layout.hole_means).astype(np.uint8)
    bits = np.packbits(holes, bitorder="little").tolist()
    unit = 1024 / reach
    slow = more.pop("slow", 1.0)
    values = {
        "PROFILE": "{" + ", ".join(map(str, light)) + "}",
        "BITS": "{" + ", ".join(map(str, bits)) + "}",
        "ROWS": show.disc.rows,
        "CLOCK_PITCH": f"{round(4.4 * unit)}UL",
        "DATA_PITCH": f"{round(4.0 * unit)}UL",
        "STEP": round(2.4 / 40 * unit),
        "STEPS": 40,
        "FIRST": 63,
        "PLAY": 9,
        "NOISE": 12,
        "CLOCK_DARK": 90, "CLOCK_BRIGHT": 610, "DATA_DARK": 240, "DATA_BRIGHT": 905,
        "SPEED": f"{round(2**24 * SAMPLE_US * 1e-6 / (show.timeline.position_s * slow))}UL",
        "WOW": 0, "HAS_HOME": 1, "BUTTON": 1, "LAMPS": 0,
    } | {k.upper(): v for k, v in more.items()}  # fmt: skip
    return "".join(f"#define BENCH_{k} {v}\n" for k, v in values.items())


@dataclass
class Run:
    """What the bench printed."""

    sent: list[tuple[int, int]] = field(default_factory=list)
    states: list[tuple[int, int, int]] = field(default_factory=list)
    log: str = ""
    said: str = ""
    lamps: list[list[int]] = field(default_factory=list)

    @classmethod
    def of(cls, text: str) -> Run:
        out = cls()
        for line in text.splitlines():
            kind, _, rest = line[:1], line[:1], line[1:]
            if kind == "M":
                out.sent.append(tuple(map(int, rest.split())))
            elif kind == "S":
                out.states.append(tuple(map(int, rest.split())))
            elif kind == "L":
                out.log += "\n" if rest == "|" else rest
            elif kind == "T":
                out.said = rest
            elif kind == "W":
                out.lamps.append([int(n) for n in rest.split()])
        return out

    def messages(self) -> list[tuple[float, bytes]]:
        """MIDI messages by their last byte's ms, with what running status leaves out (MIDI 1.0)."""
        out, held, status = [], b"", 0
        for us, byte in self.sent:
            if byte & 0x80:
                status, held = byte, b""
            else:
                held += bytes([byte])
            if len(held) == (1 if status & 0xF0 == 0xC0 else 2):
                out.append((us / 1000, bytes([status]) + held))
                held = b""
        return out


def performance(start: str = "index", preset: str = "snow-plough") -> sonify.Performance:
    settings = {
        "music.timing": "player", "player.row-start": start, "player.rpm": 24.0,
        "player.stage": 0.31, "player.settle": 0.1, "player.matrix.scroll": 60.0,
    }  # fmt: skip
    return sonify.perform(sonify.load_disc("cairn-small"), [preset], settings)


def bench(show: sonify.Performance, folder: Path, index: str = "own", **more) -> Run:
    """The machine on this computer, under sanitizers."""
    host.put(show, folder)
    (folder / "bench_disc.h").write_text(disc_h(show, **more))
    words = [*host.STRICT, *host.SANITIZE, "-DPLAYER_MOST_STEPS=500U"]
    subprocess.run(
        ["gcc", *words, f"-DPLAYER_INDEX_BY={BY[index]}", "-I.", *SOURCES,
         str(HERE / "firmware_bench.c"), "-o", "bench"],
        cwd=folder, check=True, capture_output=True, text=True,
    )  # fmt: skip
    done = subprocess.run(
        [str(folder / "bench")], capture_output=True, timeout=300, check=False, text=True
    )
    assert done.returncode == 0, done.stderr[:2000]
    return Run.of(done.stdout)


def same_messages(run: Run, show: sonify.Performance) -> None:
    want = host.expected_messages(show)
    got = run.messages()
    for channel in range(16):
        mine = [m for _, m in got if m[0] & 15 == channel]
        meant = [m[2] for m in want if m[2][0] & 15 == channel]
        assert sorted(mine) == sorted(meant)


def reached(run: Run) -> list[int]:
    return [state for _, state, _ in run.states]


@needs_gcc
@pytest.mark.parametrize("index", BY)
def test_each_index_is_found_and_all_is_played(index, tmp_path):
    show = performance()
    run = bench(show, tmp_path, index)
    assert reached(run) == [HOMING, CALIBRATE, READ, SCROLL, IDLE], run.states
    assert run.said == f"0 {show.disc.message}"
    same_messages(run, show)


@needs_gcc
def test_rows_may_begin_anywhere(tmp_path):
    show = performance("next-position")
    run = bench(show, tmp_path)
    assert reached(run) == [HOMING, CALIBRATE, READ, SCROLL, IDLE], run.states
    assert len([m for _, m in run.messages() if m[0] & 0xF0 == 0x90]) > 20


@needs_gcc
@pytest.mark.parametrize("slow", sampled([0.97, 1.0, 1.04], 1))
def test_times_are_those_of_the_performance_at_the_motors_speed(slow, tmp_path):
    """Within a millisecond, a sample and what the line takes for the bytes before."""
    voices = [{"name": "a", "pitch": "place", "rhythm": [{"rule": "echoes", "delay": 2.4}]}]
    show = performance(preset="usual")
    show = sonify.perform(
        show.disc, ["usual"],
        {"music.timing": "player", "player.rpm": 24.0, "player.stage": 0.31,
         "player.settle": 0.1, "music.voice": voices},
    )  # fmt: skip
    run = bench(show, tmp_path, slow=slow)
    got = [(t, m) for t, m in run.messages() if m[0] & 0xF0 == 0x90]
    want = [(t * slow, m) for _, t, m in host.expected_messages(show) if m[0] & 0xF0 == 0x90]
    assert [m for _, m in got] == [m for _, m in want]
    late = np.array([a - b for (a, _), (b, _) in zip(got, want, strict=True)])
    late = late[want[0][0] + 10 < np.array([t for t, _ in want])]  # the opening comes before
    late -= np.median(late)
    assert len(late) > 20
    assert np.abs(late).max() < 1 + 0.25 + 6 * 0.32, late.round(2)


@needs_gcc
def test_an_uneven_motor_noise_and_dim_light(tmp_path):
    show = performance()
    run = bench(show, tmp_path, "double", wow=3, noise=30, clock_bright=260, data_bright=480)
    assert run.said == f"0 {show.disc.message}", run.states
    same_messages(run, show)


@needs_gcc
@pytest.mark.parametrize(
    ("more", "error"),
    [({"has_home": 0}, 1), ({"clock_bright": 95}, 2), ({"speed": "0UL"}, 2)],
)
def test_what_fails_is_named_and_leaves_the_machine_quiet(more, error, tmp_path):
    run = bench(performance(), tmp_path, **more)
    assert run.states[-1][1:] == (ERROR, error)
    on = [m for _, m in run.messages() if m[0] & 0xF0 == 0x90]
    assert not on


@needs_gcc
def test_the_log_is_what_compare_reads(tmp_path, run):
    show = performance()
    done = bench(show, tmp_path / "bench")
    log = tmp_path / "log.csv"
    log.write_text(done.log)
    assert done.log.startswith("time_us,channel,value\n")
    words = ("compare", "cairn-small", log, "--set", "player.rpm=24", "--set", "player.stage=0.31")
    told = run(*words, "--set", "player.settle=0.1", "--json")
    assert told.status == 0, told.err
    found = json.loads(told.out)
    assert (found["agreement"], found["errors"], found["causes"]) == (1.0, [], [])
    assert found["message_read"] == show.disc.message
    assert found["rpm"] == pytest.approx(24.0, rel=1e-3)


@needs_gcc
def test_the_lamps_test_lights_one_after_the_other_in_their_colours(tmp_path):
    settings = {"player.matrix.wiring": "serpentine-rows", "player.matrix.width": 4,
                "player.matrix.colour-order": "grb", "player.matrix.brightness": 0.5,
                "light.lamp": "#ff8000", "music.timing": "player"}  # fmt: skip
    show = sonify.perform(sonify.load_disc("cairn-small"), ["usual"], settings)
    run = bench(show, tmp_path, button=2, lamps=1)
    assert reached(run) == [TEST, IDLE]
    lit = [n for n, *rest in run.lamps if any(rest)]
    lamps = show.setup.player.matrix.lamps
    assert sorted(lit[:lamps]) == list(range(lamps))
    assert lit[lamps:] == list(range(lamps))
    colours = {tuple(rest) for _, *rest in run.lamps if any(rest)}
    assert colours == {(64, 128, 0)}


@needs_avr
@needs_simulator
def test_an_8_bit_chip_reads_the_disc(tmp_path):
    show = performance()
    host.put(show, tmp_path, text=512)
    (tmp_path / "bench_disc.h").write_text(disc_h(show))
    flags = ["-std=gnu99", "-Os", "-mmcu=atmega328p", "-I."]
    subprocess.run(
        ["avr-gcc", *flags, *SOURCES, str(HERE / "firmware_bench.c"), "-o", "all.elf"],
        cwd=tmp_path, check=True, capture_output=True, text=True,
    )  # fmt: skip
    subprocess.run(["avr-gcc", *flags, "-c", "player_machine.c"], cwd=tmp_path, check=True)
    listed = subprocess.run(
        ["avr-size", "player_machine.o"], cwd=tmp_path, check=True, capture_output=True, text=True
    ).stdout
    text, data, bss = (int(n) for n in listed.splitlines()[1].split()[:3])
    # as its README says
    assert 3700 < text <= 4096
    assert 270 < data + bss <= 300
    done = subprocess.run(
        ["simavr", "-m", "atmega328p", "-f", "16000000", "all.elf"],
        cwd=tmp_path, capture_output=True, timeout=500, check=False,
    )  # fmt: skip
    printed = (done.stdout + done.stderr).decode("ascii", "replace")
    lines = re.findall(r"\x1b\[32m([MSLT][^\x1b\n]*)\.", printed)
    run = Run.of("\n".join(lines))
    assert reached(run) == [HOMING, CALIBRATE, READ, SCROLL, IDLE], (run.states, printed[:300])
    assert run.said == f"0 {show.disc.message}"
    same_messages(run, show)


START = """
extern unsigned char top[];
void _start(void);
__attribute__((section(".vectors"), used)) static void (*const vectors[2])(void) =
    {(void (*)(void))0x20200000, _start};
"""


@needs_arm
@pytest.mark.parametrize("index", sampled(BY, 1))
def test_a_32_bit_chip_reads_the_disc(index, tmp_path):
    show = performance()
    host.put(show, tmp_path)
    (tmp_path / "bench_disc.h").write_text(disc_h(show))
    (tmp_path / "start.c").write_text(START)
    flags = ["-std=gnu99", "-Os", "-mcpu=cortex-m3", "-mthumb", "--specs=rdimon.specs", "-I."]
    places = ["-Wl,--section-start=.vectors=0,-Ttext=0x400,-Tdata=0x20000000"]
    subprocess.run(
        ["arm-none-eabi-gcc", *flags, f"-DPLAYER_INDEX_BY={BY[index]}", *places, *SOURCES,
         "start.c", str(HERE / "firmware_bench.c"), "-o", "all.elf"],
        cwd=tmp_path, check=True, capture_output=True, text=True,
    )  # fmt: skip
    done = subprocess.run(
        ["qemu-system-arm", "-M", "mps2-an385", "-nographic", "-monitor", "none", "-serial",
         "none", "-semihosting", "-kernel", "all.elf"],
        cwd=tmp_path, capture_output=True, timeout=300, check=False, text=True,
    )  # fmt: skip
    run = Run.of(done.stdout + done.stderr)
    assert reached(run) == [HOMING, CALIBRATE, READ, SCROLL, IDLE], done.stderr[:500]
    assert run.said == f"0 {show.disc.message}"
    same_messages(run, show)
