"""Trials drawn and written without anything of trialkit's, and what is true of them.

Every effect is a factor of mean one, so the mean over all random effects is the stated density or
share itself. A density behind the header is ``before x preharvest factors + header x ratio x
factors``; counts are Poisson about density times area, damaged kernels beta-binomial about the
share. The factors' laws are those of `Design`: lognormal; gamma (frames: counts are then negative
binomial); or Laplace on the logarithm, whose tails fall as a power. All are told by their standard
deviation on the log scale. A trial loses one strip in ten at random, has 3 to 12 frames a strip
in frames of three sizes, kernels on the ground before harvest that lie unevenly, and a gradient
along each field.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from itertools import product
from pathlib import Path

import numpy as np
import pandas as pd
from scipy import optimize, special

HEADER, BEFORE, SHARE = 20.0, 5.0, 0.06  # kernels/m2, kernels/m2, of kernels examined
KERNEL = 3.0  # kg/ha that one kernel of 0.3 g per m2 makes
# Log scale: fields; preharvest kernels by field and strip, and by frame; frames of the header zone.
FIELD_SD, BEFORE_SD, BEFORE_FRAME_SD, FRAME_SD = 0.25, 0.3, 0.6, 0.4
# A setup's own effect in a field varies by this part of what strips vary by.
SETUP_BY_FIELD = 0.5
SAMPLE_RHO = 0.005  # correlation of damage between kernels of one sample
AREAS = (5.0, 10.0, 20.0)  # ft2

CUSHION = {"standard": 1.0, "cushion": 0.6}
GAP = {"usual": 1.0, "narrow": 0.88, "wide": 1.4}


@dataclass(frozen=True, slots=True)
class Design:
    """A layout and the laws its trials are drawn from.

    Attributes
    ----------
    blocks, fields : int
        Blocks (pairs) in each field; fields.
    frames, units : str
        Law of the frames' factor, and of the factors of fields, pairs and strips.
    factors : mapping
        Factor to level to ratio of header loss, the reference first; damage takes its square root.
    crossed : mapping
        Ratio of a combination of levels beside those of its parts.
    main : str
        Factor set on main strips of a split-strip trial.
    pair_sd, gradient : float
        Log scale: between pairs, and from one end of a field to the other. Damage takes half.
    """

    blocks: int
    frames: str
    units: str
    fields: int = 1
    factors: Mapping[str, Mapping[str, float]] = field(default_factory=lambda: {"cushion": CUSHION})
    crossed: Mapping[tuple[str, ...], float] = field(default_factory=dict)
    main: str = ""
    pair_sd: float = 0.2
    gradient: float = 0.2


_SPLIT = {
    "factors": {"cushion": CUSHION, "gap": GAP}, "crossed": {("cushion", "wide"): 0.8},
    "main": "cushion",
}  # fmt: skip
DESIGNS = {
    "4 pairs": Design(4, "gamma", "lognormal"),
    "6 pairs": Design(6, "lognormal", "gamma"),
    "8 pairs": Design(8, "gamma", "laplace"),
    "6 rough pairs": Design(6, "gamma", "laplace", pair_sd=0.5, gradient=0.6),
    "6 blocks of 3": Design(6, "lognormal", "laplace", factors={"gap": GAP}),
    "4 split blocks": Design(4, "gamma", "gamma", **_SPLIT),
    "5 split blocks": Design(5, "lognormal", "lognormal", **_SPLIT),
    "4 fields of 3 pairs": Design(3, "gamma", "lognormal", fields=4),
    "8 fields of 3 blocks": Design(3, "lognormal", "gamma", fields=8, factors={"gap": GAP}),
}


@cache
def _gamma_shape(sd: float) -> float:
    """Shape of the gamma law whose logarithm has this standard deviation."""
    return float(optimize.brentq(lambda k: special.polygamma(1, k) - sd**2, 1e-2, 1e7))


def factor(law: str, sd: float, size: int, rng: np.random.Generator) -> np.ndarray:
    """Factors of mean one whose logarithms have standard deviation `sd`, shape (size,)."""
    if law == "lognormal":
        return np.exp(rng.normal(-(sd**2) / 2, sd, size))
    if law == "gamma":
        shape = _gamma_shape(sd)
        return rng.gamma(shape, 1 / shape, size)
    width = sd / np.sqrt(2)
    return (1 - width**2) * np.exp(rng.laplace(0.0, width, size))


def _cells(design: Design) -> list[tuple[dict[str, str], float]]:
    """Every combination of levels and its ratio of header loss."""
    out = []
    for levels in product(*design.factors.values()):
        ratio = np.prod([own[v] for own, v in zip(design.factors.values(), levels, strict=True)])
        cell = dict(zip(design.factors, levels, strict=True))
        out.append((cell, float(ratio) * design.crossed.get(levels, 1.0)))
    return out


def truths(design: Design) -> dict[str, pd.DataFrame]:
    """Response to ``factor, level, mean, ratio, difference``: kg/ha, per cent of kernels.

    Means over all random effects and, alike, over the levels of the other factors.
    """
    cells = [({**cell}, ratio) for cell, ratio in _cells(design)]
    out = {}
    for response, scale, power in (
        ("header_loss", KERNEL * HEADER, 1.0), ("kernel_damage", 100 * SHARE, 0.5)
    ):  # fmt: skip
        rows = []
        for name, levels in design.factors.items():
            mean = {
                v: scale * np.mean([r**power for cell, r in cells if cell[name] == v])
                for v in levels
            }
            base = mean[next(iter(levels))]
            rows += [
                {"factor": name, "level": v, "mean": m, "ratio": m / base, "difference": m - base}
                for v, m in mean.items()
            ]
        out[response] = pd.DataFrame(rows)
    return out


def _layout(design: Design, rng: np.random.Generator) -> pd.DataFrame:
    """One row a strip in the order of the field, setups at random within blocks."""
    cells, rows = _cells(design), []
    for f in range(design.fields):
        for block in range(1, design.blocks + 1):
            order = [cells[i] for i in rng.permutation(len(cells))]
            if design.main:
                mains = rng.permutation(list(design.factors[design.main]))
                order = [c for level in mains for c in order if c[0][design.main] == level]
            for cell, ratio in order:
                row = {"field": f"Field {f + 1}", "pair": str(block), **cell, "ratio": ratio}
                if design.main:
                    row["main_strip"] = f"{block}{cell[design.main][0]}"
                rows.append(row)
    strips = pd.DataFrame(rows)
    strips.insert(0, "strip", [f"S{i + 1}" for i in range(len(strips))])
    return strips


def _of(
    strips: pd.DataFrame, keys: list[str], law: str, sd: float, rng: np.random.Generator
) -> np.ndarray:
    """The factor of every strip's unit, shape (strips,)."""
    unit = strips.groupby(keys, sort=False).ngroup().to_numpy()
    return factor(law, sd, unit.max() + 1, rng)[unit]


