"""One response is primary and keeps its level; all others are one family and held to it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from sound_trial import SETTINGS
from statsmodels.stats.multitest import multipletests

from trialkit.analysis import SPECIFICATIONS, analyse
from trialkit.analysis.family import comparisons, hold_families, looked_at, strongest_first
from trialkit.intake.config import read_toml
from trialkit.pages import advice
from trialkit.pages.wording import findings
from trialkit.responses import RESPONSES
from trialkit.trial import Trial

GAPS = ("usual", "narrow", "wide", "wider", "tight", "open")
WEIGHED = ("yield", "moisture", "test_weight")


def of(analysis, name: str) -> pd.DataFrame:
    return analysis.responses[name].contrasts


def holm(p: pd.Series) -> np.ndarray:
    """By statsmodels."""
    return multipletests(p, method="holm")[1]


def test_families_are_the_primary_responses_factors_and_all_the_rest(analysed) -> None:
    analysis = analysed("split_strips")
    assert analysis.primary == "header_loss"
    for _, rows in of(analysis, "header_loss").groupby("factor"):
        np.testing.assert_allclose(rows["p_adjusted"], holm(rows["p"]))
    rest = analysis.comparisons.query("response != 'header_loss'")
    assert len(rest) == 4 * (len(analysis.responses) - 1) and not rest["primary"].any()
    np.testing.assert_allclose(rest["p_adjusted"], holm(rest["p"]))
    (words,) = looked_at(analysis)
    assert words.startswith("44 comparisons of 11 things were looked at besides header loss.")


def test_another_response_may_be_primary_and_one_stands_in_for_it(analysed) -> None:
    analysis = analysed("split_strips")
    names = ("kernel_damage", "header_loss", "broken_corn")
    own = {name: analysis.responses[name] for name in names}
    for asked, first in (("broken_corn", "broken_corn"), ("yield", "kernel_damage")):
        config = analysis.trial.config
        trial = replace(analysis.trial, config=replace(config, model=replace(
            config.model, primary=asked)))  # fmt: skip
        held = replace(analysis, trial=trial, responses=hold_families(own, asked))
        assert held.primary == first and list(held) == list(names)
        rest = held.comparisons.query("response != @first")
        np.testing.assert_allclose(rest["p_adjusted"], holm(rest["p"]))
        first_words = looked_at(held)[0]
        assert (
            first_words == "The trial is first of all about yield, which was not analysed; damaged "
            "kernels stands in its place."
        ) == (asked == "yield")


def test_the_classical_test_is_adjusted_within_the_same_families(analysed) -> None:
    analysis = analysed("gap_fields")
    p = {"header_loss": [0.03, 0.002], "kernel_damage": [0.004, np.nan]}
    own = {name: replace(r, contrasts=r.contrasts.assign(p_classical=p[name]) if name in p
                         else r.contrasts.drop(columns=["p_classical", "p_classical_adjusted"]))
           for name, r in analysis.responses.items()}  # fmt: skip
    held = hold_families(own, "header_loss")
    table = held["header_loss"].contrasts
    np.testing.assert_allclose(table["p_classical_adjusted"], holm(table["p_classical"]))
    # Two known among the secondary ones would be a family of two; here it is one.
    other = held["kernel_damage"].contrasts
    np.testing.assert_allclose(other["p_classical_adjusted"], [0.004, np.nan])
    assert "p_classical_adjusted" not in held["yield"].contrasts
    first = comparisons(held["header_loss"])
    for own, row in zip(first, table.to_dict("records"), strict=True):
        assert own.evidence == max(row["p_adjusted"], row["p_classical_adjusted"])
    told = [own.evidence for own in strongest_first(comparisons(held["kernel_damage"]))]
    assert told == sorted(told)


def test_the_settings_name_a_response_of_the_analysis() -> None:
    assert set(RESPONSES) == set(SPECIFICATIONS)


def null_trial(rng: np.random.Generator) -> Trial:
    """Six gaps in six blocks of one field, and no difference in anything that was weighed."""
    settings = SETTINGS[: SETTINGS.index("[[setup]]")] + (
        f'[[setup]]\nname = "gap"\nlevels = {list(GAPS)}\n[model]\nprimary = "yield"\n'
    )
    rows = [(b, gap) for b in range(6) for gap in rng.permutation(GAPS)]
    block = {name: rng.normal(size=6) for name in WEIGHED}
    centre = {"yield": (12000.0, 300.0), "moisture": (18.0, 0.4), "test_weight": (72.0, 0.5)}
    strips = pd.DataFrame(
        {"strip": [f"S{i}" for i in range(len(rows))], "field": "North",
         "pair": [f"B{b}" for b, _ in rows], "gap": [gap for _, gap in rows],
         **{name: [m + s * (block[name][b] + rng.normal()) for b, _ in rows]
            for name, (m, s) in centre.items()}}
    )  # fmt: skip
    return Trial.from_tables(read_toml(settings), {"strips": strips})


def test_null_trials_seldom_find_anything_secondary_and_never_lean_on_it() -> None:
    rng = np.random.default_rng(7)
    rounds, found, alone = 30, 0, 0
    for _ in range(rounds):
        analysis = analyse(null_trial(rng), responses=WEIGHED)
        assert analysis.primary == "yield"
        others = {r.title: findings(r, "US") for r in analysis.responses.values() if not r.primary}
        told = [f for own in others.values() for f in own]
        assert len(told) == 10
        found += any(f.grade.found for f in told)
        rest = analysis.comparisons.query("not primary")
        alone += bool((rest["p"] < 0.05).any())
        words = [f"{f.sentence} {f.told}" for f in told]
        words += advice.in_lines(others)
        assert not any("probably" in w or "perhaps" in w or "lean" in w for w in words)
    # At most 5 % of trials by Holm; the bound is that count's upper 99.9 % point. Without it as
    # many trials as ten tests bring would find something, far above the bound.
    most = stats.binom.ppf(0.999, rounds, 0.05)
    assert found <= most < alone


@pytest.mark.parametrize("name", WEIGHED)
def test_a_response_analysed_alone_is_primary(name: str) -> None:
    analysis = analyse(null_trial(np.random.default_rng(1)), responses=[name])
    assert analysis.primary == name and of(analysis, name)["primary"].all()
    np.testing.assert_allclose(of(analysis, name)["p_adjusted"], holm(of(analysis, name)["p"]))
