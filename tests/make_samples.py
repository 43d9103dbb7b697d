"""Write ``sample_traces/`` again: the simulated pairs, their truth and the README.

Run from anywhere: ``python tests/make_samples.py``. Same code, same bytes; a test
compares the files in the project with what this script makes.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, timezone
from pathlib import Path

import numpy as np
from simulated import (
    Fibre,
    Instrument,
    Joint,
    JointKind,
    Label,
    Section,
    point_count_for,
    shoot,
    sor_file,
    spacing_counts_for,
    true_joints,
    with_far_end_noise,
)

from otdravg import sor

SAMPLE_FOLDER = Path(__file__).resolve().parent.parent / "sample_traces"
GROUP_INDEX = 1.4682
WITHOUT_CORDS = (0.0, 0.0)

TRUTH_COLUMNS = (
    "pair",
    "number",
    "distance_m",
    "loss_ab_db",
    "loss_ba_db",
    "loss_db",
    "backscatter_step_db",
    "kind",
)


@dataclass(frozen=True)
class Setting:
    """What one end's operator set, and the noise that came of it."""

    pulse_ns: int
    spacing_m: float
    group_index: float = GROUP_INDEX
    far_end_noise_db: float = 0.004
    user_offset: bool = False
    revision: int = 200
    event_table: bool = True


@dataclass(frozen=True)
class Sample:
    """One pair: the span from A to B, the cords as seen from A, and both settings."""

    name: str
    story: str
    seed: int
    fibre: str
    ends: tuple[str, str]
    wavelength_nm: int
    backscatter_db: float
    span: Fibre
    cords_m: tuple[float, float]
    settings: tuple[Setting, Setting]


def span_of(
    lengths_m: Sequence[float],
    losses_db: Sequence[float],
    steps_db: Sequence[float],
    attenuation_db_per_km: float,
) -> Fibre:
    """Build a span from what is planted at each splice (step: light from A)."""
    levels_db = [0.0]
    for step_db in steps_db:
        levels_db.append(round(levels_db[-1] - step_db, 6))
    sections = tuple(
        Section(length_m, attenuation_db_per_km, level_db)
        for length_m, level_db in zip(lengths_m, levels_db, strict=True)
    )
    return Fibre(sections, tuple(Joint(loss_db) for loss_db in losses_db), group_index=GROUP_INDEX)


SAMPLES = (
    Sample(
        name="easy",
        story="Three ordinary splices, no launch fibres, equal settings at both ends. All are "
        "within 0.20 dB from either side.",
        seed=11,
        fibre="004",
        ends=("Quillhaven hut", "Tansy Lane cabinet"),
        wavelength_nm=1550,
        backscatter_db=-81.5,
        span=span_of(
            (1480, 1735, 1290, 1610), (0.060, 0.120, 0.045), (0.030, -0.045, 0.020), 0.191
        ),
        cords_m=WITHOUT_CORDS,
        settings=(Setting(50, 0.5), Setting(50, 0.5)),
    ),
    Sample(
        name="gainers",
        story="Mode fields differ from reel to reel. Splice 1 gains light as seen from A and looks "
        "over 0.20 dB from B, and is good. Splice 3 looks good from A and is over 0.20 dB. "
        "Splices 2 and 4 look over 0.20 dB from A and are good. Revision 1 files, without an event "
        "table in the shot from B.",
        seed=12,
        fibre="017",
        ends=("Otterstone hut", "Brackenfold hut"),
        wavelength_nm=1310,
        backscatter_db=-79.0,
        span=span_of(
            (1820, 2260, 1540, 1975, 1410),
            (0.050, 0.085, 0.260, 0.035),
            (-0.210, 0.160, -0.150, 0.230),
            0.334,
        ),
        cords_m=WITHOUT_CORDS,
        settings=(
            Setting(100, 1.0, revision=100),
            Setting(100, 1.0, revision=100, event_table=False),
        ),
    ),
    Sample(
        name="hidden_splice",
        story="Splice 2 reads nothing from A (loss and backscatter difference cancel), splice 4 "
        "nothing from B. Launch and receive fibres of about 1 km stay where they are; pulse, "
        "spacing and group index differ between the ends, and only the operator at A has set the "
        "user offset.",
        seed=13,
        fibre="F9",
        ends=("Quillhaven hut", "Hobb's Gate cabinet"),
        wavelength_nm=1550,
        backscatter_db=-81.5,
        span=span_of(
            (2140, 1865, 2390, 1720, 2055),
            (0.070, 0.120, 0.095, 0.080),
            (0.040, -0.120, 0.055, 0.080),
            0.189,
        ),
        cords_m=(1012.0, 987.0),
        settings=(
            Setting(100, 0.5, user_offset=True, far_end_noise_db=0.008),
            Setting(200, 1.2, group_index=1.4677, far_end_noise_db=0.005),
        ),
    ),
)


def main() -> None:
    """Write every sample file."""
    SAMPLE_FOLDER.mkdir(exist_ok=True)
    for name, content in sample_files().items():
        (SAMPLE_FOLDER / name).write_bytes(content)


def sample_files() -> dict[str, bytes]:
    """Make the content of the folder: file name to bytes."""
    files: dict[str, bytes] = {}
    for sample in SAMPLES:
        files.update(trace_files(sample))
    files["truth.csv"] = truth_csv()
    files["README.md"] = readme()
    return files


