"""Pictures: why one shot lies and two do not.

Figures are built with matplotlib's object interface on the Agg canvas, so that nothing
global changes, and are saved without dates: the same report gives the same bytes.
"""

from __future__ import annotations

import io
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import matplotlib as mpl
import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from otdravg.draw.curves import SpanCurves, envelope, signal_range, span_curves, value_range
from otdravg.draw.labels import LEADER_COLOUR, LabelStyle, event_row, label_row
from otdravg.errors import BadSetting
from otdravg.findings import says
from otdravg.fit.reading import Kind
from otdravg.quantities import Quantity, distance_text, reported
from otdravg.shot.detect import Detection
from otdravg.shot.settings import TableEvent
from otdravg.shot.trace import Trace
from otdravg.system.atomic import write_atomic
from otdravg.system.printable import printable
from otdravg.verdict.judge import Judged, PairReport, Verdict
from otdravg.words.catalogue import Language, say, told
from otdravg.words.headings import Words
from otdravg.words.statements import limit_statement, title_of

FloatArray = npt.NDArray[np.float64]

#: A4 landscape.
_SIZE_INCH = (11.69, 8.27)
_DPI = 150
# Blue, orange and black differ for every kind of colour vision and in grey; so do the dashes.
_FROM_A = "#1b4f8f"
_FROM_B = "#d4690a"
_DASHES = (0, (5, 1.5))
_TRUE = "#111111"
_GLASS = "#6b3d87"
#: More labels than this do not fit side by side and are turned upright.
_MOST_LEVEL_LABELS = 9


@contextmanager
def own_look() -> Iterator[None]:
    """Draw with matplotlib's own defaults for a while.

    A ``matplotlibrc`` in the folder or the home of whoever draws would change the picture, or
    ask for programs that are not there.
    """
    with mpl.rc_context():
        mpl.rcdefaults()
        yield


@own_look()
def pair_figure(report: PairReport, *, language: Language = Language.ENGLISH) -> Figure:
    """Draw both shots, the splice losses (average of both directions), the backscatter differences.

    Parameters
    ----------
    report : PairReport
        A judged pair.
    language : Language
        Of titles and labels.

    Returns
    -------
    Figure
        Three panels over one distance axis, A4 landscape.
    """
    curves = span_curves(report.measurement)
    figure = new_figure()
    upright = len(report.splices) > _MOST_LEVEL_LABELS
    grid = {
        "height_ratios": (0.8, 1.8, 0.85) if upright else (1.0, 1.5, 0.95),
        "hspace": 0.47, "left": 0.075, "right": 0.975, "top": 0.838, "bottom": 0.095,
    }  # fmt: skip
    panels: Sequence[Axes] = figure.subplots(3, 1, sharex=True, gridspec_kw=grid)
    _title(figure, report, language)
    _set_distance_axis(panels, curves, language)
    _draw_shots(panels[0], report, curves, language)
    _draw_half_difference(panels[1], report, curves, upright, language)
    _draw_half_sum(panels[2], report, curves, language)
    for panel in panels:
        for judged in report.splices:
            x_km = judged.reading.distance_m / 1000
            panel.axvline(x_km, color=LEADER_COLOUR, linewidth=0.6, linestyle=(0, (1, 2)), zorder=0)
    return figure


def new_figure() -> Figure:
    """Return an empty figure, A4 landscape."""
    figure = Figure(figsize=_SIZE_INCH, dpi=_DPI)
    FigureCanvasAgg(figure)
    return figure


def write_line(figure: Figure, y: float, text: str, *, x: float = 0.075, **look: Any) -> None:
    """Write a line of text, safe to draw: no control characters, no formula mode."""
    figure.text(x, y, printable(text).replace("$", r"\$"), va="center", **look)


def _drawn(key: str, language: Language, **named: str) -> str:
    return say("drawing", key, language, **named)


