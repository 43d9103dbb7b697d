"""Every comparison made in search of patterns: effect, uncertainty, chance of luck."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import NormalDist

import numpy as np
import numpy.typing as npt

from otdravg.cable.model import SpliceRow
from otdravg.cable.patterns.model import Pattern, PatternKind
from otdravg.cable.patterns.robust import (
    TwoWay,
    contrast,
    rank_sum_chance,
    ranks_in_rows,
    robust_line,
    robust_two_way,
)

FloatArray = npt.NDArray[np.float64]
#: (cable, closure number, ribbon) → place in the order of splicing.
SplicingOrder = Mapping[tuple[str, int, int], float]

#: Fewer than this can show no pattern.
_FEWEST = 3
#: Fewer ribbons than this show no drift, and fewer mass splices than that no outlier.
_FEWEST_FOR_DRIFT = 6
_FEWEST_FOR_OUTLIER = 8
#: The upper scatter of mass splices is taken below their worst: 5 %, three at least.
_WORST_SHARE = 0.05
_WORST_COUNT = 3


@dataclass(frozen=True, slots=True)
class _Effect:
    """A difference in dB, its standard uncertainty and degrees of freedom."""

    value_db: float
    u_db: float
    freedom: int

    @property
    def is_told(self) -> bool:
        return self.freedom > 0 and 0 < self.u_db < np.inf and bool(np.isfinite(self.value_db))

    @property
    def chance(self) -> float:
        """Chance of a difference at least so large upwards if there is none (Student)."""
        return _student_below(self.freedom, -self.value_db / self.u_db)

    def beyond(self, usual: _Effect) -> _Effect:
        """How much larger this is than it usually is."""
        u_db = float(np.hypot(self.u_db, usual.u_db))
        return _Effect(self.value_db - usual.value_db, u_db, self.freedom)


@dataclass(frozen=True, slots=True, eq=False)
class _Scene:
    """A cable's table with its fits: positions at each closure, and levels of ribbons."""

    table: LossTable
    fits: tuple[TwoWay | None, ...]  # ribbons + positions, by closure
    levels_db: FloatArray  # closures × ribbons
    u_levels_db: FloatArray

    @classmethod
    def of(cls, table: LossTable) -> _Scene:
        levels = np.full(table.losses_db.shape[:2], np.nan)
        u_levels = np.zeros(levels.shape)
        fits: list[TwoWay | None] = []
        for number, losses in enumerate(table.losses_db):
            fit = None
            if losses.shape[1] == 1:
                levels[number] = losses[:, 0]
            elif np.isfinite(losses).any():
                fit = robust_two_way(losses)
                levels[number] = fit.overall + fit.rows
                u_levels[number] = np.sqrt(np.diag(fit.cov_rows))
            fits.append(fit)
        return cls(table, tuple(fits), levels, u_levels)

    def pattern(
        self,
        kind: PatternKind,
        effect: _Effect,
        chance: float,
        *,
        closure: int | None = None,
        ribbon: int | None = None,
        positions: tuple[int, ...] = (),
    ) -> Pattern:
        """Make a pattern of an effect; closure and ribbon are indices of the table."""
        table = self.table
        return Pattern(
            cable=table.cable,
            wavelength_nm=table.wavelength_nm,
            kind=kind,
            closure_number=None if closure is None else table.numbers[closure],
            closure="" if closure is None else table.names[closure],
            ribbon=None if ribbon is None else table.ribbons[ribbon],
            positions=positions,
            effect_db=effect.value_db,
            u_effect_db=effect.u_db,
            p_value=chance,
            p_adjusted=1.0,
        )


def compared(table: LossTable, order: SplicingOrder) -> list[Pattern]:
    """Make every comparison of one cable, significant or not, not yet adjusted."""
    scene = _Scene.of(table)
    slopes = _slopes(scene, order)
    return [
        *_positions(scene),
        *_levels(scene, _without_drift(scene, slopes)),
        *_drifts(scene, slopes, order),
    ]