def trace_files(sample: Sample) -> dict[str, bytes]:
    """Shoot one sample from both ends."""
    connector = Joint(0.25, -50.0, JointKind.CONNECTOR)
    files = {}
    for sense, setting in enumerate(sample.settings):
        span = sample.span.reversed() if sense else sample.span
        lengths_m = sample.cords_m[::-1] if sense else sample.cords_m
        launch, receive = (Section(m, 0.19, 0.04) if m else None for m in lengths_m)
        link = span.with_cords(launch, receive, connector)
        spacing_counts = spacing_counts_for(setting.spacing_m, GROUP_INDEX)
        instrument = Instrument(
            pulse_ns=setting.pulse_ns,
            spacing_counts=spacing_counts,
            point_count=point_count_for(1.25 * link.length_m, spacing_counts, GROUP_INDEX),
            group_index=setting.group_index,
            wavelength_nm=sample.wavelength_nm,
            backscatter_coefficient_db=sample.backscatter_db,
            ripple_db=0.0015,
            tail_fraction=0.001,
            tail_ns=setting.pulse_ns,
        )
        instrument = with_far_end_noise(instrument, link, setting.far_end_noise_db)
        end_a, end_b = sample.ends
        label = Label(
            cable="SIMQB1",
            fibre=sample.fibre,
            location_a=end_b if sense else end_a,
            location_b=end_a if sense else end_b,
            comment="invented fibre, not a measurement",
            operator="simulated crew",
            taken=datetime(2024, 5, 14, 8, 0, tzinfo=timezone.utc) + timedelta(hours=3 * sense),
            user_offset_m=lengths_m[0] if setting.user_offset else 0.0,
            revision=setting.revision,
            event_table=setting.event_table,
        )
        shot = shoot(link, instrument, np.random.default_rng((sample.seed, sense)))
        name = f"{sample.name}_{'AB'[sense]}.sor"
        files[name] = sor.encode(sor_file(shot, label, name))
    return files


def truth_rows(sample: Sample) -> list[dict[str, str]]:
    """Give the truth of one sample as texts by column."""
    return [
        {
            "pair": sample.name,
            "number": str(number),
            "distance_m": f"{joint.position_m:.1f}",
            "loss_ab_db": f"{joint.loss_ab_db + 0.0:.3f}",
            "loss_ba_db": f"{joint.loss_ba_db + 0.0:.3f}",
            "loss_db": f"{joint.loss_db:.3f}",
            "backscatter_step_db": f"{joint.step_db:.3f}",
            "kind": joint.kind.value,
        }
        for number, joint in enumerate(true_joints(sample.span), start=1)
    ]


def truth_csv() -> bytes:
    """Give the truth of all samples as one table."""
    text = io.StringIO(newline="")
    writer = csv.DictWriter(text, TRUTH_COLUMNS, lineterminator="\n")
    writer.writeheader()
    for sample in SAMPLES:
        writer.writerows(truth_rows(sample))
    return text.getvalue().encode("utf-8")


def readme() -> bytes:
    """Describe the samples, with their truth."""
    parts = [
        "# Sample traces (simulated)\n",
        "Nothing here was measured. The three pairs were computed by `otdravg.simulate`; cable, "
        "places, crew and dates are invented. Every file says so in its comment. "
        "`python tests/make_samples.py` writes this folder again, byte for byte.\n",
        "In each pair `_A` was shot from end A and `_B` from end B. Distances count from the "
        "span's A end, launch fibre excluded. *Splice loss* is what was planted; a perfect shot "
        "reads splice loss + backscatter difference from A and splice loss − backscatter "
        "difference from B. `truth.csv` holds the same figures.\n",
    ]
    for sample in SAMPLES:
        parts += [f"## {sample.name}\n", sample.story + "\n", settings_table(sample)]
        parts.append(splice_table(sample))
    return "\n".join(parts).encode("utf-8")


def settings_table(sample: Sample) -> str:
    """Give both shots' settings as a table."""
    lines = [
        "| file | wavelength nm | pulse ns | spacing m | group index | launch fibre m "
        "| user offset |",
        "|---|---|---|---|---|---|---|",
    ]
    for sense, setting in enumerate(sample.settings):
        launch_m = sample.cords_m[sense]
        lines.append(
            f"| `{sample.name}_{'AB'[sense]}.sor` | {sample.wavelength_nm} | {setting.pulse_ns} "
            f"| {setting.spacing_m:g} | {setting.group_index:.4f} "
            f"| {f'{launch_m:g}' if launch_m else 'none'} "
            f"| {'end of the launch fibre' if setting.user_offset else 'not set'} |"
        )
    lines.append(
        f"\nSpan length {sample.span.length_m:g} m, "
        f"{sample.span.sections[0].attenuation_db_per_km:g} dB/km in every section, "
        f"true group index {GROUP_INDEX}.\n"
    )
    return "\n".join(lines)


def splice_table(sample: Sample) -> str:
    """Give the truth of one sample as a table."""
    lines = [
        "| splice | distance m | A→B dB | B→A dB | splice loss dB | backscatter difference dB |",
        "|---|---|---|---|---|---|",
    ]
    lines += [
        f"| {row['number']} | {row['distance_m']} | {row['loss_ab_db']} | {row['loss_ba_db']} "
        f"| **{row['loss_db']}** | {row['backscatter_step_db']} |"
        for row in truth_rows(sample)
    ]
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    main()
