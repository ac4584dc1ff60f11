"""How often small-sample inference rejects a true null at 5 %, by simulation.

    python tests/benchmarks/small_sample_level.py [ROUNDS]

Two setups in pairs, frames in strips, no difference; strip, pair and frame effects on the log
scale. Prints, per setting, the share of rounds rejected by Kenward-Roger (variances at zero taken
as zero), Kenward-Roger with their uncertainty counted in, and the paired t test of strip means of
log counts, with the Monte-Carlo standard error of a share of 5 %.
"""

from __future__ import annotations

import sys

import numpy as np
import pandas as pd
from scipy import stats

from trialkit.mixed import fit_mixed
from trialkit.mixed.inference import inference_by

SETTINGS = [
    (family, pairs, frames, strip_sd)
    for family in ("gaussian", "poisson")
    for pairs, frames in ((4, 6), (6, 8))
    for strip_sd in (0.0, 0.2)
]


def level(
    family: str, pairs: int, frames: int, strip_sd: float, rounds: int, seed: int = 5
) -> list[float]:
    """Shares of rounds rejected by the three tests."""
    rng = np.random.default_rng(seed)
    frame = pd.DataFrame(
        [(p, s, f) for p in range(pairs) for s in "ab" for f in range(frames)],
        columns=["pair", "setup", "frame"],
    )
    frame["row"] = np.arange(len(frame))
    strip = 2 * frame["pair"] + (frame["setup"] == "b")

    def draw() -> np.ndarray:
        eta = 1.8 + rng.normal(0, 0.3, pairs)[frame["pair"]]
        eta += rng.normal(0, strip_sd, 2 * pairs)[strip] + rng.normal(0, 0.4, len(frame))
        return eta if family == "gaussian" else rng.poisson(np.exp(eta)).astype(float)

    nested = ["pair", "setup"] + (["row"] if family == "poisson" else [])
    first = fit_mixed(frame.assign(y=draw()), "y", "setup", nested, family=family)
    hits = np.zeros(3)
    for _ in range(rounds):
        y = draw()
        fit = first.refit(y)
        hits[0] += fit.coefficients["p"].iloc[1] < 0.05
        fit.__dict__["inference"] = inference_by(fit, "kenward-roger-all")
        hits[1] += fit.coefficients["p"].iloc[1] < 0.05
        value = pd.Series(y if family == "gaussian" else np.log(y + 0.5))
        means = value.groupby([frame["pair"], frame["setup"]]).mean().unstack()
        hits[2] += stats.ttest_rel(means["a"], means["b"]).pvalue < 0.05
    return list(hits / rounds)


if __name__ == "__main__":
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    print(f"{rounds} rounds, standard error of a share of 5 %: {(0.0475 / rounds) ** 0.5:.3f}")
    print("family     pairs frames strip sd |  KR   KR-all  paired t")
    for setting in SETTINGS:
        shares = level(*setting, rounds)
        family, pairs, frames, sd = setting
        print(f"{family:10s} {pairs:5d} {frames:6d} {sd:8.1f} |"
              f" {shares[0]:.3f}  {shares[1]:.3f}   {shares[2]:.3f}", flush=True)  # fmt: skip
