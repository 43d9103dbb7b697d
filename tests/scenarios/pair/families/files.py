"""Broken and odd files: what forty files on a wet memory stick have among them."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from otdravg import sor
from scenarios.pair.case import Case, Doubt, Files, case_of
from scenarios.pair.world import (
    HUTS,
    draw_span,
    edited,
    span_of,
    two_shots,
    with_loss,
    with_point,
)

Rng = np.random.Generator
Points = npt.NDArray[np.uint16]


def _unusable(files: Files, may_say: tuple[str, ...] = ()) -> Case:
    """Nothing can be measured: exit 2, one clear line."""
    return case_of(files, None, doubt=Doubt.MUST, one_state=False, exit_codes=(2,), may_say=may_say)


def _second(rng: Rng, content: bytes | None) -> Files:
    """Give a good first file and something else as the second."""
    first, (name, good) = two_shots(rng, draw_span(rng))
    return (first, (name, good if content is None else content))


def file_truncated(rng: Rng) -> Case:
    """The stick was pulled too early: half of B's file."""
    span = draw_span(rng)
    first, (name, good) = two_shots(rng, span)
    half = good[: int(len(good) * rng.uniform(0.2, 0.75))]
    # What is left may be measured, but only under a doubt.
    return case_of(
        (first, (name, half)), span, doubt=Doubt.MUST, as_stated=False, may_say=("017_B",)
    )


def file_of_text(rng: Rng) -> Case:
    """Somebody saved his notes under the name of B's file."""
    notes = b"fibre 17: closure 3 opened again, ribbon 2 dressed. Ask Jo about the key.\n" * 20
    return _unusable(_second(rng, notes), ("017_B",))


def file_of_another_program(rng: Rng) -> Case:
    """A document with the ending .sor."""
    content = b"%PDF-1.4\n" + bytes(rng.integers(0, 256, 4_000, dtype=np.uint8))
    return _unusable(_second(rng, content), ("017_B",))


def file_empty(rng: Rng) -> Case:
    """A file of no bytes."""
    return _unusable(_second(rng, b""), ("017_B",))


def file_of_zeros(rng: Rng) -> Case:
    """The stick's table survived, the content did not: 13,000 zero bytes."""
    return _unusable(_second(rng, b"\0" * 13_000), ("017_B",))


def file_missing(rng: Rng) -> Case:
    """A name mistyped: there is no such file."""
    files = two_shots(rng, draw_span(rng))
    command = ("pair", "017_A.sor", "017_b2.sor", "--limit", "0.20")
    return case_of(files, None, command=command, doubt=Doubt.MUST, one_state=False, exit_codes=(2,))


def one_file_named(rng: Rng) -> Case:
    """Only one file typed: a pair takes two."""
    files = two_shots(rng, draw_span(rng))
    command = ("pair", "017_A.sor", "--limit", "0.20")
    return case_of(files, None, command=command, doubt=Doubt.MUST, one_state=False, exit_codes=(2,))


def three_files_named(rng: Rng) -> Case:
    """The wildcard caught a third file, a copy: it is named, and is no all-clear."""
    files = two_shots(rng, draw_span(rng))
    files = (*files, ("017_B2.sor", files[1][1]))
    command = ("pair", "017_A.sor", "017_B.sor", "017_B2.sor", "--limit", "0.20")
    return case_of(files, None, command=command, doubt=Doubt.MUST, one_state=False, exit_codes=(1,))


def file_named_twice(rng: Rng) -> Case:
    """A's file typed twice."""
    span = draw_span(rng)
    files = two_shots(rng, span)
    command = ("pair", "017_A.sor", "017_A.sor", "--limit", "0.20")
    return case_of(
        files, span, command=command, doubt=Doubt.MUST, one_state=False, exit_codes=(2, 1)
    )


def file_copied(rng: Rng) -> Case:
    """B's file is A's under another name."""
    span = draw_span(rng)
    first, (name, _) = two_shots(rng, span)
    return case_of((first, (name, first[1])), span, doubt=Doubt.MUST, one_state=False)


def file_copied_header_edited(rng: Rng) -> Case:
    """B's file is A's with the ends exchanged in the header: a shot saved that was never made."""
    span = draw_span(rng)
    (name_a, first), (name_b, _) = two_shots(rng, span)
    forged = edited(
        first,
        general={"location_a": HUTS[1], "location_b": HUTS[0]},
        fixed={"timestamp_s": 1_715_680_800},
    )
    files = ((name_a, first), (name_b, forged))
    return case_of(files, span, doubt=Doubt.MUST, one_state=False)


