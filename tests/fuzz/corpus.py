"""Real files of every kind that sonify reads, small, to be damaged."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
from PIL import Image

from tests.export.soundfonts import TICK, soundfont

MESSAGE = "RAIN AT 4 PM"

GRID = """1011001?1
0100110.1
111000111
"""

PRESET = """[player]
rpm = 12.5
[player.matrix]
width = 12
height = 4
fill = "rows"
[music]
root = "E3"
scale = "dorian"
step = "1/8"
[[music.voice]]
name = "tune"
program = 12
pitch = { scheme = "walk" }
rules = [{ rule = "echo", times = 2 }]
[light]
on = "#ffaa00"
"""

EDGES = "time_s,clock,data\n" + "".join(
    f"{k * 0.05:.3f},{k % 2},{(k * 7 // 3) % 2}\n" for k in range(400)
)

VCD = """$timescale 1 us $end
$scope module top $end
$var wire 1 ! clock $end
$var wire 1 " data $end
$upscope $end
$enddefinitions $end
#0
0!
0"
""" + "".join(f'#{k * 50000}\n{k % 2}!\n{(k * 7 // 3) % 2}"\n' for k in range(1, 300))

BDF = """STARTFONT 2.1
FONT -cairn-hut-medium-r-normal--8-80-75-75-c-60-iso10646-1
SIZE 8 75 75
FONTBOUNDINGBOX 5 7 0 0
CHARS 2
STARTCHAR A
ENCODING 65
SWIDTH 500 0
DWIDTH 6 0
BBX 5 7 0 0
BITMAP
20
50
88
F8
88
88
88
ENDCHAR
STARTCHAR space
ENCODING 32
SWIDTH 500 0
DWIDTH 6 0
BBX 5 7 0 0
BITMAP
00
00
00
00
00
00
00
ENDCHAR
ENDFONT
"""

SET_LINES = (
    "music.root=E3", "music.voice=[{name=\"a\", program=3}]", "player.rpm=12",
    "light.on=\"#ff8800\"", "music.length=\"20 s\"", "music.metre=\"4/4, 3/4\"",
    "player.matrix.width=16", "music.rules=[{rule=\"entry\", steps=6}]",
)  # fmt: skip


def _sonify(folder: Path, *words: str) -> None:
    subprocess.run(
        [sys.executable, "-m", "sonify", *words], cwd=folder, check=True, capture_output=True
    )


def _log(disc: Path) -> np.ndarray:
    import sonify
    from tests.recover.log_player import Machine, record

    grid = sonify.load_disc(disc).grid
    return record(np.asarray(grid), Machine(rate=500.0))


def _photo(path: Path, drawing: Path) -> None:
    with Image.open(drawing) as picture:
        picture.convert("RGB").resize((320, 320)).save(path, quality=80)


def make(folder: Path) -> dict[str, list[Path]]:
    """Write the files into a folder. Returns them by kind."""
    folder.mkdir(parents=True, exist_ok=True)

    def text(name: str, what: str) -> Path:
        path = folder / name
        path.write_text(what, encoding="utf-8")
        return path

    _sonify(folder, "encode", MESSAGE, "--check", "crc-16", "-o", "rain.toml")
    disc = folder / "rain.toml"
    bits = text("bits.toml", 'title = "Hail"\nbits = ["10110?1", "0010010", "1110001"]\n')
    for name in ("rain.svg", "rain.dxf", "rain.csv"):
        _sonify(folder, "draw", "rain.toml", "-o", name)
    _sonify(folder, "draw", "rain.toml", "-o", "drawn.png", "--size", "400")
    _sonify(folder, "midi", "rain.toml", "-o", "rain.mid")
    _sonify(folder, "midi", "rain.toml", "-p", "hut-band", "-o", "band.mid")
    _photo(folder / "rain.jpg", folder / "drawn.png")
    log = _log(disc)
    np.save(folder / "log.npy", log[:6000].astype(np.float32))
    np.save(folder / "grid.npy", np.arange(60).reshape(3, 20) % 3 == 0)
    rows = (f"{k / 500:.4f};{a:.3f};{b:.3f}" for k, (a, b) in enumerate(log[:3000].tolist()))
    table = text("log.csv", "Time (s);Clock (V);Data (V)\n" + "\n".join(rows) + "\n")
    import soundfile

    soundfile.write(folder / "log.wav", log[:6000] / 5, 4000)
    (folder / "project.toml").write_text(
        disc.read_text(encoding="utf-8") + '\n[setup.music]\nroot = "D3"\n', encoding="utf-8"
    )
    found: dict[str, list[Path]] = {
        "disc": [disc, bits],
        "project": [folder / "project.toml"],
        "preset": [text("mine.toml", PRESET)],
        "drawing": [folder / n for n in ("rain.svg", "rain.dxf", "rain.csv")],
        "picture": [folder / "rain.jpg", folder / "drawn.png"],
        "log": [
            folder / "log.npy", table, folder / "log.wav", text("edges.csv", EDGES),
            text("log.vcd", VCD),
        ],
        "grid": [text("grid.txt", GRID), folder / "grid.npy"],
        "midi": [folder / "rain.mid", folder / "band.mid"],
        "soundfont": [soundfont(folder / "tick.sf2", TICK)],
        "font": [text("two.bdf", BDF)],
        "set": [text("set.txt", json.dumps(SET_LINES))],
    }  # fmt: skip
    return found


COMMANDS: dict[str, Callable[[str], list[list[str]]]] = {
    "disc": lambda f: [["inspect", f], ["midi", f, "-o", "o.mid"], ["draw", f, "-o", "o.svg"],
                       ["edit", f, "flip 1:2", "-o", "o.toml"]],
    "project": lambda f: [["midi", f, "-o", "o.mid"], ["inspect", f, "--json"]],
    "preset": lambda f: [["midi", "cairn-small", "-p", f, "-o", "o.mid"],
                         ["inspect", "cairn-small", "-p", f]],
    "drawing": lambda f: [["read", f], ["inspect", f], ["compare", "rain.toml", f]],
    "picture": lambda f: [["read", f], ["compare", "rain.toml", f]],
    "log": lambda f: [["read", f], ["compare", "rain.toml", f], ["read", f, "--positions", "30"]],
    "grid": lambda f: [["read", f], ["inspect", f], ["compare", "rain.toml", f]],
    "midi": lambda f: [["read", f], ["compare", "rain.toml", f],
                       ["compose", "--tune", f, "-o", "o.toml"]],
    "soundfont": lambda f: [["sound", "bits.toml", "--soundfont", f, "-o", "o.wav"]],
    "font": lambda f: [["message", "bits.toml", "--set", f'player.matrix.letters="{f}"',
                        "-o", "o.gif"]],
    "set": lambda f: [["midi", "bits.toml", "--set", f, "-o", "o.mid"],
                      ["inspect", "bits.toml", "--set", f]],
}  # fmt: skip
"""The commands that read each kind of file."""

SHARES = {
    "disc": 40, "project": 80, "preset": 60, "set": 60, "font": 80, "grid": 8, "soundfont": 3,
    "drawing": 2, "midi": 2, "log": 1, "picture": 1,
}  # fmt: skip
"""How often each kind comes in a long run: about as much more often as its cases are shorter."""