def _against_others(effects: FloatArray, cov: FloatArray, freedom: int) -> dict[int, _Effect]:
    """Each effect of a fit against the mean of the others that exist, where that can be told."""
    there = np.isfinite(effects)
    count = int(there.sum())
    told: dict[int, _Effect] = {}
    for index in np.flatnonzero(there).tolist() if count >= _FEWEST else ():
        weights = np.where(there, -1.0 / (count - 1), 0.0)
        weights[index] = 1.0
        effect = _Effect(*contrast(weights, effects, cov), freedom)
        if effect.is_told:
            told[index] = effect
    return told


def _pooled(effects: Mapping[int, _Effect]) -> _Effect | None:
    """Mean of an effect over closures, weighted by precision."""
    if not effects:
        return None
    precision = np.array([1 / e.u_db**2 for e in effects.values()])
    values = np.array([e.value_db for e in effects.values()])
    return _Effect(
        float(precision @ values / precision.sum()),
        float(1 / np.sqrt(precision.sum())),
        sum(e.freedom for e in effects.values()),
    )


def _but(effects: Mapping[int, _Effect], closure: int) -> dict[int, _Effect]:
    return {number: e for number, e in effects.items() if number != closure}


def _but_clearest(effects: Mapping[int, _Effect]) -> dict[int, _Effect]:
    """Leave out the closure that shows the effect most, unless there is no other.

    What holds at most closures has to hold without it.
    """
    if len(effects) < 2:
        return dict(effects)
    return _but(effects, max(effects, key=lambda n: effects[n].value_db / effects[n].u_db))


def _positions(scene: _Scene) -> Iterator[Pattern]:
    """Compare positions within ribbons: at most closures, at one closure, and the edges.

    Significance has to hold twice: by Student's t, which counts the uncertainty of what is
    compared with, and by ranks within ribbons, which do not mind skewed losses.
    """
    size = scene.table.losses_db.shape[2]
    if size < _FEWEST:
        return
    told = {
        closure: _against_others(fit.columns, fit.cov_columns, fit.freedom)
        for closure, fit in enumerate(scene.fits)
        if fit is not None
    }
    at = [{n: own[index] for n, own in told.items() if index in own} for index in range(size)]
    general: dict[int, Pattern] = {}
    for index, own in enumerate(at):
        kept = _but_clearest(own)
        effect = _pooled(kept)
        if effect is not None:
            losses = np.concatenate([scene.table.losses_db[n] for n in kept])
            chance = max(effect.chance, _rank_chance(losses, index))
            general[index] = scene.pattern(
                PatternKind.POSITION, effect, chance, positions=(index + 1,)
            )
    yield from general.values()
    yield from _edges(general, size)
    for closure, losses in enumerate(scene.table.losses_db):
        others = [_pooled(_but(own, closure)) for own in at]
        usual = np.array([0.0 if other is None else other.value_db for other in others])
        for index, own in enumerate(at):
            other = others[index]
            if closure not in own or other is None:
                continue
            effect = own[closure].beyond(other)
            chance = max(effect.chance, _rank_chance(losses - usual, index))
            yield scene.pattern(
                PatternKind.POSITION_AT_CLOSURE,
                effect,
                chance,
                closure=closure,
                positions=(index + 1,),
            )


def _rank_chance(losses: FloatArray, index: int) -> float:
    """Chance that a position ranks so high within its ribbons by luck."""
    own = losses[np.isfinite(losses[:, index])]
    sizes = np.isfinite(own).sum(axis=1)
    return rank_sum_chance(ranks_in_rows(own)[:, index], sizes)


def _edges(general: Mapping[int, Pattern], size: int) -> Iterator[Pattern]:
    """Both end positions have to stand out: the less clear of the two speaks."""
    if size >= 2 * _FEWEST and 0 in general and size - 1 in general:
        less = max((general[0], general[size - 1]), key=lambda p: p.p_value)
        yield replace(less, kind=PatternKind.EDGE, positions=(1, size))


