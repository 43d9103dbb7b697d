"""What a crew can do wrong on the way from the cable to the folder, planted on purpose.

Faults of the glass itself (bad splices, bends, damage) belong to the cable run; here are
those of shooting, labelling and copying. Every fault is planted on fibres of its own, so that
each can be found by itself.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import timedelta

from otdravg.simulate.cable_run import SET_FIBRES, CableRun, sets_in
from otdravg.simulate.fibre import FRESNEL_REFLECTANCE_DB, Fibre, Joint, Section
from otdravg.simulate.papers import Fault, Plant
from otdravg.simulate.takes import FIRST_SHOT, Site, Take, file_name, path_of, usual_time

#: Fibres of a ribbon that the sets of faults are laid out for.
_RIBBON = 12
#: What a clock shows that nobody set.
_YEARS_OFF = FIRST_SHOT - timedelta(days=2500)


class _Haul:
    """What a crew brings home: one take per fibre, wavelength and direction, and more."""

    def __init__(self, site: Site, fibres: int, wavelengths_nm: Sequence[int]) -> None:
        self.site = site
        self.wavelengths_nm = tuple(wavelengths_nm)
        self.usual = {
            (fibre, nm, direction): Take(fibre, nm, direction)
            for fibre in range(1, fibres + 1)
            for nm in self.wavelengths_nm
            for direction in ("AB", "BA")
        }
        self.more: list[Take] = []
        self.plants: list[Plant] = []

    @property
    def run(self) -> CableRun:
        return self.site.run

    def change(self, fibre: int, nm: int, direction: str, **fields: object) -> str:
        """Take one shot otherwise; returns its path."""
        slot = fibre, nm, direction
        self.usual[slot] = replace(self.usual[slot], **fields)  # type: ignore[arg-type]
        return path_of(self.usual[slot], self.run)

    def spoil(
        self, fault: Fault, detail: str, slot: tuple[int, int, str], **fields: object
    ) -> None:
        """Take one shot otherwise and write it down as a fault of this fibre."""
        fibre, nm, direction = slot
        path = self.change(fibre, nm, direction, **fields)
        self.note(fault, detail, path, fibre=fibre, wavelength_nm=nm, direction=direction)

    def note(self, fault: Fault, detail: str, *files: str, **place: object) -> None:
        """Write a fault down."""
        self.plants.append(Plant(fault, files=files, detail=detail, **place))  # type: ignore[arg-type]


def faulty_takes(
    site: Site, fibres: int, wavelengths_nm: Sequence[int]
) -> tuple[tuple[Take, ...], tuple[Plant, ...]]:
    """Let a crew shoot a cable and get wrong what can be got wrong.

    Parameters
    ----------
    site : Site
        Ribbons of 12 fibres.
    fibres : int
        At least 48; every further set of faults begins 432 fibres after the one before.
    wavelengths_nm : sequence of int
        1310 and 1550, in this order.

    Returns
    -------
    tuple of Take
        The shots, in order of their paths.
    tuple of Plant
        What was planted in shooting, labelling and copying.
    """
    haul = _Haul(site, fibres, wavelengths_nm)
    for before in sets_in(fibres):
        for fibre, plant in _LAID_OUT.items():
            plant(haul, before + fibre)
        _ribbon_made_again(haul, before + SET_FIBRES - _RIBBON + 1)
    takes = (*haul.usual.values(), *haul.more)
    return tuple(sorted(takes, key=lambda take: path_of(take, site.run))), tuple(haul.plants)


_Plants = Callable[[_Haul, int], None]


def _missing(fault: Fault, nms: Sequence[int], ways: Sequence[str], **place: object) -> _Plants:
    """Lack some shots of a fibre."""

    def plant(haul: _Haul, fibre: int) -> None:
        for nm in nms:
            for direction in ways:
                del haul.usual[fibre, nm, direction]
        haul.note(fault, "no file", fibre=fibre, **place)

    return plant


def _spoilt(fault: Fault, detail: str, nm: int, direction: str, **fields: object) -> _Plants:
    """Take one shot otherwise; ``detail`` may name the run's ``cord_m``."""

    def plant(haul: _Haul, fibre: int) -> None:
        said = detail.format(cord_m=haul.run.cord_m)
        haul.spoil(fault, said, (fibre, nm, direction), **fields)

    return plant


