"""Seconds for a mixed-model fit on simulated nested trials, ours against other software.

    python tests/benchmarks/mixed_speed.py [ROWS ...] [--no-r]

Every program gets the same rows (field / pair / strip with four fixed effects) in one thread; the
table shows the median of repeated fits after a first one that is not counted (compilation), the
others' seconds over ours, and how far their log-likelihood lies below ours. R's lme4 and glmmTMB
are timed where Rscript and the packages are found; statsmodels' MixedLM for the Gaussian model.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import subprocess
import tempfile
import time
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

for variable in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[variable] = "1"

import numpy as np  # noqa: E402
import pandas as pd  # noqa: E402

from trialkit.mixed import fit_mixed  # noqa: E402

FIXED = "setup * moisture"
LEVELS = ["field", "pair", "strip"]
RESPONSES = {
    "gaussian REML": ("value", {"method": "reml"}),
    "poisson Laplace": ("kernels", {"family": "poisson", "exposure": "area", "method": "ml"}),
    "binomial Laplace": ("damaged", {"family": "binomial", "trials": "examined", "method": "ml"}),
}

R_SCRIPT = r"""
suppressPackageStartupMessages({ library(lme4); library(jsonlite) })
tmb <- suppressWarnings(require(glmmTMB, quietly = TRUE))
args <- commandArgs(trailingOnly = TRUE)
d <- read.csv(args[1], stringsAsFactors = TRUE)
repeats <- as.integer(args[2])
part <- ~ setup * moisture + (1 | field / pair / strip)
timed <- function(fit) {
  seconds <- c()
  for (i in 0:repeats) {
    start <- proc.time()[["elapsed"]]
    model <- suppressMessages(suppressWarnings(fit()))
    if (i > 0) seconds <- c(seconds, proc.time()[["elapsed"]] - start)
  }
  list(seconds = median(seconds), loglik = as.numeric(logLik(model)))
}
gaussian <- update(part, value ~ .)
counts <- update(part, kernels ~ . + offset(log(area)))
damage <- update(part, cbind(damaged, examined - damaged) ~ .)
out <- list(
  "gaussian REML" = list(lme4 = timed(function() lmer(gaussian, d))),
  "poisson Laplace" = list(lme4 = timed(function() glmer(counts, d, poisson))),
  "binomial Laplace" = list(lme4 = timed(function() glmer(damage, d, binomial))))
