"""Program memory and RAM of the core by feature, measured with avr-size.

    python -m tests.export.firmware_flash

prints the table of `CODE` in `sonify.export.firmware.write`.
"""

from __future__ import annotations

import subprocess
import tempfile
from pathlib import Path
from typing import Any

import sonify
from sonify.disc.code.code import Code
from sonify.disc.layout import Layout
from sonify.export.firmware import plan_of
from sonify.export.firmware.write import memory_of
from tests.export import firmware_host as host

MAIN = """#include "player.h"
volatile uint8_t out;
void player_set_lamp(uint16_t l, uint8_t v) { out = (uint8_t)(l ^ v); }
#if PLAYER_HUES
void player_set_colour(uint16_t l, uint8_t r, uint8_t g, uint8_t b)
{ out = (uint8_t)(l ^ r ^ g ^ b); }
#endif
void player_send(uint8_t b) { out = b; }
void player_message(const uint8_t *t, uint16_t n, uint8_t s) { out = (uint8_t)(t[0] ^ n ^ s); }
int main(void)
{
    player_start();
    for (;;) {
        player_since(out);
        player_position(out);
        player_row_end();
        player_millisecond();
        player_disc_end();
        player_silence();
        player_period(out);
    }
}
"""


def voice(**more: Any) -> dict[str, Any]:
    return {"name": "one", "pitch": "place", **more}


FEATURES: dict[str, dict[str, Any]] = {
    "plain": {},
    "lines": {"player.matrix.fill": "fitted"},
    "chance": {"music.voice": [voice(rhythm=[{"rule": "humanise", "time": 0, "velocity": 0.2}])]},
    "bends": {"music.scale": "bayati"},
    "led": {
        "music.scale": "bayati",
        "music.voice": [voice(pitch={"scheme": "place", "leading": "nearest"})],
    },
    "values": {
        "music.voice": [voice(pitch={"scheme": "character", "span": 5},
                              rhythm=[{"rule": "entry", "steps": 7}])]
    },
    "vamp": {"music.voice": [voice(rhythm=["vamp"])]},
    "strokes": {"music.voice": [voice(source="row-end-chords", rhythm=["changes", "repeat"])]},
    "downwards": {
        "music.voice": [
            voice(
                source="row-end-chords",
                rhythm=[
                    {"rule": "thinned", "every": 3}, {"rule": "length", "steps": 3},
                    {"rule": "strum", "step": 0.3, "way": "down"},
                ],
            )
        ]
    },
    "form": {"music.form.plan": "rondo"},
    "colours": {"light.colours": "row"},
    "moved": {"light.colours": "row", "player.matrix.fill": "rolling"},
    "heard": {"light.colours": "velocity"},
    "loud": {"light.velocity": True},
    "trail": {"light.trail": 2.0},
    "ages": {"light.colours": "age"},
    "wired": {"player.matrix.wiring": "serpentine-rows"},
    "repair": {},
}  # fmt: skip


def performance(name: str) -> sonify.Performance:
    """A small disc with one feature."""
    code = Code(check="reed-solomon") if name == "repair" else Code()
    layout = Layout(positions=56)
    disc = sonify.Disc.from_message("FOG LIFTS AT 9, COL OPEN", code=code, layout=layout)
    usual = {"music.timing": "player", "player.matrix.fill": "rows", "music.voice": [voice()]}
    return sonify.perform(disc, settings=usual | FEATURES[name])


def measured(show: sonify.Performance, folder: Path) -> tuple[int, int]:
    """Code without tables, and RAM, in bytes; with what main and the C library take."""
    host.put(show, folder)
    (folder / "main.c").write_text(MAIN)
    flags = ["-mmcu=atmega328p", "-Os", "-std=gnu99", "-ffunction-sections", "-Wl,--gc-sections"]
    subprocess.run(
        ["avr-gcc", *flags, "player.c", "player_tables.c", "main.c", "-o", "all.elf"],
        cwd=folder, check=True, capture_output=True,
    )  # fmt: skip
    listed = subprocess.run(
        ["avr-size", "all.elf"], cwd=folder, check=True, capture_output=True, text=True
    ).stdout
    text, data, bss = (int(n) for n in listed.splitlines()[1].split()[:3])
    return text + data - memory_of(plan_of(show)).tables, data + bss


def main() -> None:
    plain = 0
    for name in FEATURES:
        show = performance(name)
        with tempfile.TemporaryDirectory() as folder:
            code, ram = measured(show, Path(folder))
        plan = plan_of(show)
        plain = plain or code
        told = memory_of(plan)
        print(
            f"{name:8} code {code:6} ({code - plain:+5})  told {told.code}  ram {ram} "
            f"told {told.ram}  stack {told.stack}  text {plan.text} notes {plan.notes}"
        )


if __name__ == "__main__":
    main()