def _slopes(scene: _Scene, order: SplicingOrder) -> dict[int, tuple[_Effect, FloatArray]]:
    """Rise of the levels from the first ribbon to the last, and each ribbon's place, 0 to 1."""
    slopes = {}
    for closure, own in enumerate(scene.levels_db):
        ordered = _is_ordered(scene, closure, order)
        place = np.array([order[_place(scene, closure, r)] if ordered else r
                          for r in _there(scene, closure)], float)  # fmt: skip
        there = np.isfinite(own)
        if there.sum() < _FEWEST_FOR_DRIFT or np.ptp(place) == 0:
            continue
        place = (place - place.min()) / np.ptp(place)
        line = robust_line(place, own[there])
        effect = _Effect(line.slope, line.u_slope, line.freedom)
        if effect.is_told:
            along = np.zeros(own.size)
            along[there] = place - place.mean()
            slopes[closure] = effect, along
    return slopes


def _place(scene: _Scene, closure: int, ribbon: int) -> tuple[str, int, int]:
    return scene.table.cable, scene.table.numbers[closure], ribbon


def _there(scene: _Scene, closure: int) -> list[int]:
    """Ribbons that have a level at a closure."""
    known = np.isfinite(scene.levels_db[closure])
    return [r for r, there in zip(scene.table.ribbons, known, strict=True) if there]


def _is_ordered(scene: _Scene, closure: int, order: SplicingOrder) -> bool:
    """Whether the order of splicing is known of all ribbons of a closure."""
    return all(_place(scene, closure, ribbon) in order for ribbon in _there(scene, closure))


def _without_drift(scene: _Scene, slopes: Mapping[int, tuple[_Effect, FloatArray]]) -> FloatArray:
    """Levels less their drift: the last ribbons of a drift are not bad ones besides."""
    levels = scene.levels_db.copy()
    for closure, (effect, place) in slopes.items():
        levels[closure] -= effect.value_db * place
    return np.asarray(levels, dtype=np.float64)


def _levels(scene: _Scene, levels: FloatArray) -> Iterator[Pattern]:
    """Compare closures, ribbons and single mass splices by the ribbons' levels.

    As for positions, significance has to hold by Student's t and by ranks.
    """
    closures, ribbons = levels.shape
    if not np.isfinite(levels).any() or ribbons < 2:
        return
    if closures < 2:
        middle = float(np.nanmedian(levels))
        yield from _mass_splices(scene, levels - middle)
        return
    fit = robust_two_way(levels)
    alike = levels - fit.columns
    for closure, effect in _against_others(fit.rows, fit.cov_rows, fit.freedom).items():
        chance = max(effect.chance, _set_apart(closure, alike))
        yield scene.pattern(PatternKind.CLOSURE, effect, chance, closure=closure)
    if not scene.table.in_ribbons:
        return
    alike = (levels - fit.rows[:, None]).T
    for ribbon, effect in _against_others(fit.columns, fit.cov_columns, fit.freedom).items():
        chance = max(effect.chance, _set_apart(ribbon, alike))
        yield scene.pattern(PatternKind.RIBBON, effect, chance, ribbon=ribbon)
    yield from _mass_splices(scene, fit.residuals)


def _student_below(freedom: int, t: float) -> float:
    """Chance that Student's t lies below a figure."""
    from scipy.special import stdtr  # half a second: not every command asks for patterns

    return float(stdtr(freedom, t))


def _set_apart(row: int, levels: FloatArray) -> float:
    """Chance that a row lies so high among the others by luck (Mann and Whitney's test)."""
    from scipy.stats import mannwhitneyu  # as above

    own, others = levels[row], np.delete(levels, row, 0)
    test = mannwhitneyu(own[np.isfinite(own)], others[np.isfinite(others)], alternative="greater")
    return float(test.pvalue)