if (tmb) {
  out[[1]]$glmmTMB <- timed(function() glmmTMB(gaussian, d, REML = TRUE))
  out[[2]]$glmmTMB <- timed(function() glmmTMB(counts, d, poisson))
  out[[3]]$glmmTMB <- timed(function() glmmTMB(damage, d, binomial))
}
cat(toJSON(out, auto_unbox = TRUE, digits = 12))
"""


def simulated(rows: int, seed: int = 1) -> pd.DataFrame:
    """Fields of six pairs of two strips with eight frames each."""
    rng = np.random.default_rng(seed)
    frames = np.arange(rows)
    strip, pair, field = frames // 8, frames // 16, frames // 96
    moisture = rng.normal(0.0, 1.0, rows)
    setup = np.where(strip % 2 == 0, "standard", "cushion")
    effect = -0.4 * (setup == "cushion") + 0.1 * moisture
    for unit, sd in ((field, 0.3), (pair, 0.3), (strip, 0.25)):
        effect = effect + rng.normal(0.0, sd, unit.max() + 1)[unit]
    area = rng.choice([0.5, 1.0], rows)
    return pd.DataFrame(
        {
            "field": [f"f{i}" for i in field],
            "pair": [f"p{i % 6}" for i in pair],
            "strip": [f"s{i % 2}" for i in strip],
            "setup": setup,
            "moisture": moisture,
            "value": 5.0 + effect + rng.normal(0.0, 0.5, rows),
            "kernels": rng.poisson(area * np.exp(1.8 + effect)),
            "area": area,
            "damaged": rng.binomial(100, 1 / (1 + np.exp(3.0 - effect))),
            "examined": 100,
        }
    )


def seconds(call: Callable[[], Any], repeats: int) -> float:
    call()
    taken = []
    for _ in range(repeats):
        start = time.perf_counter()
        call()
        taken.append(time.perf_counter() - start)
    return float(np.median(taken))


def ours(frame: pd.DataFrame, repeats: int) -> dict[str, dict[str, float]]:
    out = {}
    for name, (response, how) in RESPONSES.items():
        levels = LEVELS[1:] if frame["field"].nunique() == 1 else LEVELS
        fit = fit_mixed(frame, response, FIXED, nested=levels, **how)
        values = frame[response].to_numpy(dtype=float)
        out[name] = {
            "fit": seconds(
                lambda r=response, h=how, n=levels: fit_mixed(frame, r, FIXED, nested=n, **h),
                repeats,
            ),
            "refit": seconds(lambda f=fit, v=values: f.refit(v), repeats),
            "loglik": fit.loglik,
        }
    return out


def statsmodels(frame: pd.DataFrame, repeats: int) -> dict[str, float]:
    import statsmodels.formula.api as smf

    data = frame.assign(pair=frame["field"] + frame["pair"])
    data["strip"] = data["pair"] + data["strip"]
    groups, random = data["field"], {"pair": "0 + C(pair)", "strip": "0 + C(strip)"}
    if data["field"].nunique() == 1:
        groups, random = data["pair"], {"strip": "0 + C(strip)"}

    def call() -> Any:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            model = smf.mixedlm(
                f"value ~ {FIXED}", data, groups=groups, re_formula="1", vc_formula=random
            )
            return model.fit(reml=True)

    return {"loglik": float(call().llf), "seconds": seconds(call, repeats)}


def in_r(frame: pd.DataFrame, repeats: int) -> dict[str, Any]:
    with tempfile.TemporaryDirectory() as folder:
        data, script = Path(folder) / "d.csv", Path(folder) / "bench.R"
        frame.to_csv(data, index=False)
        text = R_SCRIPT
        if frame["field"].nunique() == 1:
            text = text.replace("field / pair / strip", "pair / strip")
        script.write_text(text)
        done = subprocess.run(
            ["Rscript", str(script), str(data), str(repeats)], capture_output=True, text=True
        )
    if done.returncode:
        print(f"R could not be timed: {done.stderr.strip().splitlines()[-1:]}")
        return {}
    return json.loads(done.stdout)


def main() -> None:
    parser = argparse.ArgumentParser(description="Time fit_mixed against other software.")
    parser.add_argument("rows", nargs="*", type=int, default=[96, 960, 24_000])
    parser.add_argument("--no-r", action="store_true", help="leave R out")
    chosen = parser.parse_args()
    table = []
    for rows in chosen.rows:
        frame = simulated(rows)
        repeats = 20 if rows <= 1_000 else 3
        mine = ours(frame, repeats)
        rivals: dict[str, dict[str, Any]] = {name: {} for name in RESPONSES}
        if rows <= 1_000:
            rivals["gaussian REML"]["statsmodels"] = statsmodels(frame, 3)
        if not chosen.no_r and shutil.which("Rscript"):
            for name, timed in in_r(frame, min(repeats, 5)).items():
                rivals[name].update(timed)
        for name, own in mine.items():
            line = {"rows": rows, "model": name, "fit s": own["fit"], "refit s": own["refit"]}
            for rival, timed in rivals[name].items():
                line[f"{rival} s"] = timed["seconds"]
                line[f"{rival} x"] = timed["seconds"] / own["fit"]
                line[f"{rival} below"] = own["loglik"] - timed["loglik"]
            table.append(line)
    with pd.option_context("display.width", 200, "display.max_columns", None):
        print(pd.DataFrame(table).to_string(index=False, float_format="{:.4g}".format, na_rep="-"))


if __name__ == "__main__":
    main()
