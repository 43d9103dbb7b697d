"""Random attacks on a file of a reviewer's decisions: what is noticed, and by what.

    python tests/fuzz/decisions_attacks.py                 # 2,000; --count for others
    python tests/fuzz/decisions_attacks.py --case 47 --save d.csv

Each case makes a file of up to twelve decisions, CSV or TOML, and does one thing to it. Then
either the reader refuses the file, or a finding names what was done, or the file still says
the same. Two attacks no chain of seals can show: decisions cut off the end, and a chain
computed anew. Those have to come to light against outputs that were made before. A decision
added afterwards is refused, or leaves every byte that was there in its place.
"""

from __future__ import annotations

import csv
import io
import random
import sys
import tempfile
from collections.abc import Callable
from functools import partial
from pathlib import Path

import campaign
from campaign import Broken

from otdravg.cable import Decision, Decisions, What, add_decision, read_decisions
from otdravg.cable.decisions.file import appended
from otdravg.cable.decisions.model import SealedDecision
from otdravg.cable.decisions.record import seal_of
from otdravg.closeout.checks.decisions import compare_decisions
from otdravg.errors import BadSetting, OtdravgError
from otdravg.findings import Severity

__all__ = ["ATTACKS", "FULL_COUNT", "attacked", "case", "main"]

FULL_COUNT = 2_000

_WHEN = "2024-06-01T10:{minute:02}:00+00:00"
_WHY = ("letter of the owner", "traced, by hand", 'the "old" route', "größer als erlaubt", "x;y")


def main(argv: list[str] | None = None) -> int:
    """Run the cases and print the counts; 1 if there was a fault."""
    parser = campaign.parser(__doc__, FULL_COUNT)
    parser.add_argument("--save", type=Path, help="write the attacked file of --case there")
    options = parser.parse_args(argv)
    if options.save is not None:
        rng = campaign.random_for(options.seed, options.case)
        options.save.write_bytes(attacked(rng, options.save)[2])
    return campaign.run("decisions", partial(case, options.seed), options, batch=100)


def case(seed: int, number: int) -> str:
    """Attack one file and look at what comes of it; the outcome is the attack and the answer."""
    rng = campaign.random_for(seed, number)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / rng.choice(("decisions.csv", "decisions.toml"))
        name, made_with, content = attacked(rng, path)
        path.write_bytes(content)
        answer = _answer(name, made_with, path)
        _check_adding(path, content)
    return f"{name}: {answer}"


def _answer(name: str, made_with: list[SealedDecision], path: Path) -> str:
    try:
        known = read_decisions(path)
    except BadSetting:
        return "refused"
    grave = sorted({f.code for f in known.findings if f.severity is not Severity.NOTE})
    if grave:
        return "named by " + " and ".join(grave)
    shown = compare_decisions(made_with, known.entries, path.name)
    if name in _ONLY_OUTPUTS:
        if not shown:
            raise Broken(f"{name}: not even the outputs show it")
        return "only outputs made before show it"
    if shown:
        raise Broken(f"{name}: not noticed")
    notes = [f.code for f in known.findings]
    return "says the same" + (f", noted by {notes[0]}" if notes else "")


def _check_adding(path: Path, content: bytes) -> None:
    """Add a decision to what the attack left, and see that nothing before it changes."""
    try:
        before = read_decisions(path)
    except BadSetting:
        before = Decisions()
    try:
        add_decision(path, _decision(random.Random(0), 59))
    except OtdravgError:
        if path.read_bytes() != content:
            raise Broken("a refused decision changed the file") from None
        return
    after = read_decisions(path)
    if not path.read_bytes().startswith(content):
        raise Broken("adding changed earlier bytes")
    if after.entries[:-1] != before.entries or len(after.items) != len(before.items) + 1:
        raise Broken("adding changed earlier decisions")
    if any(f.severity is not Severity.NOTE for f in after.findings):
        raise Broken("a decision that was added does not fit the chain")


# Files


