"""What is true in a simulated trial, and what an analysis of it should therefore report.

Expected density of loose kernels on ground the header has crossed::

    preharvest x exp(a)  +  header x ratios(setup) x exp(b)

with ``a`` and ``b`` sums of normal effects of the field, pair, main strip, strip and frame, and of
the setup in the field. Counts are Poisson about it: what the combine adds lies on top of what the
crop had dropped, which is not the multiplicative form the analysis assumes, and so tests it.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import product
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy import special

from trialkit import units
from trialkit.simulate.shown import settings_card

if TYPE_CHECKING:
    from trialkit.intake.config import TrialConfig
    from trialkit.trial import Trial

Ratios = Mapping[str, Mapping[str, float]]

# The same in every simulated trial: standard deviations, log scale, of the processing loss between
# frames and of material other than grain between samples; of the reading of a score; and the part
# of the damaged share that falls through the sieve.
PROCESSING_SD = 0.3
RESIDUE_SAMPLE_SD = 0.25
SCORE_SD = 0.4
SIEVED = 0.3


@dataclass(frozen=True, slots=True)
class Truth:
    """The quantities a simulated trial is drawn from, SI units.

    Attributes
    ----------
    preharvest, header, processing : float
        Typical densities (kernels/m2): on the ground before harvest; added by the header at the
        reference setup, mean moisture and mean speed; added by threshing and separation, per
        area of field.
    header_ratios, processing_ratios, damage_odds, residue_ratios, ear_ratios : mapping
        ``{factor: {level: ratio}}`` against the reference level; a level left out has ratio 1.
        A key ``"cushion:gap"`` with levels ``"cushion:wide"`` multiplies one combination.
    sd : mapping
        Standard deviations on the log scale of the header's loss: ``field``, ``setup_by_field``
        (each level of each factor in each field), ``pair``, ``main_strip``, ``strip``, ``frame``.
    preharvest_sd : mapping
        The same for the preharvest density: ``field``, ``strip``, ``frame``.
    moisture_ratio, speed_ratio : float
        Header loss ratio per point of grain moisture and per km/h, about the trial's mean.
    damage : float
        Typical share of damaged kernels at the reference setup.
    damage_sd : mapping
        Standard deviations on the logit scale: ``field``, ``setup_by_field``, ``pair``,
        ``main_strip``, ``strip``, ``sample``.
    damage_moisture_odds : float
        Odds ratio of damage per point of grain moisture.
    moisture, speed : (float, float)
        Lowest and highest field mean of grain moisture (%) and of ground speed (km/h) where no
        setup factor sets it.
    moisture_sd, speed_sd : float
        Between strips of a field.
    dry_down : float
        Points of moisture lost a day while the trial is harvested.
    strip_shifts : mapping
        ``{column: {factor: {level: shift}}}``: added to ``yield`` (kg/ha), ``moisture`` (points) or
        ``test_weight`` (kg/hL) of the strip.
    ears, preharvest_ears : float
        Ears per m2 dropped by the header and before harvest.
    ear_kernels : (float, float)
        Mean and standard deviation of the kernel mass per ear (g at harvest).
    yield_mean, yield_sd : float
        Yield (kg/ha at base moisture): mean, and standard deviation between fields; half of it
        between pairs and a quarter between strips.
    residue : float
        Typical share of material other than grain in the tank sample.
    residue_sd : mapping
        Standard deviations of the share on the log scale, as `sd`; that of a sample is 0.25 beside
        them.
    threshing_share : float or None
        Share of the kernels added by threshing and separation that are still on pieces of cob;
        None: not counted apart.
    butt_damage : float
        Typical share of ears damaged at the butt at the reference setup.
    butt_odds, butt_sd : mapping
        Odds ratios of the setups; standard deviations on the logit scale, as `damage_sd`.
    leaf_intake : float
        Typical mass of leaves, husks and pieces of stalk per mass of cobs behind the machine.
    leaf_ratios, leaf_sd : mapping
        As `residue_ratios` and `residue_sd`.
    """

    preharvest: float
    header: float
    header_ratios: Ratios
    sd: Mapping[str, float]
    preharvest_sd: Mapping[str, float]
    processing: float = 5.0
    processing_ratios: Ratios = field(default_factory=dict)
    moisture_ratio: float = 1.0
    speed_ratio: float = 1.0
    damage: float = 0.05
    damage_odds: Ratios = field(default_factory=dict)
    damage_sd: Mapping[str, float] = field(default_factory=dict)
    damage_moisture_odds: float = 1.0
    moisture: tuple[float, float] = (20.0, 20.0)
    moisture_sd: float = 0.3
    speed: tuple[float, float] = (7.0, 7.0)
    speed_sd: float = 0.2
    ears: float = 0.02
    ear_ratios: Ratios = field(default_factory=dict)
    preharvest_ears: float = 0.01
    ear_kernels: tuple[float, float] = (160.0, 25.0)
    yield_mean: float = 12500.0
    yield_sd: float = 700.0
    residue: float = 0.015
    residue_ratios: Ratios = field(default_factory=dict)
    residue_sd: Mapping[str, float] = field(default_factory=dict)
    strip_shifts: Mapping[str, Ratios] = field(default_factory=dict)
    threshing_share: float | None = None
    butt_damage: float = 0.2
    butt_odds: Ratios = field(default_factory=dict)
    butt_sd: Mapping[str, float] = field(default_factory=dict)
    leaf_intake: float = 0.8
    leaf_ratios: Ratios = field(default_factory=dict)
    leaf_sd: Mapping[str, float] = field(default_factory=dict)
    dry_down: float = 0.0

    def as_dict(self) -> dict[str, Any]:
        """Plain numbers, lists and dictionaries, for ``truth.json``."""
        return dataclasses.asdict(self)

    def _repr_html_(self) -> str:
        return settings_card("What a trial is drawn from, in SI units", self)


def setup_shift(shifts: Ratios, strips: pd.DataFrame) -> np.ndarray:
    """Sum of all shifts that apply to each row's setup, shape (rows,)."""
    total = np.zeros(len(strips))
    for factor, by_level in shifts.items():
        level = strips[factor].astype(str)
        total += level.map(dict(by_level)).fillna(0.0).to_numpy(dtype=float)
    return total


