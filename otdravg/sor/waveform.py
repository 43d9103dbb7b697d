"""Block DataPts: the points as a view of the file's bytes, shared out to their pulses."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from struct import Struct

import numpy as np
import numpy.typing as npt

from otdravg.findings import Finding, caution, defect
from otdravg.sor.layout import DATA_POINTS, FIXED
from otdravg.sor.model import DataPoints, FixedParameters, PointRun, Waveform
from otdravg.sor.sizes import SizeLimits

_HEAD = Struct("<IH")  # number of points, number of scale factors
_RUN = Struct("<IH")  # number of points under the scale factor, scale factor x 1000
_POINT = np.dtype("<u2")
_SCALE_1 = 1000

#: One-way time to 1000 km of fibre: no single shot reaches that far (common practice, no source).
_FARTHEST_S = 5e-3


def decode_points(
    content: bytes, position: int, stated_points: int, path: str, limits: SizeLimits
) -> tuple[DataPoints, int, list[Finding]]:
    """Read DataPts; counts are believed only as far as there are bytes for them.

    Parameters
    ----------
    content : bytes
        The block.
    position : int
        Where in it the fields begin (behind its name).
    stated_points : int
        Number of points that FxdParams states, to decide between disagreeing counts.
    path : str
        What to call the file in messages.
    limits : SizeLimits
        How many points and scale factors there may be.

    Returns
    -------
    DataPoints
        Runs of points, each a read-only view of ``content``.
    int
        Position in ``content`` behind the last point.
    list of Finding
        Counts that disagree.

    Raises
    ------
    UnreadableTrace
        If there are more points or scale factors than allowed.
    """
    if len(content) - position < _HEAD.size:
        return DataPoints(()), len(content), []
    total, run_count = _HEAD.unpack_from(content, position)
    position += _HEAD.size
    findings: list[Finding] = []
    runs: list[PointRun] = []
    taken = read = 0
    while read < max(run_count, 1) and len(content) - position >= _RUN.size:
        count, scale = _RUN.unpack_from(content, position)
        position += _RUN.size
        read += 1
        if read > limits.traces:
            limits.check_traces(DATA_POINTS, "scale factors", run_count, path)
        room = (len(content) - position) // _POINT.itemsize
        is_last = read >= run_count
        fills_block = is_last and room in (total - taken, stated_points - taken)
        size = room if count > room or fills_block else count
        if size != count:
            findings.append(
                caution(
                    "count-disagrees", DATA_POINTS, "points-of-factor",
                    factor=read, stated=count, room=room, found=size,
                )
            )  # fmt: skip
        if scale == 0:
            findings.append(caution("scale-zero", DATA_POINTS, factor=read))
        if size:
            raw = np.frombuffer(content, _POINT, size, position)
            runs.append(PointRun(scale or _SCALE_1, raw))
        taken += size
        position += size * _POINT.itemsize
    limits.check_points(taken, path)
    if read != run_count:
        findings.append(
            caution("count-disagrees", DATA_POINTS, "factors", stated=run_count, found=read)
        )
    if taken != total:
        findings.append(
            caution("count-disagrees", DATA_POINTS, "points", stated=total, found=taken)
        )
    return DataPoints(tuple(runs)), position, findings


def waveforms_of(
    fixed: FixedParameters, data: DataPoints
) -> tuple[tuple[Waveform, ...], list[Finding]]:
    """Share the points out to the pulse widths: one trace each.

    By the counts of FxdParams if they add up, else one run of DataPts per pulse width.
    A trace without points, without a spacing or beyond all reach is left out.
    """
    entries = len(fixed.data_spacings)
    counts = fixed.point_counts
    findings: list[Finding] = []
    complete = len(counts) == entries
    if entries == 1:
        shares: Sequence[tuple[PointRun, ...]] = [data.runs]
        case = "one-trace"
    elif len(data.runs) == entries and sum(counts) != data.size:
        shares = [(run,) for run in data.runs]
        case = "factor-each"
    else:
        shares = _shares(data.runs, counts if complete else [data.size])
        case = "in-order"
    if complete and sum(counts) != data.size:
        findings.append(
            caution("count-disagrees", FIXED.block, case, stated=sum(counts), found=data.size)
        )

    waveforms: list[Waveform] = []
    for index, (pulse_ns, spacing) in enumerate(
        zip(fixed.pulse_widths_ns, fixed.data_spacings, strict=False)
    ):
        runs = shares[index] if index < len(shares) else ()
        if not runs:
            findings.append(defect("trace-empty", DATA_POINTS, trace=index + 1, pulse_ns=pulse_ns))
        elif not spacing:
            findings.append(defect("zero-spacing", FIXED.block, trace=index + 1))
        else:
            waveform = Waveform(pulse_ns, spacing, runs)
            first_s = fixed.acquisition_offset_s
            last_s = first_s + sum(run.raw.size for run in runs) * waveform.spacing_s
            if first_s < -_FARTHEST_S or last_s > _FARTHEST_S:
                findings.append(
                    defect(
                        "beyond-reach", FIXED.block,
                        trace=index + 1, first_ms=first_s * 1e3, last_ms=last_s * 1e3,
                    )
                )  # fmt: skip
                continue
            waveforms.append(waveform)
            if not pulse_ns:
                findings.append(caution("pulse-width-zero", FIXED.block, trace=index + 1))
    return tuple(waveforms), findings


def encode_points(runs: Sequence[tuple[int, npt.NDArray[np.uint16]]]) -> bytes:
    """Encode runs of (scale factor x 1000, points); their sizes were checked before."""
    total = sum(points.size for _, points in runs)
    parts = [_HEAD.pack(total, len(runs))]
    for scale_1000, points in runs:
        parts.append(_RUN.pack(points.size, scale_1000))
        parts.append(points.astype(_POINT).tobytes())
    return b"".join(parts)


def _shares(runs: Sequence[PointRun], counts: Iterable[int]) -> list[tuple[PointRun, ...]]:
    """Deal out the runs in order, cutting a run where a share ends."""
    waiting = list(reversed(runs))
    shares: list[tuple[PointRun, ...]] = []
    for count in counts:
        share: list[PointRun] = []
        needed = count
        while needed and waiting:
            run = waiting.pop()
            if run.raw.size > needed:
                waiting.append(PointRun(run.scale_1000, run.raw[needed:]))
                run = PointRun(run.scale_1000, run.raw[:needed])
            needed -= run.raw.size
            share.append(run)
        shares.append(tuple(share))
    return shares
