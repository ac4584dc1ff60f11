"""Is the truth recovered along the whole path: tables on disk, intake, losses, model, numbers?

    python tests/recovery/recover.py [--rounds 500] [--jobs 1] [--designs NAME ...]

Every round draws a trial from a stated truth, writes it as a trial folder, reads it back and
analyses it. Writes ``notebooks/recovery.csv`` after every design, whole or not at all; rows of
designs not asked for stay as they are. Bias is in per cent of the true value, for differences of
the true difference; coverage is that of the 95 % intervals.
"""

from __future__ import annotations

import os
import sys
import tempfile
import time
import warnings
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

for variable in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(variable, "1")

sys.path.insert(0, str(Path(__file__).parents[1]))
import joblib  # noqa: E402
import numpy as np  # noqa: E402
import pandas as pd  # noqa: E402
from rows_by_name import arguments, write  # noqa: E402
from scipy import stats  # noqa: E402

import trialkit  # noqa: E402
from trialkit.errors import DesignError, ModelError  # noqa: E402
from trialkit.simulate import (  # noqa: E402
    simulate_trial,
    true_broken_corn,
    true_damage,
    true_dropped_ears,
    true_header_loss,
    true_processing_loss,
    true_residue,
    true_residue_score,
    true_yield,
    write_simulated,
)
from trialkit.simulate.demo import CUSHION_PAIRS, GAP_FIELDS, SPLIT_STRIPS, Scenario  # noqa: E402

RESULT = Path(__file__).parents[2] / "notebooks" / "recovery.csv"
FOUR_FIELDS = ["A", "B", "C", "D"]
SIX_PAIRS = CUSHION_PAIRS
FIELDS_OF_PAIRS = replace(
    CUSHION_PAIRS,
    blocks=3,
    fields=pd.concat([CUSHION_PAIRS.fields] * 4).assign(field=FOUR_FIELDS),
)


def _all_responses(scenario: Scenario) -> Scenario:
    """The design with a setup effect on every response and enough counted for each.

    The demonstration's own ears, 0.8 a strip, leave most trials without a ratio.
    """
    ratios = {"cushion": {"cushion": 0.6}}
    truth = replace(
        scenario.truth, processing=25.0, processing_ratios=ratios, ears=0.2, ear_ratios=ratios,
        preharvest_ears=0.02, residue=0.02, residue_ratios=ratios,
        residue_sd={"field": 0.15, "pair": 0.15, "strip": 0.15},
        strip_shifts={"yield": {"cushion": {"cushion": -300.0}}},
    )  # fmt: skip
    return replace(
        scenario, truth=truth, effort=replace(scenario.effort, total_frames=8, residue_samples=2)
    )


DESIGNS: dict[str, Scenario] = {
    "4 pairs": replace(CUSHION_PAIRS, blocks=4),
    "6 pairs": SIX_PAIRS,
    "8 pairs": replace(CUSHION_PAIRS, blocks=8),
    "6 blocks of 3": replace(GAP_FIELDS, fields=GAP_FIELDS.fields.head(1), blocks=6),
    "5 split blocks": SPLIT_STRIPS,
    "4 fields of 3 pairs": FIELDS_OF_PAIRS,
    "8 fields of 3 blocks": GAP_FIELDS,
    "6 pairs, other responses": _all_responses(SIX_PAIRS),
    "4 fields of 3 pairs, other responses": _all_responses(FIELDS_OF_PAIRS),
}
TRUTHS = {"header_loss": (true_header_loss, "kg_ha"), "kernel_damage": (true_damage, "percent")}
OTHERS = {
    "dropped_ears": (true_dropped_ears, "kg_ha"),
    "processing_loss": (true_processing_loss, "kg_ha"),
    "broken_corn": (true_broken_corn, "percent"),
    "residue_mass": (true_residue, "percent"),
    "residue_score": (true_residue_score, "score"),
    "yield": (true_yield, "kg_ha"),
}


def truths_of(name: str) -> dict[str, tuple[Callable[..., pd.DataFrame], str]]:
    """Responses that a design is judged by: true values and the column of the mean."""
    return OTHERS if name.endswith("other responses") else TRUTHS


