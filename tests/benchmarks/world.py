"""What the readers and the diagnosis make of the generators in tests/world.

    python -m tests.benchmarks.world photos|healthy|faulty|daw [letters] [first:last] [--held-back]
                                     [--keep FOLDER] [--say]

Generators a and b are run unless letters name others. Every third seed (0, 3, 6 ...) is left out,
unless --held-back asks for just these. Of the generators c and g all seeds are kept back: they are
run only when named, with --held-back. The table has one row a generator, and for faults one row a
fault. --keep writes the inputs that failed to FOLDER. Below the row of photographs stands how often
bits of a confidence are right. With the word `told`, a daw file is read with its disc's positions
and rows given.
"""

from __future__ import annotations

import importlib
import sys
import tempfile
import time
import warnings
from collections import Counter
from collections.abc import Iterator
from itertools import pairwise, product
from pathlib import Path
from typing import Any

import numpy as np

from sonify.errors import InputError

SAME_CAUSE = {
    "rows-swapped": ("rows-swapped",),
    "stage-early": ("stage-early", "stage"),
    "stage-late": ("stage-late", "stage"),
    "stage-missed-step": ("missed-step", "stage"),
    "disc-other": ("disc-other", "refused"),
    "data-stuck": ("data-stuck", "data-dead"),
    "threshold-off": ("threshold",),
    "threshold-outside": ("threshold-outside", "threshold"),
    "warped-disc": ("warped-disc", "off-centre"),
    "blocked-hole": ("hole",),
    "extra-hole": ("hole",),
    "wrong-setting": ("turned", "reversed", "inverted", "bit-order", "row-start"),
    "midi-lost-note-offs": ("wire",),
    "midi-lost-notes": ("wire",),
}
"""The causes that name a generator's fault, where they have another name than it."""


KEPT_BACK = "cg"
"""Generators that nothing is tuned to, with all their seeds."""


def seeds(first: int, last: int, held_back: bool, letter: str = "") -> Iterator[int]:
    """Those of a range that may be looked at, or those that are kept back."""
    if letter and letter in KEPT_BACK:
        return iter(range(first, last) if held_back else ())
    return (s for s in range(first, last) if (s % 3 == 0) == held_back)


CONFIDENCES = (0.5, 0.9, 0.99, 1.0001)
"""Bounds of the rows of the table that tells how often bits of a confidence are right."""


def reliability(
    holes: np.ndarray, confidence: np.ndarray, grid: np.ndarray
) -> list[tuple[int, int]] | None:
    """How many bits there are between two confidences, and how many of them are right, however
    the disc is turned; None if it has another shape."""
    if holes.shape != grid.shape:
        return None
    best: tuple[int, list[tuple[int, int]]] | None = None
    for rows, way, sense in product((1, -1), (1, -1), (0, 1)):
        placed, sure = (v[::rows, ::way] for v in (holes ^ sense, confidence))
        for start in range(grid.shape[1]):
            right = np.roll(placed, start, axis=1) == grid
            if best is not None and right.sum() <= best[0]:
                continue
            turned = np.roll(sure, start, axis=1)
            bins = [(turned >= low) & (turned < high) for low, high in pairwise(CONFIDENCES)]
            best = int(right.sum()), [(int(b.sum()), int((b & right).sum())) for b in bins]
    assert best is not None
    return best[1]


