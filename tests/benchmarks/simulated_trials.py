"""The trials and models that the speed of mixed-model software is measured on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

FIXED = "setup * moisture"
LEVELS = ("field", "pair", "strip")
SIZE = 4.0  # of the negative binomial: variance mu + mu^2 / SIZE


@dataclass(frozen=True, slots=True)
class Case:
    """A response and how it is modelled; counts have log(area) as offset."""

    response: str
    family: str
    method: str = "ml"
    exposure: str | None = None
    trials: str | None = None


CASES = {
    "gaussian REML": Case("value", "gaussian", "reml"),
    "poisson": Case("kernels", "poisson", exposure="area"),
    "negative binomial": Case("loose", "negative_binomial", exposure="area"),
    "binomial": Case("damaged", "binomial", trials="examined"),
}


def simulated(rows: int, seed: int = 1) -> pd.DataFrame:
    """Fields of six pairs of two strips with eight frames each; labels repeat across parents."""
    rng = np.random.default_rng(seed)
    frames = np.arange(rows)
    strip, pair, field = frames // 8, frames // 16, frames // 96
    moisture = rng.normal(0.0, 1.0, rows)
    setup = np.where(strip % 2 == 0, "standard", "cushion")
    effect = -0.4 * (setup == "cushion") + 0.1 * moisture
    for unit, sd in ((field, 0.3), (pair, 0.3), (strip, 0.25)):
        effect = effect + rng.normal(0.0, sd, unit.max() + 1)[unit]
    area = rng.choice([0.5, 1.0], rows)
    mean = area * np.exp(1.8 + effect)
    frame = pd.DataFrame(
        {
            "field": [f"f{i}" for i in field],
            "pair": [f"p{i % 6}" for i in pair],
            "strip": [f"s{i % 2}" for i in strip],
            "setup": setup,
            "moisture": moisture,
            "value": 5.0 + effect + rng.normal(0.0, 0.5, rows),
            "kernels": rng.poisson(mean),
            "area": area,
            "damaged": rng.binomial(100, 1 / (1 + np.exp(3.0 - effect))),
            "examined": 100,
            "loose": rng.negative_binomial(SIZE, SIZE / (SIZE + mean)),
        }
    )
    return frame.astype(dict.fromkeys((*LEVELS, "setup"), "category"))


def levels(frame: pd.DataFrame) -> list[str]:
    """Levels of the nesting that have more than one unit, coarse to fine."""
    return [name for name in LEVELS if name != "field" or frame["field"].nunique() > 1]


def unit_labels(frame: pd.DataFrame) -> pd.DataFrame:
    """Labels of the units of every level, unique across parents: ``field``, ``field:pair``, ..."""
    out, label = {}, None
    for name in levels(frame):
        own = frame[name].astype(str)
        label = own if label is None else label + ":" + own
        out[name] = label.astype("category")
    return pd.DataFrame(out)