def _copied(haul: _Haul, fibre: int) -> None:
    take = haul.usual[fibre, 1550, "AB"]
    copy = replace(take, folder="copies", name=f"copy of F{fibre:03d}.SOR")
    haul.more.append(copy)
    haul.note(
        Fault.COPY, "equal byte for byte", path_of(take, haul.run), path_of(copy, haul.run),
        fibre=fibre, wavelength_nm=1550, direction="AB",
    )  # fmt: skip


def _header_edited(haul: _Haul, fibre: int) -> None:
    """Lack the shot of the fibre after the next: somebody renamed this one's and its header."""
    missing = fibre + 2
    slot = missing, 1550, "BA"
    when = usual_time(haul.usual[slot])
    take = replace(
        haul.usual[fibre, 1550, "BA"],
        name=file_name(haul.run, *slot),
        header_fibre=missing,
        taken=when,
    )
    haul.usual[slot] = take
    haul.note(
        Fault.HEADER_EDITED,
        f"the shot of fibre {fibre} again as fibre {missing}",
        path_of(haul.usual[fibre, 1550, "BA"], haul.run),
        path_of(take, haul.run),
        fibre=fibre,
        other_fibre=missing,
        wavelength_nm=1550,
        direction="BA",
    )


def _crossed(haul: _Haul, fibre: int) -> None:
    other = fibre + 1
    files = []
    for nm in haul.wavelengths_nm:
        files.append(haul.change(fibre, nm, "BA", of_fibre=other))
        files.append(haul.change(other, nm, "BA", of_fibre=fibre))
    haul.note(Fault.CROSSED, "each other's glass from B", *files, fibre=fibre, other_fibre=other)


def _names_exchanged(haul: _Haul, fibre: int) -> None:
    other = fibre + 1
    files = (
        haul.change(fibre, 1550, "BA", of_fibre=other),
        haul.change(other, 1550, "BA", of_fibre=fibre),
    )
    haul.note(
        Fault.NAMES_EXCHANGED, "each other's shot from B", *files,
        fibre=fibre, other_fibre=other, wavelength_nm=1550, direction="BA",
    )  # fmt: skip


def other_cable(nm: int) -> Fibre:
    """Return a fibre of a shorter cable with splices elsewhere."""
    typical = {1310: 0.33, 1550: 0.19}[nm]
    lengths_m, levels_db = (1200.0, 1900.0, 1500.0), (0.0, 0.05, -0.02)
    return Fibre(
        tuple(
            Section(length_m, typical, level_db)
            for length_m, level_db in zip(lengths_m, levels_db, strict=True)
        ),
        (Joint(0.06), Joint(0.09)),
        end_b_reflectance_db=FRESNEL_REFLECTANCE_DB,
    )


def _header_fibre(haul: _Haul, fibre: int) -> None:
    """Type the number of the fibre nine further on."""
    haul.spoil(
        Fault.HEADER_FIBRE,
        f"the header says {fibre + 9}",
        (fibre, 1550, "AB"),
        header_fibre=fibre + 9,
    )


def _both_ends_swapped(haul: _Haul, fibre: int) -> None:
    """Type the ends of both shots the wrong way round."""
    paths = (
        haul.change(fibre, 1550, "AB", header_direction="BA"),
        haul.change(fibre, 1550, "BA", header_direction="AB"),
    )
    haul.note(
        Fault.ENDS_SWAPPED, "both headers name the far end first", *paths,
        fibre=fibre, wavelength_nm=1550,
    )  # fmt: skip


def _shot_again(haul: _Haul, fibre: int) -> None:
    """Lack averaging time in the first shot: take it again half an hour later."""
    first = haul.usual[fibre, 1550, "AB"]
    path = haul.change(fibre, 1550, "AB", noisier=6.0)
    name = file_name(haul.run, fibre, 1550, "AB").replace(".sor", "_again.sor")
    again = replace(first, name=name, again=1, taken=usual_time(first) + timedelta(minutes=30))
    haul.more.append(again)
    haul.note(
        Fault.SHOT_AGAIN, "the first shot has six times the noise", path, path_of(again, haul.run),
        fibre=fibre, wavelength_nm=1550, direction="AB",
    )  # fmt: skip


