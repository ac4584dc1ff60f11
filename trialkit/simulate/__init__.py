"""A whole trial from known truth: demo data, tests of the analysis, power."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from trialkit.intake import write_trial
from trialkit.intake.config import TrialConfig
from trialkit.simulate.effort import Effort, HeaderProfile
from trialkit.simulate.layout import strips_layout
from trialkit.simulate.tables import draw_tables
from trialkit.simulate.truth import Truth
from trialkit.simulate.truths import holds_its_factors, true_of, truths
from trialkit.simulate.work import Work
from trialkit.trial import Trial

TRUTH = "truth.json"
"""Beside the tables of a simulated trial."""

__all__ = [
    "TRUTH",
    "Effort",
    "HeaderProfile",
    "Truth",
    "Work",
    "is_simulated",
    "simulate_trial",
    "true_of",
    "truths",
    "write_simulated",
]


def is_simulated(trial: Trial) -> bool:
    """Whether a trial's folder says that it was simulated."""
    return trial.source is not None and (trial.source / TRUTH).is_file()


def simulate_trial(
    config: TrialConfig,
    truth: Truth,
    *,
    seed: int,
    blocks: int = 6,
    fields: Sequence[str] | pd.DataFrame = ("1",),
    effort: Effort | None = None,
    strips: pd.DataFrame | None = None,
) -> Trial:
    """Draw a trial: randomised layout, counts, samples and checks.

    Parameters
    ----------
    config : TrialConfig
        Setup factors, header, units; a hard-to-change factor beside others gives a split-strip.
    truth : Truth
        What the draw is made from.
    seed : int
        Of numpy's PCG64 generator; the same seed gives the same trial.
    blocks : int
        Blocks (pairs) per field; each holds every setup once.
    fields : sequence of str, or DataFrame
        Field names, or the whole ``fields`` table in SI units.
    effort : Effort, optional
        Frames and samples taken.
    strips : DataFrame, optional
        The layout, as `trialkit.plan` draws it: ``strip, field, pair, main_strip`` and a column per
        setup factor, in its order; also ``harvested_at`` and ``header`` where they are known.
        `blocks` then says nothing.

    Returns
    -------
    Trial
        As `trialkit.load_trial` would read it, with nothing refused and no source folder.

    Raises
    ------
    DesignError
        When the truth has a setup factor that the trial does not vary.
    """
    holds_its_factors(config, truth)
    rng = np.random.Generator(np.random.PCG64(seed))
    if not isinstance(fields, pd.DataFrame):
        fields = pd.DataFrame({"field": list(fields)})
    if strips is None:
        strips = strips_layout(config, list(fields["field"]), blocks, rng)
    tables = draw_tables(config, truth, effort or Effort(), strips, fields, rng)
    return Trial.from_tables(config, tables)


def write_simulated(
    folder: Path, trial: Trial, truth: Truth, seed: int, more: Mapping[str, bytes] | None = None
) -> Path:
    """Write a simulated trial as a trial folder, with ``truth.json`` and what `more` names beside
    the tables: all of it, or nothing.

    Raises
    ------
    FileExistsRefusal
        When the folder already holds a trial.
    """
    record = {
        "seed": seed,
        "generator": "numpy PCG64",
        "truth": truth.as_dict(),
        **{name: t.round(6).to_dict("records") for name, t in truths(truth, trial).items()},
    }
    text = json.dumps(record, indent=2, sort_keys=False) + "\n"
    beside = {TRUTH: text.encode(), **(more or {})}
    return write_trial(folder, trial.config, trial.tables, beside)
