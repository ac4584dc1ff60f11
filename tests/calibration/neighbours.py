"""Size and power of the tests for a trend and for likeness of neighbouring strips, by simulation.

    python tests/calibration/neighbours.py [--trials 200] [--fields 1] [--pairs 10]

Strips of a Gaussian value in pairs; the strips' own sd is 1, pairs have 0.5, the setups differ by
0.8. Truths: nothing along the field; a straight line that rises by 3 from the first strip to the
last; strips' errors with a first-order autocorrelation of 0.6. Printed are the shares of trials in
which each test lies below 5 % (the line by Bonferroni over fields, the permutations 199 draws), and
coverage and mean width of 95 % intervals of the setup effect: of the engine's model of the strips
as it is reported, and of strips with neighbours alike on the same degrees of freedom.
"""

from __future__ import annotations

import argparse

import numpy as np
import pandas as pd
from scipy import stats

from trialkit.analysis.questions.exchange import Exchange
from trialkit.analysis.questions.serial import fit_serial
from trialkit.mixed import fit_mixed

EFFECT, PAIR, RISE, PHI, DRAWS = 0.8, 0.5, 3.0, 0.6, 199
TRUTHS = ("nothing", "line", "autocorrelation")


def drawn(fields: int, pairs: int, truth: str, seed: int) -> pd.DataFrame:
    """Strips of a trial, field by field in the order of their places."""
    rng = np.random.default_rng(seed)
    blocks = [(f"F{i}", f"F{i} {k}") for i in range(fields) for k in range(pairs)]
    strips = pd.DataFrame(
        [(field, pair, name) for field, pair in blocks for name in rng.permutation(["a", "b"])],
        columns=["field", "pair", "setup"],
    )  # fmt: skip
    n = 2 * pairs
    value = np.where(strips["setup"] == "b", EFFECT, 0.0)
    value = value + np.repeat(rng.normal(0, PAIR, fields * pairs), 2)
    for i in range(fields):
        e = rng.normal(size=n)
        if truth == "autocorrelation":
            for k in range(1, n):
                e[k] = PHI * e[k - 1] + np.sqrt(1 - PHI**2) * e[k]
        own = slice(i * n, (i + 1) * n)
        value[own] += e + (truth == "line") * RISE * np.linspace(0, 1, n)
        strips.loc[strips.index[own], f"along_{i}"] = np.linspace(-0.5, 0.5, n)
    return strips.fillna(0.0).assign(value=value)


def one(strips: pd.DataFrame, fields: int, rng: np.random.Generator) -> dict[str, float]:
    """What is found of a trial."""
    fixed = "setup" + " + field" * (fields > 1)
    lines = [f"along_{i}" for i in range(fields)]
    own = fit_mixed(strips, response="value", fixed=fixed, nested=["pair"], family="gaussian")
    line = fit_mixed(strips, response="value", fixed=" + ".join([fixed, *lines]), nested=["pair"],
                     family="gaussian")  # fmt: skip
    reported = own.coefficients.loc["setup[T.b]" if "setup[T.b]" in own.coefficients.index
                                    else own.coefficients.index[1]]  # fmt: skip
    runs = strips.groupby("field").ngroup().to_numpy()
    at = strips.groupby("field").cumcount().to_numpy()
    x = np.column_stack([np.ones(len(strips)), strips["setup"] == "b",
                         pd.get_dummies(runs).to_numpy()[:, 1:]]).astype(float)  # fmt: skip
    y, pair = strips["value"].to_numpy(), pd.get_dummies(strips["pair"]).to_numpy(float)
    apart = fit_serial(y, x, [pair], runs, at, alike=False)
    alike = fit_serial(y, x, [pair], runs, at)
    r = y - x @ apart.estimate
    next_to = np.flatnonzero(np.diff(runs) == 0)
    exchange = Exchange(strips[["field", "pair"]].to_numpy(dtype=str))
    seen = r[next_to] @ r[next_to + 1]
    draws = [(q := r[exchange.draw(rng)])[next_to] @ q[next_to + 1] for _ in range(DRAWS)]
    tails = [1 + (draws >= seen - 1e-12).sum(), 1 + (draws <= seen + 1e-12).sum()]
    se, t = np.sqrt(alike.covariance[1, 1]), stats.t.ppf(0.975, reported["df"])
    return {
        "line found": (line.coefficients.loc[lines, "p"] * fields).min() < 0.05,
        "likeness found": 2 * min(tails) / (DRAWS + 1) < 0.05,
        "covers, reported": reported["low"] <= EFFECT <= reported["high"],
        "covers, alike": abs(alike.estimate[1] - EFFECT) <= t * se,
        "width, reported": reported["high"] - reported["low"],
        "width, alike": 2 * t * se,
        "phi": alike.phi,
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    for name, usual in (("trials", 200), ("fields", 1), ("pairs", 10)):
        parser.add_argument(f"--{name}", type=int, default=usual)
    asked, rng = parser.parse_args(), np.random.default_rng(1)
    for truth in TRUTHS:
        rows = [one(drawn(asked.fields, asked.pairs, truth, seed), asked.fields, rng)
                for seed in range(1, asked.trials + 1)]  # fmt: skip
        told = pd.DataFrame(rows).astype(float).mean().round(3).to_dict()
        print(f"{asked.fields} x {asked.pairs} pairs, {truth}: {told}", flush=True)


if __name__ == "__main__":
    main()
