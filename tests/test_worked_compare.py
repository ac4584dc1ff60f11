"""The table of the worked examples must fail when a figure does not round to the published one."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "notebooks" / "worked"))
from _compare import Row, compare, half_unit


@pytest.mark.parametrize(
    ("printed", "half"),
    [("20.93", 0.005), ("1764", 0.5), ("2.46e-12", 0.005e-12), ("11,271.5", 0.05)],
)
def test_half_a_unit_in_the_last_place(printed: str, half: float) -> None:
    assert half_unit(printed) == pytest.approx(half, rel=1e-12)


def test_a_figure_that_rounds_to_the_published_one_passes() -> None:
    compare(Row("mean", "20.93", 20.934999, "here"), Row("mean", "-0.16", -0.1551, "here"))


@pytest.mark.parametrize("ours", [20.936, 20.924, -20.93, float("nan")])
def test_a_figure_that_does_not_fails_and_is_named(ours: float) -> None:
    with pytest.raises(AssertionError, match="mean difference"):
        compare(Row("mean difference", "20.93", ours, "here"))


def test_more_than_rounding_needs_a_reason() -> None:
    compare(Row("mean", "20.93", 20.94, "here", 0.011, "another approximation"))
    with pytest.raises(AssertionError):
        compare(Row("mean", "20.93", 20.95, "here", 0.011, "another approximation"))
    with pytest.raises(ValueError, match="reason"):
        compare(Row("mean", "20.93", 20.94, "here", 0.011))
