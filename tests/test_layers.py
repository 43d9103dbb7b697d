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


def layer_of(module: str, depth: dict[str, int]) -> int | None:
    """Layer of a module (``room/module``): its own where one is drawn, else that of its room."""
    while module:
        if module in depth:
            return depth[module]
        module = module.rpartition("/")[0]
    return None


def imported(path: Path) -> Iterator[str]:
    """Modules below the package that a file imports, wherever in the file, as ``room/module``."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        names = [a.name for a in node.names] if isinstance(node, ast.Import) else []
        if isinstance(node, ast.ImportFrom) and node.module:
            names = [f"{node.module}.{a.name}" for a in node.names]
        for name in names:
            if name.startswith("otdravg."):
                yield "/".join(name.split(".")[1:])


def files() -> Iterator[tuple[str, Path]]:
    for path in sorted((ROOT / "otdravg").rglob("*.py")):
        name = path.relative_to(ROOT / "otdravg").with_suffix("").as_posix()
        if name not in OUTSIDE:
            yield name.removesuffix("/__init__"), path


def test_every_module_has_a_layer() -> None:
    depth = layers()
    assert [name for name, _ in files() if layer_of(name, depth) is None] == []


def test_no_output_of_a_closeout_imports_another() -> None:
    """Each is made of tables and lists that all share."""
    rooms = ("pdf", "html", "xlsx")
    across = [
        f"{name} imports {target}"
        for name, path in files()
        for target in imported(path)
        for room in rooms
        if f"{name}/".startswith(f"closeout/{room}/")
        and target.startswith(tuple(f"closeout/{other}" for other in {*rooms} - {room}))
    ]
    assert across == []


def test_imports_point_downwards() -> None:
    depth = layers()
    upwards = [
        f"{path.relative_to(ROOT)} imports {target}"
        for name, path in files()
        for target in imported(path)
        if (there := layer_of(target, depth)) is not None
        and (here := layer_of(name, depth)) is not None
        and there < here
    ]
    assert upwards == []
