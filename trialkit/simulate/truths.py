"""What is true of every response of a simulated trial, to hold an analysis or a page against.

Where the truth says nothing of a setup's effect there is none, and a difference that is told is one
that the luck of the draw made.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pandas as pd

from trialkit import units
from trialkit.errors import DesignError
from trialkit.responses import RESPONSES
from trialkit.simulate.truth import Truth

if TYPE_CHECKING:
    from trialkit.intake.config import TrialConfig
    from trialkit.trial import Trial


def holds_its_factors(config: TrialConfig, truth: Truth) -> None:
    """Refuse a truth that speaks of a setup factor which the trial does not vary.

    Raises
    ------
    DesignError
    """
    own = {setup.name for setup in config.setups}
    effects = {
        name: getattr(truth, name)
        for name in ("header_ratios", "processing_ratios", "damage_odds", "residue_ratios",
                     "ear_ratios", "butt_odds", "leaf_ratios")
    }  # fmt: skip
    effects |= {f"strip_shifts {column!r}": shifts for column, shifts in truth.strip_shifts.items()}
    effects |= {f"others {name!r}": drawn.ratios for name, drawn in truth.others.items()}
    for where, factors in effects.items():
        for factor in factors:
            if strange := [part for part in factor.split(":") if part not in own]:
                raise DesignError(
                    f"The truth's {where} has the factor {strange[0]!r}, which the trial does not "
                    f"vary; it varies {', '.join(sorted(own))}. Leave it out, or add the factor to "
                    "the trial's setups."
                )


def true_of(response: str, truth: Truth, trial: Trial) -> pd.DataFrame:
    """What an analysis of a response of `trial` should estimate.

    Returns
    -------
    DataFrame
        ``factor, level``, the mean in a column named for its unit (kg/ha, %, score, ...) averaged
        over all random effects and the levels of the other factors, at the trial's mean moisture
        and speed; ``ratio, difference`` against the factor's reference level.

    Raises
    ------
    DesignError
        When the truth has a setup factor that the trial does not vary.
    """
    holds_its_factors(trial.config, truth)
    return RESPONSES[response].true(truth, trial.strips, trial.config)


def truths(truth: Truth, trial: Trial) -> dict[str, pd.DataFrame]:
    """True means by response, of what the trial counted.

    Returns
    -------
    dict of DataFrame
        As `true_of`; in a trial in US units grain per area also as ``bu_ac, difference_bu_ac``.
    """
    out = {}
    for name, response in RESPONSES.items():
        if not response.given(trial.tables):
            continue
        table = true_of(name, truth, trial)
        if trial.config.units == "US" and "kg_ha" in table:
            per_ac: Any = units.kg_ha_to_bu_ac
            table = table.assign(
                bu_ac=per_ac(table["kg_ha"]), difference_bu_ac=per_ac(table["difference"])
            )
        out[name] = table
    return out
