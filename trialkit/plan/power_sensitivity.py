"""What a plan's power hangs on: variances, loss level and reduction half and double."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import pandas as pd

from trialkit.errors import DesignError
from trialkit.mapping import opened
from trialkit.plan.power_grid import PowerGrid
from trialkit.plan.power_run import power

LEVELS = ("setup_by_field", "pair", "main_strip", "strip", "frame", "sample")


def sensitivity(
    grid: PowerGrid, pairs: int, frames: int, fields: int | None = None, *,
    factor: float = 2.0, jobs: int = 1, client: Any = None,
    progress: Callable[[int, int], None] | None = None,
) -> pd.DataFrame:  # fmt: skip
    """One plan again with what was expected divided and multiplied by a factor.

    Parameters
    ----------
    grid : PowerGrid
        Settings, expectations and seed are its own, so every row has the same draws of fields,
        blocks, strips and frames (of the counts only where losses are the same).
    pairs, frames, fields : int
        The plan; the grid's fewest fields unless told.
    factor : float
        Above 1; variances are divided and multiplied by it (standard deviations by its root), and
        the level of loss (and of preharvest loss) or of damage.
    jobs, client : as in `trialkit.plan.power`

    Returns
    -------
    DataFrame
        ``what`` ("as stated", "every variance", "variance of strips", ..., "level"), ``times``,
        ``power, power_se, half_width, detectable`` of the comparison told apart least often.
        Levels that such trials do not have are left out.

    Raises
    ------
    DesignError
        For a factor that is not above 1, or a plan that cannot be analysed.
    """
    if not 1 < factor <= 100:
        raise DesignError(f"factor is {factor!r}; give a number above 1, 2 for half and double.")
    fields = int(grid.table["fields"].min()) if fields is None else fields
    own = grid.expected
    sd: Mapping[str, float] = own.of(grid.response).sd
    split = grid.layout == "split"
    levels = [
        level for level in LEVELS
        if sd.get(level, 0.0) > 0
        and (level != "setup_by_field" or fields > 1) and (level != "main_strip" or split)
    ]  # fmt: skip
    cases: list[tuple[str, float, Any]] = [("as stated", 1.0, own)]
    for times in (1 / factor, factor):
        cases.append(("every variance", times, own.times(times)))
        for level in levels:
            words = level.replace("_", " ")
            cases.append((f"variance of {words}", times, own.times(times, level)))
        cases.append(("level", times, own.at_level(grid.response, times)))
    rows = []
    with opened(client) as workers:
        for i, (what, times, expected) in enumerate(cases):
            again = power(
                grid.config, reduction=grid.reductions, response=grid.response, expected=expected,
                pairs=[pairs], frames=[frames], fields=[fields], layout=grid.layout,
                setups=grid.setups, effort=grid.effort, work=grid.work, rounds=grid.n_rounds,
                seed=grid.seed, confidence=grid.confidence, aim=grid.aim, jobs=jobs,
                client=workers,
            )  # fmt: skip
            row = again.of().iloc[0]
            rows.append({"what": what, "times": times, **row[["power", "power_se", "half_width",
                                                               "detectable"]]})  # fmt: skip
            if progress is not None:
                progress(i + 1, len(cases))
    out = pd.DataFrame(rows)
    order = {what: i for i, what in enumerate(dict.fromkeys(out["what"]))}
    return out.sort_values(["what", "times"], key=lambda s: s.map(order) if s.name == "what" else s,
                           ignore_index=True)  # fmt: skip
