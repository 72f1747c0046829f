"""The gallery's pages, and the pictures and sounds of all pages, made by MkDocs as it builds.

They are kept in `build/gallery` until sonify or what ships with it changes.
"""

from __future__ import annotations

import hashlib
import inspect
import shutil
import tempfile
import warnings
from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from functools import cache
from pathlib import Path
from typing import Any

from mkdocs.config.defaults import MkDocsConfig
from mkdocs.structure.files import File, Files
from PIL import Image

import sonify
from sonify.errors import Caution, InputError
from sonify.export.audition import figures, notes_picture
from sonify.export.clip.material import MATERIALS as FILMED
from sonify.export.drawing.drawing import drawing_of
from sonify.export.drawing.drawing_formats import draw
from sonify.export.drawing.png import MATERIALS
from sonify.export.firmware import plan_of
from sonify.export.sound.file import compressed
from sonify.export.sound.options import SoundOptions
from sonify.presets import folder, shipped

DISC = "cairn-middle"
HEARD_S = 15.0
"""How much of each preset is heard. Own choice: a few bars."""
KBIT = 48
"""Of the sounds, in kbit/s: enough for instruments, and under 170 kB each."""


def on_files(files: Files, config: MkDocsConfig) -> Files:
    """Add pages, pictures and sounds. A page's docstring has its title and first words."""
    made = Path(config.config_file_path).parent / "build/gallery" / state()
    if not made.is_dir():
        shutil.rmtree(made.parent, ignore_errors=True)
        made.parent.mkdir(parents=True)
        with tempfile.TemporaryDirectory(dir=made.parent) as beside:
            make_all(Path(beside))
            shutil.copytree(beside, made)
    for path in sorted(made.iterdir()):
        files.append(File.generated(config, f"gallery/{path.name}", abs_src_path=str(path)))
    for page in (presets, looks, materials):
        text = "\n\n".join(("# " + (inspect.getdoc(page) or ""), *page())) + "\n"
        files.append(File.generated(config, f"gallery/{page.__name__}.md", content=text))
    return files


def state() -> str:
    """A name for the state of all that pictures and sounds depend on."""
    places = (Path(sonify.__file__).parent, folder(), Path(__file__))
    paths = (f for p in places for f in (sorted(p.rglob("*")) if p.is_dir() else [p]))
    kept = (p.read_bytes() for p in paths if p.suffix in (".py", ".toml", ".json"))
    return hashlib.sha256(b"".join(kept)).hexdigest()[:16]


def of_kind(kind: str) -> list[tuple[str, str]]:
    """Names of what ships, and what is said of each."""
    return [(s.name, s.about) for s in shipped() if s.kind == kind]


@cache
def show_of(*presets: str, **settings: Any) -> sonify.Performance:
    given = {key.replace("__", "."): value for key, value in settings.items()}
    return sonify.perform(sonify.load_disc(DISC), presets, given)


def make_all(to: Path) -> None:
    """Make all pictures and sounds, side by side where the work is not Python's."""
    warnings.simplefilter("ignore", Caution)
    disc = sonify.load_disc(DISC)
    assert disc.geometry is not None
    drawing = drawing_of(disc, disc.geometry)
    for name, _ in of_kind("look"):
        frame(show_of(name, "hut-band"), to / f"{name}.png", "lights", 55, size="640x200")
    for name in MATERIALS:
        (to / f"disc-{name}.png").write_bytes(draw(drawing, ".png", size=480, material=name))
    for name in FILMED:
        show = show_of(clip__material=name, clip__views=("disc",))
        frame(show, to / f"film-{name}.jpg", "clip", 30, size="480x480")
    show = show_of("hut-band", clip__views=("disc", "matrix", "notes", "message"))
    frame(show, to / "clip.jpg", "clip", 55, size="1280x720")
    room = show_of("prism", "hut-band", light__view="room")
    frame(room, to / "room.jpg", "lights", 55, size="1280x720")
    small = sonify.perform(sonify.load_disc("cairn-small"), ["hut-band"])
    small.save(to / "lights.gif", "lights", size="480x160")
    small.save(to / "message.gif", "message", size="480x160", fps=15)
    with ThreadPoolExecutor(2) as pool:
        list(pool.map(lambda row: preset_files(row[0], to), of_kind("music")))


def preset_files(name: str, to: Path) -> None:
    """A preset's sound, and the picture of its notes."""
    show = show_of(name)
    Image.fromarray(notes_picture(show, HEARD_S)).save(to / f"{name}-notes.png", optimize=True)
    sound = compressed(show, ".opus", KBIT, SoundOptions(to_s=HEARD_S))
    (to / f"{name}.opus").write_bytes(sound)


def frame(show: sonify.Performance, path: Path, what: str, at: float, **options: Any) -> None:
    """The picture at a time."""
    with tempfile.TemporaryDirectory() as beside:
        show.save(f"{beside}/f/", what, from_s=at, to_s=at + 0.01, **options)
        with Image.open(Path(beside, "f/frame-000000.png")) as picture:
            shown = picture if path.suffix == ".png" else picture.convert("RGB")
            shown.save(path, quality=82, optimize=True)


def presets() -> Iterable[str]:
    """Musical presets

    The first seconds of the disc `cairn-middle` under each preset, with the notes of its voices and
    [what is measured](../ideas/measures.md) of the whole piece. Use one with `-p NAME`;
    `sonify audition` makes such a page for your own disc.

    !!! warning "Turn the volume down first"
        Sudden loud sound can damage hearing, above all on headphones.
    """
    for name, words in of_kind("music"):
        show = show_of(name)
        facts = "".join(f"<div><dt>{k}</dt><dd>{v}</dd></div>" for k, v in figures(show)[2])
        yield f"""## {name}

{words[0].upper()}{words[1:]}.

![The notes of {name}]({name}-notes.png){{ .notes }}

<audio controls preload="none" src="{name}.opus" aria-label="{name}"></audio>

<dl class="figures">{facts}</dl>

{machine_says(name)}"""


def machine_says(name: str) -> str:
    """Whether the firmware's core can play a preset, and if not, why."""
    try:
        plan_of(show_of(name, music__timing="player"))
    except InputError as e:
        return f"A machine can't play it: {e.what}."
    return "A machine can play it."


def looks() -> Iterable[str]:
    """Looks

    How lamps look in animations and clips: `sonify lights note.toml -p embers`. The settings are
    those of [\\[light\\]](../reference/settings.md#light).
    """
    for name, words in of_kind("look"):
        yield f"## {name}\n\n{words[0].upper()}{words[1:]}.\n\n![The look {name}]({name}.png)"
    yield '## In a dark room\n\nAny look with `light.view = "room"`.\n\n![A dark room](room.jpg)'


def materials() -> Iterable[str]:
    """Materials

    What a disc is shown in.
    """
    for title, words, names, file in (
        (
            "Pictures",
            "`sonify draw note.toml -o note.png --material oak`",
            MATERIALS,
            "disc-{}.png",
        ),
        ("Clips", "`sonify clip note.toml --set clip.material=oak`", FILMED, "film-{}.jpg"),
    ):
        yield f"## {title}\n\n{words.replace('oak', list(names)[-1])}"
        shown = (f"<figure markdown>\n![{n}]({file.format(n)})\n<figcaption>{n}</figcaption>\n"
                 "</figure>" for n in names)  # fmt: skip
        yield '<div class="grid" markdown>\n' + "\n".join(shown) + "\n</div>"
