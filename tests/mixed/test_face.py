"""A fit as its user meets it: kept on disk, put back to work, and every option by its name."""

from __future__ import annotations

import inspect
import pickle
from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd
import pytest

from trialkit.mixed import MixedFit, fit_mixed
from trialkit.mixed.ordinal import fit_ordinal
from trialkit.mixed.ordinal_fit import OrdinalFit


def trial() -> pd.DataFrame:
    """Six pairs of strips, five frames each, drawn with a fixed seed."""
    rng = np.random.default_rng(20)
    frame = pd.DataFrame(
        [(f"p{p}", setup, gap) for p in range(6) for setup in ("plain", "cushion")
         for gap in (28.0, 30.0, 32.0, 30.0, 29.0)],
        columns=["pair", "setup", "gap"],
    )  # fmt: skip
    pairs = rng.normal(0.0, 0.4, 6)[pd.factorize(frame["pair"])[0]]
    eta = 2.0 + pairs - 0.5 * (frame["setup"] == "cushion") + 0.1 * (frame["gap"] - 30.0)
    return frame.assign(
        mass=eta + rng.normal(0.0, 0.3, len(frame)), kernels=rng.poisson(np.exp(eta)),
        score=np.clip(np.round(eta - 1.0 + rng.logistic(0.0, 0.5, len(frame))), 0, 2).astype(int),
    )  # fmt: skip


FITS: dict[str, Callable[[pd.DataFrame], MixedFit]] = {
    "lmm": lambda f: fit_mixed(f, "mass", "setup + np.log(gap)", ["pair"]),
    "slopes": lambda f: fit_mixed(f, "mass", "setup", ["pair"], {"pair": ["setup"]}),
    "poisson": lambda f: fit_mixed(f, "kernels", "setup", "pair", family="poisson"),
}


@pytest.mark.parametrize("name", FITS)
def test_a_fit_comes_back_from_a_file_and_goes_on(name: str) -> None:
    fit = FITS[name](trial())
    back = pickle.loads(pickle.dumps(fit))
    assert type(back) is MixedFit and back.notes == fit.notes
    for table in ("coefficients", "variances"):
        pd.testing.assert_frame_equal(getattr(back, table), getattr(fit, table))
    pd.testing.assert_frame_equal(back.adjusted_means("setup"), fit.adjusted_means("setup"))
    values = fit.simulate(1, seed=3)[:, 0]
    again = back.refit(values)
    assert type(again) is MixedFit
    pd.testing.assert_frame_equal(again.coefficients, fit.refit(values).coefficients)
    pd.testing.assert_frame_equal(back.bootstrap(3, seed=1).draws, fit.bootstrap(3, seed=1).draws)


def test_scores_come_back_from_a_file_and_are_fitted_again() -> None:
    frame = trial()
    fit = fit_ordinal(frame, "score", "setup", ["pair"])
    back = pickle.loads(pickle.dumps(fit))
    pd.testing.assert_frame_equal(back.coefficients(5.0), fit.coefficients(5.0))
    for one, other in zip(back.probabilities("setup"), fit.probabilities("setup"), strict=True):
        pd.testing.assert_frame_equal(one, other)
    turned = 2 - frame["score"]
    again, fresh = (
        back.refit(turned),
        fit_ordinal(frame.assign(score=turned), "score", "setup", "pair"),
    )
    pd.testing.assert_frame_equal(again.coefficients(), fresh.coefficients())
    # Scores turned upside down: the same model with the signs of its effects turned.
    assert again.loglik == pytest.approx(fit.loglik, abs=1e-8)
    assert again.coefficients()["estimate"].to_numpy() == pytest.approx(
        -fit.coefficients()["estimate"].to_numpy(), abs=1e-5
    )


@pytest.mark.parametrize("face", [MixedFit, OrdinalFit])
def test_every_option_has_a_name_and_a_type(face: type[Any]) -> None:
    """What a type checker needs to refuse a misspelt option."""
    public = {n: f for n, f in inspect.getmembers(face, inspect.isfunction) if n[0] != "_"}
    assert {"refit", "contrasts"} <= set(public)
    for name, function in [*public.items(), ("fit_mixed", fit_mixed), ("fit_ordinal", fit_ordinal)]:
        signature = inspect.signature(function)
        assert signature.return_annotation is not inspect.Signature.empty, name
        assert function.__doc__, name
        for option in signature.parameters.values():
            assert option.kind is inspect.Parameter.POSITIONAL_OR_KEYWORD, (name, option)
            assert option.name in ("self", "fit") or option.annotation is not option.empty, name
