"""The generated folder as an engineer gets it: its README alone, other compilers, other chips."""

from __future__ import annotations

import re
import shutil
import subprocess
from itertools import product
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

import sonify
from sonify.cli.app import sonify as command
from sonify.disc.layout import Layout
from sonify.errors import InputError
from sonify.export.firmware import plan_of
from sonify.export.firmware.write import firmware_files, memory_of
from tests.export import firmware_flash as flash
from tests.export import firmware_host as host
from tests.nightly import sampled, sampled_product, sampled_rows

needs_gcc = pytest.mark.skipif(shutil.which("gcc") is None, reason="needs gcc")
needs_avr = pytest.mark.skipif(
    shutil.which("avr-gcc") is None or not Path("/usr/lib/avr/include").is_dir(),
    reason="needs Debian's gcc-avr and avr-libc",
)
needs_simulator = pytest.mark.skipif(shutil.which("simavr") is None, reason="needs simavr")

HERE = Path(__file__).parent
STRICTER = [
    *host.STRICT, "-Wconversion", "-Wsign-conversion", "-Wshadow", "-Wundef", "-Wcast-qual",
    "-Wstrict-prototypes", "-Wmissing-prototypes",
]  # fmt: skip
TABLES_IN_FLASH = ("-std=gnu99", "-Os", "-mmcu=atmega328p")


def performance(disc, presets=(), **settings) -> sonify.Performance:
    source = sonify.load_disc(disc) if isinstance(disc, str) else disc
    settings = {"music.timing": "player"} | {k.replace("__", "."): v for k, v in settings.items()}
    return sonify.perform(source, presets, settings)