def _mass_splices(scene: _Scene, rest: FloatArray) -> Iterator[Pattern]:
    """Compare single mass splices with the scatter of all; what is usual is no outlier.

    The scatter upwards is taken from the residuals themselves, below their worst: mass
    splices are skewed, and a few bad ones must not hide behind themselves.
    """
    values = rest[np.isfinite(rest)]
    if values.size < _FEWEST_FOR_OUTLIER or not scene.table.in_ribbons:
        return
    middle = float(np.median(values))
    share = max(_WORST_SHARE, _WORST_COUNT / values.size)
    upwards = float(np.quantile(values, 1 - share) - middle) / -NormalDist().inv_cdf(share)
    both_ways = float(np.median(np.abs(values - middle))) / -NormalDist().inv_cdf(0.25)
    scatter = max(upwards, both_ways)
    freedom = values.size - sum(rest.shape) + 1 if min(rest.shape) > 1 else values.size - 1
    for closure, ribbon in np.argwhere(np.isfinite(rest)):
        value = float(rest[closure, ribbon])
        whole = float(np.hypot(scatter, scene.u_levels_db[closure, ribbon]))
        chance = _student_below(freedom, (middle - value) / whole) if whole > 0 else 1.0
        effect = _Effect(value, float(scene.u_levels_db[closure, ribbon]), freedom)
        yield scene.pattern(
            PatternKind.MASS_SPLICE, effect, chance, closure=int(closure), ribbon=int(ribbon)
        )


def _drifts(
    scene: _Scene, slopes: Mapping[int, tuple[_Effect, FloatArray]], order: SplicingOrder
) -> Iterator[Pattern]:
    """Look for loss that rises along the order of splicing, or where nobody knows it along the
    numbers: at most closures, at one.
    """
    for is_ordered, kind, kind_at in (
        (True, PatternKind.DRIFT, PatternKind.DRIFT_AT_CLOSURE),
        (False, PatternKind.NUMBERS, PatternKind.NUMBERS_AT_CLOSURE),
    ):
        effects = {
            closure: effect
            for closure, (effect, _) in slopes.items()
            if _is_ordered(scene, closure, order) is is_ordered
        }
        general = _pooled(_but_clearest(effects))
        if general is not None:
            yield scene.pattern(kind, general, general.chance)
        for closure, effect in effects.items():
            others = _pooled(_but(effects, closure))
            if others is None:
                continue
            local = effect.beyond(others)
            yield scene.pattern(kind_at, local, local.chance, closure=closure)


def _ribbon_of(row: SpliceRow) -> int:
    """Return the ribbon; in loose tube every fibre is its own."""
    return row.fibre if row.ribbon is None else row.ribbon


@dataclass(frozen=True, slots=True, eq=False)
class LossTable:
    """Losses of one cable at one wavelength: closures × ribbons × positions, NaN for none."""

    cable: str
    wavelength_nm: int
    numbers: tuple[int, ...]  # of closures
    names: tuple[str, ...]
    ribbons: tuple[int, ...]  # in loose tube the fibres, of one position each
    in_ribbons: bool
    losses_db: FloatArray

    @classmethod
    def of(cls, rows: Sequence[SpliceRow]) -> LossTable:
        """Sort the rows of one cable, all at closures and with a loss, into a table."""
        counts = Counter(row.wavelength_nm for row in rows)
        nm = min(counts, key=lambda w: (-counts[w], w))
        own = [row for row in rows if row.wavelength_nm == nm]
        names = {row.closure_number or 0: row.closure for row in own}
        numbers = tuple(sorted(names))
        in_ribbons = all(row.ribbon is not None for row in own)
        ribbons = tuple(sorted({_ribbon_of(row) for row in own}))
        size = max((row.position or 1) if in_ribbons else 1 for row in own)
        losses = np.full((len(numbers), len(ribbons), size), np.nan)
        at_closure = {number: i for i, number in enumerate(numbers)}
        at_ribbon = {ribbon: i for i, ribbon in enumerate(ribbons)}
        for row in own:
            place = (row.position or 1) - 1 if in_ribbons else 0
            losses[at_closure[row.closure_number or 0], at_ribbon[_ribbon_of(row)], place] = (
                row.loss_db
            )
        return cls(
            own[0].cable, nm, numbers, tuple(names[n] for n in numbers), ribbons, in_ribbons, losses
        )
