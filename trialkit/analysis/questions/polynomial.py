"""Terms of a polynomial in two settings: which of them the settings run can tell."""

from __future__ import annotations

import numpy as np

from trialkit.analysis.questions.settings import Setting
from trialkit.errors import DesignError

LINEAR = ("surface_1", "surface_2")
# Column of each further term and its exponents; squares first, they tell most.
FURTHER = {"surface_11": (2, 0), "surface_22": (0, 2), "surface_12": (1, 1)}
# Settings that went together more closely than this cannot be told apart: common practice.
TOGETHER = 0.95


def check_pair(one: Setting, two: Setting, coded: np.ndarray) -> None:
    """Refuse settings that cannot carry a surface."""
    together = abs(float(np.corrcoef(coded.T)[0, 1]))
    combos = len(np.unique(np.column_stack([one.classes, two.classes]), axis=0))
    if combos < 3:
        raise DesignError(
            f"Only {combos} combinations of {one.label} and {two.label} were run. A surface needs "
            "at least three, better a full crossing of three by three."
        )
    if together > TOGETHER or rank(one, two, [(0, 0), (1, 0), (0, 1)]) < 3:
        raise DesignError(
            f"{one.label.capitalize()} and {two.label} always changed together (correlation "
            f"{together:.2f}), so what each does cannot be told apart. Run their other "
            "combinations too."
        )
    if max(one.distinct, two.distinct) < 3:
        raise DesignError(
            f"{one.label.capitalize()} and {two.label} were run at two values each: that shows no "
            "curve and no best setting. Run at least one of them at three values."
        )


def power(z: np.ndarray, exponents: tuple[int, int]) -> np.ndarray:
    return z[:, 0] ** exponents[0] * z[:, 1] ** exponents[1]


def rank(one: Setting, two: Setting, exponents: list[tuple[int, int]]) -> int:
    """Rank of polynomial terms over the distinct settings."""
    classes = np.column_stack([one.code(one.middle), two.code(two.middle)])
    columns = np.column_stack([power(classes, e) for e in exponents])
    return int(np.linalg.matrix_rank(columns, tol=1e-6))


def polynomial_terms(one: Setting, two: Setting) -> dict[str, tuple[int, int]]:
    """Terms that the distinct settings identify, in the order they are tried."""
    kept: dict[str, tuple[int, int]] = {LINEAR[0]: (1, 0), LINEAR[1]: (0, 1)}
    for name, exponents in FURTHER.items():
        trial = [(0, 0), *kept.values(), exponents]
        if rank(one, two, trial) == len(trial):
            kept[name] = exponents
    return kept


def term_words(one: Setting, two: Setting) -> dict[str, str]:
    """Every term in words."""
    return {
        "surface_1": one.label,
        "surface_2": two.label,
        "surface_11": f"{one.label} squared",
        "surface_22": f"{two.label} squared",
        "surface_12": f"{one.label} by {two.label}",
    }