def compile_in(folder: Path, compiler: str, *words: str) -> None:
    done = subprocess.run(
        [compiler, *words], cwd=folder, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr[:2000]


def machine_events(show: sonify.Performance, start: float = 0.37) -> tuple[bytes, np.ndarray]:
    """What happens at the machine, not what its core is to be told of it; times in ms."""
    t, player = show.timeline, show.setup.player
    bits = show.bit_stream.bits.reshape(t.rows, t.positions)
    holes = bits == show.disc.layout.hole_means
    slot_ms = 1000 * t.position_s
    slots = np.arange(t.end_slot)
    code = np.full(len(slots), 64, np.uint8)
    code[slots % t.positions == 0] |= 2
    for r in range(t.rows):
        first = int(t.row_slot[r])
        end = first + t.positions
        code[first:end] |= holes[r]
        # it moves from the last position on; an index mark is waited for from the turn's end
        moved_s = (slots[end:] - (end - (player.row_start != "index"))) * t.position_s
        still = moved_s >= player.stage + player.settle - 1e-9
        code[end:] &= 255 - 4
        code[end:][~still] |= 4
    beats = np.arange(1, int(1000 * show.duration_s) + 5000)
    time = np.concatenate([beats.astype(float), start + slots * slot_ms])
    order = np.argsort(np.round(time, 6), kind="stable")
    codes = np.concatenate([np.full(len(beats), ord("."), np.uint8), code])[order]
    return codes.tobytes(), np.concatenate([[0.0], time[order]]) - start


CASES = [("cairn-small", "usual"), ("cairn-small", "quick"), ("cairn-middle", "quick")]


@needs_gcc
@pytest.mark.parametrize(("case", "hole"), sampled_product(CASES, [1, 0]))
def test_the_main_loop_of_the_readme_plays_what_is_heard(case, hole, tmp_path):
    """Its code, its machine and nothing else: the performance's bytes and lamps."""
    disc, player = case
    source = sonify.load_disc(disc)
    layout = Layout(positions=source.positions, hole_means=hole)
    source = sonify.Disc.from_message(source.message, code=source.code, layout=layout)
    show = performance(source, ["larch-marimba", player])
    host.put(show, tmp_path)
    readme = (tmp_path / "README.md").read_text(encoding="utf-8")
    loop = next(c for c in re.findall(r"```c\n(.*?)```", readme, re.DOTALL) if "play_disc" in c)
    missing = "uint8_t hole_is_seen(void), stage_is_still(void), index_is_here(void);\n"
    missing += "void move_stage(void), rest(void);\n"
    missing += "void on_millisecond(void), on_clock_hole(void), play_disc(uint16_t rows);\n"
    (tmp_path / "loop.c").write_text(loop.replace('player.h"\n', 'player.h"\n' + missing, 1))
    sources = ("player.c", "player_tables.c", "loop.c", str(HERE / "firmware_machine.c"))
    compile_in(tmp_path, "gcc", *STRICTER, "-I.", *sources, "-o", "machine")
    events, when = machine_events(show)
    done = subprocess.run(
        [str(tmp_path / "machine"), str(show.timeline.rows)],
        input=events, capture_output=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr.decode()
    records = np.frombuffer(done.stdout, host.RECORD)
    assert host.compare_midi(show, records, when) <= 1.0 + 1e-6
    # the end of the last row is told a position early: a rounding of that position more
    assert host.compare_lights(show, records, when) <= 1.0 + 1e-3
    assert host.said(records) == (source.message.encode(), 0)
    assert records[-1]["b"] == show.timeline.rows - 1
    for word in ("@", "hole_is_seen", "a zero" if hole == 0 else "a one"):
        assert (word in readme) == (word != "@")


COMPILERS = {"gcc": ["-std=c99"], "clang": ["-std=c99"], "g++": ["-x", "c++", "-std=c++11"]}


@pytest.mark.parametrize(
    ("name", "compiler"),
    sampled_rows(product(["ridge-run", "bayati-evening", *flash.FEATURES], COMPILERS), 8),
)
def test_strict_compilers_say_nothing(name, compiler, tmp_path):
    if shutil.which(compiler) is None:
        pytest.skip(f"needs {compiler}")
    by_feature = name in flash.FEATURES
    show = flash.performance(name) if by_feature else performance("cairn-middle", [name])
    folder = host.put(show, tmp_path)
    sources = ["player.c", "player_tables.c", "player_machine.c", "example.c"]
    for source in sources[: 3 if compiler == "g++" else 4]:
        warnings = [w for w in STRICTER if "prototypes" not in w and not w.startswith("-std")]
        compile_in(folder, compiler, *COMPILERS[compiler], *warnings, "-c", source, "-o", "x.o")


@pytest.mark.skipif(shutil.which("g++") is None, reason="needs g++")
def test_it_links_to_a_program_in_cpp(tmp_path):
    folder = host.put(performance("cairn-small", ["quick"]), tmp_path)
    (folder / "machine.cpp").write_text(
        '#include "player.h"\n'
        "void player_set_lamp(uint16_t, uint8_t) {}\n"
        "void player_send(uint8_t) {}\n"
        "void player_message(const uint8_t *, uint16_t, uint8_t) {}\n"
        "int main() { player_start(); player_silence(); return player_busy() - 1; }\n"
    )
    for source in ("player.c", "player_tables.c"):
        compile_in(folder, "gcc", *STRICTER, "-c", source)
    compile_in(
        folder, "g++", "-std=c++11", "-Wall", "-Wextra", "-pedantic", "-Werror", "machine.cpp",
        "player.o", "player_tables.o", "-o", "machine",
    )  # fmt: skip
    subprocess.run([str(folder / "machine")], check=True)


@needs_gcc
@pytest.mark.parametrize("wiring", ["rows", "serpentine-columns"])
def test_the_machine_knows_where_lamps_are_on_the_strip(wiring, tmp_path):
    show = performance(
        "cairn-small", ["quick"], player__matrix__wiring=wiring, player__matrix__missing=[[2, 1]]
    )
    folder = host.put(show, tmp_path)
    (folder / "machine.c").write_text(
        '#include <stdio.h>\n#include "player.h"\n'
        "void player_set_lamp(uint16_t l, uint8_t v) { (void)l; (void)v; }\n"
        "void player_send(uint8_t b) { (void)b; }\n"
        "void player_message(const uint8_t *t, uint16_t n, uint8_t s)"
        " { (void)t; (void)n; (void)s; }\n"
        "int main(void) { uint16_t k; for (k = 0; k < PLAYER_LAMPS; k++)"
        ' printf("%u ", (unsigned)player_strip_of(k)); return 0; }\n'
    )
    sources = ("player.c", "player_tables.c", "machine.c")
    compile_in(folder, "gcc", *STRICTER, *sources, "-o", "machine")
    said = subprocess.run([str(folder / "machine")], check=True, capture_output=True).stdout
    want = show.wiring.strip.reshape(-1)
    assert want.min() == -1
    assert [int(n) for n in said.split()] == np.where(want < 0, 65535, want).tolist()


@needs_avr
def test_tables_lie_in_program_memory_by_themselves(tmp_path):
    """With nothing but the compiler's own words: no initialised data in RAM."""
    show = performance("cairn-small", ["bell-tower"])
    folder = small_machine(show, tmp_path)
    listed = subprocess.run(
        ["avr-size", "all.elf"], cwd=folder, check=True, capture_output=True, text=True
    ).stdout
    _, data, bss = (int(n) for n in listed.splitlines()[1].split()[:3])
    assert data <= 8
    assert data + bss <= memory_of(plan_of(show)).ram + 32
    # -std=c99 has no word for it
    compile_in(folder, "avr-gcc", "-std=c99", *TABLES_IN_FLASH[1:], "-c", "player.c")


def small_disc(show: sonify.Performance) -> str:
    bits = np.packbits(np.maximum(show.disc.grid, 0).astype(np.uint8), bitorder="little")
    numbers = ", ".join(map(str, bits.tolist()))
    return (
        f"#define ROWS {show.disc.rows}\n#define BITS {{{numbers}}}\n"
        f"#define MESSAGE_MS {int(1000 * (show.duration_s - show.read_s)) + 2000}UL\n"
    )


def small_machine(show: sonify.Performance, folder: Path) -> Path:
    """A whole program for a small chip, with the disc in it, as all.elf."""
    host.put(show, folder)
    (folder / "main.c").write_text((HERE / "firmware_small.c").read_text())
    (folder / "disc.h").write_text(small_disc(show))
    sources = ("player.c", "player_tables.c", "main.c")
    compile_in(folder, "avr-gcc", *TABLES_IN_FLASH, *sources, "-o", "all.elf")
    return folder


@needs_avr
@needs_simulator
@pytest.mark.parametrize(
    "preset", sampled(["spring-canon", "snow-plough", "bayati-evening", "koto-pond"], 2)
)
def test_a_small_chip_plays_it_within_its_stack(preset, tmp_path):
    """In a simulator of a chip whose int has 16 bits and whose RAM ends: the same bytes."""
    show = performance("cairn-small", [preset])
    folder = small_machine(show, tmp_path)
    done = subprocess.run(
        ["simavr", "-m", "atmega328p", "-f", "16000000", "all.elf"],
        cwd=folder, capture_output=True, timeout=300, check=False,
    )  # fmt: skip
    printed = (done.stdout + done.stderr).decode("ascii", "replace")
    lines = re.findall(r"[MTS][0-9A-F]{2,}[^\n\x1b]*", printed)
    sent = bytes(int(line[1:3], 16) for line in lines if line[0] == "M")
    got = [bytes.fromhex(m) for m in re.findall("(?:[8-9a-be]. .. ..|c. ..)", sent.hex(" "))]
    want = [m[2] for m in host.expected_messages(show)]
    for channel in range(16):
        mine = sorted(m for m in got if m[0] & 15 == channel)
        assert mine == sorted(m for m in want if m[0] & 15 == channel)
    assert f"T00 {show.disc.message}" in printed
    (stack,) = (int(line[1:5], 16) for line in lines if line[0] == "S")
    # what main and its functions take, some 20 bytes, is in it
    assert memory_of(plan_of(show)).stack - 80 < stack < memory_of(plan_of(show)).stack + 20


@needs_gcc
@pytest.mark.parametrize(
    "preset", sampled(["hut-band", "koto-pond", "bayati-evening", "seven-peaks"], 2)
)
def test_a_disc_after_another_plays_as_after_none(preset, tmp_path):
    """Whatever came before player_start, a row broken off too, leaves nothing behind."""
    show = performance("cairn-small", [preset, "quick"])
    program = host.build(show, tmp_path, *host.SANITIZE)
    events = host.schedule(show)[0]
    alone = host.run(program, events)
    rng = np.random.default_rng(3)
    first = bytes(rng.choice(list(b"0111..?...."), 900).tolist())
    for before in (events, events[:4321], first + b"p" + first, first + b"r" + first):
        both = host.run(program, before + b"s" + events)
        told = both[both["event"] > len(before) + 1]
        assert len(told) > 50
        after = alone[alone["event"] > 0]
        for field in ("kind", "a", "b"):
            assert (told[field] == after[field]).all()
        assert (told["event"] - len(before) - 1 == after["event"]).all()


@needs_gcc
@pytest.mark.parametrize("preset", sampled(["snow-plough", "music-box", "glass-rain"], 1))
def test_counters_may_pass_their_ends(preset, tmp_path):
    """Ticks pass the end of their counters after 22 days of one disc: the same bytes and lamps.

    Milliseconds are counted up to the length of a position only.
    """
    show = performance("cairn-small", [preset, "quick"])
    events = host.schedule(show)[0]
    alone = host.run(host.build(show, tmp_path), events)
    host.put(show, tmp_path)
    sources = ("player_tables.c", str(HERE / "firmware_driver.c"))
    compile_in(tmp_path, "gcc", *host.STRICT, "-DWRAP", "-I.", *sources, "-o", "wrap")
    at = [*range(300, events.index(b"e"), 97), len(events) - 2500]
    late = events
    for cut in reversed(at):
        late = late[:cut] + b"w" + late[cut:]
    shifted = host.run(tmp_path / "wrap", late)
    for field in ("kind", "a", "b"):
        assert (shifted[field] == alone[field]).all()
    at_event = shifted["event"].astype(int)
    for cut in at:
        at_event -= at_event > cut
    assert (at_event == alone["event"]).all()


@needs_gcc
def test_a_disc_that_is_stopped_while_it_is_read_goes_quiet(tmp_path):
    """A held note ends by itself soon after the clock's holes stop coming."""
    voices = [{"name": "d", "source": "drone", "rhythm": [{"rule": "held", "across": True}]}]
    show = performance("cairn-middle", ["usual"], **{"music.voice": voices})
    events = host.schedule(show)[0]
    at = events.index(b"r") // 2
    records = host.run(host.build(show, tmp_path), events[:at] + b"." * 40_000)
    heard = host.messages(records, np.concatenate([[0], np.arange(at + 40_000)]))
    assert heard[-1][1][0] & 0xF0 == 0x80
    assert 1940 < heard[-1][0] - at < 2010
    assert "2.0 s while a row" in firmware_files(plan_of(show))["README.md"].replace("\n ", "")


LIMITS = {
    "rhythm rules": (
        "cairn-small",
        [{"name": f"v{n}", "pitch": "one-tone", "channel": 1 + n % 9, "rhythm": ["changes"] * 14}
         for n in range(21)],
        "294 rhythm rules in all voices, and the core counts to 254",
    ),
    "places": (
        "long",
        [{"name": f"v{n}", "pitch": "one-tone", "positions": f"{n + 1}-{n + 90}"}
         for n in range(9)],
        "73,728 places",
    ),
    "tones": (
        "long",
        [{"name": f"v{n}", "channel": 1 + n % 9,
          "pitch": {"scheme": "table", "degrees": [n % 7, *range(9)] * 400, "by": "position"}}
         for n in range(18)],
        "72,000 tones in tables",
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", LIMITS)
def test_more_than_the_cores_numbers_count_is_refused(name):
    disc, voices, reason = LIMITS[name]
    if disc == "long":
        disc = sonify.Disc.from_bits(np.random.default_rng(1).integers(0, 2, (2, 8192)))
    with pytest.raises(InputError, match=reason):
        plan_of(performance(disc, **{"music.voice": voices}))


@needs_gcc
def test_positions_of_less_than_a_millisecond(tmp_path):
    disc = sonify.Disc.from_bits(np.random.default_rng(1).integers(0, 2, (2, 8192)))
    show = performance(disc, ["usual"], **{"music.voice": [{"pitch": "one-tone"}]})
    assert show.timeline.position_s < 0.001
    program = host.build(show, tmp_path)
    events, when = host.schedule(show)
    assert host.compare_midi(show, host.run(program, events), when) <= 1.0 + 1e-6


def test_a_message_without_room_is_told(tmp_path):
    words = ["firmware", "cairn-large", "-o", str(tmp_path / "x"), "--set", "music.timing=player"]
    done = CliRunner().invoke(command, [*words, "--text", "300"])
    assert done.exit_code == 0, done.output
    assert "takes 539 bytes" in done.output
    assert "add --text 539" in done.output
    done = CliRunner().invoke(command, [*words, "--text", "539", "--force"])
    assert "would be cut" not in done.output


@needs_avr
@pytest.mark.parametrize("name", sampled(flash.FEATURES, 4))
def test_what_a_feature_takes_of_a_small_chip_is_as_told(name, tmp_path):
    """Program memory and RAM by avr-size, with up to 150 bytes for what main takes."""
    show = flash.performance(name)
    code, ram = flash.measured(show, tmp_path)
    plan = plan_of(show)
    told = memory_of(plan)
    upon = {"led": {"bends"}, "trail": {"ages"}} | {
        key: {"colours"} for key in ("moved", "heard", "ages")
    }
    assert name in ("plain", "wired") or plan.features == {name} | upon.get(name, set())
    assert told.code - 150 <= code <= told.code + 100
    assert told.ram - 8 <= ram <= told.ram + 2
    if name == "plain":
        assert ram - plan.text + plan.needed + told.stack < 512
