"""Does the answer hold with a trend along the field, or with neighbouring strips alike.

The fits of strips are held to nlme 3.1-162 (`tests/reference/make_neighbours.R`, values in
``neighbours.json``); without autocorrelation to the engine.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from frozen_trials import frozen_dir

import trialkit as tk
from trialkit import plots
from trialkit.analysis.questions.exchange import Exchange
from trialkit.analysis.questions.neighbours import Neighbours
from trialkit.analysis.questions.serial import fit_serial
from trialkit.errors import DesignError
from trialkit.mixed import fit_mixed
from trialkit.pages.letters import Letters
from trialkit.pages.response.asked import Asked
from trialkit.pages.response.places import neighbours as piece
from trialkit.plan import PlannedTrial, plan_trial

REFERENCE = json.loads((Path(__file__).parent / "reference" / "neighbours.json").read_text())


def places(trial: tk.Trial) -> pd.DataFrame:
    """Strips side by side in the order of their table, 6 m wide."""
    at = 6.0 * trial.strips.groupby("field", observed=True).cumcount()
    return pd.DataFrame({"strip": trial.strips["strip"], "at": at})


@pytest.fixture(autouse=True, scope="module")
def fewer_draws() -> Iterator[None]:
    """Permutations enough for a p of 1 %."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("trialkit.analysis.questions.neighbours.DRAWS", 299)
        yield


@pytest.fixture(scope="module")
def pairs() -> tk.TrialAnalysis:
    return tk.analyse(tk.load_trial(frozen_dir()), responses=["header_loss", "yield"])


@pytest.fixture(scope="module")
def found(pairs: tk.TrialAnalysis) -> Neighbours:
    return pairs["yield"].neighbours(places(pairs.trial))


# ---------------------------------------------------------------- the fit of strips
@pytest.mark.parametrize("model", ["gls", "lme"])
def test_autocorrelated_errors_as_nlme_fits_them(model: str) -> None:
    data, want = pd.DataFrame(REFERENCE["data"]), REFERENCE[model]
    x = np.column_stack([np.ones(len(data)), data["setup"] == "b"]).astype(float)
    fields = pd.get_dummies(data["field"]).to_numpy(float)
    if model == "gls":
        x, groups = np.column_stack([x, fields[:, 1:]]), []
    else:
        groups = [fields]
    runs = np.unique(data["field"], return_inverse=True)[1]
    fit = fit_serial(data["z"].to_numpy(), x, groups, runs, data["place"].to_numpy())
    # Both searches stop at a relative gain of about 1e-8, so phi is known to some 1e-4 of itself.
    assert fit.loglik == pytest.approx(want["loglik"], abs=1e-6)
    assert fit.phi == pytest.approx(want["phi"], rel=1e-3)
    assert fit.estimate[:2] == pytest.approx(want["estimate"], rel=1e-3)
    assert np.sqrt(np.diag(fit.covariance))[:2] == pytest.approx(want["se"], rel=1e-3)
    assert np.sqrt(fit.variances[-1]) == pytest.approx(want["sigma"], rel=1e-3)


def test_independent_errors_as_the_engine_fits_them() -> None:
    data = pd.DataFrame(REFERENCE["data"])
    x = np.column_stack([np.ones(len(data)), data["setup"] == "b"]).astype(float)
    pair = pd.get_dummies(data["pair"]).to_numpy(float)
    fit = fit_serial(data["z"].to_numpy(), x, [pair], np.zeros(len(data), int),
                     np.arange(len(data)), alike=False)  # fmt: skip
    own = fit_mixed(data, response="z", fixed="setup", nested=["pair"], family="gaussian")
    assert fit.estimate == pytest.approx(own.fixed_effects.to_numpy(), rel=1e-6)
    assert fit.phi == 0 and fit.loglik == pytest.approx(own.loglik, abs=1e-7)


