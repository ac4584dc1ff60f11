"""What the fuzzer holds, on a fixed number of inputs; `run.py` tries as many as wanted by hand."""

from __future__ import annotations

from collections import Counter

import pytest
from inputs import draw
from properties import hold

SEED = 20_261
# Inputs by kind, and the least of them that must be read: a fuzzer whose every input is refused as
# a whole would find nothing. The shares lie below what these seeds gave.
TRIED = {"tables": (120, 0.7), "workbook": (100, 0.2), "settings": (100, 0.1), "plan": (200, 0.1)}
_PARTS = 2


@pytest.mark.parametrize("part", range(_PARTS))
@pytest.mark.parametrize("kind", TRIED)
def test_every_input_is_read_or_refused_in_a_sentence(kind: str, part: int) -> None:
    inputs, share = TRIED[kind]
    found: Counter[str] = Counter()
    failed: dict[str, str] = {}
    for number in range(part, inputs, _PARTS):
        given = draw(kind, SEED, number)
        try:
            found[hold(given)] += 1
        except Exception as error:
            failed[given.name] = f"{type(error).__name__}: {str(error)[:300]}"
    assert not failed, f"python tests/fuzz/run.py --replay {next(iter(failed))}: {failed}"
    assert found["read"] >= share * inputs / _PARTS


@pytest.mark.parametrize("kind", TRIED)
def test_an_input_is_drawn_again_from_its_name(kind: str) -> None:
    assert draw(kind, SEED, 7).files == draw(kind, SEED, 7).files


def test_a_damaged_part_that_nothing_needs_costs_nothing() -> None:
    assert hold(draw("workbook", 2, 4847)) == "read"
