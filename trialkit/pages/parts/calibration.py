"""How often intervals like these hold the truth: the simulated layouts nearest to a response's."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

import pandas as pd

from trialkit.pages.context import Context
from trialkit.pages.elements import Element, Heading, Sentence, table
from trialkit.pages.registry import part
from trialkit.pages.resources import notebooks_dir
from trialkit.quantities import listed, lower_first, number, upper_first
from trialkit.words import calibration as words

if TYPE_CHECKING:
    from trialkit.analysis import ResponseAnalysis


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
    sentence, line : str
        How often the rule used was wrong, and the same in one line.
    rounds : int
        The fewest behind a rate.
    """

    setting: str
    nearness: str
    spreads: list[str]
    rows: list[list[str]]
    sentence: str
    line: str
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
    return setting, words.nearness(design.kind, setting)


def calibrated(result: ResponseAnalysis) -> Calibration | None:
    """Simulated error rates of the rule of inference in the layout nearest to a response's.

    None where the table that holds them is missing a row for it.
    """
    setting, nearness = nearest(result)
    table = _table()
    table = table[table["setting"].eq(setting) & table["method"].isin(list(words.METHODS))]
    if table.empty:
        return None
    null = table[table["quantity"].eq("rejection")]
    rates = null.pivot(index=["effect", "method"], columns="spread", values="rate")
    power = table[table["quantity"].eq("power") & table["spread"].eq(0.2)]
    power = power.set_index(["effect", "method"])["rate"]
    spreads = [f"{s:g}" for s in rates.columns]
    rows = []
    for effect in dict.fromkeys(null["effect"]):
        for method, named in words.METHODS.items():
            own = [number(100 * float(rate), 1) for rate in rates.loc[(effect, method)]]
            told = power.get((effect, method))
            shown = "" if told is None else number(100 * float(told), 0)
            rows.append([named, words.EFFECTS[effect], *own, shown])
    integrated = any(not isinstance(judge, float) for judge in result.judges.values())
    used = null[null["method"].eq(words.REPORTED if integrated else words.LAYOUT)]
    worst = used.loc[used["rate"].idxmax()]
    ends = float(used["rate"].min()), float(used["rate"].max())
    rounds = int(table["rounds"].min())
    sentence = words.told_falsely(
        str(worst["method"]), *ends, int(worst["rounds"]),
        *(float(worst[c]) for c in ("spread", "low", "high")),
    )  # fmt: skip
    line = words.in_one_line(setting, *ends, int(used["rounds"].min()))
    return Calibration(setting, nearness, spreads, rows, sentence, line, rounds)


@part("calibration", words.title())
def calibration(page: Context) -> Iterable[Element]:
    """Error rates of the inference in simulated trials like this one."""
    yield Sentence(words.tried())
    seen: dict[str, list[str]] = {}
    found: dict[str, Calibration] = {}
    for result in page.analysis.responses.values():
        own = calibrated(result)
        if own is not None:
            seen.setdefault(own.setting, []).append(lower_first(result.title))
            found.setdefault(own.setting, own)
    for setting, own in found.items():
        yield Heading(upper_first(listed(seen[setting])), 3)
        yield Sentence(page.letters.text(own.nearness))
        yield Sentence(own.sentence)
        head = ["method", "effect of", *own.spreads, "power"]
        yield table(words.caption(setting, own.rounds), head, own.rows)
    if not found:
        yield Sentence(words.none_near())
