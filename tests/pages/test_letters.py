"""Names of people and places do not leave the researcher's hands unasked."""

from __future__ import annotations

import pickle
from types import SimpleNamespace

import pandas as pd
import pytest

from trialkit.pages.letters import WITHHELD, Letters, letter, numbered, stand_ins


def letters(agreed: bool, fields: list[str], growers: list[str | None]) -> Letters:
    tables = {
        "fields": pd.DataFrame({"field": fields, "grower": growers}, dtype="str"),
        "strips": pd.DataFrame({"field": [*fields, "Late Field"]}, dtype="str"),
    }
    settings = SimpleNamespace(growers_agreed=agreed, setups=())
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


def test_what_was_looked_through_goes_to_another_process() -> None:
    hidden = letters(False, ["Oak"], ["Ann Example"])
    assert hidden.text("Oak") == "Field A"
    assert pickle.loads(pickle.dumps(hidden)).text("Oak of Ann Example") == "Field A of Grower A"


def test_agreed_names_stand() -> None:
    shown = letters(True, ["Oak"], ["Ann Example"])
    assert shown.text("Oak of Ann Example") == "Oak of Ann Example"
    assert shown.cell("grower", "Anne Exampel") == "Anne Exampel"


@pytest.mark.parametrize(
    ("written", "shown"),
    [
        ("Ann\u00a0 Thornby", "Grower A"), ("thornby,\nann", "Grower A"),
        ("Ann_Thornby", "Grower A"),
        ("AnnThornby", "Grower A"), ("Thorn\u00adby\u2019s", "Grower A\u2019s"),
        ("the Thornbys", "the Grower A"), ("Lu\u0308tz Vale", "Field A"), ("LUTZ-VALE", "Field A"),
        ("Thornby and Lutz", "Grower A and Field A"), ("Li, LI", "Grower B, Grower B"),
        ("Lime, Lutze, Thornbyed, Wide Vale", "Lime, Lutze, Thornbyed, Wide Field A"),
    ],
)  # fmt: skip
def test_names_are_found_however_they_are_written(written: str, shown: str) -> None:
    hidden = letters(False, ["L\u00fctz Vale", "Mork"], ["Ann Thornby", "Li"])
    assert hidden.text(written) == shown
    assert hidden.text(shown) == shown  # what stands for a name is no name


def test_ordinary_words_of_names_go_from_what_users_wrote_alone() -> None:
    hidden = letters(False, ["North ridge"], [None])
    assert hidden.text("A ridge in the north") == "A ridge in the north"
    assert hidden.text("the North Ridge") == "the Field A"
    assert hidden.user_text("wet ridge, 5 % loss") == "wet Field A, 5 % loss"


def test_numbers_within_fields() -> None:
    """Plain numbers stay; names are counted in the order in which they come, place by place."""
    places = ["b", "a", "b", "b", "a"]
    found = numbered(places, ["Ann", "1A", "7", "x", "Ann"], {"a": "Field A", "b": "Field AB"})
    assert list(found.values()) == ["AB-1", "A-1", "7", "AB-3", "A-2"]
    assert stand_ins("Field", ["Field B", "Oak", "Field A", "Elm"]) == {
        "Field B": "Field B", "Oak": "Field C", "Field A": "Field A", "Elm": "Field D"
    }  # fmt: skip