def setup_effect(ratios: Ratios, strips: pd.DataFrame) -> np.ndarray:
    """Log of the product of all ratios that apply to each row's setup, shape (rows,)."""
    total = np.zeros(len(strips))
    for key, by_level in ratios.items():
        label = strips[key.split(":")[0]].astype(str)
        for name in key.split(":")[1:]:
            label = label + ":" + strips[name].astype(str)
        total += np.log(label.map(dict(by_level)).fillna(1.0).to_numpy(dtype=float))
    return total


def true_header_loss(truth: Truth, trial: Trial) -> pd.DataFrame:
    """The header loss an analysis of `trial` should estimate.

    Returns
    -------
    DataFrame
        ``factor, level, kg_ha, ratio, difference``: header loss averaged over all random effects at
        the trial's mean moisture and speed, averaged over the levels of the other factors; ratio
        and difference (kg/ha) are against the factor's reference level.
    """
    half = 0.5 * _variance(truth.sd, trial)

    def density(cells: pd.DataFrame) -> np.ndarray:
        return truth.header * np.exp(setup_effect(truth.header_ratios, cells) + half)

    return level_table(
        trial.config,
        lambda cells: units.kernels_per_m2_to_kg_ha(
            density(cells), trial.config.thousand_kernel_mass
        ),
        "kg_ha",
    )


def true_damage(truth: Truth, trial: Trial) -> pd.DataFrame:
    """Share of damaged kernels (%) averaged over random effects, as `true_header_loss`.

    The mean of a logistic-normal variable is taken by Gauss-Hermite quadrature.
    """
    return _share_table(trial, truth.damage, truth.damage_odds, truth.damage_sd)


def true_butt_damage(truth: Truth, trial: Trial) -> pd.DataFrame:
    """Share of ears damaged at the butt (%) averaged over random effects, as `true_damage`."""
    return _share_table(trial, truth.butt_damage, truth.butt_odds, truth.butt_sd)


def _share_table(
    trial: Trial, typical: float, odds: Ratios, sds: Mapping[str, float]
) -> pd.DataFrame:
    node, weight = np.polynomial.hermite_e.hermegauss(60)
    sd = np.sqrt(_variance(sds, trial))
    base = np.log(typical / (1.0 - typical))

    def percent(cells: pd.DataFrame) -> np.ndarray:
        eta = base + setup_effect(odds, cells)
        share = 1.0 / (1.0 + np.exp(-(eta[:, None] + sd * node)))
        return 100.0 * (share * weight).sum(axis=1) / weight.sum()

    return level_table(trial.config, percent, "percent")


def true_processing_loss(truth: Truth, trial: Trial) -> pd.DataFrame:
    """Processing loss (kg/ha) averaged over its frames, as `true_header_loss`."""

    def kg_ha(cells: pd.DataFrame) -> np.ndarray:
        density = truth.processing * np.exp(
            setup_effect(truth.processing_ratios, cells) + 0.5 * PROCESSING_SD**2
        )
        return units.kernels_per_m2_to_kg_ha(density, trial.config.thousand_kernel_mass)

    return level_table(trial.config, kg_ha, "kg_ha")


