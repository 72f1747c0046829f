"""The versions that CI installs are some that the package allows."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).parents[1]


def test_each_requirement_has_a_version_with_digests():
    pins: dict[str, list[tuple[str, str]]] = {}
    for entry in re.split(r"\n(?=\S)", (ROOT / "requirements.lock").read_text("utf-8").strip()):
        first = entry.split("\\")[0]
        requirement = Requirement(first)
        (exact,) = requirement.specifier
        assert exact.operator == "=="
        assert re.search(r"--hash=sha256:[0-9a-f]{64}\b", entry), requirement.name
        name = canonicalize_name(requirement.name)
        pins.setdefault(name, []).append((exact.version, str(requirement.marker or "")))
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    wanted = [*project["dependencies"]]
    wanted += [r for extra in project["optional-dependencies"].values() for r in extra]
    for text in wanted:
        requirement = Requirement(text)
        if requirement.name == "sonify":
            continue
        found = pins[canonicalize_name(requirement.name)]
        assert all(requirement.specifier.contains(version) for version, _ in found), text
