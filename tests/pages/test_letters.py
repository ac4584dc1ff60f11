"""Names of people and places do not leave the researcher's hands unasked."""

from __future__ import annotations

import pickle
from itertools import islice
from types import SimpleNamespace

import pandas as pd
import pytest

from trialkit.pages.compared_letters import ComparedLetters
from trialkit.pages.letters import (
    WITHHELD,
    Letters,
    find_grower,
    free_letters,
    letter,
    numbered,
    stand_ins,
)
from trialkit.pages.seasons.letters import SeasonsLetters


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


@pytest.mark.parametrize(
    ("written", "shown"),
    [
        ("OBrien counted", "Grower A counted"), ("J. O\u2019Brien\u2019s", "J. Grower A\u2019s"),
        ("O'Briens", "Grower A"), ("Mueller's frames", "Grower B's frames"),
        ("MU\u0308LLER", "Grower B"), ("Schr\u00f6der", "Grower C"), ("Mc Donald's", "Grower D's"),
        ("mc-donald", "Grower D"), ("\u7531\u738b\u5c0f\u660e\u6570", "\u7531Grower E\u6570"),
        ("\u738b \u5c0f\u660e", "Grower E"), ("\uae40\ucca0\uc218\uac00", "Grower F\uac00"),
        ("Donald, brine, the Schrader", "Donald, brine, the Schrader"), ("\u738b", "\u738b"),
    ],
)  # fmt: skip
def test_names_are_found_in_other_spellings(written: str, shown: str) -> None:
    growers = ["Jean-Luc O'Brien", "M\u00fcller", "Schroeder", "McDonald", "\u738b\u5c0f\u660e",
               "\uae40\ucca0\uc218"]  # fmt: skip
    hidden = letters(False, [f"F{i}" for i in range(6)], growers)
    assert hidden.user_text(written) == shown


def test_a_name_of_two_is_withheld() -> None:
    hidden = letters(False, ["Oak (north)", "Oak north", "Elm Oak"], [None] * 3)
    assert hidden.text("Oak North was wet") == f"{WITHHELD} was wet"
    assert hidden.text("Elm Oak and oak") == f"Field C and {WITHHELD}"


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
    # A grower may be asked for by the letter that is shown.
    growers = stand_ins("Grower", ["Grower B", "Ann Example"])
    assert [find_grower(own, growers) for own in ("b", "grower a", "ANN  example")] == [
        "Grower B", "Ann Example", "Ann Example"
    ]  # fmt: skip
    # "Field ANN" would be taken for Ann, and "Field B" for the field that somebody calls so.
    free = free_letters("Field", ["field b", "Ann Example"])
    assert list(islice(free, 2)) == ["Field A", "Field C"]
    assert "Field ANN" not in set(islice(free, 2000))


# ---------------------------------------------------------------- many trials
ANN, BOB, CAL = "Ann Thornby", "Bob Vexler", "Cal Mork"
SOWN = [("a23", ANN, "Home Forty", True), ("b24", BOB, "home forty", False),
        ("c24", CAL, "Home Forty", False), ("c25", CAL, "Home Forty", False),
        ("a25", ANN, "Crooked Bend", False), (ANN, ANN, "Crooked Bend", True),
        ("Mork 26", CAL, "Field A", True), ("d26", "Dee Quist", "Mork Bend", True)]  # fmt: skip
"""Trial, grower, field, whether agreed to: a name of three growers, partly agreed growers, a
folder called after one."""


def compared() -> SimpleNamespace:
    strips = pd.DataFrame(
        [{"trial": t, "grower": g, "field": f, "pair": f"{f} 1", "strip": f"{f}-{i}",
          "latitude": 41.5, "longitude": -93.2} for t, g, f, _ in SOWN for i in range(2)]
    )  # fmt: skip
    trials = pd.DataFrame({
        "trial": [t for t, *_ in SOWN], "title": [f"Chain trial of {g}" for _, g, *_ in SOWN],
        "growers_agreed": [a for *_, a in SOWN], "note": "",
    })  # fmt: skip
    none = pd.DataFrame({"trial": [], "kind": [], "reason": []})
    return SimpleNamespace(trials=trials, strips=strips, skipped=none, settings={}, left_places={},
                           factors={"cushion": ["off", "on"]})  # fmt: skip


@pytest.mark.parametrize("whose", [None, ANN, BOB, CAL])
def test_what_is_shown_for_a_field_is_never_taken_for_another(whose: str | None) -> None:
    hidden = SeasonsLetters(compared(), whose)  # type: ignore[arg-type]
    named = {f"{t} {f}" for t, g, f, _ in SOWN if g == whose or t in ("a23", "Mork 26")}
    for (trial, field), shown in hidden.fields.items():
        assert hidden.text(f"Not so {shown} ({trial[-2:]})") == f"Not so {shown} ({trial[-2:]})"
        assert (shown == field) is (f"{trial} {field}" in named), trial
    by_letter: dict[str, set] = {}
    for key, shown in hidden.fields.items():
        by_letter.setdefault(shown, set()).add(hidden.ground[key])
    assert all(len(g) == 1 for shown, g in by_letter.items() if shown != "Home Forty")
    assert hidden.fields["c24", "Home Forty"] == hidden.fields["c25", "Home Forty"]
    # Where nothing says whose field is meant; else a field of two seasons has its one letter.
    assert hidden.unlettered("HOME FORTY and forty, wet") == f"{WITHHELD} and {WITHHELD}, wet"
    assert "Thornby" not in hidden.text("Thornby was here") or whose == ANN
    bend = hidden.fields["a25", "Crooked Bend"]
    assert hidden.unlettered("Crooked Bend was wet") == f"{bend} was wet"


@pytest.mark.parametrize("kind", [ComparedLetters, SeasonsLetters])
def test_an_agreed_trial_names_no_grower_who_did_not_agree_elsewhere(kind: type) -> None:
    """Ann agreed in one of her trials and Cal in one of his: letters stand for both everywhere, so
    no title, folder, strip or place of the agreed ones may say who they are."""
    many = compared()
    hidden = kind(many)
    trials, strips = hidden.table(many.trials), hidden.table(many.strips)
    told = f"{trials.to_csv()} {strips.to_csv()}".lower()
    assert not [w for w in ("thornby", "bob", "vexler", "cal", "mork", "crooked") if w in told]
    assert dict(zip(many.trials["trial"], trials["title"], strict=True))["a23"] == "a23"
    assert "Mork 26" not in set(trials["trial"]) and "Dee Quist" in set(strips["grower"])
    placed = strips["latitude"].notna()
    assert set(many.strips.loc[placed, "trial"]) == {"a23", "Mork 26"}
    assert (strips.groupby("trial")["strip"].nunique() == 2).all()
    rows = many.strips.drop_duplicates("trial")
    if kind is SeasonsLetters:
        assert list(hidden.places_kept(rows)["trial"]) == ["a23", "Mork 26"]
