"""US grade limits, buyers' discount tables, expected discount: published schedules and by hand."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy import integrate, stats

from trialkit.decide import DiscountTable, discount, us_corn_grade
from trialkit.decide.discount import _draw_means
from trialkit.decide.grades import share_above
from trialkit.errors import DesignError
from trialkit.facts import UNKNOWN, Comparison, Ends, Estimate

DEMO = Path(__file__).parents[2] / "data_demo"
BU_PER_T = 1000 / 25.40117272  # 56 lb of 0.45359237 kg
# Posted corn schedules, USD per bushel for damaged kernels (2012 to 2013).
THREE_THEN_FIVE = DiscountTable(((5, 0.03), (10, 0.05)), "point", "bu")
ONE_THEN_TWO = DiscountTable(((5, 0.01), (8, 0.02)), "point", "bu")


@pytest.fixture(scope="module")
def analysis(analysed):
    return analysed("cushion_pairs")


@pytest.mark.parametrize(
    ("grade", "test_weight", "heat", "damaged", "bcfm"),
    # 7 CFR 810.404, 60 FR 61196 (Nov. 29, 1995): the regulation's table, typed from it.
    [
        (1, 56.0, 0.1, 3.0, 2.0),
        (2, 54.0, 0.2, 5.0, 3.0),
        (3, 52.0, 0.5, 7.0, 4.0),
        (4, 49.0, 1.0, 10.0, 5.0),
        (5, 46.0, 3.0, 15.0, 7.0),
    ],
)
def test_each_limit_of_the_us_grades_binds_alone(grade, test_weight, heat, damaged, bcfm):
    at = {"test_weight": test_weight, "heat_damaged": heat, "damaged": damaged,
          "broken_and_foreign": bcfm}  # fmt: skip
    assert us_corn_grade(**at) == grade
    worse = None if grade == 5 else grade + 1
    for name, step in (("test_weight", -0.1), ("heat_damaged", 0.1), ("damaged", 0.1),
                       ("broken_and_foreign", 0.1)):  # fmt: skip
        assert us_corn_grade(**{**at, name: at[name] + step}) == worse


@pytest.mark.parametrize(
    ("table", "damaged", "per_bu"),
    # Rows of two elevators' posted tables: "3c ea 1% above 5.0 %, 5c ea 1% above 10.0 %" and
    # "1c ea 1% above 5.0 %, 2c ea 1% above 8.0 %".
    [
        (THREE_THEN_FIVE, 5.0, 0.0),
        (THREE_THEN_FIVE, 5.1, 0.03),
        (THREE_THEN_FIVE, 6.0, 0.03),
        (THREE_THEN_FIVE, 6.1, 0.06),
        (THREE_THEN_FIVE, 10.0, 0.15),
        (THREE_THEN_FIVE, 10.1, 0.20),
        (THREE_THEN_FIVE, 15.0, 0.40),
        (THREE_THEN_FIVE, 18.1, 0.60),
        (ONE_THEN_TWO, 8.0, 0.03),
        (ONE_THEN_TWO, 8.1, 0.05),
        (ONE_THEN_TWO, 20.0, 0.27),
        (ONE_THEN_TWO, 5.04, 0.0),  # read to a tenth: 5.0
        (ONE_THEN_TWO, 5.06, 0.01),  # 5.1
    ],
)
def test_posted_tables_are_reproduced(table, damaged, per_bu):
    assert table.discount(damaged) == pytest.approx(per_bu * BU_PER_T)


def test_steps_and_proportion_by_hand():
    step = DiscountTable(((5, 2.0), (7, 5.0)), "step", resolution=0)
    assert [step.discount(x) for x in (5, 5.01, 7, 7.01, 90)] == [0, 2, 2, 5, 5]
    share = DiscountTable(((5, 1.0), (8, 2.0)), "prorated")
    # 3 points at 1 and half a point at 2.
    assert share.discount(8.5) == pytest.approx(4.0)
    assert share.discount(np.array([4.0, 6.5])).tolist() == pytest.approx([0.0, 1.5])


@pytest.mark.parametrize("kind", ["step", "point", "prorated"])
def test_expected_discount_is_the_integral_over_loads(kind):
    table = DiscountTable(((5, 1.0), (7, 1.5), (10, 4.0)), kind, refused_above=12)
    mean, sd = 6.0, 2.0
    m, v = mean / 100, (sd / 100) ** 2
    size = m * (1 - m) / v - 1
    loads = stats.beta(m * size, (1 - m) * size)
    assert loads.std() == pytest.approx(0.02)
    edges = [0, *np.arange(5.05, 40, 1), 5, 7, 10, 7.05, 10.05, 60]
    parts = zip(sorted(edges), sorted(edges)[1:], strict=False)
    exact = sum(
        integrate.quad(lambda x: table.discount(x) * loads.pdf(x / 100) / 100, a, b)[0]
        for a, b in parts
    )
    assert table.expected(mean, sd) == pytest.approx(exact, rel=1e-6)
    assert table.share_refused(mean, sd) == pytest.approx(loads.sf(0.12))
    # Loads on the flat first stretch: the mean lies below the limit, the expected discount not.
    assert table.discount(4.5) == 0 < table.expected(4.5, sd)[0]


def test_draws_keep_the_intervals_of_means_and_ratio(analysis):
    result = discount(analysis, THREE_THEN_FIVE)
    found = result.found
    logs = np.log(_draw_means(found, 40_000, 3))
    half = stats.t.ppf(0.975, found.df)
    # One df, the ratio's: its interval is the printed one, the means' hardly other.
    row = analysis.responses["kernel_damage"].contrasts.iloc[0]
    low, high = np.quantile(logs[:, 0] - logs[:, 1], [0.025, 0.975])
    assert np.exp([low, high]) == pytest.approx([row["ratio_low"], row["ratio_high"]], rel=0.01)
    for i, mean in enumerate((found.mean, found.reference_mean)):
        spread = np.quantile(logs[:, i], [0.025, 0.975])
        log_se = mean.se / mean.value
        assert spread == pytest.approx(
            np.log(mean.value) + np.array([-1, 1]) * half * log_se, abs=0.01
        )


def test_draws_of_means_that_share_their_error():
    # Errors of 10, 8 and, for the ratio, 4 %: correlation (100 + 64 - 16)/(2 x 80) = 0.925.
    t = stats.t.ppf([0.025, 0.975], 12)
    found = Comparison(
        "kernel_damage", "%", "lower", "f", "a", "b", "A", "B",
        difference=Ends(-2.0, *(-2.0 + 0.3 * t)),
        ratio=Ends(4 / 6, *(4 / 6 * np.exp(0.04 * t))), df=12,
        mean=Estimate(4.0, 0.40, 12), reference_mean=Estimate(6.0, 0.48, 12),
    )  # fmt: skip
    logs = np.log(_draw_means(found, 40_000, 3))
    assert np.quantile(logs[:, 0] - logs[:, 1], [0.025, 0.975]) == pytest.approx(
        np.log(4 / 6) + 0.04 * t, abs=0.003
    )
    assert np.corrcoef(logs.T)[0, 1] == pytest.approx(0.925, abs=0.005)
    # Without a ratio in percent, clipped at zero: errors 0.40, 0.48 and 0.30 points.
    plain = _draw_means(replace(found, ratio=UNKNOWN), 40_000, 3)
    assert np.quantile(plain[:, 0] - plain[:, 1], [0.025, 0.975]) == pytest.approx(
        -2 + 0.3 * t, abs=0.02
    )
    low = replace(found, mean=Estimate(0.2, 0.4, 12), ratio=UNKNOWN)
    assert _draw_means(low, 1000, 3).min() == 0


def test_expected_discount_of_a_step_is_a_tail_probability(analysis):
    # One step of 10 per t at 5 %, loads alike: 10 x P(mean damage > 5 %), from the t on the log.
    result = discount(analysis, DiscountTable(((5, 10.0),), resolution=0), n=40_000)
    df = result.found.df
    for row, mean in zip(
        result.table.itertuples(), (result.found.mean, result.found.reference_mean), strict=True
    ):
        p = stats.t.sf((np.log(5) - np.log(mean.value)) / (mean.se / mean.value), df)
        # Binomial error of 40,000 draws is 0.0025 at most.
        assert row.discount == pytest.approx(10 * p, abs=10 * 4 * 0.0025)
        assert row.at_mean == (10.0 if mean.value > 5 else 0.0)
        shares = [getattr(row, f"no_{g}") for g in range(1, 6)] + [row.sample]
        assert sum(shares) == pytest.approx(1.0)
        assert sum(shares[:2]) == pytest.approx(1 - p, abs=0.01)  # grades 1 and 2 end at 5 %
    assert result.avoided == pytest.approx(
        result.table["discount"].iloc[1] - result.table["discount"].iloc[0]
    )
    assert result.low <= result.avoided <= result.high
    measured = analysis.trial.strips["yield"].mean()
    assert result.avoided_per_ha == pytest.approx(result.avoided * measured / 1000)
    assert result.draws_per_ha.mean() == pytest.approx(result.avoided_per_ha)


def test_words_of_a_discount(analysis, analysed):
    words = " ".join(discount(analysis, THREE_THEN_FIVE, load_sd=1.5).sentences)
    assert "per bu" in words and "loads varying by 1.5 points" in words
    assert "not a guarantee" in words and "Discount avoided" in words
    metric = replace(
        analysis, trial=replace(analysis.trial, config=replace(analysis.trial.config, units="SI"))
    )
    si = discount(metric, THREE_THEN_FIVE, load_sd=1.5)
    assert "per t" in si.sentences[0] and "per ha" in si.sentences[1]
    # The wide gap damages more: the discount is added, its interval has a true minus sign.
    fields = analysed("gap_fields")
    added = discount(fields, THREE_THEN_FIVE, "gap", "wide", load_sd=1.0)
    assert added.avoided < 0 and "Discount added" in added.sentences[1]
    assert "\N{MINUS SIGN}0." in added.sentences[1] and " -0" not in added.sentences[1]


def test_what_cannot_be_discounted_says_so(analysis):
    with pytest.raises(DesignError, match="not analysed"):
        discount(replace(analysis, responses={}), THREE_THEN_FIVE)
    with pytest.raises(ValueError, match="rise"):
        DiscountTable(((7, 1.0), (5, 2.0)))
    with pytest.raises(ValueError, match="'step'"):
        DiscountTable(((5, 1.0),), kind="ramp")
    assert share_above(99.9, 30.0, 50.0) > 0.9  # a spread no beta can have is cut, not an error