def _title(figure: Figure, report: PairReport, language: Language) -> None:
    measurement = report.measurement
    title = _drawn("title", language, fibre=title_of(measurement.ab, language))
    write_line(figure, 0.965, title, fontsize=14, fontweight="bold")
    ends = f"A = {told(report.ends.a, language)}, B = {told(report.ends.b, language)}."
    limit = _drawn("limit", language, limit=limit_statement(report, language))
    write_line(figure, 0.934, f"{ends}   {limit}", fontsize=8.5, color="#333333")
    index = Words(language).decimal(reported(measurement.axis.group_index, Quantity.GROUP_INDEX))
    files = f"{measurement.ab.identity.path}, {measurement.ba.identity.path}"
    foot = f"{_drawn('foot', language, index=index)}   {files}"
    write_line(figure, 0.022, foot, fontsize=7, color="#444444")


def _set_distance_axis(panels: Sequence[Axes], curves: SpanCurves, language: Language) -> None:
    length_km = curves.length_m / 1000
    margin = 0.035 * length_km
    panels[0].set_xlim(-margin, length_km + margin)
    panels[-1].set_xlabel(_drawn("distance", language), fontsize=9)
    for panel in panels:
        panel.tick_params(labelsize=8)
        panel.spines[["top", "right"]].set_visible(False)
        panel.axvspan(-margin, 0, color="#ececec", zorder=-1)
        panel.axvspan(length_km, length_km + margin, color="#ececec", zorder=-1)


def _headings(
    panel: Axes, number: int, key: str, language: Language, *, lift_pt: float = 0
) -> None:
    """Write a heading and a line of explanation above a panel."""
    look: dict[str, Any] = {"xy": (0, 1), "xycoords": "axes fraction",
                            "textcoords": "offset points"}  # fmt: skip
    heading = f"{number}   {_drawn(key, language)}"
    panel.annotate(heading, xytext=(0, lift_pt + 20), fontsize=10.5, fontweight="bold", **look)
    why = _drawn(f"{key}-why", language)
    panel.annotate(why, xytext=(0, lift_pt + 7), fontsize=8.5, fontweight="normal", **look)


def _draw_shots(panel: Axes, report: PairReport, curves: SpanCurves, language: Language) -> None:
    for (z_m, level_db), colour, dashes, name in (
        (report.measurement.curve_ab(), _FROM_A, "-", _drawn("from-a", language)),
        (report.measurement.curve_ba(), _FROM_B, _DASHES, _drawn("from-b", language)),
    ):
        left, right = panel.get_xlim()
        x_m, y_db = envelope(z_m, level_db, 1000 * left, 1000 * right)
        panel.plot(x_m / 1000, y_db, color=colour, linestyle=dashes, linewidth=1.0, label=name)
    low, high = curves.clean_range_db
    room = max(0.12 * (high - low), 0.3)
    # A reflection is many dB high: it may leave the panel, so that splices stay visible.
    panel.set_ylim(low - room, high + 3 * room)
    panel.set_ylabel(_drawn("level", language), fontsize=9)
    panel.legend(loc="lower center", ncols=2, fontsize=8, frameon=False, handlelength=3.2)
    left_km, right_km = panel.get_xlim()
    for end, edge_km, span_km in (("A", left_km, 0.0), ("B", right_km, curves.length_m / 1000)):
        middle_km = (edge_km + span_km) / 2
        panel.text(middle_km, high + room, end, ha="center", fontsize=11, fontweight="bold")
    _headings(panel, 1, "shots", language, lift_pt=13)
    numbers = [str(judged.reading.number) for judged in report.splices]
    label_row(panel, curves, None, report.splices, numbers, LabelStyle(8, 14, height=1.03))