def photograph(made: Any, folder: Path) -> tuple[str, str, list[tuple[int, int]] | None]:
    """What became of a picture (right, doubted, refused, wrong), what was said of it, and how
    many bits of each confidence are right, unless it is refused or has another shape."""
    from sonify.recover.search.find import find_message
    from sonify.recover.sources.image.photo import read_photograph

    path = folder / "photo.jpg"
    if getattr(made, "jpeg", None):
        path.write_bytes(made.jpeg)
    else:
        from PIL import Image

        path = path.with_suffix(".png")
        Image.fromarray(made.image).save(path, compress_level=1)
    try:
        sighting = read_photograph(path)
        found = find_message(sighting)
    except InputError as e:
        return "refused", str(e), None
    bits = reliability(sighting.holes, sighting.confidence, made.grid)
    grid, decoding = found.disc.grid, found.disc.decoding
    said = "; ".join(map(str, (*sighting.cautions, *found.cautions)))
    right = made.message is not None and found.disc.message == made.message
    same = grid.shape == made.grid.shape and not ((grid >= 0) & (grid != made.grid)).any()
    if right or same:
        return "right", said, bits
    doubt = found.cautions or sighting.cautions or (decoding and decoding.verdict == "failed")
    return "doubted" if doubt else "wrong", f"{grid.shape} for {made.grid.shape}; {said}", bits


def diagnosed(made: Any, folder: Path) -> tuple[list[str], int, int, bool, bool, str]:
    """The causes found, how many bits are really wrong and how many of these were found at their
    place, whether nothing shows of bits that are wrong, whether these were handed out as known
    besides, and what was said."""
    from sonify.performance import perform
    from sonify.recover.diagnosis import compare

    ((name, data),) = made.files.items()
    path = folder / name
    path.write_bytes(data)
    presets = getattr(made, "presets", ())
    settings = {k if "." in k else f"player.{k}": v for k, v in made.settings.items()}
    show = perform(made.disc, presets=list(presets), settings=settings)
    try:
        # a sound file has units of its own
        volts = None if name.endswith(".wav") else getattr(made, "threshold", None)
        seen = compare(show, path, threshold=volts)
    except InputError as e:
        return ["refused"], 0, 0, False, False, str(e)
    except Exception as e:  # what a person would see as a traceback counts as a failure
        return ["crashed"], 0, 0, False, False, repr(e)
    wrong = (made.grid_read >= 0) & (made.grid_read != made.disc.grid) & (made.disc.grid >= 0)
    places = set(zip(seen.errors["row"].tolist(), seen.errors["position"].tolist(), strict=True))
    hit = sum(
        place in places for place in zip(*map(np.ndarray.tolist, wrong.nonzero()), strict=True)
    )
    hidden = not seen.causes and not len(seen.errors) and bool(wrong[seen.bits >= 0].any())
    said = "; ".join(f"{c.name} {c.probability:.2f}" for c in seen.causes)
    known = hidden and seen.sure >= SURE
    return [c.name for c in seen.causes], int(wrong.sum()), hit, hidden, known, said


def photos(letter: str, run: Iterator[int], keep: Path | None, say: bool) -> None:
    """One row a generator of photographs."""
    world = importlib.import_module(f"tests.world.photos_{letter}")
    tally: Counter[str] = Counter()
    took, other, whole = [], 0, 0
    sure = np.zeros((len(CONFIDENCES) - 1, 2), int)
    with tempfile.TemporaryDirectory() as name:
        for seed in run:
            made = world.picture(seed)
            if not made.readable:
                continue
            begin = time.process_time()
            verdict, said, bits = photograph(made, Path(name))
            took.append(time.process_time() - begin)
            tally[verdict] += 1
            other += bits is None and verdict != "refused"
            whole += verdict == "doubted" and bits is not None and all(n == k for n, k in bits)
            sure += np.array(bits or np.zeros_like(sure))
            if verdict != "right":
                if say:
                    print(f"  {letter} {seed}: {verdict}: {said}", flush=True)
                if keep:
                    file = next(Path(name).glob("photo.*"))
                    (keep / f"{letter}-{seed}-{verdict}{file.suffix}").write_bytes(
                        file.read_bytes()
                    )
            for file in Path(name).glob("photo.*"):
                file.unlink()
    count = sum(tally.values())
    print(
        f"photos {letter}: {count} readable, {tally['right']} right "
        f"({100 * tally['right'] / max(1, count):.1f} %), {tally['doubted']} doubted "
        f"({whole} of them with all bits right), {tally['refused']} refused, "
        f"{tally['wrong']} silently wrong; "
        f"median {np.median(took):.2f} s of processor time, longest {max(took):.2f} s"
    )
    for (low, high), (bits, right) in zip(pairwise(CONFIDENCES), sure.tolist(), strict=True):
        share = f"{100 * right / bits:.2f} %" if bits else "-"
        print(f"  confidence {low:.2f} to {min(high, 1):.2f}: {bits:>6} bits, {share} right")
    print(f"  {other} pictures with another number of rows or positions are not counted in these")


