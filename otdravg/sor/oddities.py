"""The findings of the reader, one function for each code.

Kept in one place so that their wording, severity and codes can be read, compared
with the documentation and tested as a whole.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable

from otdravg.findings import Finding, Severity

__all__ = ["capped"]

#: How many findings of one code are listed before the rest is only counted.
LISTED = 8

#: Longest block name that is shown in full; those of the standard have 5 to 9 letters.
_LONGEST_NAME = 40

_NOTE, _CAUTION, _DEFECT = Severity.NOTE, Severity.CAUTION, Severity.DEFECT


def capped(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Keep the first few findings of each code and count the others in one line."""
    findings = tuple(findings)
    seen: Counter[str] = Counter()
    kept: list[Finding] = []
    last: dict[str, Finding] = {}
    for finding in findings:
        seen[finding.code] += 1
        last[finding.code] = finding
        if seen[finding.code] <= LISTED:
            kept.append(finding)
    for code, count in seen.items():
        if count > LISTED:
            text = f"{count - LISTED} more findings of this kind are not listed"
            kept.append(
                Finding(last[code].severity, code, "file", text, "treated like those listed")
            )
    return tuple(kept)


def shown(name: str) -> str:
    """A block name as it can be printed: cut short, control characters made visible."""
    if not name:
        return "(no name)"
    if len(name) > _LONGEST_NAME:
        name = f"{name[:_LONGEST_NAME]}…"
    return name if name.isprintable() else ascii(name)


# --- the Map ---------------------------------------------------------------------------


def revision_unknown(revision: int, used: int) -> Finding:
    return Finding(
        _CAUTION,
        "revision-unknown",
        "Map",
        f"revision number is {revision}, expected 100 to 299",
        f"read by the field lists of revision {used}",
    )


def name_missing(block: str, offset: int) -> Finding:
    return Finding(
        _NOTE,
        "block-name-missing",
        shown(block),
        f"does not begin with its own name at byte {offset}, as revision 2 asks for",
        "read without it",
    )


def name_unexpected(block: str, offset: int) -> Finding:
    return Finding(
        _NOTE,
        "block-name-unexpected",
        shown(block),
        f"begins with its own name at byte {offset}, which revision 1 does not have",
        "the name was skipped",
    )


def map_count_disagrees(stated: int, found: int) -> Finding:
    return Finding(
        _CAUTION,
        "count-disagrees",
        "Map",
        f"states {stated} blocks with itself, its entries are {found}",
        f"{found} blocks were read",
    )


def map_size_disagrees(stated: int, found: int, start: int) -> Finding:
    return Finding(
        _CAUTION,
        "map-size-disagrees",
        "Map",
        f"states {stated} bytes for itself, its entries take {found}",
        f"the first block was read from byte {start}",
    )


def block_size_disagrees(block: str, stated: int, found: int, offset: int) -> Finding:
    return Finding(
        _CAUTION,
        "map-size-disagrees",
        shown(block),
        f"the Map states {stated} bytes, the next block's name follows after {found} "
        f"(block at byte {offset})",
        f"{found} bytes were taken",
    )


def block_cut(block: str, stated: int, found: int, offset: int) -> Finding:
    return Finding(
        _DEFECT,
        "block-truncated",
        shown(block),
        f"the file ends after {found} of {stated} bytes of the block at byte {offset}",
        "what is there was read; copy the file again from the instrument",
    )


def trailing_bytes(count: int, offset: int) -> Finding:
    return Finding(
        _NOTE,
        "trailing-bytes",
        "file",
        f"{count} bytes follow the last block at byte {offset}",
        "kept but not read",
    )


# --- blocks as a whole -----------------------------------------------------------------


def unknown_block(block: str, size: int, offset: int) -> Finding:
    return Finding(
        _NOTE,
        "unknown-block",
        shown(block),
        f"not a block of the standard: {size} bytes at byte {offset}",
        "kept but not read",
    )


def block_twice(block: str, offset: int) -> Finding:
    return Finding(
        _CAUTION,
        "block-repeated",
        shown(block),
        f"listed more than once; again at byte {offset}",
        "the first one counts, the others are kept",
    )


def block_missing(block: str, done: str, severity: Severity = _NOTE) -> Finding:
    return Finding(severity, "block-missing", block, "the file has no such block", done)


def fields_missing(block: str, field: str, offset: int) -> Finding:
    return Finding(
        _DEFECT,
        "block-truncated",
        block,
        f"ends at byte {offset} inside or before the field {field}",
        "this field and those after it count as not stated",
    )


def extra_bytes(block: str, count: int, offset: int) -> Finding:
    return Finding(
        _NOTE,
        "block-longer",
        block,
        f"{count} bytes follow the last known field at byte {offset}",
        "kept but not read",
    )


