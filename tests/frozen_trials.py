"""Three sound trials for tests that need one, a design each; frozen, whatever the demos become.

Growers, fields and effects are invented. `tests/recovery/recover.py` builds on them too, so that
the tables it writes stay comparable with earlier ones: change nothing here.
"""

from __future__ import annotations

import atexit
import shutil
import tempfile
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import pandas as pd

from trialkit import units
from trialkit.intake.config import HeaderConfig, OptionCost, SetupFactor, TrialConfig
from trialkit.simulate import Effort, HeaderProfile, Truth, simulate_trial, write_simulated
from trialkit.trial import Trial


@dataclass(frozen=True, slots=True)
class Scenario:
    """One trial: everything needed to draw it again."""

    folder: str
    seed: int
    config: TrialConfig
    truth: Truth
    fields: pd.DataFrame
    blocks: int
    effort: Effort

    def trial(self) -> Trial:
        """Draw the trial."""
        return simulate_trial(
            self.config,
            self.truth,
            seed=self.seed,
            blocks=self.blocks,
            fields=self.fields,
            effort=self.effort,
        )


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
    level_labels=("Narrow (1-1/8 in)", "Usual (1-1/4 in)", "Wide (1-1/2 in)"),
    reference="usual",
    hard_to_change=False,
)
SPEED = SetupFactor(
    name="speed",
    label="Ground speed",
    levels=("slow", "fast"),
    level_labels=("3.5 mph", "5.5 mph"),
    reference="slow",
    hard_to_change=False,
)
HEADER = HeaderConfig(rows=8, width=8 * 0.762, discharge_width=8 * 0.762)
COST = OptionCost(
    factor="cushion",
    level="cushion",
    cost=6000.0,
    life_years=10,
    interest=0.08,
    area_per_year=float(units.convert(600.0, "ac", "ha")),
)
GAPS = {
    "narrow": {"gap_front": 28.575, "gap_rear": 31.75},
    "usual": {"gap_front": 31.75, "gap_rear": 34.925},
    "wide": {"gap_front": 38.1, "gap_rear": 41.275},
}
SPEEDS = {
    "slow": {"speed_set": float(units.convert(3.5, "mph", "km/h"))},
    "fast": {"speed_set": float(units.convert(5.5, "mph", "km/h"))},
}
FIELD_SD = {
    "field": 0.20,
    "setup_by_field": 0.08,
    "pair": 0.12,
    "main_strip": 0.12,
    "strip": 0.12,
    "frame": 0.40,
}
PREHARVEST_SD = {"field": 0.25, "strip": 0.15, "frame": 0.40}
DAMAGE_SD = {"field": 0.15, "pair": 0.08, "main_strip": 0.08, "strip": 0.10, "sample": 0.10}


def _fields(names: list[str], growers: list[str], hybrids: list[str]) -> pd.DataFrame:
    size = len(names)
    return pd.DataFrame(
        {
            "field": names,
            "grower": [growers[i % len(growers)] for i in range(size)],
            "hybrid": [hybrids[i % len(hybrids)] for i in range(size)],
            "row_spacing": 0.762,
            "population": units.convert(32000.0, "plants/ac", "plants/ha"),
        }
    )


def _config(title: str, notes: str, setups: tuple[SetupFactor, ...], option: OptionCost | None):
    return TrialConfig(
        title=title,
        season=2025,
        units="US",
        growers_agreed=False,
        notes=notes,
        header=HEADER,
        setups=setups,
        thousand_kernel_mass=300.0,
        base_moisture=15.5,
        price_per_t=float(4.00 / units.KG_PER_BUSHEL * 1000.0),
        currency="USD",
        option=option,
    )


SIMULATED = "Simulated data: growers, fields and hybrids are invented; see truth.json."

CUSHION_PAIRS = Scenario(
    folder="cushion_pairs",
    seed=6,
    config=_config("Cushioned against standard gathering chain", SIMULATED, (CUSHION,), COST),
    truth=Truth(
        preharvest=5.0,
        header=20.0,
        header_ratios={"cushion": {"cushion": 0.60}},
        sd=FIELD_SD,
        preharvest_sd=PREHARVEST_SD,
        processing=4.0,
        damage=0.06,
        damage_odds={"cushion": {"cushion": 0.70}},
        damage_sd=DAMAGE_SD,
        moisture=(21.0, 21.0),
        speed=(7.2, 7.2),
        ears=0.020,
        ear_ratios={"cushion": {"cushion": 0.8}},
        residue=0.014,
        residue_ratios={"cushion": {"cushion": 1.10}},
    ),
    fields=_fields(["Long Bottom"], ["Kernelby Farm"], ["TK-108"]),
    blocks=6,
    effort=Effort(header_check=HeaderProfile()),
)

