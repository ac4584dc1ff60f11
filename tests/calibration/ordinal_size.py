"""How often the tests of the proportional odds model reject what is true; run by hand.

    python tests/calibration/ordinal_size.py PAIRS READINGS ROUNDS SEED [--sd 0.8 0.6] [--shift 0]

Pairs of two strips with READINGS scores each (four scores, thresholds -1.5, 0.5 and 2), standard
deviations of pairs 0.8 and of strips 0.6 on the logit scale, and no effect of the setup unless a
shift is given. The figures in the docstrings of `trialkit.mixed.ordinal` and
`trialkit.mixed.ordinal_check` come from here; a round takes about a tenth of a second.
"""

from __future__ import annotations

import argparse

import numpy as np
import pandas as pd
from scipy import stats

from trialkit.errors import ModelError
from trialkit.mixed.ordinal import fit_ordinal

THRESHOLDS = np.array([-1.5, 0.5, 2.0])


def draw(
    pairs: int, readings: int, sd: tuple[float, float], shift: float, rng: np.random.Generator
) -> pd.DataFrame:
    """Scores of one trial."""
    strip = np.repeat(np.arange(2 * pairs), readings)
    eta = sd[0] * rng.standard_normal(pairs)[strip // 2]
    eta = eta + sd[1] * rng.standard_normal(2 * pairs)[strip] + rng.logistic(size=len(strip))
    eta += shift * (strip % 2)
    return pd.DataFrame({
        "score": (eta[:, None] > THRESHOLDS).sum(axis=1), "pair": strip // 2, "strip": strip,
        "setup": np.where(strip % 2, "b", "a"),
    })  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    for name in ("pairs", "readings", "rounds", "seed"):
        parser.add_argument(name, type=int)
    parser.add_argument("--sd", type=float, nargs=2, default=(0.8, 0.6))
    parser.add_argument("--shift", type=float, default=0.0)
    args = parser.parse_args()
    rng = np.random.default_rng(args.seed)
    layout, rows, unfit = 2 * args.pairs - 2, [], 0
    for _ in range(args.rounds):
        frame = draw(args.pairs, args.readings, tuple(args.sd), args.shift, rng)
        try:
            fit = fit_ordinal(frame, "score", "setup", nested=["pair", "strip"])
            null = fit_ordinal(frame, "score", "1", nested=["pair", "strip"])
        except ModelError:
            unfit += 1
            continue
        b = fit.coefficients().iloc[0]
        t = abs(b["statistic"])
        reach = stats.t.ppf(0.975, layout) * b["se"]
        rows.append({
            "z": 2 * stats.norm.sf(t) < 0.05,
            f"t({layout}), strips less setups": 2 * stats.t.sf(t, layout) < 0.05,
            f"t({args.pairs - 1}), pairs less one": 2 * stats.t.sf(t, args.pairs - 1) < 0.05,
            "likelihood ratio": stats.chi2.sf(2 * (fit.loglik - null.loglik), 1) < 0.05,
            "interval holds the truth": abs(b["estimate"] - args.shift) < reach,
            "proportional odds rejected": fit.proportional_odds("setup").p < 0.05,
        })  # fmt: skip
    print(f"{len(rows)} fits, {unfit} without")
    print((100 * pd.DataFrame(rows).mean()).round(1).to_string())


if __name__ == "__main__":
    main()
