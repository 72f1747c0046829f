"""Firmware for a real player: C tables made from a preset, and a portable core in C99."""

from __future__ import annotations

from sonify.export.firmware.plan import FirmwarePlan, plan_of
from sonify.export.firmware.write import write_firmware

__all__ = ["FirmwarePlan", "plan_of", "write_firmware"]