def _level(
    design: Design, strips: pd.DataFrame, spread: float, rough: float, rng: np.random.Generator
) -> np.ndarray:
    """What field, pair, main strip, strip and place make of a strip's mean; expected to be one."""
    law = design.units
    out = _of(strips, ["field", "pair"], law, rough * design.pair_sd, rng)
    out *= _of(strips, ["strip"], law, spread, rng)
    if design.main:
        out *= _of(strips, ["field", "pair", "main_strip"], law, spread, rng)
    if design.fields > 1:
        out *= _of(strips, ["field"], law, rough * FIELD_SD, rng)
        for name in design.factors:
            out *= _of(strips, ["field", name], law, SETUP_BY_FIELD * spread, rng)
    n = len(strips) // design.fields
    along = np.exp(rough * design.gradient * (np.arange(n) / (n - 1) - 0.5))
    return out * np.tile(along / along.mean(), design.fields)


def draw(design: Design, spread: float, rng: np.random.Generator) -> dict[str, pd.DataFrame]:
    """Tables of one trial: strips, frames, grain; areas in ft2.

    Parameters
    ----------
    spread : float
        Log scale: between strips of a block and between main strips; setups in fields have half.
    """
    strips = _layout(design, rng)
    n = len(strips)
    ratio = strips.pop("ratio").to_numpy()
    added = HEADER * ratio * _level(design, strips, spread, 1.0, rng)
    share = SHARE * np.sqrt(ratio) * _level(design, strips, spread, 0.5, rng)
    before = BEFORE * _of(strips, ["strip"], "gamma", BEFORE_SD, rng)
    if design.fields > 1:
        before *= _of(strips, ["field"], "gamma", BEFORE_SD, rng)
    lost = rng.permutation(n)[: int(n / 10 + rng.random())]
    there = np.setdiff1d(np.arange(n), lost)

    frames = []
    for zone, low, high in (("preharvest", 1, 3), ("header", 3, 12)):
        row = np.repeat(there, rng.integers(low, high + 1, len(there)))
        area = rng.choice(AREAS, len(row), p=(0.25, 0.5, 0.25))
        density = before[row] * factor("gamma", BEFORE_FRAME_SD, len(row), rng)
        if zone == "header":
            density += added[row] * factor(design.frames, FRAME_SD, len(row), rng)
        frames.append(
            pd.DataFrame(
                {
                    "frame": [f"{zone[0]}{i}" for i in range(len(row))],
                    "strip": strips["strip"].to_numpy()[row], "zone": zone, "area (ft2)": area,
                    "loose_kernels": rng.poisson(density * area * 0.3048**2),
                }
            )
        )  # fmt: skip
    row = np.repeat(there, rng.integers(1, 4, len(there)))
    examined = rng.integers(2, 7, len(row)) * 50
    mean, size = np.minimum(share[row], 0.9), 1 / SAMPLE_RHO - 1
    grain = pd.DataFrame(
        {
            "strip": strips["strip"].to_numpy()[row], "sample": np.arange(len(row)),
            "kernels_examined": examined,
            "kernels_damaged": rng.binomial(examined, rng.beta(size * mean, size * (1 - mean))),
        }
    )  # fmt: skip
    moisture = rng.uniform(17, 26, design.fields).repeat(n // design.fields)
    strips["speed_measured (mph)"] = np.round(rng.normal(4.5, 0.15, n), 1)
    strips["moisture (%)"] = np.round(moisture + rng.normal(0, 0.3, n), 1)
    return {"strips": strips, "frames": pd.concat(frames, ignore_index=True), "grain": grain}


def write(design: Design, tables: Mapping[str, pd.DataFrame], folder: Path) -> None:
    """A trial folder as a user would fill it in."""
    folder.mkdir(parents=True)
    lines = ['title = "Drawn strips"', "season = 2026", 'units = "US"', "[header]", "rows = 8"]
    lines += ["width = 20", "[grain]", f"thousand_kernel_mass = {100 * KERNEL:g}"]
    for name, levels in design.factors.items():
        listed = ", ".join(f'"{level}"' for level in levels)
        lines += ["[[setup]]", f'name = "{name}"', f"levels = [{listed}]"]
        lines += [f'reference = "{next(iter(levels))}"']
        if name == design.main:
            lines += ["hard_to_change = true"]
    (folder / "trial.toml").write_text("\n".join(lines) + "\n", encoding="utf-8")
    for name, table in tables.items():
        table.to_csv(folder / f"{name}.csv", index=False)
