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
from typing import Any

from trialkit.responses.drawing import Drawn, Ratios
from trialkit.simulate.shown import settings_card
from trialkit.words import simulation as words


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
    others : mapping of str to Drawn
        Of further responses and of what lies in further zones, by name
        (`trialkit.responses.Drawn`).
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
    others: Mapping[str, Drawn] = field(default_factory=dict)

    def as_dict(self) -> dict[str, Any]:
        """Plain numbers, lists and dictionaries, for ``truth.json``."""
        out = dataclasses.asdict(self)
        return out if self.others else {k: v for k, v in out.items() if k != "others"}

    def _repr_html_(self) -> str:
        return settings_card(words.TRUTH, self)
