"""Imports point downwards only, by the layers that DEVELOPERS.md draws."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).parents[1]
#: They hold the package together and belong to no layer.
OUTSIDE = {"__init__", "__main__"}


def layers() -> dict[str, int]:
    """Name of each module or folder of the package → its layer, 0 at the top."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    block = re.search(r"\*\*Layers\*\*; imports point downwards only:\n\n((?: {4}.+\n)+)", text)
    assert block is not None
    return {
        name.rstrip("/"): depth
        for depth, line in enumerate(block[1].splitlines())
        for name in line.split()
    }


def imported(path: Path) -> Iterator[str]:
    """Names below the package that a file imports, wherever in the file."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        names = [a.name for a in node.names] if isinstance(node, ast.Import) else []
        if isinstance(node, ast.ImportFrom) and node.module:
            names = [node.module]
            if node.module == "otdravg":
                names = [f"otdravg.{a.name}" for a in node.names]
        for name in names:
            if name.startswith("otdravg."):
                yield name.split(".")[1]


def files() -> Iterator[tuple[str, Path]]:
    for path in sorted((ROOT / "otdravg").rglob("*.py")):
        name = path.relative_to(ROOT / "otdravg").parts[0].removesuffix(".py")
        if name not in OUTSIDE:
            yield name, path


def test_every_module_has_a_layer() -> None:
    assert {name for name, _ in files()} - layers().keys() == set()


def test_imports_point_downwards() -> None:
    depth = layers()
    upwards = [
        f"{path.relative_to(ROOT)} imports {target}"
        for name, path in files()
        for target in imported(path)
        if target in depth and depth[target] < depth[name]
    ]
    assert upwards == []
