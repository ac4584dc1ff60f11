"""Columns may have the names of the formula language's own functions."""

from __future__ import annotations

import itertools
from typing import Any

import numpy as np
import pandas as pd
import pytest

from trialkit.errors import ModelError
from trialkit.mixed import fit_mixed
from trialkit.mixed.names import MARK, TAKEN, marked

NAMES = ("Treatment", "Q", "C", "I", "Sum", "Poly", "log", "poly", "np", "center", "scale", "exp",
         "hashed", "bs", "contr", "lag")  # fmt: skip
RNG = np.random.default_rng(12)
FRAME = pd.DataFrame(itertools.product(range(8), "abc", range(2)), columns=["unit", "setup", "k"])
FRAME["size"] = RNG.uniform(1, 3, len(FRAME))
FRAME["count"] = RNG.poisson(6, len(FRAME))
FRAME["of"] = FRAME["count"] + 5
FRAME["mass"] = RNG.normal(size=len(FRAME)) + FRAME["unit"]

# The column renamed, and a model in which it plays its part; {} is its name in a formula.
PARTS: dict[str, tuple[str, dict[str, Any]]] = {
    "factor": ("setup", {"response": "mass", "fixed": "{} * size", "nested": "unit"}),
    "covariate": ("size", {"response": "mass", "fixed": "setup * {}", "nested": "unit"}),
    "argument": ("size", {"response": "mass", "fixed": "setup + log({}) + np.exp({})"}),
    "coded": ("setup", {"response": "mass", "fixed": "C({}, contr.sum) + poly(size, 2)"}),
    "quoted": ("setup", {"response": "mass", "fixed": "`{}` + size"}),
    "nested": ("unit", {"response": "mass", "fixed": "setup", "nested": "{}"}),
    "crossed": ("setup", {"response": "mass", "nested": "unit", "crossed": "{}"}),
    "slope": ("size", {"response": "mass", "nested": "unit", "slopes": {"unit": "{}"}}),
    "response": ("mass", {"response": "{}", "fixed": "log(size)", "nested": "unit"}),
    "exposure": ("size", {"response": "count", "fixed": "setup", "nested": "unit",
                          "exposure": "{}", "family": "poisson"}),
    "trials": ("of", {"response": "count", "fixed": "setup", "nested": "unit", "trials": "{}",
                      "family": "binomial"}),
}  # fmt: skip


def named(given: Any, name: str) -> Any:
    if isinstance(given, dict):
        return {key: named(value, name) for key, value in given.items()}
    return given.replace("{}", name)


@pytest.mark.parametrize("part", PARTS)
def test_a_column_of_any_name_plays_its_part(part: str) -> None:
    column, model = PARTS[part]
    plain = fit_mixed(FRAME, **named(model, column))
    for name in NAMES:
        frame = FRAME.rename(columns={column: name})
        fit = fit_mixed(frame, **named(model, name))
        assert fit.loglik == plain.loglik
        assert MARK not in repr(fit) and MARK not in "".join(fit.term_tests().index)
        np.testing.assert_array_equal(fit.coefficients, plain.coefficients)
        # New data are read by the same names.
        np.testing.assert_array_equal(fit.predict(frame[::5]), plain.predict(FRAME[::5]))
        if part == "factor":
            assert f"{name}[T.b]" in fit.fixed_effects.index
            means = fit.adjusted_means(name).drop(columns=name)
            np.testing.assert_array_equal(means, plain.adjusted_means("setup").drop(columns=column))


def test_functions_stay_functions() -> None:
    for formula in ("C(a, Treatment('C')) + np.log(b)", "bs(x, df=3)", "C(x, contrasts=Sum)",
                    "C(x, Sum)", "C(x, contr.sum)", "Q('C') + I(a + b)"):  # fmt: skip
        assert marked(formula) == formula
    assert marked("C(C) + log(log) + C == 2").replace(MARK, "!") == "C(C!) + log(log!) + C! == 2"
    assert set(NAMES) <= TAKEN
    with pytest.raises(ModelError, match=r"^columns \['Treatment'\] are not in the data"):
        fit_mixed(FRAME, "mass", "Treatment")


def test_columns_that_only_functions_with_a_memory_use() -> None:
    """formulaic's poly is R's: orthonormal columns, the same space as powers."""
    fit = fit_mixed(FRAME, "mass", "setup + poly(size, 2)", nested="unit", method="ml")
    powers = fit_mixed(FRAME, "mass", "setup + size + I(size ** 2)", nested="unit", method="ml")
    assert fit.loglik == pytest.approx(powers.loglik, abs=1e-9)
    assert len(fit.predict(FRAME[:5])) == 5
    with pytest.raises(ModelError, match=r"\['weight'\] are not in the data"):
        fit_mixed(FRAME, "mass", "bs(weight, df=4)")
