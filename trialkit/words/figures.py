"""What a figure shows, in its caption and its alternative text, never surer than the grades."""

from __future__ import annotations

from trialkit.display import number
from trialkit.facts import Grade
from trialkit.quantities import upper_first

_TOGETHER = {
    Grade.LEANING: (
        "All strips together lean towards {side}; no difference at all is still possible."
    ),
    Grade.OPEN: "All strips together cannot tell the two apart.",
}


def means_with_strips(level: float, sentence: str = "") -> str:
    """Key of adjusted means with intervals and single strips, behind what they come to."""
    return (
        f"{sentence} Large mark: mean by the model. Bar: where it likely lies "
        f"({number(level * 100, 0)} % interval). Rings: single strips."
    ).lstrip()


def joined_strips(summary: str, word: str, grades: list[tuple[Grade, bool]]) -> str:
    """Strips joined within their pair (block): the count, and what it may be taken for.

    Parameters
    ----------
    summary : str
        What the figure counts.
    word : str
        "pair" or "block".
    grades : list of (Grade, bool)
        Of the comparisons that are drawn, and whether each falls.
    """
    parts = [summary]
    if len(grades) == 1 and not grades[0][0].found:
        grade, falls = grades[0]
        parts.append(_TOGETHER[grade].format(side="less" if falls else "more"))
    elif grades and all(grade is Grade.OPEN for grade, _ in grades):
        parts.append("All strips together do not tell the setups apart.")
    dashed = "; dashed where it does not fall" if len(grades) == 1 else ""
    parts.append(f"One line is one {word}{dashed}.")
    return " ".join(filter(None, parts))


def balance_by_area(level: float, chance: str) -> str:
    """Key of the yearly balance of an option over the area, behind the chance that it pays."""
    key = f"Line: value saved less the yearly cost. Band: {number(level * 100, 0)} % interval."
    return f"{upper_first(chance)} {key}".strip()
