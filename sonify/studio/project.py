"""Project files: both versions of the page's document in one TOML file, for page and commands."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from sonify.errors import InputError
from sonify.input_file import input_file
from sonify.settings import Settings, convert, load_toml, to_builtins
from sonify.studio.document import Document, disc_of, refuse_paths, safe_name, without_muted

if TYPE_CHECKING:
    from sonify.disc.disc import Disc

__all__ = [
    "ENDING",
    "Project",
    "disc_at",
    "is_project",
    "project_at",
    "project_name",
    "project_toml",
    "refuse_project",
]

ENDING = "-project.toml"
_MAY_BE = re.compile(rb"""^\s*(\[\s*)?["']?a["']?\s*[].=]""", re.MULTILINE)
"""A line that begins a key or table `a`."""


class Named(Settings, frozen=True):
    """A version that was kept under a name."""

    name: str
    document: Document


class Project(Settings, frozen=True):
    """A project: its versions A and B, which of them is in use, and those kept under a name."""

    a: Document
    b: Document | None = None
    version: Literal["a", "b"] = "a"
    about: str = ""
    named: tuple[Named, ...] = ()

    @property
    def document(self) -> Document:
        """The version in use."""
        return self.b if self.version == "b" and self.b is not None else self.a

    def played(self) -> tuple[Disc, dict[str, Any]]:
        """The disc and the settings of the version in use, without its muted voices."""
        document = without_muted(self.document)
        return disc_of(document), document.setup


def is_project(table: dict[str, Any]) -> bool:
    """Whether a TOML table is a project and not a disc or a preset."""
    return isinstance(table.get("a"), dict) and "disc" in table["a"]


def project_at(path: str | Path) -> Project | None:
    """The project in a file; None if it holds something else.

    Raises
    ------
    InputError
        A project has unknown or wrong keys; with the file and the place.
    """
    path = Path(path)
    if path.suffix.casefold() != ".toml" or not path.is_file():
        return None
    with input_file(path):
        if not _MAY_BE.search(path.read_bytes()):
            return None  # a long disc is parsed once, as a disc
    table = load_toml(path)
    return convert(table, Project, path) if is_project(table) else None


def disc_at(path: Path) -> Disc | None:
    """The disc of the project in a file; None if it holds something else."""
    project = project_at(path)
    return None if project is None else project.played()[0]


def project_name(project: Project) -> str:
    """The name of a project's file."""
    return safe_name(project.document.name) + ENDING


def refuse_project(project: Project) -> None:
    """Refuse what the page may not open, in any version."""
    for one in (project.a, project.b, *(kept.document for kept in project.named)):
        if one is not None:
            refuse_paths(one.setup)


def project_toml(project: Project) -> str:
    """A project as the text of its file."""
    import tomli_w

    refuse_project(project)
    table = _without_none(to_builtins(project))
    about = f"a project of the studio: {safe_name(project.document.name)}"
    try:
        return tomli_w.dumps({**table, "about": about})
    except TypeError as e:
        raise InputError(f"the project holds a value that TOML can't: {e}") from None


def _without_none(value: Any) -> Any:
    if isinstance(value, dict):
        return {k: _without_none(v) for k, v in value.items() if v is not None}
    return [_without_none(v) for v in value] if isinstance(value, list) else value
