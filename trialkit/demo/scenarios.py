"""The three demo trials: growers, fields, hybrids and prices are invented, levels are realistic.

Each is laid out by `trialkit.plan` and run in its order of work, on working days. What they show:
``cushion_pairs``, US units, paired strips, its plan kept as ``plan.json``; ``gap_fields``, eight
fields of four growers and two headers, weeks apart while the corn dries; ``split_strips``, SI
units, three factors on main strips and strips inside.

Levels: loose kernels at the header about 1 bu/ac, a third of that on the ground before harvest, and
5 % of kernels with damage that is seen, as `trialkit.plan` expects them, with its sources. Tank
samples are sound to 1.2 % of material other than grain (mean of 2,504 machines, Huang et al.,
IJABE 13(5), 2020) and tell what cleaning left: no setup of the header changes them here. What the
header takes in is told by the leaves behind the machine. Most damage arises in threshing, so a
cushion changes that in the tank little and that at the ear butt much; how much is invented, as are
the sizes of all effects: they claim nothing about real equipment.

The seed of each is the first, counted from 1, of which `trialkit.demo.denied` has nothing to say:
every interval of an effect that is true covers it, and where there is none no difference is told.
The demos illustrate; they are no evidence of how well the analysis does (`notebooks/truth.ipynb`
is).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import pandas as pd

from trialkit import plan, units
from trialkit.demo.days import harvested_at
from trialkit.intake.config import HeaderConfig, SetupFactor, TrialConfig
from trialkit.intake.option import OptionCost
from trialkit.plan import Ground, Plan
from trialkit.simulate import Effort, HeaderProfile, Truth, simulate_trial
from trialkit.trial import Trial


@dataclass(frozen=True, slots=True)
class DemoTrial:
    """One demo trial: everything needed to draw it again.

    Attributes
    ----------
    folder : str
    seed : int
        Of the layout and of the draw.
    config : TrialConfig
    truth : Truth
    grounds : tuple of Ground
    fields : DataFrame
        The ``fields`` table, SI.
    blocks : int
    effort : Effort
    first_day : str
        Of harvest, as 2025-10-03.
    days_apart : int
        Days from one field's beginning to the next one's.
    headers : mapping
        Grower to the header his fields were run with; empty where there is one.
    planned : bool
        Whether its ``plan.json`` is kept with it.
    """

    folder: str
    seed: int
    config: TrialConfig
    truth: Truth
    grounds: tuple[Ground, ...]
    fields: pd.DataFrame
    blocks: int
    effort: Effort
    first_day: str
    days_apart: int = 1
    headers: Mapping[str, str] = field(default_factory=dict)
    planned: bool = False

    @property
    def counted(self) -> Effort:
        """What a plan knows of the effort: how much is counted."""
        return replace(self.effort, settings={}, header_check=None)

    def plan(self) -> Plan:
        """The layout, its order of work by fewest changes."""
        return plan.plan_trial(
            self.config, self.grounds, blocks=self.blocks, seed=self.seed, order="fewest changes",
            effort=self.counted,
        )  # fmt: skip

    def trial(self) -> Trial:
        """Draw the trial."""
        laid = self.plan()
        strips = laid.tables()["strips"]
        names = [f.name for f in self.config.setups]
        strips = strips[["strip", "field", "pair", "main_strip", *names]]
        times = harvested_at(laid.order, self.first_day, self.days_apart)
        strips = strips.assign(harvested_at=strips["strip"].map(times))
        if self.headers:
            grower = self.fields.set_index("field")["grower"]
            strips["header"] = strips["field"].map(grower).map(dict(self.headers))
        return simulate_trial(
            self.config, self.truth, seed=self.seed, fields=self.fields, effort=self.effort,
            strips=strips,
        )  # fmt: skip


def _fields(
    grounds: tuple[Ground, ...], growers: list[str], hybrids: list[str], population: float
) -> pd.DataFrame:
    size = len(grounds)
    return pd.DataFrame(
        {
            "field": [ground.field for ground in grounds],
            "grower": [growers[i % len(growers)] for i in range(size)],
            "hybrid": [hybrids[i % len(hybrids)] for i in range(size)],
            "row_spacing": [ground.row_spacing for ground in grounds],
            "population": population,
        }
    )


SIMULATED = "Simulated data: growers, fields, hybrids and prices are invented; see truth.json."
ACRE = float(units.convert(1.0, "ac", "ha"))
FOOT = units.METRES_PER_FOOT
CUSHION = SetupFactor(
    name="cushion",
    label="Gathering chain",
    levels=("standard", "cushion"),
    level_labels=("Standard chain", "Cushioned chain"),
    reference="standard",
    hard_to_change=True,
)
GAP = SetupFactor(
    name="gap",
    label="Stripper-plate gap",
    levels=("narrow", "usual", "wide"),
    level_labels=("Narrow gap (1-1/8 in)", "Usual gap (1-1/4 in)", "Wide gap (1-1/2 in)"),
    reference="usual",
)
METRIC_GAP = replace(
    GAP, level_labels=("Narrow gap (28 mm)", "Usual gap (32 mm)", "Wide gap (38 mm)")
)
SPEED = SetupFactor(
    name="speed",
    label="Ground speed",
    levels=("slow", "fast"),
    level_labels=("5.5 km/h", "9 km/h"),
    reference="slow",
)
GAPS = {
    "narrow": {"gap_front": 28.575, "gap_rear": 31.75},
    "usual": {"gap_front": 31.75, "gap_rear": 34.925},
    "wide": {"gap_front": 38.1, "gap_rear": 41.275},
}
METRIC_GAPS = {
    "narrow": {"gap_front": 28.0, "gap_rear": 31.0},
    "usual": {"gap_front": 32.0, "gap_rear": 35.0},
    "wide": {"gap_front": 38.0, "gap_rear": 41.0},
}
SPEEDS = {"slow": {"speed_set": 5.5}, "fast": {"speed_set": 9.0}}

# Log and logit scale. Between fields as `trialkit.plan` expects; within them invented.
SD = {"field": 0.20, "setup_by_field": 0.08, "pair": 0.12, "main_strip": 0.12, "strip": 0.12,
      "frame": 0.40}  # fmt: skip
PREHARVEST_SD = {"field": 0.25, "strip": 0.15, "frame": 0.40}
DAMAGE_SD = {"field": 0.30, "pair": 0.08, "main_strip": 0.08, "strip": 0.10, "sample": 0.10}
LEAF_SD = {"field": 0.20, "pair": 0.08, "strip": 0.10}
TYPICAL = Truth(
    preharvest=6.0,
    header=18.0,
    header_ratios={},
    sd=SD,
    preharvest_sd=PREHARVEST_SD,
    processing=8.0,
    threshing_share=0.4,
    damage=0.05,
    damage_sd=DAMAGE_SD,
    butt_damage=0.35,
    butt_sd=DAMAGE_SD,
    ears=0.020,
    residue=0.012,
    leaf_intake=0.8,
    leaf_sd=LEAF_SD,
    dry_down=0.5,
)

US_HEADER = HeaderConfig(rows=8, width=20 * FOOT, discharge_width=15 * FOOT)
METRIC_HEADER = HeaderConfig(rows=8, width=6.0, discharge_width=4.5)
US_EFFORT = replace(
    Effort.usual("US", US_HEADER.width), total_frames=4, butt_samples=2, ear_butts=20
)
METRIC_EFFORT = replace(
    Effort.usual("SI", METRIC_HEADER.width),
    header_frames=6,
    total_frames=1,
    butt_samples=2,
    ear_butts=20,
)


def _config(title: str, setups: tuple[SetupFactor, ...], **own: object) -> TrialConfig:
    given: dict[str, object] = {
        "units": "US", "header": US_HEADER, "currency": "USD",
        "price_per_t": float(units.price_per_bushel_to_per_tonne(4.00)),
    }  # fmt: skip
    return TrialConfig(
        title=title, season=2025, notes=SIMULATED, setups=setups, thousand_kernel_mass=335.0,
        base_moisture=15.5, kernel_mass_stated=True, **{**given, **own},  # type: ignore[arg-type]
    )  # fmt: skip


LONG_BOTTOM = (Ground("Long Bottom", length=1200 * FOOT, planter_rows=16, headland=60 * FOOT),)
CUSHION_PAIRS = DemoTrial(
    folder="cushion_pairs",
    seed=1,
    config=_config(
        "Cushioned against standard gathering chain",
        (CUSHION,),
        option=OptionCost(
            "cushion",
            "cushion",
            cost=6000.0,
            life_years=10,
            interest=0.08,
            area_per_year=600 * ACRE,
            life_area=5000 * ACRE,
            change_hours=3.0,
            wage=25.0,
        ),
    ),
    truth=replace(
        TYPICAL,
        header_ratios={"cushion": {"cushion": 0.60}},
        damage_odds={"cushion": {"cushion": 0.95}},
        butt_odds={"cushion": {"cushion": 0.30}},
        ear_ratios={"cushion": {"cushion": 0.8}},
        leaf_ratios={"cushion": {"cushion": 1.15}},
        moisture=(21.0, 21.0),
        speed=(7.2, 7.2),
    ),
    grounds=LONG_BOTTOM,
    fields=_fields(
        LONG_BOTTOM,
        ["Kernelby Farm"],
        ["TK-108"],
        float(units.convert(32000.0, "plants/ac", "plants/ha")),
    ),
    blocks=6,
    effort=replace(US_EFFORT, header_check=HeaderProfile()),
    first_day="2025-10-06",
    planned=True,
)

EIGHT = tuple(
    Ground(name, length=1300 * FOOT, planter_rows=16, headland=60 * FOOT)
    for name in (
        "Mill Piece",
        "Ridge Forty",
        "Pond Side",
        "Lower Bench",
        "Orchard End",
        "Stone Gate",
        "Creek Turn",
        "High Eighty",
    )
)
GAP_FIELDS = DemoTrial(
    folder="gap_fields",
    seed=1,
    config=_config("Three stripper-plate gaps on eight fields", (GAP,)),
    truth=replace(
        TYPICAL,
        header_ratios={"gap": {"narrow": 0.88, "wide": 1.40}},
        moisture_ratio=0.95,
        speed_ratio=1.06,
        damage_odds={"gap": {"narrow": 1.05, "wide": 1.15}},
        damage_moisture_odds=1.03,
        butt_odds={"gap": {"narrow": 0.95, "wide": 1.8}},
        ear_ratios={"gap": {"wide": 1.2}},
        leaf_ratios={"gap": {"narrow": 1.05, "wide": 1.20}},
        moisture=(21.0, 23.0),
        moisture_sd=0.3,
        speed=(6.0, 8.5),
        speed_sd=0.35,
    ),
    grounds=EIGHT,
    fields=_fields(
        EIGHT,
        ["Kernelby Farm", "Cobwick Farm", "Tasselmoor Farm", "Huskwold Farm"],
        ["TK-104", "TK-108", "TK-111"],
        float(units.convert(32000.0, "plants/ac", "plants/ha")),
    ),
    blocks=3,
    effort=replace(
        US_EFFORT,
        header_frames=6,
        settings={"gap": GAPS},
        header_check={
            "A": HeaderProfile(),
            "B": HeaderProfile(crooked_row=2, pinched_row=7, wear_length=45.0),
        },
    ),
    first_day="2025-09-22",
    days_apart=3,
    headers={
        "Kernelby Farm": "A",
        "Cobwick Farm": "A",
        "Tasselmoor Farm": "B",
        "Huskwold Farm": "B",
    },
)

LONG_METRIC = (
    Ground("Long Bottom", length=400.0, row_spacing=0.75, planter_rows=16, headland=18.0),
)
SPLIT_STRIPS = DemoTrial(
    folder="split_strips",
    seed=1,
    config=_config(
        "Cushioned chain, stripper-plate gap and ground speed",
        (CUSHION, METRIC_GAP, SPEED),
        units="SI",
        header=METRIC_HEADER,
        currency="EUR",
        price_per_t=180.0,
        option=OptionCost(
            "cushion",
            "cushion",
            cost=5500.0,
            life_years=10,
            interest=0.06,
            area_per_year=250.0,
            life_area=2000.0,
            change_hours=3.0,
            wage=22.0,
        ),
    ),
    truth=replace(
        TYPICAL,
        header_ratios={
            "cushion": {"cushion": 0.65},
            "gap": {"narrow": 0.90, "wide": 1.45},
            "speed": {"fast": 1.20},
            "cushion:gap": {"cushion:wide": 0.80},
        },
        damage_odds={"cushion": {"cushion": 0.95}, "gap": {"wide": 1.15}, "speed": {"fast": 1.05}},
        butt_odds={"cushion": {"cushion": 0.30}, "gap": {"wide": 1.8}, "speed": {"fast": 1.2}},
        ear_ratios={"cushion": {"cushion": 0.8}, "gap": {"wide": 1.2}},
        leaf_ratios={"cushion": {"cushion": 1.15}, "gap": {"wide": 1.20}},
        moisture=(20.0, 20.0),
    ),
    grounds=LONG_METRIC,
    fields=_fields(LONG_METRIC, ["Kernelby Farm"], ["TK-108"], 79_000.0),
    blocks=5,
    effort=replace(
        METRIC_EFFORT,
        settings={"gap": METRIC_GAPS, "speed": SPEEDS},
        header_check=HeaderProfile(gap_front=32.0, gap_rear=35.0),
    ),
    first_day="2025-10-06",
)

SCENARIOS = (CUSHION_PAIRS, GAP_FIELDS, SPLIT_STRIPS)