def file_copied_mirror_span(rng: Rng) -> Case:
    """The same on a span with one splice in the middle: the copy pairs with itself."""
    span = span_of(6_000.0, [3_000.0], [0.32], [0.0, 0.2])
    (name_a, first), (name_b, _) = two_shots(rng, span)
    forged = edited(first, general={"location_a": HUTS[1], "location_b": HUTS[0]})
    files = ((name_a, first), (name_b, forged))
    return case_of(files, span, doubt=Doubt.MUST, one_state=False)


def checksum_wrong(rng: Rng) -> Case:
    """B's checksum does not fit; the content is whole. Other ways of counting are about."""
    span = draw_span(rng)
    first, (name, good) = two_shots(rng, span)
    wrong = good[:-2] + bytes((good[-2] ^ 0x5A, good[-1]))
    return case_of((first, (name, wrong)), span, doubt=Doubt.MAY)


def points_damaged(rng: Rng) -> Case:
    """A bad block on the stick: 256 bytes of B's trace are noise, and the checksum knows."""
    span = draw_span(rng)
    first, (name, good) = two_shots(rng, span)
    at = int(len(good) * rng.uniform(0.35, 0.6))
    noise = bytes(rng.integers(0, 256, 256, dtype=np.uint8))
    broken = good[:at] + noise + good[at + 256 :]
    return case_of((first, (name, broken)), span, doubt=Doubt.MUST, one_state=False)


def points_repeated(rng: Rng) -> Case:
    """A stretch of plain fibre was copied over a bad splice in both files."""
    span = draw_span(rng, count=3, gap_m=1_500, length_m=9_000)
    span = with_loss(span, 1, 0.45)
    forged = []
    for from_b, (name, content) in enumerate(two_shots(rng, span)):
        place = span.joint_positions_m[1]
        share = (span.length_m - place if from_b else place) / span.length_m / 1.25

        def covered(raw: Points, share: float = share) -> Points:
            at, half = int(share * raw.size), 150
            clean = raw[at - 3 * half : at - half].astype(int)
            patch = clean + (int(raw[at - half]) - int(clean[0]))
            out: Points = raw.copy()
            out[at - half : at + half] = patch
            # What lies behind is lifted, so that no step is left.
            lift = int(raw[at + half]) - int(patch[-1])
            out[at + half :] = np.clip(raw[at + half :].astype(int) - lift, 0, 65_535)
            return out

        forged.append((name, edited(content, points=covered)))
    return case_of(tuple(forged), span, doubt=Doubt.MUST, one_state=False)


def points_written_twice(rng: Rng) -> Case:
    """B's instrument wrote a stretch of 400 points twice: what follows is shifted."""
    span = draw_span(rng)
    first, (name, good) = two_shots(rng, span)

    def twice(raw: Points) -> Points:
        at = raw.size // 3
        return np.concatenate((raw[:at], raw[at - 400 : at], raw[at:-400]))

    return case_of(
        (first, (name, edited(good, points=twice))), span, doubt=Doubt.MUST, one_state=False
    )


def bit_stuck(rng: Rng) -> Case:
    """Bit 7 of B's memory is stuck at one: levels jump by an eighth of a dB."""
    span = draw_span(rng)
    first, (name, good) = two_shots(rng, span)
    stuck = edited(good, points=lambda raw: raw | np.uint16(1 << 7))
    return case_of(
        (first, (name, stuck)),
        span,
        doubt=Doubt.MUST,
        one_state=False,
        must_not_say=("different lengths",),
    )


def top_clipped(rng: Rng) -> Case:
    """A's first two kilometres are brighter than the record can hold: flat, and a bad splice in
    them.
    """
    span = draw_span(rng, count=3, gap_m=2_200, length_m=12_000)
    span = with_point(span, float(rng.uniform(800, 1_200)), 0.45)
    (name, first), second = two_shots(rng, span)

    def clipped(raw: Points) -> Points:
        top = int(np.median(raw[int(raw.size * 2_000 / 15_000) :][:50]))
        return np.asarray(np.maximum(raw, top) - top, dtype=np.uint16)

    files = ((name, edited(first, points=clipped)), second)
    return case_of(files, span, doubt=Doubt.MAY, exit_codes=(1, 2))


def noise_only(rng: Rng) -> Case:
    """Nothing was plugged in at B: a file of noise."""
    first, (name, good) = two_shots(rng, draw_span(rng))

    def noise(raw: Points) -> Points:
        level = 20_000 + rng.normal(0, 2_500, raw.size)
        return np.clip(level, 0, 65_535).astype(np.uint16)

    return case_of(
        (first, (name, edited(good, points=noise))),
        None,
        doubt=Doubt.MUST,
        one_state=False,
        exit_codes=(1, 2),
    )


