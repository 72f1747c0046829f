"""Settings under which the disc reads correctly, though not as designed; and other discs."""

from __future__ import annotations

import numpy as np

from sonify.recover.diagnosis.case import Case
from sonify.recover.diagnosis.causes.cause import Cause, Finding, percent

__all__ = ["BitOrder", "DiscOther", "Inverted", "Reversed", "RowStart", "Turned"]


NEAR, MOSTLY = 2, 0.8
"""Slots by which rows that start after the same time may differ (a slot where it is rounded, and
one for a pulse that is counted wrong), and how many of them must."""


class _Setting(Cause):
    """Certain if the disc fits that way and not as designed."""

    def find(self, case: Case, share: float) -> Finding | None:
        """By the share of correct bits that way."""
        if case.variant != self.name:
            return None
        return self.found(
            "fits-that-way",
            f"{percent(case.agreement[self.name])} of the bits agree that way, and "
            f"{percent(case.agreement['normal'])} as designed",
        )


class Inverted(_Setting):
    """Ones and zeros swapped."""

    name = "inverted"
    title = "the sense is reversed: holes are read as zeros"
    repairs = ("swap the comparator's inputs, or set hole-means in the disc file's [layout]",)


class Turned(_Setting):
    """Positions in the opposite order."""

    name = "turned"
    title = "the disc turns the other way, or lies upside down"
    repairs = ("swap the motor's leads, or turn the disc over; or set turning in [layout]",)


class BitOrder(_Setting):
    """The bits of each character in the opposite order."""

    name = "bit-order"
    title = "the bits of each character come in the wrong order"
    repairs = ("set bit-order in the disc file's [code] to the order that the disc was cut with",)


class Reversed(Cause):
    """Rows in the opposite order."""

    name = "reversed"
    title = "the rows come in the opposite order: the stage runs the other way"
    group = "stage"
    repairs = ("swap the leads of the stage's motor; or set reading in [layout]",)

    def find(self, case: Case, share: float) -> Finding | None:
        """Certain if the last row was read first, and so on."""
        if case.design.rows < 3 or (np.diff(case.shown) != -1).any():
            return None
        return self.found(
            "fits-that-way", f"row {case.shown[0] + 1} was read first, and row 1 last"
        )


class RowStart(Cause):
    """Rows that start otherwise than the player is set to."""

    name = "row-start"
    title = "the player starts its rows otherwise than player.row-start says"
    repairs = ("set player.row-start in the player's preset to what the evidence says",)

    def find(self, case: Case, share: float) -> Finding | None:
        """Certain by when the stage moved."""
        stage, n = case.seen.stage, case.design.positions
        if stage is None or stage.index == case.design.index:
            return None
        apart = np.diff(stage.start)
        usual = float(np.median(apart))
        # where pulses are miscounted, rows seem to start beside the index
        beside = abs((usual + n / 2) % n - n / 2) > NEAR
        steady = len(apart) > 1 and np.mean(np.abs(apart - usual) <= NEAR) > MOSTLY
        if not (steady and (stage.index or beside)):
            return None
        if stage.index:
            said = f"rows start {usual / n:.0f} turns after each other, at the index"
        else:
            said = f"rows start {usual:.0f} positions after each other, and a turn has {n}"
        name = "index" if stage.index else "next-position"
        return self.found("other-start", f"{said}: player.row-start is '{name}' in truth")


class DiscOther(Cause):
    """Bits of another disc from some row on."""

    name = "disc-other"
    title = "another disc was read, or another version of this one"
    repairs = (
        "compare what is written on the disc with the disc file",
        "read the recording without a disc file, and see which message it holds",
    )

    def find(self, case: Case, share: float) -> Finding | None:
        """By clear holes where it has none."""
        offsets = case.seen.offsets
        if offsets is None or offsets.kind != "other" or not case.count:
            return None
        rows = np.flatnonzero(case.wrong.any(axis=1)) + 1
        missed, added = int(case.missed.sum()), int(case.added.sum())
        return self.found(
            "other-disc",
            f"holes are clear, but {missed} are missing and {added} are new, in rows {rows[0]} to "
            f"{rows[-1]}",
        )
