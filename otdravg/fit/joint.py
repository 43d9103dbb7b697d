"""The linear model of one fibre seen from both ends, and its weighted least-squares fit.

Between two positions the fibre is straight in dB. Let t be the distance along the
direction of travel of a shot from the middle of a section. Then

    A→B:  y = c_A + (−α + β)·t          B→A:  y = c_B + (−α − β)·t

with the attenuation α shared by both shots and β the drift of the local backscatter
level (zero in uniform glass). A splice's one-way reading is the difference of two
neighbouring lines where they meet. Sections talk to each other only through what
they have in common: α scatters around a mean with spread τ_α, β around zero with
spread τ_β; both spreads are estimated from the sections themselves, so that a short
section borrows exactly as much as the long ones justify.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

#: Spread of attenuation between sections assumed beside the data, dB/km, counted as one section.
#: Chosen, not derived: lengths of one make differ by about as much (common practice, no source);
#: two sections that say otherwise outweigh it.
PRIOR_ATTENUATION_SPREAD = 0.01
#: Spread of backscatter drift assumed beside the data, dB/km, counted as one section. Chosen, not
#: derived: a mode field that tapers by 0.02 % per km, 10·log10(1.0002) = 0.001 dB/km; two sections
#: that say otherwise outweigh it.
PRIOR_DRIFT_SPREAD = 0.001
#: Mean attenuation before data: so wide that it never matters, dB/km. Derived: (0.01/10)² = 1e-6,
#: the share of the mean that it takes at the usual spread of one section.
VAGUE = 10.0


@dataclass(frozen=True, slots=True, eq=False)
class SectionSums:
    """Weighted sums of every section in both shots.

    ``ab`` and ``ba`` have shape (5, S): Σw, Σwt, Σwt², Σwy, Σwty with t in km along
    the shot's own direction of travel, from the section's middle ``middle_m`` (shape (S,),
    from the span's A end).
    """

    middle_m: FloatArray
    ab: FloatArray
    ba: FloatArray
    half_pulses_m: tuple[float, float] = (0.0, 0.0)  # half the pulse length of either shot


@dataclass(frozen=True, slots=True, eq=False)
class JointFit:
    """Solution: parameters per section (c_A, c_B, α, β), shape (S, 4), and full covariance.

    ``seen_ab``/``seen_ba`` say whether a shot has points in a section; where it has none the
    parameter is meaningless. ``spreads`` are τ_α and τ_β in dB/km, as the fit used them.
    """

    middle_m: FloatArray
    parameters: FloatArray
    covariance: FloatArray  # shape (4S + 1, 4S + 1), the mean attenuation last
    mean_attenuation: float  # dB/km
    seen_ab: BoolArray
    seen_ba: BoolArray
    spreads: tuple[float, float]
    half_pulses_m: tuple[float, float]
    #: What sections that are not straight may feign in both readings of each step, shape (S − 1,
    #: 2), dB; None until it was looked for.
    bends_db: FloatArray | None = None

    def lines(self, z_m: FloatArray, *, forward: bool) -> tuple[FloatArray, FloatArray]:
        """Level of a shot in each section at a position from the A end, and its slope, dB/m."""
        a, b, alpha, beta = self.parameters.T
        slope = (beta - alpha if forward else alpha + beta) / 1000
        return (a if forward else b) + slope * (z_m - self.middle_m), slope

    def steps(
        self, z_m: FloatArray, u_z_m: FloatArray | float = 0.0
    ) -> tuple[FloatArray, FloatArray]:
        """One-way readings at the S − 1 inner positions and their covariance.

        Parameters
        ----------
        z_m : array, shape (S − 1,)
            Positions from the A end.
        u_z_m : array or float
            Their standard uncertainties. They matter where the attenuation changes: both readings
            move by the difference of the attenuations times the shift.

        Returns
        -------
        readings : array, shape (S − 1, 2)
            A→B and B→A loss in dB.
        covariance : array, shape (S − 1, 2, 2)
        """
        operators = self._step_operators(np.asarray(z_m, dtype=float))
        count = operators.shape[0]
        used = 4 * np.arange(count)[:, None] + np.arange(8)
        parameters = self.parameters.ravel()[used]
        blocks = self.covariance[used[:, :, None], used[:, None, :]]
        readings = np.einsum("jri,ji->jr", operators, parameters)
        moves = self.moves_db_per_m()
        placing = moves[:, :, None] * moves[:, None, :] * np.square(u_z_m)[..., None, None]
        covariance = operators @ blocks @ operators.transpose(0, 2, 1) + placing
        if self.bends_db is not None:
            covariance = covariance + np.square(self.bends_db)[:, :, None] * np.eye(2)
        return readings, covariance

    def moves_db_per_m(self) -> FloatArray:
        """How much both readings of each step change with its position, shape (S − 1, 2)."""
        change = np.diff(self.parameters[:, 2:], axis=0) / 1000
        alpha, beta = change[:, 0], change[:, 1]
        return np.stack([alpha - beta, alpha + beta], axis=1)

    def step_operator(self, j: int, z_m: float) -> FloatArray:
        """Rows A→B and B→A over the eight parameters of sections j and j + 1.

        A point shows the mean of the pulse before it, so the lines of a shot meet a splice half
        a pulse behind it in the direction of travel. This matters where the attenuation changes.
        """
        near = replace(self, middle_m=self.middle_m[j : j + 2])
        return np.asarray(near._step_operators(np.array([z_m]))[0])

    def _step_operators(self, z_m: FloatArray) -> FloatArray:
        """Operators of all steps, shape (S − 1, 2, 8)."""
        z_ab, z_ba = z_m + self.half_pulses_m[0], z_m - self.half_pulses_m[1]
        rows = np.zeros((z_m.size, 2, 8))
        rows[:, 0, [0, 4]] = 1.0, -1.0
        rows[:, 1, [1, 5]] = -1.0, 1.0
        for row, z, drift in ((0, z_ab, -1.0), (1, z_ba, 1.0)):
            before, after = (z - self.middle_m[:-1]) / 1000, (z - self.middle_m[1:]) / 1000
            rows[:, row, 2], rows[:, row, 3] = -before, -drift * before
            rows[:, row, 6], rows[:, row, 7] = after, drift * after
        return rows


def fit_sections(sums: SectionSums, spreads: tuple[float, float] | None = None) -> JointFit:
    """Solve the joint model by weighted least squares with borrowed slopes.

    Parameters
    ----------
    sums : SectionSums
        Weighted sums with weights 1/(long-run variance), S ≥ 1 sections.
    spreads : (float, float), optional
        τ_α and τ_β in dB/km; estimated from the sections by default. With stated spreads the
        covariance does not depend on any level, so that it is known before a shot is taken.

    Returns
    -------
    JointFit
    """
    count = sums.middle_m.size
    spreads = spreads or _spreads(sums)
    normal = information(sums) + prior_information(count, spreads)
    right = np.zeros(4 * count + 1)
    for shot, row, drift in ((sums.ab, 0, 1.0), (sums.ba, 1, -1.0)):
        right[row:-1:4] = shot[3]
        right[2:-1:4] -= shot[4]
        right[3:-1:4] += drift * shot[4]
    # Nothing known of a level that no shot shows; kept solvable, never reported.
    level = np.arange(count)[:, None] * 4 + np.arange(2)
    unseen = level[np.column_stack([sums.ab[0], sums.ba[0]]) <= 0]
    normal[unseen, unseen] += 1e-12
    scale = 1 / np.sqrt(np.diag(normal))
    covariance = _bordered_inverse(normal * np.outer(scale, scale)) * np.outer(scale, scale)
    solution = covariance @ right
    return JointFit(
        sums.middle_m,
        solution[:-1].reshape(count, 4),
        covariance,
        float(solution[-1]),
        sums.ab[0] > 0,
        sums.ba[0] > 0,
        spreads,
        sums.half_pulses_m,
    )


def _bordered_inverse(normal: FloatArray) -> FloatArray:
    """Inverse of 4×4 blocks on the diagonal with one border row and column, by Schur complement."""
    count = (normal.shape[0] - 1) // 4
    index = 4 * np.arange(count)[:, None] + np.arange(4)
    blocks = np.linalg.inv(normal[index[:, :, None], index[:, None, :]])
    border = normal[:-1, -1]
    spread = np.einsum("sij,sj->si", blocks, border[index]).ravel()
    corner = 1 / (normal[-1, -1] - border @ spread)
    inverse = np.empty_like(normal)
    inverse[:-1, :-1] = np.outer(spread, spread * corner)
    inverse[index[:, :, None], index[:, None, :]] += blocks
    inverse[:-1, -1] = inverse[-1, :-1] = -spread * corner
    inverse[-1, -1] = corner
    return inverse


def information(sums: SectionSums) -> FloatArray:
    """What the points say of the parameters: XᵀWX, shape (4S + 1, 4S + 1).

    Rows and columns are ordered as in :class:`JointFit`. With other weights in the sums the
    same function gives XᵀW·V·WX, the part of the estimate's variance that a noise V causes.
    """
    count = sums.middle_m.size
    blocks = np.zeros((count, 4, 4))
    for (w, wt, wtt, _, _), row, drift in ((sums.ab, 0, 1.0), (sums.ba, 1, -1.0)):
        slope = np.array([-1.0, drift])  # of (α, β)
        seen = w > 0
        blocks[:, row, row] = np.where(seen, w, 0.0)
        cross = np.where(seen, wt, 0.0)[:, None] * slope
        blocks[:, row, 2:] = cross
        blocks[:, 2:, row] = cross
        blocks[:, 2:, 2:] += np.where(seen, wtt, 0.0)[:, None, None] * np.outer(slope, slope)
    normal = np.zeros((4 * count + 1, 4 * count + 1))
    index = 4 * np.arange(count)[:, None] + np.arange(4)
    normal[index[:, :, None], index[:, None, :]] = blocks
    return normal


def prior_information(count: int, spreads: tuple[float, float]) -> FloatArray:
    """What is known without the points: how much α and β may differ between ``count`` sections."""
    weight_alpha, weight_beta = (1 / spread**2 for spread in spreads)
    normal = np.zeros((4 * count + 1, 4 * count + 1))
    alpha, beta = 4 * np.arange(count) + 2, 4 * np.arange(count) + 3
    normal[alpha, alpha] = weight_alpha
    normal[alpha, -1] = normal[-1, alpha] = -weight_alpha
    normal[beta, beta] = weight_beta
    normal[-1, -1] = count * weight_alpha + 1 / VAGUE**2
    return normal


def _slopes(sums: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Slope of each section in one shot and its variance; infinite variance where unknown."""
    w, wt, wtt, wy, wty = sums
    with np.errstate(invalid="ignore", divide="ignore"):
        spread = wtt - wt**2 / w
        slope = (wty - wt * wy / w) / spread
        variance = 1 / spread
    known = np.isfinite(slope) & (spread > 0)
    return np.where(known, slope, 0.0), np.where(known, variance, np.inf)


def _spreads(sums: SectionSums) -> tuple[float, float]:
    """Moment estimates of how much α and β vary between sections, dB/km.

    Notes
    -----
    The excess of the weighted variance over what noise explains, as in DerSimonian and
    Laird (1986) for a common mean; each prior spread counts as one more section.
    """
    slope_ab, var_ab = _slopes(sums.ab)
    slope_ba, var_ba = _slopes(sums.ba)
    both = np.isfinite(var_ab) & np.isfinite(var_ba)
    drift = (slope_ab - slope_ba)[both] / 2
    var_drift = (var_ab + var_ba)[both] / 4
    spread_beta = _excess(drift, var_drift, None, PRIOR_DRIFT_SPREAD)
    weight_ab = np.where(np.isfinite(var_ab), 1 / (var_ab + spread_beta**2), 0.0)
    weight_ba = np.where(np.isfinite(var_ba), 1 / (var_ba + spread_beta**2), 0.0)
    known = weight_ab + weight_ba > 0
    weight = (weight_ab + weight_ba)[known]
    alpha = -(weight_ab * slope_ab + weight_ba * slope_ba)[known] / weight
    mean = float(np.average(alpha, weights=weight)) if alpha.size else 0.0
    spread_alpha = _excess(alpha, 1 / weight, mean, PRIOR_ATTENUATION_SPREAD)
    return spread_alpha, spread_beta


def _excess(values: FloatArray, variance: FloatArray, mean: float | None, prior: float) -> float:
    """Square root of the variance beyond noise, pooled with one prior observation."""
    if values.size == 0:
        return prior
    lost = 0.0 if mean is None else 1.0
    residual = values - (mean or 0.0)
    # A value counts as much as it can tell about the spread.
    weight = 1 / (variance + prior**2) ** 2
    weight = weight / weight.max()
    excess = float(np.sum(weight * (residual**2 - variance)))
    freedom = max(float(weight.sum()) - lost, 0.0)
    pooled = (max(excess, 0.0) + prior**2) / (freedom + 1)
    return float(np.sqrt(max(pooled, (0.1 * prior) ** 2)))
