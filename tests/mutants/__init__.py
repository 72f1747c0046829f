"""Small wrong changes to the package, one at a time: do the tests notice them?"""

from __future__ import annotations

import ast
import random
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

__all__ = ["Mutant", "mutants", "sample"]

SWAPS: dict[type[ast.AST], type[ast.AST]] = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq, ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In,
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.FloorDiv, ast.Div: ast.Mult,
    ast.FloorDiv: ast.Mult, ast.Mod: ast.FloorDiv, ast.LShift: ast.RShift, ast.RShift: ast.LShift,
    ast.BitAnd: ast.BitOr, ast.BitOr: ast.BitAnd, ast.BitXor: ast.BitAnd, ast.And: ast.Or,
    ast.Or: ast.And, ast.USub: ast.UAdd, ast.Not: ast.UAdd,
}  # fmt: skip
"""What stands in place of an operator. `not x` becomes `bool(x)`, as no operator does that."""


@dataclass(frozen=True)
class Mutant:
    """One change: the file, the line that it is on, what it says, and the file's text with it."""

    path: Path
    line: int
    what: str
    text: str

    def __str__(self) -> str:
        return f"{self.path}:{self.line}: {self.what}"


def _places(tree: ast.Module) -> Iterator[ast.AST]:
    """All nodes but annotations, which say nothing at run time, and the steps of controls."""
    waiting: list[ast.AST] = [tree]
    while waiting:
        node = waiting.pop()
        if isinstance(node, ast.Call) and ast.unparse(node.func) == "control":
            continue
        yield node
        for name, value in ast.iter_fields(node):
            if name in ("annotation", "returns"):
                continue
            for child in value if isinstance(value, list) else [value]:
                if isinstance(child, ast.AST):
                    waiting.append(child)


def _changed(node: ast.AST) -> ast.expr | None:
    """The expression that stands in a place's stead, or None where none is known."""
    if (
        isinstance(node, ast.Compare)
        and len(node.ops) == 1
        and (kind := SWAPS.get(type(node.ops[0])))
    ):
        return ast.Compare(node.left, [kind()], node.comparators)  # type: ignore[list-item]
    if isinstance(node, ast.BoolOp):
        return ast.BoolOp(SWAPS[type(node.op)](), node.values)  # type: ignore[arg-type]
    if isinstance(node, ast.BinOp) and (kind := SWAPS.get(type(node.op))):
        return ast.BinOp(node.left, kind(), node.right)  # type: ignore[arg-type]
    if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not):
        return ast.Call(ast.Name("bool", ast.Load()), [node.operand], [])
    if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub):
        return node.operand
    if isinstance(node, ast.Constant) and isinstance(value := node.value, (bool, int, float)):
        return ast.Constant((not value) if isinstance(value, bool) else value + 1)  # type: ignore[operator]
    return None


def mutants(path: Path) -> list[Mutant]:
    """All mutants of a file, in the order of its lines."""
    text = path.read_text("utf-8")
    lines = text.splitlines(keepends=True)
    out = []
    for node in _places(ast.parse(text)):
        new = _changed(node)
        if new is None:
            continue
        first, last = node.lineno - 1, node.end_lineno - 1  # type: ignore[attr-defined]
        if first != last:
            continue
        line = lines[first].encode()
        begin, end = node.col_offset, node.end_col_offset  # type: ignore[attr-defined]
        old = line[begin:end].decode()
        put = f"({ast.unparse(ast.fix_missing_locations(new))})"
        changed = (line[:begin] + put.encode() + line[end:]).decode()
        whole = "".join([*lines[:first], changed, *lines[first + 1 :]])
        out.append(Mutant(path, first + 1, f"{old}  ->  {put}", whole))
    return sorted(out, key=lambda m: (m.line, m.what))


def sample(folder: Path, count: int, seed: int) -> list[Mutant]:
    """Some mutants of a folder's files, each equally likely, the same for the same seed."""
    every = [m for path in sorted(folder.rglob("*.py")) for m in mutants(path)]
    return random.Random(seed).sample(every, min(count, len(every)))
