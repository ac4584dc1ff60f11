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

REPORTED, LAYOUT = "reported", "kenward-roger, df of the layout"
METHODS = {
    REPORTED: "integrated over the spread",
    LAYOUT: "Kenward-Roger, degrees of freedom of the layout",
    "classical test of the stratum": "classical test",
    "normal approximation": "normal approximation",
}
EFFECTS = {"setup": "", "main strips": "set on main strips", "strips": "set on strips"}


@dataclass(frozen=True, slots=True)
class Calibration:
    """Rows of the calibration table that lie nearest to a response's design.

    Attributes
    ----------
    setting, nearness : str
        The layout simulated, and in a sentence how it differs from the response's.
    spreads : list of str
        True spreads of the error that were simulated.
    rows : list of list of str
        ``method, effect``, rejection of a true null (per cent) at each spread, and its power.
    sentence : str
    rounds : int
        The fewest behind a rate.
    """

    setting: str
    nearness: str
    spreads: list[str]
    rows: list[list[str]]
    sentence: str
    rounds: int


@cache
def _table() -> pd.DataFrame:
    return pd.read_csv(notebooks_dir() / "calibration.csv")


def nearest(result: ResponseAnalysis) -> tuple[str, str]:
    """Name of the simulated setting nearest to a response's design, and the difference in words."""
    design = result.design
    family = {"normal": "gaussian", "lognormal": "gaussian"}.get(
        result.specification.family, result.specification.family
    )
    known = set(_table()["setting"])
    fields = design.strips["field"].nunique()
    blocks = design.strips.groupby(["field", "pair"]).ngroups
    sizes: tuple[int, ...] = (3, 4, 6, 8)
    layout, n = "{} pairs", blocks
    if "main_strip" in design.nested:
        layout, sizes = "split strips in {} blocks", (3, 4, 6)
    elif design.slope_factors:
        layout, n, sizes = "{} fields", fields, (4, 6)
    elif max(len(design.levels[name]) for name in design.names) > 2:
        layout, sizes = "{} blocks of 3 setups", (4,)
    named = [(abs(size - n), f"{family}, {layout.format(size)}") for size in sizes]
    there = sorted(own for own in named if own[1] in known)
    if not there:  # of another law of the counts
        named = [(abs(size - n), f"poisson, {layout.format(size)}") for size in sizes]
        there = sorted(own for own in named if own[1] in known)
    if not there:
        return "", ""
    setting = there[0][1]
    return setting, f"Here: {design.kind}. Simulated: {setting}."


def calibration(result: ResponseAnalysis) -> Calibration | None:
    """Simulated error rates of the rule of inference in the layout nearest to a response's.

    None where the table that holds them is missing a row for it.
    """
    setting, nearness = nearest(result)
    table = _table()
    table = table[table["setting"].eq(setting) & table["method"].isin(list(METHODS))]
    if table.empty:
        return None
    null = table[table["quantity"].eq("rejection")]
    rates = null.pivot(index=["effect", "method"], columns="spread", values="rate")
    power = table[table["quantity"].eq("power") & table["spread"].eq(0.2)]
    power = power.set_index(["effect", "method"])["rate"]
    spreads = [f"{s:g}" for s in rates.columns]
    rows = []
    for effect in dict.fromkeys(null["effect"]):
        for method, words in METHODS.items():
            own = [number(100 * float(rate), 1) for rate in rates.loc[(effect, method)]]
            told = power.get((effect, method))
            shown = "" if told is None else number(100 * float(told), 0)
            rows.append([words, EFFECTS[effect] or "the setup", *own, shown])
    integrated = any(not isinstance(judge, float) for judge in result.judges.values())
    sentence = _sentence(null, REPORTED if integrated else LAYOUT)
    return Calibration(setting, nearness, spreads, rows, sentence, int(table["rounds"].min()))


def _sentence(null: pd.DataFrame, used: str) -> str:
    own = null[null["method"].eq(used)]
    worst = own.loc[own["rate"].idxmax()]
    low, high = (number(100 * float(worst[c]), 1) for c in ("low", "high"))
    return (
        f"The rule used here ({METHODS[used].lower()}) told a difference where there was none in "
        f"{number(100 * own['rate'].min(), 1)} to {number(100 * own['rate'].max(), 1)} % of "
        f"{counted(int(worst['rounds']), 'simulated trial')}, where 5 % were allowed; most often "
        f"with a spread of {worst['spread']:g} between the units ({low} to {high} %, by the number "
        "of trials simulated). Where units hardly differ it is more cautious than it says."
    )