def _decision(rng: random.Random, minute: int, cable: str = "SIM-RIDGE") -> Decision:
    when, why = _WHEN.format(minute=minute), rng.choice(_WHY)
    who = rng.choice(("R. Vale (invented)", "K. Öst (invented)"))
    fibre, value = rng.randint(1, 144), str(rng.randint(1, 9000))
    what = rng.choice(list(What))
    if what is What.EXCLUDE_SHOT:
        return Decision(what, who, when, why, cable, file=f"F{fibre:03}_1550_AB.sor")
    if what is What.NAME_CLOSURE:
        return Decision(what, who, when, why, cable, closure=str(minute), value=f"K {value}")
    if what is What.RENUMBER:
        return Decision(what, who, when, why, cable, value=f"B {fibre}={value[:4]}")
    closure = "" if what is What.CONFIRM_CROSSING else "2"
    value = "" if what is What.ACCEPT else value
    return Decision(what, who, when, why, cable, fibre, None, closure, "", value)


def _chain(decisions: list[Decision], before: str = "") -> list[SealedDecision]:
    entries = []
    for decision in decisions:
        entries.append(SealedDecision(decision, before, seal_of(decision, before)))
        before = entries[-1].seal
    return entries


def _written(path: Path, entries: list[SealedDecision]) -> bytes:
    content = b""
    for entry in entries:
        content = appended(path, content, entry)
    return content


def attacked(rng: random.Random, path: Path) -> tuple[str, list[SealedDecision], bytes]:
    """Make a file and attack it: the attack's name, what outputs were made with, the bytes."""
    name = rng.choice(sorted(ATTACKS))
    entries = _chain([_decision(rng, minute) for minute in range(rng.randint(3, 12))])
    while True:
        result = ATTACKS[name](rng, path, list(entries))
        content = result if isinstance(result, bytes) else _written(path, result)
        if content != _written(path, entries):
            return name, entries, content


# Attacks: take the entries, return other ones, or the bytes of the file.

Attack = Callable[[random.Random, Path, list[SealedDecision]], "list[SealedDecision] | bytes"]


def _remove(rng: random.Random, path: Path, entries: list[SealedDecision]) -> list[SealedDecision]:
    at = rng.randrange(len(entries) - 1)
    del entries[at : at + rng.randint(1, len(entries) - 1 - at)]
    return entries


def _reorder(rng: random.Random, path: Path, entries: list[SealedDecision]) -> list[SealedDecision]:
    rng.shuffle(entries)
    return entries


def _repeat(rng: random.Random, path: Path, entries: list[SealedDecision]) -> list[SealedDecision]:
    entries.insert(rng.randint(0, len(entries)), rng.choice(entries))
    return entries


def _edit(rng: random.Random, path: Path, entries: list[SealedDecision]) -> list[SealedDecision]:
    at = rng.randrange(len(entries))
    own = entries[at]
    other = _decision(rng, rng.randint(0, 59), rng.choice(("SIM-RIDGE", "SIM-OTHER")))
    entries[at] = SealedDecision(other, own.before, own.seal)
    return entries


def _edit_seal(
    rng: random.Random, path: Path, entries: list[SealedDecision]
) -> list[SealedDecision]:
    at = rng.randrange(len(entries))
    own = entries[at]
    false = f"{rng.getrandbits(256):064x}"
    before, seal = rng.choice(((false, own.seal), (own.before, false), (false, false)))
    entries[at] = SealedDecision(own.decision, before, seal)
    return entries


def _seal_one_anew(
    rng: random.Random, path: Path, entries: list[SealedDecision]
) -> list[SealedDecision]:
    at = rng.randrange(len(entries) - 1)
    other = _decision(rng, 58)
    before = entries[at].before
    entries[at] = SealedDecision(other, before, seal_of(other, before))
    return entries


def _type_by_hand(
    rng: random.Random, path: Path, entries: list[SealedDecision]
) -> list[SealedDecision]:
    entries.insert(rng.randint(0, len(entries)), SealedDecision(_decision(rng, 57)))
    return entries


