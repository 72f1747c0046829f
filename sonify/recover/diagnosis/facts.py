"""A comparison as plain data."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from sonify.recover.diagnosis.result import Comparison
from sonify.recover.diagnosis.safety import SAFETY

__all__ = ["facts"]


def facts(c: Comparison) -> dict[str, Any]:
    """A comparison as one object with stable keys."""
    m = c.motion

    def plain(values: NDArray[np.float64]) -> list[float | None]:
        return [float(v) if np.isfinite(v) else None for v in values]

    return {
        "disc": c.show.disc.name,
        "recording": str(c.path),
        "kind": c.kind,
        "agreement": c.agreement,
        "fit": c.fit,
        "sure": round(c.sure, 3),
        "message": c.message,
        "message_read": c.message_read,
        "errors": [
            {
                "row": int(e["row"]),
                "position": int(e["position"]),
                "kind": str(e["kind"]),
                "time_s": float(e["time_s"]) if np.isfinite(e["time_s"]) else None,
                "character": c.character_at(int(e["row"]), int(e["position"])),
            }
            for e in c.errors
        ],
        "causes": [
            {
                "name": one.name,
                "title": one.title,
                "probability": round(one.probability, 3),
                "evidence": list(one.evidence),
                "try": list(one.try_this),
            }
            for one in c.causes
        ],
        "safety": list(SAFETY) if c.causes else [],
        "rpm": m.rpm,
        "drift": m.drift,
        "flutter": m.flutter,
        "start_speed": m.start,
        "speed": {"time_s": plain(m.curve_s), "rpm": plain(m.curve_rpm)},
        "row_start_s": plain(m.row_start_s),
        "row_change_s": plain(m.change_s),
        "delay_s": c.delay_s,
        "clock_jitter": c.clock_jitter,
        "margins": None
        if c.margins is None
        else {
            "threshold": c.margins.threshold,
            "best_threshold": c.margins.best,
            "error_rate": c.margins.error_rate,
            "eye_opening": c.margins.eye_opening,
            "ones": {"mean": float(c.margins.ones.mean()), "std": float(c.margins.ones.std())},
            "zeros": {"mean": float(c.margins.zeros.mean()), "std": float(c.margins.zeros.std())},
        },
        "cautions": list(c.cautions),
    }
