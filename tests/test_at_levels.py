"""A setup's effect at each level of another factor."""

from __future__ import annotations

import pytest
from frozen_trials import frozen_dir

import trialkit as tk
from trialkit.analysis.questions.at_levels import effects_at, speed_factor
from trialkit.errors import DesignError


@pytest.fixture(scope="module")
def result():
    return tk.analyse(tk.load_trial(frozen_dir("split_strips")), responses=["header_loss"])[
        "header_loss"
    ]


@pytest.mark.parametrize(("other", "n"), [("speed", 2), ("gap", 3)])
def test_effects_average_to_the_contrast(result, other: str, n: int) -> None:
    whole = result.contrasts.set_index("level").loc["cushion"]
    table = effects_at(result, "cushion", "cushion", other)
    # Factors are balanced: a mean is the plain average over the cells of the other factors.
    assert len(table) == n
    assert table["difference"].mean() == pytest.approx(whole["difference"], rel=1e-6)
    for end in ("low", "high"):
        assert ((table[f"difference_{end}"] < table["difference"]) == (end == "low")).all()
        assert ((table[f"ratio_{end}"] < table["ratio"]) == (end == "low")).all()
    # Never more degrees of freedom than the coarser of the two strata has.
    assert (table["df"] <= result.design.strata["cushion"].df).all()


def test_the_ratio_is_that_of_the_means(result) -> None:
    """Numerator less denominator is the difference: two equations give both means, which average
    to the adjusted means over the levels of the other factor."""
    table = effects_at(result, "cushion", "cushion", "speed")
    base = table["difference"] / (table["ratio"] - 1)
    means = result.means.set_index(["factor", "level"])["estimate"]
    assert base.mean() == pytest.approx(means["cushion", "standard"], rel=1e-6)
    assert (base * table["ratio"]).mean() == pytest.approx(means["cushion", "cushion"], rel=1e-6)


def test_speed_is_a_factor_where_its_levels_are_speeds(result) -> None:
    assert speed_factor(result) == "speed"
    other = tk.analyse(tk.load_trial(frozen_dir("gap_fields")), responses=["header_loss"])
    assert speed_factor(other["header_loss"]) is None


@pytest.mark.parametrize("asked", [("cushion", "cushion", "cushion"), ("x", "cushion", "gap"),
                                   ("gap", "usual", "speed")])  # fmt: skip
def test_what_was_not_compared_is_refused(result, asked: tuple[str, str, str]) -> None:
    with pytest.raises(DesignError):
        effects_at(result, *asked)