def layout_disagrees(block: str, stated: int, long_form: bool) -> Finding:
    return Finding(
        _CAUTION,
        "layout-disagrees",
        block,
        f"the file states revision {stated}, the block fits only the fields of "
        f"revision {2 if long_form else 1}",
        f"read by the field list of revision {2 if long_form else 1}",
    )


def text_not_utf8(block: str, fields: Iterable[tuple[str, int]]) -> Finding:
    places = [f"{name} at byte {offset}" for name, offset in fields]
    more = f" and {len(places) - LISTED} more" if len(places) > LISTED else ""
    return Finding(
        _NOTE,
        "text-not-utf8",
        block,
        f"not UTF-8: {', '.join(places[:LISTED])}{more}",
        "shown as Latin-1, which may be the wrong letters; the bytes are kept",
    )


def code_unknown(block: str, field: str, raw: bytes, offset: int) -> Finding:
    return Finding(
        _NOTE,
        "code-unknown",
        block,
        f"{field} at byte {offset} is {raw.decode('latin-1')!a}, "
        "which the standard does not define",
        "kept as it is",
    )


# --- settings --------------------------------------------------------------------------


def wavelength_unit(value: int) -> Finding:
    return Finding(
        _NOTE,
        "wavelength-unit",
        "FxdParams",
        f"actual wavelength is {value} in a field of tenths of a nanometre",
        f"taken as {value} nm",
    )


def wavelength_disagrees(actual_nm: float, nominal_nm: int) -> Finding:
    return Finding(
        _CAUTION,
        "wavelength-disagrees",
        "FxdParams",
        f"actual wavelength {actual_nm:.1f} nm, nominal wavelength {nominal_nm} nm",
        "the actual wavelength is used; check which one was shot",
    )


def wavelength_missing(nominal_nm: int) -> Finding:
    return Finding(
        _NOTE if nominal_nm else _CAUTION,
        "wavelength-missing",
        "FxdParams",
        f"no actual wavelength is stated; nominal wavelength {nominal_nm} nm",
        "the nominal wavelength is used" if nominal_nm else "wavelength counts as not stated",
    )


def group_index_unusable(stated: float, used: float) -> Finding:
    return Finding(
        _CAUTION,
        "group-index-unusable",
        "FxdParams",
        f"group index is {stated:.5f}, which no glass fibre has",
        f"{used:.5f} is used; state the fibre's index for right distances",
    )


def pulse_width_zero(trace: int) -> Finding:
    return Finding(
        _CAUTION,
        "pulse-width-zero",
        "FxdParams",
        f"pulse width of trace {trace + 1} is 0 ns",
        "pulse width counts as not stated",
    )


# --- data points, events, checksum -----------------------------------------------------


def zero_spacing(trace: int) -> Finding:
    return Finding(
        _DEFECT,
        "zero-spacing",
        "FxdParams",
        f"data spacing of trace {trace + 1} is 0, so its points have no positions",
        "this trace was left out",
    )


def beyond_reach(trace: int, first_s: float, last_s: float) -> Finding:
    return Finding(
        _DEFECT,
        "beyond-reach",
        "FxdParams",
        f"points of trace {trace + 1} would lie {first_s * 1e3:.6g} to {last_s * 1e3:.6g} ms away "
        "(one way); 5 ms are 1000 km, and no shot reaches as far",
        "this trace was left out",
    )


def trace_empty(trace: int, pulse_ns: int) -> Finding:
    return Finding(
        _DEFECT,
        "trace-empty",
        "DataPts",
        f"no data points for trace {trace + 1} (pulse width {pulse_ns} ns)",
        "this trace was left out",
    )


def counts_disagree(block: str, what: str, done: str) -> Finding:
    return Finding(_CAUTION, "count-disagrees", block, what, done)


def scale_zero(run: int, used: int) -> Finding:
    return Finding(
        _CAUTION,
        "scale-zero",
        "DataPts",
        f"scale factor {run + 1} is 0, which would make every level the same",
        f"{used / 1000:g} is used",
    )


def event_table_cut(stated: int, found: int, offset: int) -> Finding:
    return Finding(
        _DEFECT,
        "event-table-truncated",
        "KeyEvents",
        f"states {stated} events, the bytes end at byte {offset} after {found}",
        f"{found} events were read; the waveform is not affected",
    )


def checksum_mismatch(stored: int, computed: int, offset: int) -> Finding:
    return Finding(
        _CAUTION,
        "checksum-mismatch",
        "Cksum",
        f"stored 0x{stored:04X} at byte {offset}, computed 0x{computed:04X}",
        "read all the same; some instruments compute another checksum, but compare with the "
        "original file",
    )


def checksum_missing() -> Finding:
    return Finding(
        _NOTE,
        "checksum-missing",
        "Cksum",
        "the file has no checksum",
        "damage to the file would not be noticed",
    )
