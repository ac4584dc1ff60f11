"""How often the search for the optimum stops at a lower one; run by hand.

    python tests/calibration/optima.py DESIGNS SEED [--models ...] [--methods ...] [--list]

Every design has ten trials of its own standard deviations and mean. Its size is drawn, and so is
how much of it was lost (nothing to half of the rows) and whether a covariate of the rows is in the
model: in whole, balanced trials a second optimum is rare. A trial is fitted afresh and, from the
second on, as a refit of the first; both are held against the best of searches from every
combination of three values (near zero, middle, large) of the standard deviations. Printed by model
and method: trials, how many fits and refits ended more than 0.001 of log-likelihood below that
best, the worst of them, trials with a second optimum within one unit, how many of those say so, and
milliseconds a fit and a refit (processor time of this process).
`--list` prints the trials that were missed, which `trial` makes again. A trial takes 0.1 s.
"""

from __future__ import annotations

import argparse
import itertools
import time
from collections import defaultdict
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from trialkit.errors import ModelError
from trialkit.mixed import MixedFit, fit_mixed

SDS, MEANS, STARTS = (0.0, 0.05, 0.2, 0.4, 0.8), (2.0, 15.0), (0.05, 0.6, 1.5)
KEPT = (1.0, 0.75, 0.5)
TRIALS = 10
# Log-likelihood below the best that counts as lower, and ends that count as other optima.
LOWER, APART = 1e-3, 1e-3


@dataclass(frozen=True, slots=True)
class Kind:
    """Levels, coarse to fine (the last may be the row itself), and what is counted."""

    family: str
    levels: tuple[str, ...]
    by_field: bool = False


KINDS = {
    "poisson pairs": Kind("poisson", ("pair", "strip", "row")),
    "negative binomial pairs": Kind("negative_binomial", ("pair", "strip")),
    "binomial pairs": Kind("binomial", ("pair", "strip", "row")),
    "gaussian pairs": Kind("gaussian", ("pair", "strip")),
    "poisson split strips": Kind("poisson", ("block", "main", "strip", "row")),
    "gaussian split strips": Kind("gaussian", ("block", "main", "strip")),
    "poisson fields": Kind("poisson", ("field", "pair", "row"), by_field=True),
    "gaussian fields": Kind("gaussian", ("field", "pair", "strip"), by_field=True),
}


def layout(kind: Kind, rng: np.random.Generator) -> pd.DataFrame:
    """A design of a size drawn: setups on strips, frames within them."""
    frames = range(rng.integers(3, 9))
    if "block" in kind.levels:
        axes = {"block": range(rng.integers(3, 7)), "chain": "ab", "speed": "ab"}
    elif kind.by_field:
        fields, pairs = rng.integers(4, 7), rng.integers(2, 4)
        axes = {"field": range(fields), "pair": range(pairs), "setup": "ab"}
    else:
        axes = {"pair": range(rng.integers(3, 9)), "setup": "ab"}
    frame = pd.DataFrame(itertools.product(*axes.values(), frames), columns=[*axes, "frame"])
    strip = frame.groupby(list(axes)).ngroup()
    more = {"main": frame["chain"]} if "block" in axes else {}
    if rng.random() < 0.5:
        more["moisture"] = rng.normal(size=len(frame))
    frame = frame.assign(strip=strip, row=np.arange(len(frame)), **more)
    return frame[rng.random(len(frame)) < rng.choice(KEPT)]


def draw(kind: Kind, frame: pd.DataFrame, rng: np.random.Generator) -> np.ndarray:
    """Responses of one trial whose standard deviations and mean are drawn, shape (rows,)."""
    eta = np.full(len(frame), np.log(rng.uniform(*MEANS)))
    above: list[str] = []
    for level in kind.levels:
        above.append(level)
        unit = frame.groupby(above).ngroup().to_numpy()
        eta += rng.choice(SDS) * rng.normal(size=unit.max() + 1)[unit]
    if kind.by_field:
        unit = frame.groupby(["field", "setup"]).ngroup().to_numpy()
        eta += rng.choice(SDS) * rng.normal(size=unit.max() + 1)[unit]
    if kind.family == "gaussian":
        return eta + rng.normal(0.0, 0.3, len(eta))
    if kind.family == "binomial":
        share = 1.0 / (1.0 + np.exp(3.0 + np.log(MEANS[1]) / 2 - eta))
        return rng.binomial(100, share).astype(float)
    if kind.family == "negative_binomial":
        size = rng.choice([2.0, 5.0, 20.0])
        return rng.poisson(np.exp(eta) * rng.gamma(size, 1 / size, len(eta))).astype(float)
    return rng.poisson(np.exp(eta)).astype(float)