SURE = 0.99  # from this confidence on a bit counts as known


def read_back(
    made: Any, path: Path, told: bool
) -> tuple[str, float, tuple[np.ndarray, np.ndarray], str]:
    """What became of a MIDI file, the share of the bits that came back, the confidence of the bits
    and whether they are right, and what was said of it.

    A file is right if all bits that are given as known are right: those that are not are marked.
    It is whole if moreover no bit is in doubt; bits that the mapping loses do not count.
    """
    from sonify.recover.sources.options import ReadOptions
    from sonify.recover.sources.source import read_source

    disc, presets, data = made
    path.write_bytes(data)
    known = (disc.positions, disc.rows) if told else (None, None)
    none = np.zeros(0), np.zeros(0, bool)
    try:
        seen = read_source(path, ReadOptions(*known, presets=tuple(presets)))
    except InputError as e:
        return "refused", 0.0, none, str(e)
    except Exception as e:  # what a person would see as a traceback counts as a failure
        return "refused", 0.0, none, repr(e)
    sure, said = seen.confidence, "; ".join(map(str, seen.cautions))
    if sure.shape != disc.grid.shape:
        return "wrong", 0.0, none, f"{sure.shape} for {disc.grid.shape}; {said}"
    told_of = (seen.holes >= 0) & (disc.grid >= 0) & (sure > 0)
    right = seen.holes == disc.grid
    wrong, doubts = (int((told_of & x).sum()) for x in (~right & (sure >= SURE), sure < SURE))
    verdict = "wrong" if wrong else "right" if doubts else "whole"
    said = f"{wrong} wrong, {doubts} in doubt of {sure.size}; {said}"
    return verdict, float((sure >= SURE).mean()), (sure[told_of], right[told_of]), said


def proposed(made: Any, path: Path, seed: int) -> tuple[bool, bool, float]:
    """Whether a wrong preset is recognised, whether the right one is proposed instead, and the
    processor time of it."""
    from sonify.presets import shipped

    disc, presets, data = made
    names = [s.name for s in shipped() if s.kind == "music" and s.name not in presets]
    other = names[seed % len(names)]
    begin = time.process_time()
    verdict, *_, said = read_back((disc, (other,), data), path, False)
    took = time.process_time() - begin
    return verdict == "refused", f"'{presets[0]}'" in said, took


