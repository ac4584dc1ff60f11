"""Chances with what was believed before the trial: Bayes' rule on the logarithm of a ratio."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import integrate, stats
from sound_trial import SETTINGS

from trialkit.decide import payback
from trialkit.decide.comparison import comparison
from trialkit.decide.prior import chance_with, probabilities
from trialkit.errors import TrialError
from trialkit.facts import Estimate
from trialkit.intake import Prior
from trialkit.intake.config import read_toml
from trialkit.intake.write import toml_text
from trialkit.words.chances import believed_before, chance, pays

P = np.linspace(0.02, 0.98, 25)


@pytest.mark.parametrize(
    ("value", "se", "ratio", "times"),
    [(-0.3, 0.2, 1.0, 1.5), (-0.3, 0.01, 1.0, 1.5), (0.4, 2.0, 1.2, 1.1), (-3.0, 0.1, 1.0, 1.2)],
)
def test_a_normal_estimate_and_a_normal_prior_give_the_normal_posterior(
    value: float, se: float, ratio: float, times: float
) -> None:
    # The conjugate normal: precisions add, means are weighted by them (textbook).
    prior = Prior(ratio, times)
    precision = 1 / se**2 + 1 / prior.sd**2
    mean = (value / se**2 + prior.mean / prior.sd**2) / precision
    expected = mean + stats.norm.ppf(P) / math.sqrt(precision)
    # Far out in the trial's tail, as in the fourth case, a probability no longer tells the value.
    found = probabilities(Estimate(value, se), prior, P)
    if abs(mean - value) < 6 * se:
        at = value + se * stats.norm.ppf(found)
        np.testing.assert_allclose(at, expected, atol=2e-3 / math.sqrt(precision))
    assert found == pytest.approx(stats.norm.cdf((expected - value) / se), abs=1e-3)


def test_few_degrees_of_freedom_by_quadrature() -> None:
    estimate, prior = Estimate(-0.5, 0.3, 4.0), Prior(1.0, 1.4)

    def density(x: float) -> float:
        return float(stats.t.pdf((x + 0.5) / 0.3, 4.0) * stats.norm.pdf(x / prior.sd))

    whole = integrate.quad(density, -3, 3, epsabs=1e-12)[0]
    at = -0.5 + 0.3 * stats.t.ppf(probabilities(estimate, prior, P), 4.0)
    below = [integrate.quad(density, -3, x, epsabs=1e-12)[0] / whole for x in at]
    np.testing.assert_allclose(below, P, atol=1e-4)


def test_a_flat_prior_changes_nothing_and_a_certain_ratio_is_not_changed() -> None:
    np.testing.assert_allclose(probabilities(Estimate(-0.2, 0.1, 8), Prior(1, 1e9), P), P,
                               atol=1e-4)  # fmt: skip
    np.testing.assert_array_equal(probabilities(Estimate(-0.2), Prior(1, 1.1), P), P)


def test_a_sceptic_is_less_sure_that_it_pays(analysed) -> None:
    analysis = analysed("cushion_pairs")
    config = analysis.trial.config
    plain = payback(analysis)
    assert plain.with_prior is None and "what was believed" not in " ".join(plain.sentences)
    chances = []
    for times in (1.1, 1.5, 50.0):
        prior = Prior(1.0, times)
        own = replace(config, model=replace(config.model, prior=prior))
        found = payback(replace(analysis, trial=replace(analysis.trial, config=own)))
        assert found.probability == plain.probability and found.with_prior is not None
        chances.append(found.with_prior)
        # The same chance without draws: the saving that covers the cost of a year.
        base = found.budget
        needed = 1000 * base.annual_cost / base.area / base.price
        loss = comparison(analysis, "header_loss")
        assert loss is not None
        by_rule = chance_with(loss, prior, -float(needed))
        assert by_rule == pytest.approx(found.with_prior, abs=0.002)
    assert chances[0] < chances[1] < chances[2]
    assert chances[2] == pytest.approx(plain.probability, abs=0.03)


def test_both_chances_are_told_where_they_differ_by_a_step() -> None:
    prior = Prior(1.0, 1.5)
    assert believed_before(prior) == "no effect, 19 times in 20 between 0.67 and 1.5 times the loss"
    said = pays(0.75, "600 ac", 0.66, prior)
    assert "taking every saving as equally likely before the trial" in said
    assert "about 3 in 4" in said and said.endswith("it is about 2 in 3.")
    assert chance(0.74) == chance(0.76)
    assert pays(0.74, "600 ac", 0.76, prior).endswith("it is the same in these words.")
    assert "could not be used" in pays(0.75, "600 ac", None, prior)
    assert "believed" not in pays(0.75, "600 ac").replace("believable", "")


def test_settings_hold_the_prior() -> None:
    config = read_toml(f"{SETTINGS}\n[model]\nprior = {{ratio = 0.9, times = 1.5}}")
    assert config.model.prior == Prior(0.9, 1.5)
    assert read_toml(toml_text(config)).model == config.model
    assert read_toml(f"{SETTINGS}\n[model]\n{Prior(1.0, 1.4).line}").model.prior == Prior(1.0, 1.4)
    with pytest.raises(TrialError, match=r"model\.prior\.times is 1; expected how many times off"):
        read_toml(f"{SETTINGS}\n[model.prior]\ntimes = 1")
    with pytest.raises(TrialError, match=r"model\.primary is 'ears'; expected one of"):
        read_toml(f'{SETTINGS}\n[model]\nprimary = "ears"')
    config = read_toml(f'{SETTINGS}\n[model]\nprimary = "yield"')
    assert config.model.primary == read_toml(toml_text(config)).model.primary == "yield"