def _join(rng: random.Random, path: Path, entries: list[SealedDecision]) -> list[SealedDecision]:
    other = _chain([_decision(rng, minute, "SIM-OTHER") for minute in range(30, 33)])
    return rng.choice(([*entries, *other], [*other, *entries], [*entries, *other[1:]]))


def _bytes(rng: random.Random, path: Path, entries: list[SealedDecision]) -> bytes:
    content = bytearray(_written(path, entries))
    for _ in range(rng.randint(1, 3)):
        at = rng.randrange(len(content))
        content[at : at + rng.randint(0, 2)] = rng.randbytes(rng.randint(0, 2))
    return bytes(content)


def _letters(rng: random.Random, path: Path, entries: list[SealedDecision]) -> bytes:
    content = _written(path, entries)
    at = rng.randrange(len(content))
    return content[:at] + rng.choice(b'0a ,"\n=[;\t').to_bytes(1, "big") + content[at + 1 :]


def _cut(rng: random.Random, path: Path, entries: list[SealedDecision]) -> bytes:
    whole, before = _written(path, entries), len(_written(path, entries[:-1]))
    blank = path.suffix == ".toml"  # an empty line stands between two
    return whole[: rng.randint(before + blank + 1, len(whole) - 1)]


def _without_tail(
    rng: random.Random, path: Path, entries: list[SealedDecision]
) -> list[SealedDecision]:
    return entries[: rng.randint(0, len(entries) - 1)]


def _seal_all_anew(
    rng: random.Random, path: Path, entries: list[SealedDecision]
) -> list[SealedDecision]:
    decisions = [entry.decision for entry in _edit(rng, path, entries)]
    return _chain(decisions)


def _other_line_ends(rng: random.Random, path: Path, entries: list[SealedDecision]) -> bytes:
    return _written(path, entries).replace(b"\n", b"\r\n")


def _byte_order_mark(rng: random.Random, path: Path, entries: list[SealedDecision]) -> bytes:
    return b"\xef\xbb\xbf" + _written(path, entries)


def _other_encoding(rng: random.Random, path: Path, entries: list[SealedDecision]) -> bytes:
    text = _written(path, entries).decode("utf-8")
    return text.encode(rng.choice(("utf-16", "utf-16-le", "cp1252")))


def _spreadsheet(rng: random.Random, path: Path, entries: list[SealedDecision]) -> bytes:
    """Save it as a spreadsheet does in many countries; sometimes it shortens the times."""
    if path.suffix == ".toml":
        return _other_line_ends(rng, path, entries)
    stream = io.StringIO(newline="")
    writer = csv.writer(stream, delimiter=rng.choice(";\t,"), lineterminator="\r\n")
    shorten = rng.random() < 0.5
    for row in csv.reader(io.StringIO(_written(path, entries).decode("utf-8"))):
        if shorten:
            row = [cell.replace("T10:", " 10:").replace(":00+00:00", "") for cell in row]
        writer.writerow([*row, ""])
    return stream.getvalue().encode("utf-8-sig")


_ONLY_OUTPUTS = ("cut off whole decisions at the end", "seal everything anew")

ATTACKS: dict[str, Attack] = {
    "remove": _remove,
    "reorder": _reorder,
    "repeat": _repeat,
    "edit": _edit,
    "edit a seal": _edit_seal,
    "edit and seal one anew": _seal_one_anew,
    "type one by hand": _type_by_hand,
    "join with another cable's file": _join,
    "change bytes": _bytes,
    "change a letter": _letters,
    "cut the last one": _cut,
    "other line ends": _other_line_ends,
    "byte-order mark": _byte_order_mark,
    "other encoding": _other_encoding,
    "save by a spreadsheet": _spreadsheet,
    _ONLY_OUTPUTS[0]: _without_tail,
    _ONLY_OUTPUTS[1]: _seal_all_anew,
}


if __name__ == "__main__":
    sys.exit(main())
