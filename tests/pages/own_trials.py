"""Twenty small trials of all kinds: names of levels, numbers of factors, prices, units, fields."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from trialkit.analysis import TrialAnalysis, analyse
from trialkit.intake.config import TrialConfig, read_toml
from trialkit.simulate import Effort, Truth, simulate_trial

SPREAD = {"field": 0.2, "setup_by_field": 0.1, "pair": 0.1, "main_strip": 0.1, "strip": 0.1,
          "frame": 0.3}  # fmt: skip
LAID = {"field": 0.2, "strip": 0.1, "frame": 0.3}
DAMAGE = {"field": 0.1, "pair": 0.1, "main_strip": 0.1, "strip": 0.1, "sample": 0.1}
RESPONSES = ["header_loss", "kernel_damage", "dropped_ears"]

CHAIN = 'name = "cushion"\nlabel = "Gathering chain"\nlevels = ["standard", "cushion"]\n' \
    'labels = ["Standard chain", "Cushioned chain"]'  # fmt: skip
SWITCH = 'name = "cushion"\nlevels = ["no", "yes"]'
ON_OFF = 'name = "ear_savers"\nlabel = "Ear savers"\nlevels = ["off", "on"]'
BITS = 'name = "shield"\nlevels = [0, 1]'
GAP = 'name = "gap"\nlevels = [1.25, 1.125, 1.5]'
GAP_MM = 'name = "gap"\nlabel = "Plate gap"\nlevels = [32, 38]'
SPEED = 'name = "speed"\nlabel = "Ground speed"\nlevels = [3.5, 5.5]'
KMH = 'name = "speed"\nlevels = [9, 6]'
OWN = 'name = "rolls"\nlevels = ["Knife A-7", "Fluted (old)", "Mixed & new"]'
# Factors, units, lines under [prices], whether the second level of the first factor is bought,
# fields, and the response the trial is about.
TRIALS = (
    ((CHAIN,), "US", "grain = 4.2", True, 1, ""),
    ((SWITCH,), "US", "", False, 1, ""),
    ((SWITCH,), "US", "grain = 4.2", True, 3, ""),
    ((ON_OFF,), "SI", "grain = 170", False, 1, "kernel_damage"),
    ((BITS,), "US", "grain = 4.2\nhour = 220", True, 1, ""),
    ((GAP,), "US", "", False, 3, ""),
    ((GAP,), "US", "grain = 5", False, 1, ""),
    ((GAP_MM,), "SI", "grain = 160", False, 3, ""),
    ((SPEED,), "US", "", False, 1, ""),
    ((SPEED,), "US", "grain = 4.2", False, 1, ""),
    ((SPEED,), "US", "grain = 4.2\nhour = 220", False, 3, ""),
    ((SPEED,), "US", "grain = 4.2\nhour = 12", False, 1, ""),
    ((KMH,), "SI", "grain = 170\nhour = 90", False, 1, ""),
    ((OWN,), "US", "grain = 4.2", True, 1, ""),
    ((OWN,), "SI", "", False, 3, ""),
    ((CHAIN, SPEED), "US", "grain = 4.2\nhour = 220", True, 1, ""),
    ((SWITCH, SPEED), "US", "grain = 4.2", False, 1, ""),
    ((SWITCH, GAP), "US", "", True, 1, ""),
    ((ON_OFF, GAP_MM), "SI", "grain = 170", True, 1, ""),
    ((SPEED, SWITCH), "US", "", False, 1, "kernel_damage"),
)

# Those that bring up every advice, grade and kind of factor; pages of the others are read by hand.
IN_EVERY_RUN = (0, 3, 4, 7, 9, 10, 15, 17)


def config(number: int) -> TrialConfig:
    """Settings of one of the `TRIALS`."""
    factors, system, prices, bought, _, primary = TRIALS[number]
    us = system == "US"
    parts = [
        f'title = "Trial {number + 1}"\nseason = 2026\nunits = "{system}"\n[header]\nrows = 8\n'
        f"width = {20 if us else 6}",
        *(f"[[setup]]\n{factor}" for factor in factors),
        "[grain]\nthousand_kernel_mass = 320",
    ]
    if prices:
        parts.append(f'[prices]\ncurrency = "{"USD" if us else "EUR"}"\n{prices}')
    plain = read_toml("\n".join(parts))
    if bought:
        first = plain.setups[0]
        parts.append(
            f'[option]\nfactor = "{first.name}"\nlevel = "{first.levels[1]}"\ncost = 4000\n'
            f"life_years = 8\ninterest = 0.07\narea_per_year = {900 if us else 350}"
        )
    if primary:
        parts.append(f'[model]\nprimary = "{primary}"')
    return read_toml("\n".join(parts))


def analysed(number: int) -> TrialAnalysis:
    """One of the trials, drawn and analysed; effects are drawn too, so that all grades come up."""
    settings = config(number)
    rng = np.random.default_rng(number)

    def ratios(low: float, high: float) -> dict[str, dict[str, float]]:
        return {
            f.name: {level: float(rng.uniform(low, high)) for level in f.levels[1:]}
            for f in settings.setups
        }

    speeds = {f.name: {level: {"speed_set": kmh} for level, kmh in f.speeds.items()}
              for f in settings.setups if f.speeds}  # fmt: skip
    truth = Truth(
        preharvest=5.0, header=20.0, header_ratios=ratios(0.5, 1.7), sd=SPREAD, preharvest_sd=LAID,
        damage_odds=ratios(0.6, 1.6), damage_sd=DAMAGE, ear_ratios=ratios(0.5, 1.5),
        moisture=(18.0, 24.0), speed=(6.5, 8.0),
    )  # fmt: skip
    fields = TRIALS[number][4]
    effort = Effort(header_frames=4, preharvest_frames=1, total_frames=0, grain_samples=1,
                    residue_samples=0, settings=speeds)  # fmt: skip
    trial = simulate_trial(
        settings, truth, seed=number, blocks=3 if fields > 1 else 5,
        fields=[f"Field {i}" for i in range(fields)], effort=effort,
    )  # fmt: skip
    return analyse(trial, responses=RESPONSES)


def every() -> Iterator[TrialAnalysis]:
    """All of them, one after the other."""
    return map(analysed, range(len(TRIALS)))


