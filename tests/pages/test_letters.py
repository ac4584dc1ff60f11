"""Names of people and places do not leave the researcher's hands unasked."""

from __future__ import annotations

from types import SimpleNamespace

import pandas as pd
import pytest

from trialkit.pages.letters import WITHHELD, Letters, letter


def letters(agreed: bool, fields: list[str], growers: list[str | None]) -> Letters:
    tables = {
        "fields": pd.DataFrame({"field": fields, "grower": growers}, dtype="str"),
        "strips": pd.DataFrame({"field": [*fields, "Late Field"]}, dtype="str"),
    }
    settings = SimpleNamespace(growers_agreed=agreed)
    trial = SimpleNamespace(config=settings, tables=tables, **tables)
    return Letters(trial)  # type: ignore[arg-type]


@pytest.mark.parametrize(("index", "text"), [(0, "A"), (25, "Z"), (26, "AA"), (701, "ZZ")])
def test_letters_count_like_spreadsheet_columns(index: int, text: str) -> None:
    assert letter(index) == text


def test_names_are_found_in_running_text() -> None:
    hidden = letters(False, ["Oak (north)", "Oak", "7"], ["Ann Example", None, "Ann Example"])
    assert hidden.fields == {
        "Oak (north)": "Field A", "Oak": "Field B", "7": "Field C", "Late Field": "Field D"
    }  # fmt: skip
    assert hidden.text("OAK (North), Oak-01 and Oak_2 of ann example") == (
        "Field A, Field B-01 and Field B_2 of Grower A"
    )
    # Part of another word is not the name; "7" is too short to name anyone.
    assert hidden.text("Oakum, 7 frames") == "Oakum, 7 frames"


def test_cells_that_may_hold_names_are_withheld() -> None:
    hidden = letters(False, ["Oak"], ["Ann Example"])
    assert hidden.cell("grower", "Anne Exampel") == WITHHELD
    assert hidden.cell("Note", "Ann was here") == WITHHELD
    assert hidden.cell("moisture", "220 at Oak") == "220 at Field A"


def test_agreed_names_stand() -> None:
    shown = letters(True, ["Oak"], ["Ann Example"])
    assert shown.text("Oak of Ann Example") == "Oak of Ann Example"
    assert shown.cell("grower", "Anne Exampel") == "Anne Exampel"
