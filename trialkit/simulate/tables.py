"""Every table of a simulated trial, drawn from a `Truth`."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import pandas as pd

from trialkit.intake.config import TrialConfig
from trialkit.responses import TABLES
from trialkit.responses.drawing import Drawing, as_written, by_strip
from trialkit.simulate.effort import Effort, HeaderProfile
from trialkit.simulate.strips import with_settings
from trialkit.simulate.truth import Truth


def draw_tables(
    config: TrialConfig,
    truth: Truth,
    effort: Effort,
    strips: pd.DataFrame,
    field_rows: pd.DataFrame,
    rng: np.random.Generator,
) -> dict[str, pd.DataFrame]:
    """All tables of a trial for a given layout.

    Parameters
    ----------
    strips : DataFrame
        From `strips_layout` or a plan; SI columns are added to it. A ``harvested_at`` stays where
        every strip has one.
    field_rows : DataFrame
        The ``fields`` table.

    Returns
    -------
    dict of DataFrame
        By name, SI units; what `effort` does not take is absent.
    """
    d = Drawing(config, truth, effort, with_settings(strips, config, truth, effort, rng), rng)
    # Tables are drawn by turn, and what was thought of last comes last: a trial without it is drawn
    # as it was before.
    turns: list[tuple[float, str, Callable[[Drawing], pd.DataFrame]]] = [
        (50, "header_check", _header_check),
        (60, "stalks", lambda d: _diameters(d, 24.0, 1.2, 2.5, effort.stalks)),
        (70, "ear_butts", lambda d: _diameters(d, 44.0, 1.2, 3.0, effort.ear_butts)),
    ]
    for name, layout in TABLES.items():
        if layout.sheet is not None:
            turns += [(turn, name, draw) for turn, draw in layout.sheet.draws]
    found: dict[str, list[pd.DataFrame]] = {"fields": [field_rows], "strips": [d.strips]}
    for _, name, draw in sorted(turns, key=lambda each: each[0]):
        found.setdefault(name, []).append(draw(d))
    return {name: table for name, parts in found.items() if len(table := _whole(parts, d.names))}


def _whole(parts: Sequence[pd.DataFrame], names: Sequence[str]) -> pd.DataFrame:
    """One table of what several turns drew of it."""
    some = [part for part in parts if len(part)]
    if len(some) < 2:
        return some[0] if some else pd.DataFrame()
    return by_strip(pd.concat(some, ignore_index=True), names)


def _header_check(d: Drawing) -> pd.DataFrame:
    given = d.effort.header_check
    if given is None:
        return pd.DataFrame()
    profiles = {"1": given} if isinstance(given, HeaderProfile) else given
    every = [_header(d, name, profile) for name, profile in profiles.items()]
    return pd.concat(every, ignore_index=True)


def _header(d: Drawing, name: str, p: HeaderProfile) -> pd.DataFrame:
    rng, rows = d.rng, d.config.header.rows
    # What is drawn from elsewhere leaves all tables drawn after this one as they are.
    others = rng.spawn(1)[0]
    units = d.config.units

    def read(mm: np.ndarray, places: int = 2) -> np.ndarray:
        return as_written(mm, "mm", "in", places, units)

    table = pd.DataFrame({"header": name, "row": [str(i) for i in range(1, rows + 1)]})
    crooked = p.crooked_by * (np.arange(1, rows + 1) == p.crooked_row)
    for end, target in (("front", p.gap_front), ("rear", p.gap_rear)):
        for side in ("left", "right"):
            plate = target / 2 + rng.normal(0.0, p.gap_sd, rows) / 2
            plate += crooked * (side == "right" and end == "rear")
            table[f"plate_{side}_{end}"] = read(plate)
            table[f"gap_{end}"] = table.get(f"gap_{end}", 0.0) + plate
        table[f"gap_{end}"] = read(table[f"gap_{end}"].to_numpy())
        table[f"set_{end}"] = read(np.full(rows, target), 3)
    for side, wear in (
        ("left", rng.normal(p.wear_length, 6.0, rows)),
        ("right", others.normal(p.wear_length, 6.0, rows)),
    ):  # fmt: skip
        table[f"roll_{side}_wear_length"] = read(wear, 1)
    pinched = p.pinched_by * (np.arange(1, rows + 1) == p.pinched_row)
    for station in range(1, 6):
        reading = p.clearance + rng.normal(0.0, p.clearance_sd, rows) - pinched * (station == 3)
        table[f"clearance_{station}"] = read(reading)
    # Sound, well inside common practice: knives 2 mm apart, 13 mm of slack, 1 % of stretch.
    table["roll_clearance"] = read(others.normal(2.0, 0.15, rows))
    table["plate_edge_wear"] = read(others.uniform(0.2, 1.5, rows))
    table["chain_slack"] = read(others.normal(13.0, 1.5, rows))
    table["chain_stretch"] = np.round(others.uniform(0.6, 1.6, rows), 1)
    table["flaps"] = "sound"
    return table


def _diameters(
    d: Drawing, mean: float, between: float, within: float, times: int
) -> pd.DataFrame:
    """Of stalks or ear butts, `times` in every field."""
    parts = []
    for name in dict.fromkeys(d.strips["field"]):
        drawn = d.rng.normal(d.rng.normal(mean, between), within, times)
        drawn = as_written(drawn, "mm", "in", 2, d.config.units)
        parts.append(pd.DataFrame({"field": name, "diameter": drawn}))
    return pd.concat(parts, ignore_index=True)