# ---------------------------------------------------------------- what may change places
def test_blocks_of_one_size_and_strips_within_them_change_places() -> None:
    labels = np.array([["N", "1"], ["N", "1"], ["N", "2"], ["N", "2"], ["N", "3"], ["S", "1"],
                       ["S", "1"]])  # fmt: skip
    exchange, rng = Exchange(labels), np.random.default_rng(1)
    seen = {tuple(exchange.draw(rng)) for _ in range(2000)}
    # Two pairs of N in 2 orders, each turned or not; the single strip stays; S turned or not.
    assert len(seen) == 2 * 4 * 2
    assert all(sorted(one) == list(range(7)) and one[4] == 4 for one in seen)
    assert all({one[0] // 2, one[1] // 2} in ({0}, {1}) for one in seen)


# ---------------------------------------------------------------- the answer
def test_of_values_the_strips_without_autocorrelation_are_the_reported_model(
    found: Neighbours,
) -> None:
    """Where a response is a value of each strip, its model is that of the strips."""
    own = found.answers.set_index("model")
    columns = ["effect", "low", "high", "p"]
    one, other = (own.loc[[m], columns].to_numpy(float) for m in ("reported", "apart"))
    # Variances agree to the engine's tolerance, 1e-8 of log-likelihood.
    assert one == pytest.approx(other, rel=1e-3)


def test_a_line_and_alike_neighbours_are_found(pairs: tk.TrialAnalysis) -> None:
    trial, where = pairs.trial, places(pairs.trial)
    n = len(trial.strips)
    rise = trial.strips["yield"].std() * 8
    line = trial.with_tables(strips=trial.strips.assign(
        **{"yield": trial.strips["yield"] + rise * np.linspace(0, 1, n)}))  # fmt: skip
    told = tk.analyse(line, responses=["yield"])["yield"].neighbours(where)
    (trend,) = told.trends.to_dict("records")
    assert trend["p"] < 0.001 and trend["low"] < rise < trend["high"]
    assert "A trend along the field is seen" in told.sentences[0]
    # A swell over the field: blocks side by side are alike, more than exchanged blocks are.
    swell = 6 * trial.strips["yield"].std() * np.sin(2 * np.pi * np.arange(n) / n)
    waves = trial.with_tables(strips=trial.strips.assign(
        **{"yield": trial.strips["yield"] + swell}))  # fmt: skip
    told = tk.analyse(waves, responses=["yield"])["yield"].neighbours(where)
    assert told.correlation > 0.4 and told.p < 0.05 and told.phi > 0.3
    assert "more alike than their blocks make them" in " ".join(told.sentences)


def test_counts_are_told_as_ratios(pairs: tk.TrialAnalysis) -> None:
    told = pairs["header_loss"].neighbours(places(pairs.trial))
    own = told.answers.set_index("model")
    assert list(own.index) == ["reported", "trend", "apart", "alike"]
    assert set(own["scale"]) == {"ratio"} and (own["reason"] == "").all()
    contrast = pairs["header_loss"].contrasts.iloc[0]
    assert own.loc["reported", "effect"] == contrast["ratio"]
    assert own.loc["apart", "effect"] == pytest.approx(contrast["ratio"], rel=0.2)
    assert any(word in told.sentences[0] for word in ("would be told as without", "does not hold"))


def test_places_that_are_missing(pairs: tk.TrialAnalysis) -> None:
    where = places(pairs.trial)
    told = pairs["yield"].neighbours(where.iloc[2:])
    assert told.unplaced == 2 and "2 strips have no place" in told.sentences[0]
    assert told.trends.empty and "not every strip has a place" in " ".join(told.sentences)
    with pytest.raises(DesignError, match="places of the strips are not known"):
        pairs["yield"].neighbours(where.assign(strip="x"))
    asked = Asked(pairs["yield"], Letters(pairs.trial), "US")
    _, sentence = piece(asked)
    assert "keeps no plan" in str(sentence)


def test_a_plan_says_where_strips_lie(pairs: tk.TrialAnalysis, tmp_path: Path) -> None:
    config = pairs.trial.config
    made = plan_trial(config, tk.plan.Ground("North", 400.0, planter_rows=16), blocks=3, seed=4)
    made.write(tmp_path / "plan")
    plan = tk.plan.read_plan(tmp_path / "plan")
    assert isinstance(plan, PlannedTrial)
    where = plan.positions
    assert list(where["strip"]) == list(plan.strips["strip"])
    assert np.diff(where["at"]) == pytest.approx(np.diff(plan.strips["left"].astype(float)))


def test_the_page_and_the_figure(pairs: tk.TrialAnalysis, found: Neighbours) -> None:
    asked = Asked(pairs["yield"], Letters(pairs.trial), "US", places(pairs.trial))
    told = str(tuple(piece(asked)))
    assert "report's model" in told and found.sentences[1][:60] in told
    figure = plots.residuals_by_place(found, system="US")
    points = np.vstack([line.get_xydata() for ax in figure.axes for line in ax.lines
                        if line.get_gid() == "strips"])  # fmt: skip
    assert points[:, 1] == pytest.approx(found.strips["residual"].to_numpy())
    assert points[:, 0] == pytest.approx(found.strips["at"].to_numpy() / 0.3048)
    assert f"{len(points)} strips" in figure.summary
