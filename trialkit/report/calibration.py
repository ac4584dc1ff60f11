"""How often intervals like these hold the truth: the simulated layouts nearest to a response's."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

import pandas as pd

from trialkit.quantities import number
from trialkit.report.resources import notebooks_dir
from trialkit.report.wording import counted

if TYPE_CHECKING:
    from trialkit.analysis import ResponseAnalysis

METHODS = {
    "kenward-roger": "the rule used here",
    "kenward-roger-nonzero": "Kenward-Roger, a spread estimated at zero taken as zero",
    "z (ML)": "normal approximation, maximum likelihood",
    "t of block differences": "t test of the differences between pairs",
}
PAIRS = (3, 4, 6, 8)


@dataclass(frozen=True, slots=True)
class Calibration:
    """Rows of the calibration table that lie nearest to a response's design.

    Attributes
    ----------
    setting, nearness : str
        The layout simulated, and in a sentence how it differs from the response's.
    rows : list of list of str
        ``method, effect, rejection of a true null (its interval), coverage (its interval)``.
    sentence : str
    rounds : int
    """

    setting: str
    nearness: str
    rows: list[list[str]]
    sentence: str
    rounds: int


@cache
def _table() -> pd.DataFrame:
    return pd.read_csv(notebooks_dir() / "calibration.csv")


def nearest(result: ResponseAnalysis) -> tuple[str, str]:
    """Name of the simulated setting nearest to a response's design, and the difference in words."""
    design, family = result.design, result.specification.family
    gaussian = family in ("normal", "lognormal")
    fields = design.strips["field"].nunique()
    pairs = design.strips.groupby(["field", "pair"]).ngroups
    here = f"Here: {design.kind}"
    if "main_strip" in design.nested:
        setting = "gaussian, split strips" if gaussian else "poisson, split strips"
        note = "" if family != "binomial" else "; counts of kernels were simulated, not damage"
        return setting, f"{here}. Simulated: split strips of two factors{note}."
    if fields > 1 and not gaussian and family != "binomial" and design.slope_factors:
        return "poisson, 4 fields", f"{here}. Simulated: four fields of three pairs, two setups."
    if family == "binomial":
        return "damage, 6 pairs", f"{here}. Simulated: six pairs on one field."
    if gaussian:
        return "gaussian, 6 pairs", f"{here}. Simulated: six pairs on one field."
    close = min(PAIRS, key=lambda n: (abs(n - pairs), n))
    same = fields == 1 and close == pairs and design.kind.startswith("paired")
    words = "the same layout" if same else f"{close} pairs on one field"
    return f"poisson, {close} pairs", f"{here}. Simulated: {words}."


def calibration(result: ResponseAnalysis) -> Calibration | None:
    """Simulated error rates of the rule of inference in the layout nearest to a response's.

    None where the table that holds them is missing a row for it.
    """
    setting, nearness = nearest(result)
    table = _table()
    table = table[table["setting"].eq(setting) & table["method"].isin(list(METHODS))]
    if table.empty:
        return None
    rows, told = [], []
    for effect in dict.fromkeys(table["effect"]):
        if ":" in effect:
            continue
        for method, words in METHODS.items():
            own = table[table["effect"].eq(effect) & table["method"].eq(method)]
            own = own.set_index("quantity")
            if own.empty:
                continue
            cells = [_rate(own, "rejection"), _rate(own, "coverage")]
            rows.append([words, _EFFECTS.get(effect, effect), *cells])
            if words == "the rule used here":
                told.append((effect, own))
    rounds = int(table["rounds"].min())
    if "the same layout" not in nearness:
        nearness += " Rates there are a guide to the ones here, not the same thing."
    return Calibration(setting, nearness, rows, _sentence(told, rounds), rounds)


_EFFECTS = {
    "setup": "the setup",
    "cushion": "set on main strips",
    "speed": "set on strips, F test",
    "fast - slow": "set on strips, contrast",
}


def _rate(own: pd.DataFrame, quantity: str) -> str:
    if quantity not in own.index:
        return ""
    row = own.loc[quantity]
    rate, low, high = (number(100 * float(row[c]), 1) for c in ("rate", "low", "high"))
    return f"{rate} ({low} to {high})"


def _sentence(told: list[tuple[str, pd.DataFrame]], rounds: int) -> str:
    parts = []
    for effect, own in told:
        rejected = float(own.loc["rejection", "rate"])
        low, high = float(own.loc["rejection", "low"]), float(own.loc["rejection", "high"])
        covered = float(own.loc["coverage", "rate"])
        if high < 0.05:
            verdict = "cautious: it finds a difference that is not there more seldom than 5 %"
        elif low > 0.05:
            verdict = "bold: it finds a difference that is not there more often than 5 %"
        else:
            verdict = "as it says, so far as these rounds can tell"
        name = "" if effect == "setup" else f" ({_EFFECTS.get(effect, effect)})"
        parts.append(
            f"In {counted(rounds, 'simulated trial')} without an effect{name} the rule used here "
            f"rejected at 5 % in {number(100 * rejected, 1)} %; in as many with one, its 95 % "
            f"interval held the truth in {number(100 * covered, 1)} %: {verdict}."
        )
    return " ".join(parts)