def _draw_half_difference(
    panel: Axes, report: PairReport, curves: SpanCurves, upright: bool, language: Language
) -> None:
    z_km = curves.z_m / 1000
    turned, average = _drawn("turned", language), _drawn("average", language)
    panel.plot(z_km, curves.from_a_db, color=_FROM_A, linewidth=0.9, label="A→B")
    panel.plot(
        z_km, curves.from_b_db, color=_FROM_B, linewidth=0.9, linestyle=_DASHES, label=turned
    )
    panel.plot(z_km, curves.half_difference_db, color=_TRUE, linewidth=2.0, label=average)
    panel.set_ylabel(_drawn("level-from-a", language), fontsize=9)
    panel.legend(loc="lower left", fontsize=8, frameon=False, handlelength=3.2)
    values = value_range(curves.from_a_db, curves.from_b_db)
    _make_room(panel, values, labels_pt=84 if upright else 46, below=0.25)
    _headings(panel, 2, "loss", language)
    labels = [_loss_label(judged, upright, language) for judged in report.splices]
    style = LabelStyle(8, 24 if upright else 74, upright=upright)
    label_row(panel, curves, curves.half_difference_db, report.splices, labels, style)


def _loss_label(judged: Judged, upright: bool, language: Language) -> str:
    """The splice loss with its uncertainty; the verdict in words where it is not "within"."""
    number, spoken = judged.reading.number, Words(language)
    words = "" if judged.verdict is Verdict.WITHIN else spoken.value(judged.verdict.value)
    if judged.reading.kind in (Kind.CONNECTOR, Kind.GROUP):
        words = f"{spoken.value(judged.reading.kind.value)}, {words}".removesuffix(", ")
    if judged.reported_loss_db is None:
        return f"{number}: {words}" if upright else f"{number}\n{words}"
    expanded_db = reported(judged.reading.expanded_uncertainty_db, Quantity.UNCERTAINTY_DB)
    figures = spoken.decimal(f"{judged.reported_loss_db} ± {expanded_db}")
    if upright:
        return f"{number}: {figures}" + (f"\n{words}" if words else "")
    return f"{number}\n{figures} dB" + (f"\n{words}" if words else "")


def _draw_half_sum(panel: Axes, report: PairReport, curves: SpanCurves, language: Language) -> None:
    panel.plot(curves.z_m / 1000, curves.half_sum_db, color=_GLASS, linewidth=1.6)
    panel.set_ylabel(_drawn("backscatter", language), fontsize=9)
    _make_room(panel, value_range(curves.half_sum_db), labels_pt=24, below=0.2)
    _headings(panel, 3, "glass", language)
    if len(report.splices) <= 2 * _MOST_LEVEL_LABELS + 2:
        labels = [Words(language).decimal(_step_label(judged)) for judged in report.splices]
        label_row(panel, curves, curves.half_sum_db, report.splices, labels, LabelStyle(7, 32))


def _step_label(judged: Judged) -> str:
    step_db = reported(judged.reading.backscatter_step_db, Quantity.LOSS_DB)
    if step_db is None:
        return ""
    return "0.000" if step_db == 0 else f"{step_db:+.3f}".replace("-", "−")


def _make_room(panel: Axes, values: tuple[float, float], *, labels_pt: float, below: float) -> None:
    """Set the level range so that labels of some height fit above the curves."""
    low, high = values
    height = max(high - low, 0.05)
    share = labels_pt / (panel.get_position().height * _SIZE_INCH[1] * 72)
    above = share * (1 + below) / (1 - share)
    panel.set_ylim(low - below * height, high + above * height)