def fit(kind: Kind, frame: pd.DataFrame, y: np.ndarray, method: str) -> MixedFit:
    """The model that an analysis takes for such a trial."""
    more: dict[str, Any] = {}
    if kind.family == "binomial":
        frame, more["trials"] = frame.assign(of=100), "of"
    if kind.by_field:
        more |= {"slopes": {"field": ["setup"]}, "covariance": {"field": "exchangeable"}}
    fixed = "chain * speed" if "chain" in frame else "setup"
    fixed += " * moisture" if "moisture" in frame else ""
    nested = list(kind.levels)
    return fit_mixed(
        frame.assign(y=y), "y", fixed, nested=nested, family=kind.family, method=method, **more
    )


def trial(name: str, seed: int, design: int, number: int) -> tuple[pd.DataFrame, np.ndarray]:
    """Frame and responses of one trial of the study."""
    kind = KINDS[name]
    key = [seed, list(KINDS).index(name), design]
    frame = layout(kind, np.random.default_rng(key))
    return frame, draw(kind, frame, np.random.default_rng([*key, number]))


def ends(found: MixedFit) -> list[float]:
    """Log-likelihoods of all searches from the grid of standard deviations, highest first."""
    problem, model, point = found.found.problem, found.model, found.found.point
    mix, more = np.diag(model.scale), np.ones(int(model.family.dispersed))
    if found.method == "ml" and found.family.name != "gaussian":
        root = np.linalg.cholesky(np.linalg.inv((model.x.T * point.weight) @ model.x))
        mix = np.block([[mix, np.zeros((len(mix), len(root)))],
                        [np.zeros((len(root), len(mix))), root]])  # fmt: skip
        more = np.append(more, np.linalg.solve(root, point.beta))
    searches = [
        problem.search(np.r_[start, more], mix, None)
        for start in itertools.product(STARTS, repeat=model.n_theta)
    ]
    return sorted((-s.value for s in searches if s.converged), reverse=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("designs", type=int)
    parser.add_argument("seed", type=int)
    parser.add_argument("--models", nargs="+", choices=KINDS, default=list(KINDS))
    parser.add_argument("--methods", nargs="+", choices=("reml", "ml"), default=["reml", "ml"])
    parser.add_argument("--list", action="store_true")
    args = parser.parse_args()
    rows = []
    for name, method in itertools.product(args.models, args.methods):
        count: defaultdict[str, Any] = defaultdict(int)
        for design in range(args.designs):
            first: MixedFit | None = None
            for number in range(TRIALS):
                frame, y = trial(name, args.seed, design, number)
                began = time.process_time()
                try:
                    own = fit(KINDS[name], frame, y, method)
                except ModelError:
                    count["no fit"] += 1
                    continue
                fitted = time.process_time()
                again = first.refit(y) if first is not None else own
                count["refit ms"] += 1e3 * (time.process_time() - fitted)
                count["fit ms"] += 1e3 * (fitted - began)
                count["refits"] += first is not None
                count["trials"] += 1
                best = np.array(ends(own))
                value = own.found.point.value
                lower = best[0] - value, best[0] - again.found.point.value
                count["fit lower"] += lower[0] > LOWER
                count["refit lower"] += first is not None and lower[1] > LOWER
                count["worst"] = max(count["worst"], *lower)
                gaps = best[0] - best
                second = bool(((gaps > APART) & (gaps < 1.0)).any())
                count["second"] += second
                count["said"] += second and any("second set" in note for note in own.notes)
                if args.list and max(lower) > LOWER:
                    print(f"{name!r}, {args.seed}, {design}, {number}  {method}  "
                          f"fit {lower[0]:.3f}, refit {lower[1]:.3f}")  # fmt: skip
                first = first or own
        count["fit ms"] /= max(count["trials"], 1)
        count["refit ms"] /= max(count["refits"], 1)
        rows.append({"model": name, "method": method, **count})
        print(pd.DataFrame(rows[-1:]).to_string(index=False, float_format="%.3g"), flush=True)
    table = pd.DataFrame(rows)
    print(table.drop(columns=["worst", "fit ms", "refit ms"]).sum(numeric_only=True).to_string())


if __name__ == "__main__":
    main()
