"""Is the truth recovered along the whole path: tables on disk, intake, losses, model, numbers?

    python tests/recovery/recover.py [--rounds 200] [--jobs 1] [--designs NAME ...]

Every round draws a trial from a stated truth, writes it as a trial folder, reads it back and
analyses it. Header loss and damage come from a generator that shares nothing with the package and
does not follow the model's laws (``independent.py``), at three spreads between strips; the other
responses from `trialkit.simulate`, with half the rounds. Writes ``notebooks/recovery.csv`` after
every design, whole or not at all; rows of designs not asked for stay as they are.

Bias is in per cent of the true value, for differences of the true difference; coverage is that of
the 95 % intervals, ``width_percent`` half their median width, in per cent alike; ``power`` is how
often an interval leaves out no effect. Ratios are judged on the logarithm.
"""

from __future__ import annotations

import os
import sys
import tempfile
import time
import warnings
from collections.abc import Callable
from dataclasses import replace
from itertools import product
from pathlib import Path
from typing import Any

for variable in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(variable, "1")

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[1])]
import independent  # noqa: E402
import joblib  # noqa: E402
import numpy as np  # noqa: E402
import pandas as pd  # noqa: E402
from frozen_trials import CUSHION_PAIRS, FIELD_SD, Scenario  # noqa: E402
from rows_by_name import arguments, write  # noqa: E402
from scipy import stats  # noqa: E402

import trialkit  # noqa: E402
from trialkit.errors import DesignError, ModelError  # noqa: E402
from trialkit.simulate import (  # noqa: E402
    simulate_trial,
    true_of,
    write_simulated,
)
from trialkit.trial import Trial  # noqa: E402

RESULT = Path(__file__).parents[2] / "notebooks" / "recovery.csv"
FOUR_FIELDS = ["A", "B", "C", "D"]
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
        butt_odds=ratios, butt_sd={"field": 0.15, "pair": 0.15, "strip": 0.15},
        leaf_ratios=ratios, leaf_sd={"field": 0.15, "pair": 0.15, "strip": 0.15},
        strip_shifts={"yield": {"cushion": {"cushion": -300.0}}},
    )  # fmt: skip
    effort = replace(scenario.effort, total_frames=8, residue_samples=2, butt_samples=2,
                     intake_samples=2)  # fmt: skip
    return replace(scenario, truth=truth, effort=effort)


OTHER_DESIGNS: dict[str, Scenario] = {
    "6 pairs, other responses": _all_responses(CUSHION_PAIRS),
    "4 fields of 3 pairs, other responses": _all_responses(FIELDS_OF_PAIRS),
}
DESIGNS = (*independent.DESIGNS, *OTHER_DESIGNS)
SPREADS = (0.05, 0.15, 0.3)
RESPONSES = ("header_loss", "kernel_damage")
OTHERS = {
    "ear_butt_damage": "percent",
    "dropped_ears": "kg_ha",
    "processing_loss": "kg_ha",
    "broken_corn": "percent",
    "residue_mass": "percent",
    "residue_score": "score",
    "leaf_intake": "percent",
    "yield": "kg_ha",
}


def spreads_of(name: str) -> tuple[float, ...]:
    """Standard deviations between strips, log scale, that a design is drawn with."""
    return SPREADS if name in independent.DESIGNS else (FIELD_SD["strip"],)


def responses_of(name: str) -> tuple[str, ...]:
    """Responses that a design is judged by."""
    return RESPONSES if name in independent.DESIGNS else tuple(OTHERS)


def _drawn(
    name: str, spread: float, own: np.random.SeedSequence, folder: Path
) -> tuple[Trial, dict[str, pd.DataFrame]]:
    """A trial written and read back, and its true means, ratios and differences by response."""
    if name in independent.DESIGNS:
        design = independent.DESIGNS[name]
        tables = independent.draw(design, spread, np.random.default_rng(own))
        independent.write(design, tables, folder)
        return trialkit.load_trial(folder), independent.truths(design)
    scenario, seed = OTHER_DESIGNS[name], int(own.generate_state(1)[0])
    drawn = simulate_trial(
        scenario.config, scenario.truth, seed=seed, blocks=scenario.blocks,
        fields=scenario.fields, effort=scenario.effort,
    )  # fmt: skip
    write_simulated(folder, drawn, scenario.truth, seed)
    trial = trialkit.load_trial(folder)
    return trial, {
        response: true_of(response, scenario.truth, trial).rename(
            columns={column: "mean"}
        )
        for response, column in OTHERS.items()
    }


