"""The faults of a cut disc: what is wrong with its holes, and what that does."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

import sonify.hooks as hooks
from sonify.disc.disc import Disc
from sonify.errors import plural
from sonify.extras import require
from sonify.performance import Performance, perform
from sonify.recover.diagnosis.result import character_at
from sonify.recover.survey.drawing import seen_in_drawing, seen_on_disc
from sonify.recover.survey.sites import READS, Seen, Sites

__all__ = ["Fault", "Survey", "notes_changed", "site_name", "survey"]

# Of a hole's diameter: a hole this far off its site is misplaced. `read` reports the same in
# drawings.
OFF = 0.15
# By which a torn hole is larger, and one that is partly blocked smaller. `read` reports diameters
# in drawings that are 10 % off, which is as much area.
GROWN = 0.2
# Both limits are wider where the holes around scatter more: by this many standard deviations, which
# chance exceeds once in 2 million.
SIGMAS = 5.0
# Faults whose own effect on the music is worked out: each needs the whole music once more.
MOST_ALONE = 200
# Of all places, faulty or in doubt: one in twenty is far more than a hole here and there; it is
# what reflections on acrylic look like (own choice).
MOST_ODD = 0.05


@dataclass(frozen=True)
class Fault:
    """What is wrong with one hole.

    Attributes
    ----------
    kind : str
        blocked, extra, misplaced or torn; in a drawing or on a disc missing, extra, misplaced or
        resized.
    row : int or None
        None for the clock row.
    position : int
    xy_mm : tuple of float
        Where it is.
    out_mm, on_mm : float
        How far off its site: outwards, and in the direction of counting.
    size : float
        Of the hole, against the usual one; 0 for none.
    bit, read : int or None
        The bit meant and the bit read (-1: either); None in the clock row.
    character : int or None
        Of the message, if the bit is read wrong.
    wanted, becomes : str
        That character, and what its bits give.
    verdict : str
        Of the message's check with this fault alone, if the bit is read wrong.
    lost, new : int or None
        Notes that this fault alone takes away and adds; None if it was not worked out.
    """

    kind: str
    row: int | None
    position: int
    xy_mm: tuple[float, ...]
    out_mm: float
    on_mm: float
    size: float
    bit: int | None
    read: int | None
    character: int | None = None
    wanted: str = ""
    becomes: str = ""
    verdict: str = ""
    lost: int | None = None
    new: int | None = None

    @property
    def off_mm(self) -> float:
        """How far off its site."""
        return float(np.hypot(self.out_mm, self.on_mm))


@dataclass(frozen=True, eq=False)
class Survey:
    """A disc's holes compared with its design.

    Attributes
    ----------
    show : Performance
        The design, and how it is played.
    path : Path
    kind : str
        photograph, drawing or disc.
    sites : Sites
    seen : Seen
    faults : list of Fault
        By row and position, the clock row last.
    read : Disc
        The disc as a player would read it.
    scatter_mm : float
        How far off their sites holes are, by the median.
    cautions : tuple of str
    """

    show: Performance
    path: Path
    kind: str
    sites: Sites
    seen: Seen
    faults: list[Fault]
    read: Disc
    scatter_mm: float
    cautions: tuple[str, ...]

    def __repr__(self) -> str:
        faults = plural(len(self.faults), "fault")
        return f"<Survey of '{self.show.disc.name}' by {self.path.name}: {faults}>"

    def _repr_mimebundle_(self, include: Any = None, exclude: Any = None) -> dict[str, Any]:
        return hooks.shown(self)


def survey(show: Performance, path: Path, what: str | Disc) -> Survey:
    """Compare each hole of a cut disc with its design, and say what its faults do.

    Parameters
    ----------
    show : Performance
        The design, and how it is played.
    path : Path
    what : str or Disc
        What is there: photograph or drawing, or another disc.

    Raises
    ------
    InputError
        Nothing like this disc.
    """
    require("photo")
    sites, kind = Sites.of(show.disc), "disc"
    if isinstance(what, Disc):
        seen = seen_on_disc(show.disc, what, sites, path)
    elif what == "photograph":
        from sonify.recover.survey.picture import seen_in_picture

        seen, kind = seen_in_picture(path, sites), what
    else:
        seen, kind = seen_in_drawing(path, sites), what
    faults, scatter = _faults(show.disc, kind == "photograph", sites, seen)
    alone = [_with_effect(show, f, len(faults) <= MOST_ALONE) for f in faults]
    said = list(seen.cautions)
    if sites.derived:
        said.append("the disc has no sizes; those that fit it best are assumed")
    doubtful = np.argwhere(seen.doubtful).tolist()
    if doubtful:
        names = [site_name(r if r < show.disc.rows else None, p) for r, p in doubtful]
        said.append(f"{plural(len(names), 'place')} can't be judged: {', '.join(names[:6])} ...")
    odd = len(faults) + len(doubtful)
    if kind == "photograph" and odd > MOST_ODD * seen.doubtful.size:
        said.append(
            f"{odd} of {seen.doubtful.size:,} places are faulty or in doubt, more than a cutter "
            "usually spoils: reflections or glare may look like faults, so take another picture in "
            "even light, on a plain background"
        )
    read = _as_read(show, faults)
    return Survey(show, path, kind, sites, seen, alone, read, scatter, tuple(said))


def site_name(row: int | None, position: int) -> str:
    """A place for people."""
    return f"{'clock row' if row is None else f'row {row + 1}'} position {position + 1}"


def _faults(disc: Disc, cut: bool, sites: Sites, seen: Seen) -> tuple[list[Fault], float]:
    """The faults of all holes, and how far off their sites holes are, in mm."""
    meant, at, hole = sites.meant, seen.at, sites.hole
    row, place, off = sites.nearest(seen.xy)
    away, there = np.hypot(*off.T), at >= 0
    shared = there & (np.bincount(at[there], minlength=len(away) + 1)[at] > 1)
    good = there & (meant == 1) & ~shared
    scatter = float(np.median(away[at[good]])) if good.any() else 0.0
    # a median distance in a plane is 1.18 standard deviations
    far = max(OFF * hole, SIGMAS * scatter / 1.18)
    usual, spread = sites.around(np.where(good, seen.size[at], np.nan))
    grown = (seen.size[at] - usual) / np.maximum(GROWN, SIGMAS * spread)
    out: dict[tuple[int, int], Fault] = {}

    def add(kind: str, r: int, p: int, right: int | None, k: int = -1) -> None:
        """A fault, and whether its bit is read right (None: it may)."""
        bit = disc.layout.hole_means ^ int(meant[r, p] != 1)
        read = -1 if right is None else bit ^ 1 ^ right
        xy, (x, y), size = sites.xy[r, p], (0.0, 0.0), 0.0
        if k >= 0:
            xy, (x, y), size = seen.xy[k], off[k].tolist(), float(seen.size[k])
        bits = (bit, read) if r < disc.rows else (None, None)
        where = r if r < disc.rows else None
        out[r, p] = Fault(kind, where, p, tuple(xy.tolist()), x, y, size, *bits)

    for r, p in np.argwhere(there & ~seen.doubtful).tolist():
        k = int(at[r, p])
        if meant[r, p] != 1:
            if meant[r, p] == 0 and (seen.like[k] or shared[r, p]):
                add("extra", r, p, 0, k)
        elif shared[r, p] or grown[r, p] > 1:
            add("torn" if cut else "resized", r, p, 1, k)
        elif grown[r, p] < -1:
            # a beam that is centred on the hole sees at least half of three quarters of it
            right = 1 if seen.size[k] > 0.75 else None
            add("blocked" if cut else "resized", r, p, right, k)
        elif away[k] > far:
            add("misplaced", r, p, int(away[k] <= READS * hole), k)
    gone = (meant == 1) & ~there
    for k in np.setdiff1d(np.flatnonzero(seen.like), at).tolist():
        r, p = int(row[k]), int(place[k])
        # farther off there is engraving, and in keep-outs there are other holes
        screws = [(o.centre, (o.diameter + hole) / 2) for o in sites.geometry.keep_out]
        # beyond the rows, the index mark stands at the first position
        reach, radii = np.hypot(*seen.xy[k]), np.linalg.norm(sites.xy[:, 0], axis=-1)
        mark = p == 0 and not radii.min() - hole / 2 < reach < radii.max() + hole / 2
        if mark or away[k] > 2 * hole or any(np.hypot(*(seen.xy[k] - c)) < r for c, r in screws):
            continue
        if gone[r, p]:
            gone[r, p] = False
            if away[k] > far:
                seen.doubtful[r, p] = False
                add("misplaced", r, p, 0, k)
        elif (r, p) not in out:
            add("extra", r, p, 1, k)
    for r, p in np.argwhere(gone & ~seen.doubtful).tolist():
        add("blocked" if cut else "missing", r, p, 0)
    return [out[at] for at in sorted(out)], scatter


def _as_read(show: Performance, faults: list[Fault]) -> Disc:
    """The disc as a player reads it."""
    grid = show.disc.grid.copy()
    for f in faults:
        if f.row is not None and f.read is not None:
            grid[f.row, f.position] = f.read
    # a position without its clock hole is not counted: what follows is put one place early, and
    # where reading goes on at the next position, all later rows as well
    uncounted = [f.position for f in faults if f.row is None and not f.size]
    for p in sorted(uncounted, reverse=True):
        grid[:, p:-1], grid[:, -1] = grid[:, p + 1 :].copy(), -1
    if uncounted and show.setup.player.row_start != "index":
        grid[1:] = -1
    return replace(show.disc, grid=grid)


def _with_effect(show: Performance, f: Fault, music: bool) -> Fault:
    """A fault with what it does alone."""
    if f.row is None or f.read == f.bit:
        return f
    alone = _as_read(show, [f])
    meant, read = show.disc.decoding, alone.decoding
    if meant is not None and read is not None:
        k = character_at(meant, f.row * show.disc.positions + f.position)
        f = replace(f, verdict=read.verdict)
        if k is not None:
            same = read.characters["first_bit"] == meant.characters["first_bit"][k]
            got = "".join(read.as_read[j] for j in np.flatnonzero(same))
            f = replace(f, character=k, wanted=meant.text[k], becomes=got)
    lost, new = notes_changed(show, alone) if music else (None, None)
    return replace(f, lost=lost, new=new)


def notes_changed(show: Performance, read: Disc) -> tuple[int, int]:
    """How many notes a disc as read takes away, and how many it adds."""
    names = ["onset_s", "pitch", "voice"]
    both = (s.notes[names] for s in (show, perform(read, setup=show.setup)))
    meant, got = (Counter((round(t, 3), *rest) for t, *rest in notes.tolist()) for notes in both)
    return (meant - got).total(), (got - meant).total()