def true_dropped_ears(truth: Truth, trial: Trial) -> pd.DataFrame:
    """Grain (kg/ha at base moisture) on ears the header dropped, as `true_header_loss`.

    The mean ear weighs ``truth.ear_kernels[0]`` at the trial's mean moisture; the cut of the
    drawn masses at 60 g is four standard deviations away in the demo trials and is left aside.
    """
    moisture = float(trial.strips["moisture"].astype(float).mean())
    mass = units.to_standard_moisture(truth.ear_kernels[0], moisture, trial.config.base_moisture)

    def kg_ha(cells: pd.DataFrame) -> np.ndarray:
        return 10.0 * float(mass) * truth.ears * np.exp(setup_effect(truth.ear_ratios, cells))

    return level_table(trial.config, kg_ha, "kg_ha")


def true_broken_corn(truth: Truth, trial: Trial) -> pd.DataFrame:
    """Share of broken corn (% by mass): `SIEVED` of the damaged share, as `true_damage`."""
    table = true_damage(truth, trial)
    return table.assign(percent=SIEVED * table["percent"], difference=SIEVED * table["difference"])


def true_residue(truth: Truth, trial: Trial) -> pd.DataFrame:
    """Material other than grain (% by mass) averaged over random effects and samples."""
    half = 0.5 * (_variance(truth.residue_sd, trial) + RESIDUE_SAMPLE_SD**2)

    def percent(cells: pd.DataFrame) -> np.ndarray:
        return 100.0 * truth.residue * np.exp(setup_effect(truth.residue_ratios, cells) + half)

    return level_table(trial.config, percent, "percent")


def true_leaf_intake(truth: Truth, trial: Trial) -> pd.DataFrame:
    """Leaves, husks and stalk (% of the cobs' mass) averaged as `true_residue`."""
    half = 0.5 * (_variance(truth.leaf_sd, trial) + RESIDUE_SAMPLE_SD**2)

    def percent(cells: pd.DataFrame) -> np.ndarray:
        return 100.0 * truth.leaf_intake * np.exp(setup_effect(truth.leaf_ratios, cells) + half)

    return level_table(trial.config, percent, "percent")


def true_residue_score(truth: Truth, trial: Trial) -> pd.DataFrame:
    """Mean score of material other than grain, as `true_header_loss`.

    A score is the share over the reference's typical share, with an error of reading, rounded and
    cut to 0 to 5; its mean is the sum over k of the probability of a score of k or more, by
    Gauss-Hermite quadrature over the random effects. Its ratio has no meaning.
    """
    node, weight = np.polynomial.hermite_e.hermegauss(60)
    sd = np.sqrt(_variance(truth.residue_sd, trial) + RESIDUE_SAMPLE_SD**2)
    steps = np.arange(1, 6) - 0.5

    def score(cells: pd.DataFrame) -> np.ndarray:
        share = np.exp(setup_effect(truth.residue_ratios, cells)[:, None] + sd * node)
        least = special.ndtr((share[..., None] - steps) / SCORE_SD).sum(axis=-1)
        return (least * weight).sum(axis=1) / weight.sum()

    return level_table(trial.config, score, "score")


def true_yield(truth: Truth, trial: Trial) -> pd.DataFrame:
    """Yield (kg/ha at base moisture), as `true_header_loss`.

    The mean is that of fields in general; what a trial on one field estimates is that field's own,
    which is drawn. Differences are the same in both.
    """

    def kg_ha(cells: pd.DataFrame) -> np.ndarray:
        return truth.yield_mean + setup_shift(truth.strip_shifts.get("yield", {}), cells)

    return level_table(trial.config, kg_ha, "kg_ha")


def _variance(sd: Mapping[str, float], trial: Trial) -> float:
    """Variance of the random effects of one frame or sample in the trial's design."""
    several = trial.strips["field"].nunique() > 1
    times = {
        "field": int(several),
        "setup_by_field": len(trial.config.setups) * several,
        "main_strip": int(trial.strips["main_strip"].notna().any()),
    }
    return sum(times.get(level, 1) * value**2 for level, value in sd.items())


def level_table(config: TrialConfig, value, name: str) -> pd.DataFrame:
    """``factor, level``, `name`, ``ratio, difference``: a value of cells averaged by level."""
    factors = config.setups
    cells = pd.DataFrame(
        list(product(*(f.levels for f in factors))), columns=[f.name for f in factors]
    )
    cells["value"] = value(cells)
    rows = []
    for factor in factors:
        mean = cells.groupby(factor.name)["value"].mean()
        base = mean[factor.reference]
        rows += [
            {
                "factor": factor.name,
                "level": level,
                name: mean[level],
                "ratio": mean[level] / base,
                "difference": mean[level] - base,
            }
            for level in factor.levels
        ]
    return pd.DataFrame(rows)