@own_look()
def shot_figure(trace: Trace, detection: Detection | None) -> Figure:
    """Draw one shot with the events of the file's own table, and those detected if given.

    Parameters
    ----------
    trace : Trace
        The shot.
    detection : Detection or None
        Events found in it.
    """
    figure = new_figure()
    panel = figure.add_axes((0.075, 0.1, 0.9, 0.78))
    identity = trace.identity
    write_line(figure, 0.95, title_of(trace), fontsize=14, fontweight="bold")
    index = reported(trace.settings.group_index, Quantity.GROUP_INDEX)
    write_line(
        figure, 0.915,
        f"{identity.path}, direction {identity.direction.value}, "
        f"{trace.settings.pulse_ns:g} ns pulse. "
        "One shot alone shows each loss plus or minus a backscatter difference.",
        fontsize=8.5,
    )  # fmt: skip
    distance_m = trace.distance_m
    x_m, y_db = envelope(distance_m, trace.level_db, float(distance_m[0]), float(distance_m[-1]))
    panel.plot(x_m / 1000, y_db, color=_FROM_A, linewidth=0.9, label="shot")
    low, high = signal_range(trace.level_db)
    panel.set_ylim(low - 0.15 * (high - low), high + 0.15 * (high - low))
    group_index = trace.settings.group_index
    own_km = [event.distance_m(group_index) / 1000 for event in trace.table]
    _marks(panel, own_km, "v", _FROM_B, 0.9, "in the file's own table")
    event_row(panel, own_km, [_event_label(event, group_index) for event in trace.table])
    if detection is not None:
        found_km = [event.distance_m / 1000 for event in detection.events]
        _marks(panel, found_km, "^", _TRUE, 0.85, "found in the waveform")
    panel.set_xlabel(f"distance from the front panel, km (group index {index})", fontsize=9)
    panel.set_ylabel("level, dB one way", fontsize=9)
    panel.tick_params(labelsize=8)
    panel.spines[["top", "right"]].set_visible(False)
    panel.legend(loc="lower left", fontsize=8, frameon=False)
    return figure


def _event_label(event: TableEvent, group_index: float) -> str:
    """Number, place and reading of an event as the file's own table has it."""
    at = distance_text(event.distance_m(group_index), km=True)
    if event.is_end:
        return f"{event.number}\n{at}\nend"
    return f"{event.number}\n{at}\n{reported(event.loss_db, Quantity.LOSS_DB)} dB"


def _marks(
    panel: Axes, x_km: Sequence[float], shape: str, colour: str, height: float, name: str
) -> None:
    """Mark distances along the top of a panel."""
    if not x_km:
        return
    frame = panel.get_xaxis_transform()
    at = [height] * len(x_km)
    panel.plot(x_km, at, shape, transform=frame, color=colour, label=name)
    panel.vlines(
        x_km, 0, height, transform=frame, color=LEADER_COLOUR, linewidth=0.5, linestyle=":"
    )


_FORMATS = {
    ".png": {"Software": None},
    ".pdf": {"CreationDate": None, "ModDate": None, "Producer": None, "Creator": "otdravg"},
    ".svg": {"Date": None, "Creator": "otdravg"},
}


def check_format(path: Path) -> None:
    """Refuse a picture file whose ending is none of .png, .pdf and .svg.

    Raises
    ------
    BadSetting
    """
    if path.suffix.lower() not in _FORMATS:
        raise BadSetting("plot", str(path), says("end-in-picture"))


def save_figure(figure: Figure, path: Path, *, overwrite: bool) -> None:
    """Write a figure in the format that the file's ending names, whole or not at all.

    Raises
    ------
    BadSetting
        If the ending names no picture format.
    OutputRefused
        If the file exists and may not be replaced, or cannot be written.
    """
    check_format(path)
    write_atomic(path, figure_bytes(figure, path.suffix.lower()), overwrite=overwrite)


def figure_bytes(figure: Figure, suffix: str) -> bytes:
    """Return a figure as a file of one of the formats ``.png``, ``.pdf`` and ``.svg``."""
    content = io.BytesIO()
    with own_look(), warnings.catch_warnings():
        mpl.rcParams.update({"svg.hashsalt": "otdravg", "pdf.fonttype": 42})
        # A header may be written in letters that the font lacks: they are drawn as boxes.
        warnings.filterwarnings("ignore", message="Glyph .* missing from")
        figure.savefig(content, format=suffix[1:], metadata=_FORMATS[suffix])
    return content.getvalue()