def one_round(name: str, seed: int, number: int) -> list[dict[str, Any]]:
    """Estimates, intervals and true values of one simulated trial."""
    scenario, truths = DESIGNS[name], truths_of(name)
    own = int(np.random.SeedSequence([seed, number]).generate_state(1)[0])
    drawn = simulate_trial(
        scenario.config, scenario.truth, seed=own, blocks=scenario.blocks, fields=scenario.fields,
        effort=scenario.effort,
    )  # fmt: skip
    with tempfile.TemporaryDirectory() as folder, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        write_simulated(Path(folder) / "trial", drawn, scenario.truth, own)
        trial = trialkit.load_trial(Path(folder) / "trial")
        try:
            analysis = trialkit.analyse(trial, responses=tuple(truths))
        except (DesignError, ModelError) as error:
            return [{"round": number, "response": r, "reason": str(error)} for r in truths]
    out: list[dict[str, Any]] = []
    for response, (true_of, column) in truths.items():
        if response not in analysis.responses:
            reason = analysis.skipped.get(response, "absent")
            out.append({"round": number, "response": response, "reason": reason})
            continue
        result = analysis.responses[response]
        truth = true_of(scenario.truth, trial).set_index(["factor", "level"])
        # One field's mean yield is drawn, and nobody states it; its differences are stated.
        drawn_mean = response == "yield" and trial.strips["field"].nunique() == 1
        for row in [] if drawn_mean else result.means.to_dict("records"):
            true = truth.loc[(row["factor"], row["level"]), column]
            out.append(_record(number, response, row, "mean", "", true))
        for row in result.contrasts.to_dict("records"):
            true = truth.loc[(row["factor"], row["level"])]
            out.append(
                _record(number, response, row, "difference", "difference", true["difference"])
            )
            if result.specification.ratios:
                out.append(_record(number, response, row, "ratio", "ratio", true["ratio"]))
    return out


def _record(
    number: int, response: str, row: dict[str, Any], quantity: str, prefix: str, true: float
) -> dict[str, Any]:
    names = ("estimate", "low", "high") if not prefix else (
        prefix, f"{prefix}_low", f"{prefix}_high"
    )  # fmt: skip
    return {
        "round": number, "response": response, "quantity": quantity, "factor": row["factor"],
        "level": row["level"], "true": float(true), "reason": "",
        **dict(zip(("estimate", "low", "high"), (row[n] for n in names), strict=True)),
    }  # fmt: skip


def simulate(
    name: str, rounds: int, seed: int, jobs: int = 1,
    progress: Callable[[int, int], None] | None = None,
) -> pd.DataFrame:  # fmt: skip
    """Records of all rounds; they depend on the seed and their number only."""
    pool = joblib.Parallel(n_jobs=jobs, return_as="generator")
    records: list[dict[str, Any]] = []
    for done, found in enumerate(pool(joblib.delayed(one_round)(name, seed, i)
                                      for i in range(rounds)), start=1):  # fmt: skip
        records += found
        if progress is not None:
            progress(done, rounds)
    return pd.DataFrame(records)


def rates(name: str, records: pd.DataFrame, rounds: int, seed: int) -> pd.DataFrame:
    """Bias and coverage by response, quantity, factor and level, with Monte-Carlo errors."""
    rows = []
    lost = records[records["reason"] != ""].groupby("response").size()
    there = records[records["reason"] == ""]
    for key, own in there.groupby(["response", "quantity", "factor", "level"], sort=False):
        own = own.dropna(subset=["estimate"])
        true, n = own["true"].to_numpy(), len(own)
        # Ratios are judged on the logarithm, where their estimate is symmetric.
        error = own["estimate"].to_numpy() - true
        if key[1] == "ratio":
            error, unit = np.log(own["estimate"].to_numpy() / true), 1.0
        else:
            unit = float(np.abs(true).mean())
        inside = ((own["low"] <= true) & (true <= own["high"])).sum()
        ends = stats.binomtest(int(inside), n).proportion_ci(0.95, method="exact")
        rows.append(
            {
                "design": name, **dict(zip(("response", "quantity", "factor", "level"), key,
                                           strict=True)),
                "true": true.mean(),
                "bias_percent": 100 * error.mean() / unit if unit else np.nan,
                "bias_error": 100 * error.std(ddof=1) / np.sqrt(n) / unit if unit else np.nan,
                "coverage": inside / n, "low": ends.low, "high": ends.high, "rounds": n,
                "without_estimate": rounds - n - int(lost.get(key[0], 0)),
                "failed": int(lost.get(key[0], 0)), "seed": seed,
                "version": trialkit.__version__,
            }
        )  # fmt: skip
    return pd.DataFrame(rows)


def main() -> None:
    parser = arguments(__doc__, DESIGNS, "design", 500, 30, RESULT)
    given = parser.parse_args()
    for name in given.designs:
        start = time.perf_counter()

        def progress(done: int, of: int, name: str = name, start: float = start) -> None:
            if done % 25 == 0 or done == of:
                seconds = time.perf_counter() - start
                print(f"{name}: {done} of {of} rounds, {seconds:.0f} s", file=sys.stderr)

        records = simulate(name, given.rounds, given.seed, given.jobs, progress)
        table = rates(name, records, given.rounds, given.seed)
        with pd.option_context("display.width", 160, "display.max_columns", None):
            print(table.drop(columns=["design", "seed", "version"]).round(3).to_string(index=False))
        write(table, given.output, "design", DESIGNS)


if __name__ == "__main__":
    main()
