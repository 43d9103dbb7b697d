"""What the fuzzers found, made small: files that once broke a property."""

from __future__ import annotations

from pathlib import Path

import pairs
import pytest
import reader

FOUND = Path(__file__).with_name("found")


@pytest.mark.parametrize("path", sorted(FOUND.glob("*.sor")), ids=lambda path: path.stem)
def test_reader_and_writer_hold(path: Path) -> None:
    """Among them: files whose damage hid a block once another was written anew."""
    data = path.read_bytes()
    reader.check(data)
    reader.check_memory(data)


# One point has no noise floor; a scale factor of 65.5 makes levels of hundreds of dB; a pulse of
# 0 ns has no reflectance.
@pytest.mark.parametrize("name", ["one-point", "scale-65", "no-pulse"])
def test_pair_holds(name: str) -> None:
    a, b = (FOUND.joinpath(f"{name}_{end}.sor").read_bytes() for end in "AB")
    pairs.check(pairs.Question(a, b))
