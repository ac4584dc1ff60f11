"""Words are never stronger than the numbers."""

from __future__ import annotations

import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from trialkit.quantities import Scale, lower_first, upper_first
from trialkit.report.wording import (
    Grade,
    change,
    compared,
    counted,
    finding,
    grade,
    listed,
)

finite = st.floats(-500, 500, allow_nan=False)
BU = Scale("bu/ac", 1.0)


@pytest.mark.parametrize(
    ("p", "low", "high", "expected"),
    [
        (0.009, -3.0, -1.0, Grade.CLEAR),
        (0.01, -3.0, -1.0, Grade.GOOD),
        (0.049, 1.0, 3.0, Grade.GOOD),
        (0.05, 0.1, 3.0, Grade.LEANING),
        (0.149, -3.0, 0.5, Grade.LEANING),
        (0.15, -3.0, 0.8, Grade.OPEN),
        # A small p beside an interval that holds zero: the more careful one decides.
        (0.001, -3.0, 0.5, Grade.LEANING),
        (math.nan, -3.0, -1.0, Grade.OPEN),
        (0.001, math.nan, -1.0, Grade.OPEN),
    ],
)
def test_ladder_of_grades(p: float, low: float, high: float, expected: Grade) -> None:
    assert grade(p, low, high) is expected


@given(p=st.floats(0, 1), ends=st.tuples(finite, finite))
def test_a_zero_inside_the_interval_is_never_called_a_difference(
    p: float, ends: tuple[float, float]
) -> None:
    low, high = sorted(ends)
    if low <= 0 <= high:
        assert grade(p, low, high) in (Grade.LEANING, Grade.OPEN)


@pytest.mark.parametrize("response", ["header_loss", "kernel_damage"])
@pytest.mark.parametrize("verdict", list(Grade))
@pytest.mark.parametrize("falls", [True, False])
def test_sentences_hedge_as_their_grade_says(response: str, verdict: Grade, falls: bool) -> None:
    text = compared(response, "cushioned chain", "standard chain", verdict, falls)
    assert ("clearly" in text) == (verdict is Grade.CLEAR)
    assert ("probably" in text) == (verdict is Grade.LEANING)
    assert ("cannot tell" in text) == (verdict is Grade.OPEN)
    assert not re.search("signific|prove", text + verdict.value)
    if verdict is not Grade.OPEN:
        assert f" {'fewer' if falls else 'more'} " in text
        assert text.startswith("Cushioned chain")


def test_change_in_words() -> None:
    assert change(-1.38, -1.86, -0.9, BU) == "1.4 bu/ac less (0.9 to 1.9)"
    assert change(1.38, 0.9, 1.86, BU) == "1.4 bu/ac more (0.9 to 1.9)"
    assert change(-0.6, -1.8, 0.62, BU) == "0.6 bu/ac less (from 1.8 less to 0.6 more)"
    assert change(math.nan, 0, 1, BU) == "not known"
    # A lopsided interval does not round a share away, nor a fall up to the whole.
    lopsided = change(-25.2, -98.3, 5931, Scale("%", 1.0))
    assert lopsided == "25 % less (from 98 less to 5,931 more)"


@given(values=st.tuples(finite, finite, finite))
def test_change_never_hides_that_both_directions_are_possible(
    values: tuple[float, float, float]
) -> None:
    low, value, high = sorted(values)
    text = change(value, low, high, BU)
    assert (low < 0 < high) == ("less to" in text)
    assert MINUS not in text


MINUS = "−"


def test_finding_reads_one_row_of_contrasts() -> None:
    row = {
        "label": "cushioned chain", "p_adjusted": 0.004,
        "difference": -62.768 * 2, "difference_low": -62.768 * 3, "difference_high": -62.768,
        "ratio": 0.6, "ratio_low": 0.48, "ratio_high": 0.75,
    }  # fmt: skip
    found = finding("header_loss", row, "standard chain", unit="kg/ha", system="US")
    assert found.sentence == (
        "Cushioned chain left clearly fewer loose kernels at the header than standard chain."
    )
    assert found.absolute == (
        "2.0 bu/ac less (1.0 to 3.0)", "130 kg/ha less (60 to 190)"
    )  # fmt: skip
    assert found.percent == "40 % less (25 to 52)"
    points = finding("kernel_damage", {**row, "difference": -2.0, "difference_low": -3.0,
                                       "difference_high": -1.0},
                     "standard chain", unit="%", system="US")  # fmt: skip
    assert points.absolute == ("2.0 percentage points fewer (1.0 to 3.0)",)


def test_small_words() -> None:
    assert listed(["a"]) == "a"
    assert listed(["a", "b", "c"]) == "a, b and c"
    assert counted(1, "strip") == "1 strip"
    assert counted(1200, "strip") == "1,200 strips"
    assert counted(2, "pair or block", "pairs") == "2 pairs"
    assert lower_first("Wide gap") == "wide gap"
    assert lower_first("LP gap") == "LP gap"
    assert upper_first("wide gap, 6 mph") == "Wide gap, 6 mph"