def daw(letter: str, run: Iterator[int], keep: Path | None, say: bool, told: bool) -> None:
    """One row a generator of MIDI files as a DAW exports them, and one for wrong presets."""
    world = importlib.import_module(f"tests.world.daw_{letter}")
    tally: Counter[str] = Counter()
    took, shares, others, bits = [], [], [], []
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "t.mid"
        for seed in run:
            made = world.daw(seed)
            begin = time.process_time()
            verdict, share, checked, said = read_back(made, path, told)
            took.append(time.process_time() - begin)
            shares.append(share)
            bits.append(checked)
            tally[verdict] += 1
            if verdict != "whole":
                if say:
                    print(f"  {letter} {seed} {made[1]} {took[-1]:.1f} s: {verdict}: {said}",
                          flush=True)  # fmt: skip
                if keep:
                    (keep / f"{letter}-{seed}-{verdict}.mid").write_bytes(made[2])
            others.append(proposed(made, path, seed))
    count = sum(tally.values())
    print(
        f"daw {letter}: {count} files, {tally['right'] + tally['whole']} right "
        f"({tally['whole']} with no bit in doubt), {tally['refused']} refused, {tally['wrong']} "
        f"with wrong bits given as known; {100 * np.mean(shares):.1f} % of the bits are known; "
        f"median {np.median(took):.2f} s of processor time, longest {max(took):.2f} s"
    )
    sure, right = map(np.concatenate, zip(*bits, strict=True))
    for low, high in pairwise(CONFIDENCES):
        here = (sure >= low) & (sure < high)
        share = f"{100 * right[here].mean():.2f} % right" if here.any() else "-"
        print(f"  confidence {low} to {min(high, 1)}: {here.sum():>6} bits, {share}")
    refused, right, times = map(np.array, zip(*others, strict=True))
    print(
        f"  with a wrong preset: {refused.sum()} of {count} recognised, the right one proposed in "
        f"{right.sum()}; median {np.median(times):.2f} s, longest {times.max():.2f} s"
    )


def takes(
    letter: str, kind: str, run: Iterator[int], keep: Path | None, say: bool, wanted: list[str]
) -> None:
    """One row for the healthy recordings of a generator, or one a fault."""
    world = importlib.import_module(f"tests.world.machine_{letter}")
    faults = [""] if kind == "healthy" else wanted or list(world.FAULTS)
    every = list(run)
    with tempfile.TemporaryDirectory() as name:
        for fault in faults:
            first = second = refused = bits = found = hidden = silent = 0
            for seed in every:
                made = world.faulty(seed, fault) if fault else world.healthy(seed)
                causes, wrong, hit, hides, wrongly, said = diagnosed(made, Path(name))
                names = SAME_CAUSE.get(fault, (fault,)) if fault else ()
                good = bool(causes) and causes[0] in names if fault else not causes
                first += good
                second += good or any(c in names for c in causes[:2])
                refused += causes == ["refused"]
                bits, found = bits + wrong, found + hit
                hidden, silent = hidden + hides, silent + wrongly
                if not good and say:
                    print(f"  {letter} {fault or 'healthy'} {seed}: {said}", flush=True)
                if not good and keep:
                    for file in Path(name).iterdir():
                        (keep / f"{letter}-{fault or 'healthy'}-{seed}-{file.name}").write_bytes(
                            file.read_bytes()
                        )
                for file in Path(name).iterdir():
                    file.unlink()
            title = "right cause first" if fault else "called healthy"
            share = f"{100 * found / bits:.1f} %" if bits else "-"
            print(
                f"{letter} {fault or 'healthy':<20} {len(every):>4}: {title} {first}, in two "
                f"{second}, refused {refused}, wrong bits found {share}, wrong though nothing "
                f"shows {hidden}, of these said to be known {silent}",
                flush=True,
            )


def main() -> None:
    """Run what the command line asks for."""
    words = [a for a in sys.argv[1:] if not a.startswith("--")]
    keep = None
    if "--keep" in sys.argv:
        keep = Path(sys.argv[sys.argv.index("--keep") + 1])
        words.remove(str(keep))
        keep.mkdir(parents=True, exist_ok=True)
    say = "--say" in sys.argv
    kind = words.pop(0)
    letters = next((w for w in words if set(w) <= set("abcdefg")), "ab")
    span = next((w for w in words if ":" in w), "0:30")
    first, last = map(int, span.split(":"))
    wanted = [w for w in words if w not in (letters, span)]
    warnings.simplefilter("ignore")
    for letter in letters:
        run = seeds(first, last, "--held-back" in sys.argv, letter)
        if kind == "photos":
            photos(letter, run, keep, say)
        elif kind == "daw":
            daw(letter, run, keep, say, "told" in wanted)
        else:
            takes(letter, kind, run, keep, say, wanted)


if __name__ == "__main__":
    main()