def _broken(haul: _Haul, fibre: int) -> None:
    """Break a fibre in its seventh reel."""
    at_m = haul.site.glass(fibre, 1310).boundaries_m[6] + 700.0
    files = [
        haul.change(fibre, nm, direction, broken_at_m=at_m)
        for nm in haul.wavelengths_nm
        for direction in ("AB", "BA")
    ]
    haul.note(Fault.BROKEN, f"{at_m:.0f} m from A", *files, fibre=fibre)


def _ribbon_made_again(haul: _Haul, first: int) -> None:
    """Shoot a ribbon, splice it again at one closure, shoot it again nine days later."""
    files = []
    for fibre in range(first, first + _RIBBON):
        for nm in haul.wavelengths_nm:
            for direction in ("AB", "BA"):
                haul.change(fibre, nm, direction, before_repair=True)
                usual = Take(fibre, nm, direction, folder="after repair", again=1)
                after = replace(usual, taken=usual_time(usual) + timedelta(days=9))
                haul.more.append(after)
                files.append(path_of(after, haul.run))
    ribbon = (first - 1) // _RIBBON + 1
    closure = next(s.closure for s in haul.run.remade if s.ribbon == ribbon)
    haul.note(
        Fault.REMADE,
        f"fibres {first} to {first + _RIBBON - 1}; the splices before lost 0.18 to 0.36 dB",
        *files,
        closure=haul.run.closures[closure - 1],
    )


#: Which fibre of a set carries which fault; a fault with two fibres takes the next one too.
_LAID_OUT: dict[int, _Plants] = {
    2: _missing(Fault.DIRECTION_MISSING, (1550,), ("BA",), wavelength_nm=1550, direction="BA"),
    4: _missing(Fault.WAVELENGTH_MISSING, (1310,), ("AB", "BA"), wavelength_nm=1310),
    6: _spoilt(Fault.TRUNCATED, "60 % of the file", 1550, "AB", kept_share=0.6),
    7: _copied,
    12: _spoilt(Fault.SAME_END, "called from B, shot from A", 1310, "BA", from_end="A", again=1),
    14: _crossed,
    17: _spoilt(Fault.OVERWRITTEN, "first 512 bytes zero", 1310, "BA", overwritten=True),
    18: _spoilt(
        Fault.OTHER_CABLE, "a cable of 4600 m with two splices", 1550, "AB", span=other_cable(1550)
    ),
    19: _spoilt(Fault.WRONG_LASER, "shot at 1310 nm", 1550, "BA", shot_nm=1310, again=1),
    20: _missing(Fault.FIBRE_MISSING, (1310, 1550), ("AB", "BA")),
    21: _spoilt(Fault.ODD_PULSE, "300 ns, 100 ns in the others", 1550, "AB", pulse_ns=300.0),
    22: _spoilt(Fault.OTHER_INDEX, "1.47500 in the file", 1550, "BA", group_index=1.475),
    23: _spoilt(Fault.CLOCK, f"dated {_YEARS_OFF:%Y-%m-%d}", 1550, "BA", taken=_YEARS_OFF),
    24: _spoilt(Fault.CORD_FORGOTTEN, "{cord_m:.0f} m in the others", 1550, "AB", launch_m=0.0),
    25: _spoilt(
        Fault.OTHER_CORD, "500 m, {cord_m:.0f} m in the others", 1310, "BA", launch_m=500.0
    ),
    26: _names_exchanged,
    28: _header_edited,
    31: _shot_again,
    # Both shots then name one near end.
    32: _spoilt(
        Fault.ENDS_SWAPPED, "the header says shot from A", 1310, "BA", header_direction="AB"
    ),
    33: _both_ends_swapped,
    34: _header_fibre,
    35: _broken,
}
