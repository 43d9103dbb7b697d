"""Time and memory of a whole closeout beside the measuring, output by output.

A simulated cable of 48 fibres is measured; its results are then taken several times over, with
other fibre numbers, so that 864 fibres at two wavelengths make 17,280 rows and 3,456 trace files
to be copied, without hours of shooting. Rows, fibres, shots, identities and closures grow; sums
of ribbons do not. Processor time of this process and its workers; memory is what the closeout
adds to the peak of reading and measuring. Run ``python tests/benchmarks/closeout_speed.py``.
"""

from __future__ import annotations

import argparse
import resource
import tempfile
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from stored import Figure, rounded, save

from otdravg.cable import CableReview, read_folders, review
from otdravg.cable.model import FibreKey
from otdravg.closeout.closeout import write_closeout
from otdravg.simulate.demo import write_demo
from otdravg.trade import ribbon_position
from otdravg.verdict import default

FIBRES, MEASURED = 864, 48
#: Limits beside the measuring, for so many fibres at two wavelengths.
LIMIT_S, LIMIT_MB = 60.0, 500.0


def peak_mb() -> float:
    """Largest memory of this process so far."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def taken_over(measured: CableReview, times: int) -> CableReview:
    """Return a review of several times as many fibres, each one of those that were measured."""
    shifts = [MEASURED * k for k in range(times)]

    def moved(key: FibreKey, shift: int) -> FibreKey:
        return replace(key, fibre=key.fibre + shift)

    def shots() -> Iterator[object]:
        for shift in shifts:
            for shot in measured.shots:
                key = shot.taken_for.key
                if key is not None:
                    taken = replace(shot.taken_for, fibre=key.fibre + shift)
                    yield replace(shot, taken_for=taken, path=f"{shift}/{shot.path}")

    return replace(
        measured,
        shots=tuple(shots()),
        rows=tuple(
            replace(
                row,
                fibre=row.fibre + shift,
                ribbon=ribbon_position(row.fibre + shift, measured.ribbon_size)[0],
                file_ab=f"{shift}/{row.file_ab}",
                file_ba=f"{shift}/{row.file_ba}",
            )
            for shift in shifts
            for row in measured.rows
        ),
        fibres=tuple(
            replace(
                fibre,
                key=moved(fibre.key, shift),
                file_ab=f"{shift}/{fibre.file_ab}",
                file_ba=f"{shift}/{fibre.file_ba}",
            )
            for shift in shifts
            for fibre in measured.fibres
        ),
        identities=tuple(
            replace(one, key=moved(one.key, shift))
            for shift in shifts
            for one in measured.identities
        ),
        closures=tuple(
            replace(c, fibres=tuple(f + shift for shift in shifts for f in c.fibres))
            for c in measured.closures
        ),
    )


def written(result: CableReview, folder: Path) -> dict[str, float]:
    """Write everything; processor seconds by stage, with "all"."""
    seconds: dict[str, float] = {}
    began = last = time.process_time()

    def progress(stage: str, done: int, total: int) -> None:
        nonlocal last
        now = time.process_time()
        seconds[stage] = seconds.get(stage, 0.0) + (now - last if done else 0.0)
        last = now

    write_closeout(result, folder, progress=progress)
    return {**seconds, "all": time.process_time() - began}


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--fibres", type=int, default=FIBRES)
    parser.add_argument("--store", action="store_true", help="keep the figures for the docs")
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        shots = Path(place) / "shots"
        write_demo(shots, fibres=MEASURED, wavelengths=(1310, 1550), faults=False)
        began = time.process_time()
        measured = review(read_folders([shots]), default())
        review_s = time.process_time() - began
        times = max(chosen.fibres // MEASURED, 2)
        half = written(taken_over(measured, times // 2), Path(place) / "half")
        result = taken_over(measured, times)
        before_mb = peak_mb()
        whole = written(result, Path(place) / "whole")
        added_mb = peak_mb() - before_mb
    reference = chosen.fibres == FIBRES
    figures = [
        Figure("processor time", whole["all"], "s", at_most=LIMIT_S if reference else None),
        Figure("memory added", added_mb, "MB", at_most=LIMIT_MB if reference else None,
               note=f"{peak_mb():.0f} MB at most with the review in it"),
        Figure("time against measuring as many fibres", whole["all"] / (review_s * times), "",
               note=f"{MEASURED} fibres measured in {review_s:.1f} s"),
        Figure("time against half as many fibres", whole["all"] / half["all"], "", at_most=2.4),
    ]  # fmt: skip
    stages = [
        {"stage": stage, "half, s": half[stage], "whole, s": seconds}
        for stage, seconds in sorted(whole.items(), key=lambda item: -item[1])
    ]
    print(*(figure.text() for figure in figures), *rounded(stages), sep="\n")
    if chosen.store:
        what = f"""A whole closeout beside the measuring: {chosen.fibres} fibres at two
        wavelengths, ten closures, {len(result.rows)} rows, {len(result.shots)} trace files;
        {MEASURED} fibres measured and taken several times. One process; half as many fibres for
        comparison."""
        save("closeout_speed", what, figures, stages=rounded(stages))


if __name__ == "__main__":
    main()
