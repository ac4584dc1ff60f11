"""What a user reads when a model cannot be fitted, or not as asked."""

from __future__ import annotations

import warnings
from typing import Any

import numpy as np
import pandas as pd
import pytest

from trialkit.errors import ModelError
from trialkit.mixed import fit_mixed
from trialkit.mixed.separation import separating_direction


def trial() -> pd.DataFrame:
    """Six pairs of two strips, five frames a strip: a count, a share of eight, an amount."""
    rng = np.random.default_rng(4)
    frame = pd.DataFrame(
        [(p, s, k) for p in range(6) for s in "ab" for k in range(5)],
        columns=["pair", "strip", "frame"],
    )
    n, pair = len(frame), frame["pair"]
    effect = rng.normal(0, 0.3, 6)[pair]
    return frame.assign(
        setup=frame["strip"].map({"a": "standard", "b": "cushion"}),
        speed=np.where(frame["frame"] > 2, "fast", "slow"),
        gap=rng.normal(30, 2, n),
        area=0.9,
        plants=8,
        kernels=rng.poisson(np.exp(1 + effect)) + 1,
        damaged=rng.binomial(6, 0.4, n) + 1,
        mass=5 + effect + rng.normal(0, 1, n),
    )


COUNT = {"response": "kernels", "nested": ["pair", "strip"], "family": "poisson"}
SHARE = {"response": "damaged", "nested": ["pair"], "family": "binomial", "trials": "plants"}
AMOUNT = {"response": "mass", "nested": ["pair", "strip"]}
CROSSED = {"response": "mass", "nested": ["pair"]}
FRAME = trial()
CUSHION, FAST = FRAME["setup"] == "cushion", FRAME["speed"] == "fast"
LAST = FRAME.index == 59


def with_column(**columns: Any) -> pd.DataFrame:
    return FRAME.assign(**columns)


X = np.random.default_rng(2).normal(size=60)
SIDE = with_column(gap=X, hit=X > 0, damaged=(X > 0) * 8)
TIES = np.sign(X.round())
BINARY = {"response": "hit", "nested": ["pair"], "family": "binomial"}