def record_shorter_than_fibre(rng: Rng) -> Case:
    """B's range was set to 6 km, the fibre has nine: three kilometres were never recorded."""
    span = draw_span(rng, length_m=9_000, count=5)
    span = with_loss(span, 0, 0.45)
    files = two_shots(rng, span, settings_b={"reach": 0.66})
    return case_of(files, span, doubt=Doubt.MAY, exit_codes=(1, 2))


def records_shorter_than_fibre(rng: Rng) -> Case:
    """Both ranges end two kilometres before the far end;
    each end's first splice is seen one way.
    """
    span = draw_span(rng, length_m=9_000, count=6, gap_m=700)
    span = with_loss(span, 0, 0.45)
    files = two_shots(rng, span, settings={"reach": 0.78})
    return case_of(files, span, doubt=Doubt.MAY, exit_codes=(1, 2))


def first_points_missing(rng: Rng) -> Case:
    """A tool cut the first kilometre from A's file and told nobody; a bad splice went with it."""
    span = draw_span(rng, count=3, gap_m=1_300, length_m=9_000)
    span = with_point(span, 600.0, 0.45)
    (name, first), second = two_shots(rng, span)

    def without_start(raw: Points) -> Points:
        return raw[int(raw.size * 1_000 / (9_000 * 1.25)) :]

    files = ((name, edited(first, points=without_start)), second)
    return case_of(files, span, doubt=Doubt.MUST, as_stated=False)


def header_only(rng: Rng) -> Case:
    """B's file has a header and two points."""
    first, (name, good) = two_shots(rng, draw_span(rng))
    short = edited(good, points=lambda raw: raw[:2])
    return case_of((first, (name, short)), None, doubt=Doubt.MUST, one_state=False, exit_codes=(2,))


def trace_upside_down(rng: Rng) -> Case:
    """A converter turned B's levels round: the fibre seems to amplify."""
    span = draw_span(rng)
    first, (name, good) = two_shots(rng, span)

    def turned(raw: Points) -> Points:
        return np.asarray(raw.max() - raw, dtype=np.uint16)

    files = (first, (name, edited(good, points=turned)))
    return case_of(files, span, doubt=Doubt.MUST, one_state=False)


def trace_turned_round(rng: Rng) -> Case:
    """A helpful tool "mirrored" B's trace for display and saved it so."""
    span = draw_span(rng)
    first, (name, good) = two_shots(rng, span)
    files = (first, (name, edited(good, points=lambda raw: raw[::-1].copy())))
    return case_of(files, span, doubt=Doubt.MUST, one_state=False)


def trace_smoothed(rng: Rng) -> Case:
    """Somebody ran a moving average of 40 m over B's levels to make them look nice; good fibre."""
    span = draw_span(rng)
    first, (name, good) = two_shots(rng, span)

    def smooth(raw: Points) -> Points:
        kernel = np.ones(21) / 21
        padded = np.pad(raw.astype(float), 10, mode="edge")
        return np.asarray(np.rint(np.convolve(padded, kernel, mode="valid")), dtype=np.uint16)

    files = (first, (name, edited(good, points=smooth)))
    return case_of(files, span, doubt=Doubt.MAY)


def spacing_wrong(rng: Rng) -> Case:
    """B's point spacing is stored five per cent short: that shot's fibre shrinks."""
    span = draw_span(rng)
    first, (name, good) = two_shots(rng, span)
    (spacing,) = sor.decode(good).fixed.data_spacings
    short = edited(good, fixed={"data_spacings": (round(spacing * 0.95),)})
    return case_of((first, (name, short)), span, doubt=Doubt.MUST, as_stated=False)


def flat_stretch_over_bad_splice(rng: Rng) -> Case:
    """A stretch around a bad splice was held at one level in B's file,
    as a skipping memory does.
    """
    span = draw_span(rng, count=3, gap_m=1_500, length_m=9_000)
    span = with_loss(span, 1, 0.45)
    first, (name, good) = two_shots(rng, span)
    share = (span.length_m - span.joint_positions_m[1]) / span.length_m / 1.25

    def held(raw: Points) -> Points:
        at = int(share * raw.size)
        out: Points = raw.copy()
        out[at - 200 : at + 200] = raw[at - 200]
        return out

    files = (first, (name, edited(good, points=held)))
    return case_of(files, span, doubt=Doubt.MUST, as_stated=False)
