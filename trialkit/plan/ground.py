"""Ground: rows, planter passes and combine passes across a field.

Rows are numbered from 1 at the left edge of the first planter pass of the trial, looking along the
rows; ``x`` (m) is measured across the rows from that edge, ``y`` (m) along them from the near end
of the field.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import pandas as pd

from trialkit.errors import DesignError
from trialkit.simulate.shown import settings_card
from trialkit.units import METRES_PER_FOOT
from trialkit.words import plan as words

# 300 ft strips work, 750 ft are better: Pacific Northwest on-farm testing, design page, 1994.
SHORTEST = 300 * METRES_PER_FOOT
BETTER_LENGTH = 750 * METRES_PER_FOOT


@dataclass(frozen=True, slots=True)
class Ground:
    """The part of a field a trial is laid on.

    Attributes
    ----------
    field : str
    length : float
        Along the rows, headlands included (m).
    width : float or None
        Across the rows (m); None where there is as much as the trial takes.
    row_spacing : float
        Between rows (m); 30 in unless told.
    planter_rows : int or None
        Rows of the planter; None where the joint between planter passes does not matter.
    headland : float
        Depth at each end (m), harvested before and no part of a strip.
    grower : str
        Whose field it is; empty where nobody said.
    """

    field: str
    length: float
    width: float | None = None
    row_spacing: float = 0.762
    planter_rows: int | None = None
    headland: float = 0.0
    grower: str = ""

    def __post_init__(self) -> None:
        for name in ("field", "grower"):
            object.__setattr__(self, name, " ".join(str(getattr(self, name)).split()))
        if not self.field:
            raise DesignError("A field has no name; give each ground the name of its field.")
        # What is read from a trial's tables as a label, with room for the strip's number.
        if self.field[0] == "=" or not self.field.isprintable() or len(self.field) > 90:
            raise DesignError(
                f"The name of a field is {self.field[:90]!r}; give a label of at most 90 "
                "characters that does not begin with =."
            )
        for name, low, high in (
            ("length", 1.0, 1e5), ("width", 1.0, 1e5), ("row_spacing", 0.2, 2.0),
            ("headland", 0.0, 1e4),
        ):  # fmt: skip
            value = getattr(self, name)
            if not (name == "width" and value is None) and not low <= value <= high:
                raise DesignError(
                    f"Field {self.field}: {name} is {value!r}; it is in m, {low:g} to {high:g}."
                )
        rows = self.planter_rows
        if rows is not None and not (isinstance(rows, int) and 1 <= rows <= 96):
            raise DesignError(f"Field {self.field}: planter_rows is {rows!r}; give 1 to 96 rows.")

    def _repr_html_(self) -> str:
        return settings_card(words.ground(), self)

    @property
    def strip_length(self) -> float:
        """Length of a strip (m): the field's less a headland at each end."""
        return self.length - 2 * self.headland


def keeps_planter_passes(planter_rows: int | None, pass_rows: int) -> bool:
    """Whether passes can lie inside one planter pass each, or take whole ones."""
    return planter_rows is None or pass_rows <= planter_rows or pass_rows % planter_rows == 0


def lanes(planter_rows: int | None, pass_rows: int) -> Iterator[tuple[str, int, int]]:
    """Places for combine passes from the left: "pass" or "rows left", first and last row.

    Where a planter pass holds no whole number of combine passes, the rows left over are parted
    between its two sides, so that the rows beside a joint are the first to fall to them.
    """
    block = pass_rows if planter_rows is None else max(planter_rows, pass_rows)
    fit, left = divmod(block, pass_rows)
    start = 1
    while True:
        at = start + left // 2
        if at > start:
            yield "rows left", start, at - 1
        for _ in range(fit):
            yield "pass", at, at + pass_rows - 1
            at += pass_rows
        start += block
        if at < start:
            yield "rows left", at, start - 1


def lay_passes(ground: Ground, pass_rows: int, wanted: Sequence[tuple[str, str]]) -> pd.DataFrame:
    """Passes from the left edge on, up to the edge of the last planter pass that is touched.

    Parameters
    ----------
    wanted : sequence of (kind, strip)
        In order; the strip's name is empty for borders and buffers.

    Returns
    -------
    DataFrame
        ``field, pass, kind, strip, first_row, last_row, left, right`` (m): kinds are those wanted
        and "rows left", which are no whole pass and have number 0.
    """
    block = pass_rows if ground.planter_rows is None else max(ground.planter_rows, pass_rows)
    places = lanes(ground.planter_rows, pass_rows)
    todo = list(wanted)
    rows = []
    last = 0
    while todo or last % block:
        kind, first, last = next(places)
        strip, number = "", 0
        if kind == "pass" and todo:
            number = len(wanted) - len(todo) + 1
            kind, strip = todo.pop(0)
        elif kind == "pass":
            kind = "rows left"
        rows.append((ground.field, number, kind, strip, first, last))
    table = pd.DataFrame(rows, columns=["field", "pass", "kind", "strip", "first_row", "last_row"])
    table["left"] = (table["first_row"] - 1) * ground.row_spacing
    table["right"] = table["last_row"] * ground.row_spacing
    return table


def joints(ground: Ground, right: float) -> list[float]:
    """Where planter passes meet (m from the left edge), up to `right`, the outer edges included."""
    if ground.planter_rows is None:
        return []
    step = ground.planter_rows * ground.row_spacing
    return [i * step for i in range(int(right / step + 1e-6) + 1)]


def rows_to_count(planter_rows: int | None, first: int, last: int, direction: str) -> str:
    """Rows of a pass that are not beside a joint, counted from the left in the direction of travel.

    The spacing at a joint is a guess, so a frame there is not the area it is taken for. Where
    every row is beside one, all are given.
    """
    rows = range(first, last + 1)
    sound = [r for r in rows if planter_rows is None or r % planter_rows not in (0, 1)] or rows
    places = sorted(r - first + 1 if direction == "up" else last - r + 1 for r in sound)
    return ", ".join(_spans(places))


def _spans(numbers: Iterable[int]) -> Iterator[str]:
    start = end = None
    for n in [*numbers, None]:
        if start is None or end is None:
            start = end = n
        elif n == end + 1:
            end = n
        else:
            yield f"{start}-{end}" if end > start else f"{start}"
            start = end = n