# Name: data, arguments, and the words that must stand in the sentence, in this order.
FAILURES: dict[str, tuple[pd.DataFrame, dict[str, Any], str]] = {
    # Separation
    "cell without counts": (
        with_column(kernels=FRAME["kernels"].where(~CUSHION, 0)), COUNT,
        "every 'kernels' is zero under setup = cushion.*no finite estimate.*pool",
    ),
    "cell of the interaction without counts": (
        with_column(kernels=FRAME["kernels"].where(~(CUSHION & FAST), 0)),
        COUNT | {"fixed": "setup * speed"},
        "zero under setup:speed = .*cushion.*fast",
    ),
    "cell without successes": (
        with_column(damaged=FRAME["damaged"].where(~CUSHION, 0)), SHARE,
        "every 'damaged' is zero under setup = cushion",
    ),
    "cell of successes only": (
        with_column(damaged=FRAME["damaged"].where(CUSHION, 8)), SHARE,
        "every 'damaged' is as large as its trials under setup = standard.*no finite estimate",
    ),
    "same for beta-binomial": (
        with_column(damaged=FRAME["damaged"].where(CUSHION, 8)),
        SHARE | {"family": "beta_binomial"},
        "as large as its trials under setup = standard",
    ),
    "nothing counted at all": (with_column(kernels=0), COUNT, "every value of 'kernels' is zero"),
    "units all or nothing": (
        with_column(hit=FRAME["pair"] % 2),
        {"response": "hit", "nested": ["pair"], "family": "binomial"},
        "'hit' did not converge: 6 of 6 units of 'pair' are all zero or all successes.*'pair' out",
    ),
    "all successes": (
        with_column(damaged=8), SHARE | {"fixed": "1"},
        "every 'damaged' is as large as its trials: nothing to compare",
    ),
    "separated by a covariate": (
        SIDE, BINARY | {"fixed": "setup + gap"},
        "^gap separates 26 rows in which 'hit' is zero from 34 in which it is full: .*"
        "no finite estimate.*Leave out or coarsen gap",
    ),
    "separated but for ties": (
        with_column(gap=TIES, hit=np.where(TIES == 0, FRAME["frame"] % 2, TIES > 0)),
        BINARY | {"fixed": "gap"}, "gap separates .* rows .* no finite estimate",
    ),
    "no counts under an indicator": (
        with_column(z=CUSHION * 1.0, kernels=FRAME["kernels"].where(~CUSHION, 0)),
        COUNT | {"fixed": "z + gap"},
        "^z separates out 30 rows in which every 'kernels' is zero: .*no finite estimate",
    ),
    "separated within one setup": (
        with_column(hit=np.where(CUSHION, FRAME["gap"] > 30, FRAME["damaged"] > 3)),
        BINARY | {"fixed": "setup * gap"},
        "^setup, gap and setup:gap together separate .* from .* in which it is full",
    ),
    # Values
    "text for a response": (FRAME, AMOUNT | {"response": "strip"}, "'strip' is not numeric"),
    "dates for a response": (
        with_column(mass=pd.Timestamp("2026-10-01")), AMOUNT, "'mass' is not numeric"
    ),
    "infinite response": (
        with_column(mass=FRAME["mass"].where(~LAST, np.inf)), AMOUNT, "'mass' holds infinite values"
    ),
    "infinite covariate": (
        with_column(gap=FRAME["gap"].where(~LAST, -np.inf)), AMOUNT | {"fixed": "gap"},
        "'gap' holds infinite values.*leave out those rows",
    ),
    "no value of a covariate": (
        with_column(gap=np.nan), AMOUNT | {"fixed": "gap"}, "no complete row"
    ),
    "negative count": (
        with_column(kernels=FRAME["kernels"].where(~LAST, -1)), COUNT, "whole numbers from zero up"
    ),
    "amount of zero": (
        with_column(mass=FRAME["mass"].where(~LAST, 0.0)),
        {"response": "mass", "nested": ["pair"], "family": "gamma"}, "'mass' must be above zero",
    ),
    "more successes than trials": (
        with_column(damaged=FRAME["damaged"].where(~LAST, 9)), SHARE,
        "'damaged' exceeds its trials in 1 rows",
    ),
    "trials not whole": (with_column(plants=8.5), SHARE, "trials must be whole numbers; 'plants'"),
    "precision of single trials": (
        with_column(hit=FRAME["damaged"] > 3), BINARY | {"family": "beta_binomial"},
        "single trials .*use family 'binomial'",
    ),
    "precision of rows all or nothing": (
        with_column(damaged=FRAME["frame"] % 2 * 8), SHARE | {"family": "beta_binomial"},
        "every row of 'damaged' is all zero or all successes.*runs to zero.*'binomial'",
    ),
    "logarithm of zero": (
        FRAME, AMOUNT | {"fixed": "log(frame)"}, r"'log\(frame\)'\] .*not finite in 12 rows"
    ),
    "logarithm of negative values": (
        with_column(dry=FRAME["gap"] - 30), AMOUNT | {"fixed": "setup + np.log(dry)"},
        "not finite in .* rows",
    ),
    "zero exposure": (
        with_column(area=FRAME["area"].where(~LAST, 0.0)), COUNT | {"exposure": "area"},
        "exposure must be above zero",
    ),
    "no trials": (
        with_column(plants=FRAME["plants"].where(~LAST, 0)), SHARE, "trials must be above zero"
    ),
    "constant response": (with_column(mass=5.0), AMOUNT, "reproduces the response exactly"),
    "response explained by itself": (
        FRAME, AMOUNT | {"fixed": "mass"}, "reproduces the response exactly"
    ),
    "constant gamma response": (
        with_column(mass=5.0), AMOUNT | {"family": "gamma"}, "reproduces the response exactly"
    ),
    "constant within units": (
        with_column(mass=FRAME["pair"] * 1.0), AMOUNT | {"nested": ["pair"]},
        "within the units of 'pair' 'mass' does not vary .*take one row for each unit",
    ),
    "gamma constant within units": (
        with_column(mass=FRAME["pair"] + 1.0),
        {"response": "mass", "nested": ["pair"], "family": "gamma"}, "within the units of 'pair'",
    ),
    # The frame
    "empty frame": (FRAME.head(0), AMOUNT, "no complete row"),
    "frame without columns": (pd.DataFrame(), AMOUNT, r"\['mass', .*not in the data; it has \[\]"),
    "absent response": (FRAME, AMOUNT | {"response": "yield"}, r"\['yield'\].*it has .*'mass'"),
    "absent covariate": (FRAME, AMOUNT | {"fixed": "setap"}, r"\['setap'\] are not in the data"),
    "absent level": (FRAME, AMOUNT | {"nested": ["field"]}, r"\['field'\] are not in the data"),
    "absent exposure": (FRAME, COUNT | {"exposure": "Area"}, r"\['Area'\] are not in the data"),
    "absent slope": (FRAME, AMOUNT | {"slopes": {"pair": ["height"]}}, r"\['height'\] are not in"),
    # The design
    "formula with a response": (
        FRAME, AMOUNT | {"fixed": "mass ~ setup"}, "one right-hand side.*without '~'"
    ),
    "factor of one level": (with_column(setup="cushion"), AMOUNT, "'setup' has the single level"),
    "as many terms as rows": (
        FRAME.head(5), AMOUNT | {"fixed": "C(frame)", "nested": []}, "5 rows cannot estimate 5"
    ),
    "more terms than rows": (
        FRAME.groupby("pair").head(1), AMOUNT | {"fixed": "C(pair) * gap", "nested": []},
        "6 rows cannot estimate 6",
    ),
    "no column to estimate": (FRAME, AMOUNT | {"fixed": "0"}, "no column .* can be estimated"),
    "two names of the same units": (
        with_column(block=FRAME["pair"] + 10), AMOUNT | {"nested": ["pair", "block"]},
        "'pair' and 'block' have the same 6 units; keep one",
    ),
    "a unit for every row": (
        with_column(plot=range(60)), AMOUNT | {"nested": ["pair", "plot"]},
        "every unit of 'plot' has one row.*residual; leave it out",
    ),
    "slopes of an unknown level": (
        FRAME, AMOUNT | {"slopes": {"field": ["gap"]}}, r"slopes name the levels \['field'\]"
    ),
    "covariance of an unknown level": (
        FRAME, AMOUNT | {"covariance": {"field": "independent"}},
        r"covariance names the levels \['field'\]; nested has \['pair', 'strip'\]",
    ),
    "slopes of a constant": (
        with_column(w=2.0), AMOUNT | {"slopes": {"pair": ["w"]}}, "'w' is 2 in every row.*'pair'"
    ),
    "slopes of zero": (
        with_column(w=0.0), AMOUNT | {"slopes": {"pair": ["w"]}}, "'w' is 0 in every row.*'pair'"
    ),
    "slopes of a factor of one level": (
        with_column(c="a"), AMOUNT | {"slopes": {"pair": ["c"]}}, "'c' has the single level 'a'"
    ),
    "as many effects of units as rows": (
        FRAME[FRAME["frame"] < 2], AMOUNT | {"slopes": {"strip": ["gap"]}},
        "12 units of 'strip' have 2 effects each for 24 rows.*residual; leave slopes",
    ),
    "units that are fixed effects": (
        FRAME, AMOUNT | {"fixed": "C(pair)"}, "each of the 6 units of 'pair'.*leave 'pair' out"
    ),
    "slopes that are fixed effects": (
        FRAME, AMOUNT | {"fixed": "gap:C(pair)", "slopes": {"pair": ["gap"]}},
        "an effect of 'gap' for each of the 6 units of 'pair'.*leave them out of slopes",
    ),
    # Crossed factors
    "crossed and nested": (
        FRAME, CROSSED | {"crossed": ["pair"]}, r"\['pair'\] are named more than once"
    ),
    "crossed factor that is fixed": (
        FRAME, CROSSED | {"crossed": ["setup"]}, "each of the 2 units of 'setup'.*leave 'setup' out"
    ),
    "crossed factor like a level": (
        with_column(hybrid=FRAME["pair"] + 5), CROSSED | {"crossed": ["hybrid"]},
        "'hybrid' parts the rows exactly as 'pair' does.*keep one",
    ),
    "two crossed factors alike": (
        with_column(hybrid=FRAME["frame"] + 5), CROSSED | {"crossed": ["frame", "hybrid"]},
        "'hybrid' parts the rows exactly as 'frame' does",
    ),
    "crossed factor of every row": (
        with_column(hybrid=range(60)), CROSSED | {"crossed": ["hybrid"]},
        "every label of 'hybrid' has one row.*residual; leave it out of crossed",
    ),
    "crossed factor of too many labels": (
        pd.concat([FRAME] * 100, ignore_index=True).assign(hybrid=lambda d: d.index // 2),
        CROSSED | {"crossed": ["hybrid"]},
        r"so many labels \('hybrid' with 3000\) .*beside 6 nested units; nest the factor",
    ),
    "unknown covariance": (
        FRAME, AMOUNT | {"slopes": {"pair": ["gap"]}, "covariance": {"pair": "ar1"}},
        "'ar1' is not known; choose one of .*unstructured",
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", FAILURES)
def test_failure_says_what_and_where(case: str) -> None:
    frame, arguments, words = FAILURES[case]
    with warnings.catch_warnings():
        # The sentence is all a user gets to see.
        warnings.simplefilter("error")
        with pytest.raises(ModelError, match=words) as caught:
            fit_mixed(frame, **({"fixed": "setup"} | arguments))
    assert str(caught.value).endswith(".")


@pytest.mark.parametrize("method", ["reml", "ml"])
@pytest.mark.parametrize("family", ["binomial", "beta_binomial"])
def test_separation_is_told_whatever_the_family_and_method(family: str, method: str) -> None:
    with pytest.raises(ModelError, match=r"gap separates 26 rows .* from 34"):
        fit_mixed(SIDE, **(SHARE | {"fixed": "gap", "family": family, "method": method}))


def test_separation_of_new_responses_is_told() -> None:
    fit = fit_mixed(FRAME, "damaged", "gap", nested=["pair"], family="binomial", trials="plants")
    with pytest.raises(ModelError, match=r"gap separates .* no finite estimate"):
        fit.refit((FRAME["gap"] > 30) * 8.0)


@pytest.mark.parametrize("seed", range(4))
def test_separation_on_a_line(seed: int) -> None:
    """With one covariate separation is a matter of order, whatever its unit."""
    rng = np.random.default_rng(seed)
    found = np.zeros(2, dtype=int)
    for _ in range(100):
        x = rng.integers(0, 5, 6).astype(float)
        y = (x + rng.normal(0, 2, 6) > 2).astype(int)
        if np.ptp(x) == 0:
            continue
        columns = np.column_stack([np.ones(6), 1e4 * x + 3e4])
        low, high = x[y == 0], x[y == 1]
        ordered = (
            not len(low) or not len(high) or high.max() <= low.min() or low.max() <= high.min()
        )
        assert (separating_direction(columns, 2.0 * y - 1.0) is not None) == ordered
        # Counts: what is above zero must stay put, so it can only lie at one end of the zeros.
        at = np.unique(high)
        ends = len(at) == 0 or (
            len(at) == 1
            and bool((low != at).any())
            and (bool((low >= at).all()) or bool((low <= at).all()))
        )
        assert (separating_direction(columns, y - 1.0) is not None) == ends
        found += ordered, ends
    assert (found > 5).all() and (found < 95).all()


def test_adjusted_means_that_no_row_tells_of() -> None:
    frame = with_column(make=FRAME["setup"].str.upper())
    fit = fit_mixed(frame, "mass", "setup + make", nested=["pair"])
    for ask in (fit.adjusted_means, fit.contrasts):
        with pytest.raises(ModelError, match=r"mean of setup .*\['make'\].*make\[T.STANDARD\]"):
            ask("setup")
    plain = fit_mixed(frame, "mass", "setup", nested=["pair"]).adjusted_means("setup")
    seen = fit.adjusted_means("setup", at={"make": "CUSHION"})
    assert seen["estimate"][0] == pytest.approx(plain["estimate"][0]) and seen["se"].isna()[1]
