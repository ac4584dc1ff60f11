"""Trials planned in few words, for the tests of layouts."""

from __future__ import annotations

from typing import Any

from trialkit import plan as tp
from trialkit.intake import HeaderConfig, SetupFactor, TrialConfig


def factor(name: str, levels: int, hard: bool = False) -> SetupFactor:
    labels = tuple(f"{name}{i}" for i in range(levels))
    return SetupFactor(name, labels, labels[0], hard_to_change=hard)


def config(*factors: SetupFactor, rows: int = 8) -> TrialConfig:
    width = rows * 0.762
    return TrialConfig("Plan", 2026, "SI", HeaderConfig(rows, width, width), factors)


ONE = tp.Ground("North", 400.0)
CUSHION, GAP = factor("cushion", 2, hard=True), factor("gap", 3)


def planned(*factors: SetupFactor, **more: Any) -> tp.Plan:
    return tp.plan_trial(
        config(*factors), more.pop("grounds", ONE), seed=more.pop("seed", 1), **more
    )


def lines(plan: tp.Plan) -> list[tuple[str, int]]:
    return [(t, int(df)) for t, df in zip(plan.variance["term"], plan.variance["df"], strict=True)]
