"""Sentences speak the units the trial declares; tables stay in SI."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest

import trialkit as tk
from trialkit.pages.response.further import aim

DEMO = Path(__file__).parent.parent / "data_demo" / "cushion_pairs"
KG_HA_PER_BU_AC = 56 * 0.45359237 / 0.40468564224
"""56 lb to a bushel of corn, exact pound and acre."""
BOTH = pytest.mark.parametrize(
    ("system", "unit", "factor"), [("US", "bu/ac", 1 / KG_HA_PER_BU_AC), ("SI", "kg/ha", 1.0)]
)


@pytest.fixture(scope="module")
def results():
    """Yield, a response of differences, and header loss, of one trial under either declaration."""
    out = {}
    for system in ("US", "SI"):
        trial = tk.load_trial(DEMO)
        trial = replace(trial, config=replace(trial.config, units=system))
        out[system] = tk.analyse(trial, responses=["yield", "header_loss"])
    return out


def numbers(text: str) -> list[float]:
    return [
        float(n.replace("\N{MINUS SIGN}", "-"))
        for n in re.findall("[-\N{MINUS SIGN}]?[0-9.]*[0-9]", text)
    ]


@BOTH
def test_other_models(results, system, unit, factor) -> None:
    found = results[system]["yield"].alternatives()
    said = re.search(r"differences (.+?) ([a-z]+/[a-z]+),", found.conclusion)
    assert said and said[2] == unit
    heard = found.table[(found.table["role"] != "warning") & found.table["p"].notna()]
    ends = heard["difference"].min() * factor, heard["difference"].max() * factor
    assert numbers(said[1]) == pytest.approx(ends, rel=6e-3)
    assert found.unit == "kg/ha"  # of the table


@BOTH
def test_power_attained(results, system, unit, factor) -> None:
    found = results[system]["yield"].power()
    other = "kg/ha" if unit == "bu/ac" else "bu/ac"
    assert unit in found.sentence and other not in found.sentence
    detectable, reaches = (
        re.search(rf"{lead} ([0-9.e+]+) {unit}", found.sentence)
        for lead in ("true difference of", "reaches")
    )
    assert float(detectable[1]) == pytest.approx(found.detectable_high * factor, rel=6e-3)
    assert float(reaches[1]) == pytest.approx(found.half_width * factor, rel=6e-3)
    # Aims are round in the unit people read, and stand in the table's own.
    for row in found.needed.to_dict("records"):
        value = row["value"] * factor
        assert value == pytest.approx(float(f"{value:.2g}"), rel=1e-12)
    scale = tk.quantities.scales("kg/ha", system)[0]
    words = aim(found, "half-width", found.needed["value"].iloc[0], scale)
    assert words.endswith(unit)


@BOTH
def test_margins_and_preharvest_loss(results, system, unit, factor) -> None:
    found = results[system]["yield"].equivalence(200.0, scale="difference")
    words = found.table["words"].iloc[0]
    low, high = (float(f"{end * factor:.3g}") for end in (-200.0, 200.0))
    assert f"within \N{MINUS SIGN}{-low:g} to {high:+g} {unit} of" in words
    row = found.table.iloc[0]
    shown = numbers(words.split("difference")[1])[:3]
    assert shown == pytest.approx([row[c] * factor for c in ("estimate", "low", "high")], rel=6e-3)
    loss = results[system]["header_loss"]
    note = next(n for n in loss.sentences if n.startswith("Preharvest loss"))
    value = float(re.search(rf": ([0-9.]+) {unit}", note)[1])
    assert value == pytest.approx(loss.offset.value * factor, abs=0.06)