GAP_FIELDS = Scenario(
    folder="gap_fields",
    seed=2,
    config=_config("Three stripper-plate gaps on eight fields", SIMULATED, (GAP,), None),
    truth=Truth(
        preharvest=5.0,
        header=19.0,
        header_ratios={"gap": {"narrow": 0.88, "wide": 1.40}},
        sd=FIELD_SD,
        preharvest_sd=PREHARVEST_SD,
        processing=4.0,
        moisture_ratio=0.95,
        speed_ratio=1.06,
        damage=0.055,
        damage_odds={"gap": {"narrow": 1.05, "wide": 1.30}},
        damage_sd=DAMAGE_SD,
        damage_moisture_odds=1.03,
        moisture=(16.0, 28.0),
        moisture_sd=0.3,
        speed=(6.0, 8.5),
        speed_sd=0.35,
        ears=0.022,
        ear_ratios={"gap": {"wide": 1.2}},
        residue=0.014,
        residue_ratios={"gap": {"narrow": 0.90, "wide": 1.25}},
    ),
    fields=_fields(
        [
            "Mill Piece",
            "Ridge Forty",
            "Pond Side",
            "Lower Bench",
            "Orchard End",
            "Stone Gate",
            "Creek Turn",
            "High Eighty",
        ],
        ["Kernelby Farm", "Cobwick Farm", "Tasselmoor Farm", "Huskwold Farm"],
        ["TK-104", "TK-108", "TK-111"],
    ),
    blocks=3,
    effort=Effort(
        header_frames=6,
        preharvest_frames=2,
        total_frames=1,
        settings={"gap": GAPS},
        header_check=HeaderProfile(),
    ),
)

SPLIT_STRIPS = Scenario(
    folder="split_strips",
    seed=2,
    config=_config(
        "Cushioned chain, stripper-plate gap and ground speed",
        SIMULATED,
        (CUSHION, GAP, SPEED),
        COST,
    ),
    truth=Truth(
        preharvest=5.0,
        header=17.0,
        header_ratios={
            "cushion": {"cushion": 0.65},
            "gap": {"narrow": 0.90, "wide": 1.45},
            "speed": {"fast": 1.20},
            "cushion:gap": {"cushion:wide": 0.80},
        },
        sd=FIELD_SD,
        preharvest_sd=PREHARVEST_SD,
        processing=4.0,
        damage=0.055,
        damage_odds={"cushion": {"cushion": 0.72}, "gap": {"wide": 1.25}, "speed": {"fast": 1.10}},
        damage_sd=DAMAGE_SD,
        moisture=(20.0, 20.0),
        ears=0.020,
        ear_ratios={"cushion": {"cushion": 0.8}, "gap": {"wide": 1.2}},
        residue=0.014,
        residue_ratios={"cushion": {"cushion": 1.10}, "gap": {"wide": 1.25}},
    ),
    fields=_fields(["Long Bottom"], ["Kernelby Farm"], ["TK-108"]),
    blocks=5,
    effort=Effort(
        header_frames=6,
        preharvest_frames=2,
        total_frames=1,
        settings={"gap": GAPS, "speed": SPEEDS},
        header_check=HeaderProfile(),
    ),
)

SCENARIOS = (CUSHION_PAIRS, GAP_FIELDS, SPLIT_STRIPS)


@cache
def _folder() -> Path:
    """Where this process writes them; gone when it ends."""
    folder = Path(tempfile.mkdtemp(prefix="trialkit-frozen-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    return folder


def frozen_dir(name: str = "cushion_pairs") -> Path:
    """Folder of one of the trials, written when it is first asked for."""
    folder = _folder() / name
    if not folder.exists():
        scenario = next(s for s in SCENARIOS if s.folder == name)
        write_simulated(folder, scenario.trial(), scenario.truth, scenario.seed)
    return folder