def one_round(name: str, spread: float, seed: int, number: int) -> list[dict[str, Any]]:
    """Estimates, intervals and true values of one simulated trial."""
    own = np.random.SeedSequence([seed, number, round(1000 * spread)])
    with tempfile.TemporaryDirectory() as folder, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        trial, truths = _drawn(name, spread, own, Path(folder) / "trial")
        try:
            analysis = trialkit.analyse(trial, responses=tuple(truths))
            found, skipped = analysis.responses, analysis.skipped
        except (DesignError, ModelError) as error:
            found, skipped = {}, dict.fromkeys(truths, str(error))
    out: list[dict[str, Any]] = []
    for response, table in truths.items():
        at = {"round": number, "spread": spread, "response": response}
        if response not in found:
            out.append({**at, "reason": skipped.get(response, "absent")})
            continue
        result, truth = found[response], table.set_index(["factor", "level"])
        # One field's mean yield is drawn, and nobody states it; its differences are stated.
        drawn_mean = response == "yield" and trial.strips["field"].nunique() == 1
        quantities = ["difference", "ratio"] if result.specification.ratios else ["difference"]
        for kind, rows in (
            (["mean"], [] if drawn_mean else result.means.to_dict("records")),
            (quantities, result.contrasts.to_dict("records")),
        ):
            for row, quantity in product(rows, kind):
                stem = "" if quantity == "mean" else f"{quantity}_"
                out.append(
                    {
                        **at, "quantity": quantity, "factor": row["factor"],
                        "level": row["level"], "reason": "",
                        "true": float(truth.loc[(row["factor"], row["level"]), quantity]),
                        "estimate": row["estimate" if quantity == "mean" else quantity],
                        "low": row[f"{stem}low"], "high": row[f"{stem}high"],
                    }
                )  # fmt: skip
    return out


def simulate(
    name: str, rounds: int, seed: int, jobs: int = 1,
    progress: Callable[[int, int], None] | None = None,
) -> pd.DataFrame:  # fmt: skip
    """Records of all rounds; they depend on the seed, the spread and their number only."""
    pool = joblib.Parallel(n_jobs=jobs, return_as="generator")
    tasks = list(product(spreads_of(name), range(rounds)))
    records: list[dict[str, Any]] = []
    for done, found in enumerate(
        pool(joblib.delayed(one_round)(name, spread, seed, i) for spread, i in tasks), start=1
    ):
        records += found
        if progress is not None:
            progress(done, len(tasks))
    return pd.DataFrame(records)


def rates(name: str, records: pd.DataFrame, rounds: int, seed: int) -> pd.DataFrame:
    """Bias, coverage, power and width by spread, response, quantity, factor and level."""
    rows = []
    failed = records[records["reason"] != ""].groupby(["spread", "response"]).size()
    keys = ["spread", "response", "quantity", "factor", "level"]
    for key, own in records[records["reason"] == ""].groupby(keys, sort=False):
        own = own.dropna(subset=["estimate"])
        true, estimate, low, high = own[["true", "estimate", "low", "high"]].to_numpy().T
        lost, n = int(failed.get(key[:2], 0)), len(own)
        unit, quantity = float(np.abs(true).mean()) / 100, key[2]
        if quantity == "ratio":  # its estimate is symmetric on the logarithm
            true, estimate, low, high = map(np.log, (true, estimate, low, high))
            unit = 0.01
        inside = (low <= true) & (true <= high)
        ends = stats.binomtest(int(inside.sum()), n).proportion_ci(0.95, method="exact")
        error = (estimate - true) / unit
        rows.append(
            {
                "design": name, **dict(zip(keys, key, strict=True)), "true": own["true"].mean(),
                "bias_percent": error.mean(), "bias_error": error.std(ddof=1) / np.sqrt(n),
                "coverage": inside.mean(), "low": ends.low, "high": ends.high,
                "width_percent": np.median(high - low) / 2 / unit,
                "power": np.nan if quantity == "mean" else ((low > 0) | (high < 0)).mean(),
                "rounds": n, "without_estimate": rounds - n - lost, "failed": lost,
                "seed": seed, "version": trialkit.__version__,
            }
        )  # fmt: skip
    return pd.DataFrame(rows)


def main() -> None:
    parser = arguments(__doc__, DESIGNS, "design", 200, 30, RESULT)
    given = parser.parse_args()
    for name in given.designs:
        start = time.perf_counter()
        rounds = given.rounds if name in independent.DESIGNS else given.rounds // 2

        def progress(done: int, of: int, name: str = name, start: float = start) -> None:
            if done % 25 == 0 or done == of:
                seconds = time.perf_counter() - start
                print(f"{name}: {done} of {of} rounds, {seconds:.0f} s", file=sys.stderr)

        records = simulate(name, rounds, given.seed, given.jobs, progress)
        table = rates(name, records, rounds, given.seed)
        with pd.option_context("display.width", 160, "display.max_columns", None):
            print(table.drop(columns=["design", "seed", "version"]).round(3).to_string(index=False))
        write(table, given.output, "design", DESIGNS)


if __name__ == "__main__":
    main()
