"""How often the intervals of `trialkit.compare` hold the truth, and its tests reject a true null.

    python tests/calibration/across_trials.py [--rounds 1000] [--setting "8 trials"] [--workers 2]

Rows are drawn from the model itself: trials of one or two fields, three pairs of two strips with
three frames each, some twenty kernels a frame. Prints one row a setting: coverage of 95 % intervals
(the mean effect; every field's; growers' own fields less the others', for the effect and for the
mean; a field of the next trial), the same for growers with variances taken as known and normal
quantiles, for the next field by t with trials - 2 df (Higgins et al. 2009), and the sizes at 5 % of
the tests of what explains the spread.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass

import numpy as np
import pandas as pd
from joblib import Parallel, delayed
from scipy import stats

from trialkit.analysis.specifications import SPECIFICATIONS
from trialkit.many import across

LEVELS = {"cushion": ("standard", "cushion")}


@dataclass(frozen=True)
class Setting:
    """Trials, growers, and standard deviations of the effect between trials and fields."""

    trials: int
    growers: int
    sd_trial: float
    sd_field: float
    seed: int


SETTINGS = {
    "2 trials": Setting(2, 2, 0.10, 0.10, 20),
    "2 trials, wide": Setting(2, 2, 0.30, 0.20, 20),
    "3 trials": Setting(3, 2, 0.10, 0.10, 30),
    "3 trials, wide": Setting(3, 2, 0.30, 0.20, 30),
    "4 trials, wide": Setting(4, 2, 0.30, 0.20, 40),
    "8 trials": Setting(8, 4, 0.10, 0.10, 1),
    "8 trials, wide": Setting(8, 4, 0.30, 0.20, 2),
    "8 trials, no spread": Setting(8, 4, 0.0, 0.0, 3),
    "30 trials": Setting(30, 10, 0.10, 0.10, 4),
}


def draw(setting: Setting, seed: int) -> tuple[pd.DataFrame, pd.DataFrame, float]:
    """Rows for the model, the true effect and mean of every field, and that of a new one."""
    rng = np.random.default_rng([setting.seed, seed])
    fields = []
    for t in range(setting.trials):
        own = rng.normal(0, 0.3), -0.35 + rng.normal(0, setting.sd_trial)
        hybrid = rng.integers(6)
        moisture = rng.uniform(16, 24)
        for f in range(1 + t % 2):
            level, effect = own[0] + rng.normal(0, 0.2), own[1] + rng.normal(0, setting.sd_field)
            fields.append((f"t{t}", f"t{t}/{f}", f"g{t % setting.growers}", level, effect,
                           f"h{(hybrid + f) % 6}", moisture + rng.normal()))  # fmt: skip
    truth = pd.DataFrame(fields, columns=["trial", "field", "grower", "mean", "effect", "hybrid",
                                          "moisture"])  # fmt: skip
    index = np.indices((len(truth), 3, 2, 3)).reshape(4, -1)
    f, p, s = index[:3]
    strip = rng.normal(0, 0.1, (len(truth), 3, 2))
    speed = rng.normal(7, 0.7, (len(truth), 3, 2))
    pair = rng.normal(0, 0.1, (len(truth), 3))
    of = truth.iloc[f].reset_index(drop=True)
    eta = of["mean"] + (s - 0.5) * of["effect"] + pair[f, p] + strip[f, p, s]
    kernels = rng.poisson(np.exp(3.0 + eta + rng.normal(0, 0.3, len(eta))))
    rows = of[["trial", "field", "grower", "hybrid", "moisture"]].assign(
        place=of["field"], season=2025, area=1.0, loose_kernels=kernels,
        cushion=np.where(s == 1, "cushion", "standard"), speed_measured=speed[f, p, s],
        pair=of["field"] + "/" + p.astype(str),
        strip=of["field"] + "/" + p.astype(str) + "/" + s.astype(str),
    )  # fmt: skip
    new = -0.35 + rng.normal(0, np.hypot(setting.sd_trial, setting.sd_field))
    return rows, truth, new


def one_round(setting: Setting, seed: int) -> dict[str, float]:
    """Which intervals hold the truth (shares), and which tests reject (0 or 1)."""
    rows, truth, new = draw(setting, seed)
    found = across.across_trials(
        rows, SPECIFICATIONS["header_loss"], LEVELS, 0.95, lambda text: None
    )
    row = found.effects.iloc[0]
    out = {"mean effect": _held(row["low"], row["high"], -0.35),
           "next field": _held(row["predicted_low"], row["predicted_high"], new)}  # fmt: skip
    tau2 = row["sd_trial"] ** 2 + row["sd_field"] ** 2
    half = stats.t.ppf(0.975, setting.trials - 2) * np.sqrt(tau2 + row["se"] ** 2)
    out["next field, t"] = _held(row["estimate"] - half, row["estimate"] + half, new)
    known = truth.set_index("field")
    fields = found.by_field.set_index(["trial", "field"]).reset_index("trial", drop=True)
    effect = known["effect"].reindex(fields.index)
    out["fields"] = _held(fields["low"], fields["high"], effect)
    grower = truth["grower"].to_numpy()
    plain = _known(found.fit, truth)
    for factor, column in (("cushion", "effect"), ("mean", "mean")):
        table = found.growers[found.growers["factor"] == factor].set_index("grower")
        true = [truth.loc[grower == g, column].mean() - truth.loc[grower != g, column].mean()
                for g in table.index]  # fmt: skip
        out[f"growers, {column}"] = _held(table["low"], table["high"], true)
        if column == "effect":
            estimate, se = plain
            out["growers, known"] = _held(estimate - 1.96 * se, estimate + 1.96 * se, true)
    for _, test in found.explained.iterrows():
        out[f"{test['variable']}, {test['part']}"] = float(test["p"] < 0.05)
    return out


def _held(low, high, truth) -> float:
    low, high, truth = (np.asarray(v, dtype=float) for v in (low, high, truth))
    return float(np.mean((low <= truth) & (truth <= high)))


def _known(fit, truth: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Growers' contrasts of the effect with the estimated variances taken as true."""
    kept = [u for u in across.UNITS if u in fit.model.chain.names]
    found = across.unit_information(fit, kept)
    grower = truth["grower"].to_numpy()
    over = np.array([(grower == g) / (grower == g).sum() - (grower != g) / (grower != g).sum()
                     for g in np.unique(grower)])  # fmt: skip
    units = {}
    for u in kept:
        member = np.equal.outer(truth[u].to_numpy(str), found.labels[u][u].to_numpy(str))
        turn = across._turn(fit, u, "cushion", "cushion", "standard")
        units[u] = (over @ member.astype(float))[:, :, None] * turn
    return found.linear(np.zeros((len(over), 2)), units)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=1000)
    parser.add_argument("--setting", action="append", choices=list(SETTINGS))
    parser.add_argument("--workers", type=int, default=1)
    options = parser.parse_args()
    for name in options.setting or SETTINGS:
        work = (delayed(one_round)(SETTINGS[name], i) for i in range(options.rounds))
        table = pd.DataFrame(Parallel(options.workers)(work))
        print(f"{name}: {len(table)} rounds, percent (standard error)")
        for column in table:
            values = table[column].dropna()
            error = 100 * values.std() / np.sqrt(len(values))
            print(f"  {column:24s} {100 * values.mean():5.1f} ({error:.1f}), {len(values)}")


if __name__ == "__main__":
    main()
