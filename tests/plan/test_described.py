"""Plans described in a file or a few words: read in any units, strict in what they take."""

from __future__ import annotations

import copy
import re
import tomllib
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trialkit import plan as tp
from trialkit.errors import TrialError, TrialkitError
from trialkit.plan.power_expected import PREHARVEST_SHARE
from trialkit.simulate import Effort
from trialkit.units import KG_HA_PER_BU_AC
from trialkit.words.plan_file import example

EXAMPLE = example()

DEMO = Path(__file__).parents[2] / "data_demo" / "gap_fields" / "trial.toml"
FOOT = 0.3048


def asked(**changes: Any) -> dict[str, Any]:
    """The example as data, with top-level keys replaced."""
    return {**tomllib.loads(EXAMPLE), **changes}


def test_the_example_says_what_it_says() -> None:
    found = tp.check_description(tomllib.loads(EXAMPLE))
    ground = found.grounds[0]
    assert ground.field == "Home" and ground.planter_rows == 16
    assert ground.length == pytest.approx(1320 * FOOT)
    assert ground.width == pytest.approx(400 * FOOT)
    assert ground.row_spacing == pytest.approx(0.762)
    assert ground.headland == pytest.approx(60 * FOOT)
    assert found.arguments == {"blocks": 6, "seed": 7}
    assert found.effort.frame_area == pytest.approx(Effort().frame_area)
    # 1/100 acre would take 21.8 ft of a pass of 8 rows at 30 in; backed up 20 ft, 400 ft2 fit.
    assert found.effort == Effort.usual("US", 8 * 0.762)
    assert found.effort.ear_area == pytest.approx(400 * FOOT**2)
    plan = found.plan()
    assert (plan.seed, plan.layout, len(plan.strips)) == (7, "pairs", 12)
    assert "back up" not in " ".join(plan.to_know)
    assert "takes 22 ft along the rows" in " ".join(plan.counting(Effort()).to_know)


def test_every_key_the_example_shows_is_one() -> None:
    """With the marks taken off; and the defaults it shows are the defaults."""
    whole = re.sub(r"^# (?=[a-z_]+ = |\[)", "", EXAMPLE, flags=re.MULTILINE)
    assert whole.count("\n# ") == 2  # the explanation at its head
    found = tp.check_description(tomllib.loads(whole))
    assert found.corners == {"Home": (41.5, -93.6)} and found.headings == {"Home": 0.0}
    given = found.arguments
    assert given["max_change_hours"] == 12 and given["setups"][1] == {"cushion": "cushion"}
    assert given["work"].change_minutes == {"cushion": 120.0}
    assert given["work"].speed == pytest.approx(8.05, abs=0.01)
    free = {k: v for k, v in given.items() if k not in ("setups", "work", "max_change_hours")}
    bare = tp.check_description(tomllib.loads(EXAMPLE))
    pd.testing.assert_frame_equal(
        tp.plan_trial(found.config, found.grounds, **free).strips, bare.plan().strips
    )


def test_a_trials_own_settings_and_a_field(tmp_path: Path) -> None:
    path = tmp_path / "plan.toml"
    text = DEMO.read_text(encoding="utf-8")
    path.write_text(f'{text}\n[[field]]\nname = "North"\nlength = "400 m"\n', encoding="utf-8")
    found = tp.read_description(path)
    assert found.grounds == (tp.Ground("North", 400.0),)
    assert found.effort == Effort.usual("US", 8 * 0.762)
    assert found.plan().design.kind == "6 blocks of strips on one field"


SI: dict[str, Any] = {
    "units": "SI", "header": {"rows": 8, "width": 6.096},
    "field": [{"name": "Home", "length": 402.336, "rows": 160, "row_spacing": 0.762,
               "planter_rows": 16, "headland": 18.288}],
    "count": {"frame_area": "10 ft2"},
}  # fmt: skip
TEXTS: dict[str, Any] = {
    "field": [{"name": "Home", "length": "402.336 m", "width": "121.92m", "row_spacing": "76.2 cm",
               "planter_rows": 16, "headland": "20 yd"}],
}  # fmt: skip


def test_one_plan_in_any_units() -> None:
    us = tp.check_description(asked())
    for changes in (SI, {"field": [{**TEXTS["field"][0], "headland": "60 feet"}]}):
        other = tp.check_description(asked(**changes))
        for name in ("length", "width", "row_spacing", "headland"):
            same = pytest.approx(getattr(us.grounds[0], name), rel=1e-9)
            assert getattr(other.grounds[0], name) == same
        assert other.effort.frame_area == pytest.approx(us.effort.frame_area)
        left = [c for c in us.plan().strips if c not in ("left", "right", "start", "end")]
        pd.testing.assert_frame_equal(other.plan().strips[left], us.plan().strips[left])


FIELD = {"name": "Home", "length": 1320}
FAULTS: dict[str, tuple[dict[str, Any], list[str]]] = {
    "no field": ({"field": []}, ["field is []; expected sections [[field]]"]),
    "section misspelt": (
        {"feild": [FIELD]}, ["feild is not a key here; perhaps 'field' is meant"]),
    "key misspelt": (
        {"field": [{**FIELD, "planter_row": 16}]}, ["field 1: planter_row", "'planter_rows'"]),
    "option misspelt": ({"plan": {"block": 6}}, ["plan.block is not a key", "'blocks' is meant"]),
    "all at once": (
        {"plan": {"blocks": "six", "order": "any"}, "count": {"header_frames": 1.5},
         "work": {"sped": 3}, "field": [{"name": "", "length": -1}]},
        ["6 faults", "plan.blocks is 'six'", "plan.order is 'any'; expected one of 'position'",
         "count.header_frames is 1.5", "work.sped is not a key here; perhaps 'speed'",
         "field 1: name is ''", "field 1: length is -1; expected 3.28 to 328,084 ft"]),
    "length missing": ({"field": [{"name": "Home"}]}, ["field 1: length is missing"]),
    "wrong dimension": (
        {"field": [{"name": "Home", "length": "3 ha"}]}, ["field 1: length is '3 ha'"]),
    "no unit": ({"field": [TEXTS["field"][0]]}, ["headland is '20 yd'; expected 0 to"]),
    "not a number": (
        {"field": [{"name": "H", "length": float("nan")}, {"name": "I", "length": 10**400}]},
        ["field 1: length is nan", "field 2: length is 1000"]),
    "rows and width": (
        {"field": [{**FIELD, "rows": 80, "width": 200}]}, ["either rows or width, not both"]),
    "same field": ({"field": [FIELD, {"name": "HOME", "length": 900}]}, ["a name of its own"]),
    "half a place": (
        {"field": [{**FIELD, "corner": [41.5, -93.6]}]}, ["field 1: heading is missing"]),
    "a place that is none": (
        {"field": [{**FIELD, "corner": [141.5, -93.6], "heading": 0}]}, ["latitude, longitude"]),
    "one place of two": (
        {"field": [{**FIELD, "corner": [41.5, -93.6], "heading": 0}, {"name": "B", "length": 900}]},
        ["corner and heading are given for some fields"]),
    "setups": ({"plan": {"setups": ["cushion"]}}, ["plan.setups is ['cushion']"]),
    "the trial's own": ({"header": {"rows": 8}}, ["header.width is missing"]),
}  # fmt: skip


@pytest.mark.parametrize("case", FAULTS)
def test_faults_are_told_all_at_once(case: str) -> None:
    changes, words = FAULTS[case]
    with pytest.raises(TrialError) as error:
        tp.check_description(asked(**changes), "mine.toml")
    assert str(error.value).startswith("mine.toml has ")
    for part in words:
        assert part in str(error.value)


WHOLE = tomllib.loads(re.sub(r"^# (?=[a-z_]+ = |\[)", "", EXAMPLE, flags=re.MULTILINE))
VALUES = st.one_of(
    st.none(), st.booleans(), st.integers(-5, 2000), st.floats(), st.text(max_size=8),
    st.sampled_from(["75 cm", "1e3 ft", ".m", "- 3 m", "\x00", "3 ft2", 10**400, [], [1, 2], {},
                     [{}], {"cushion": 1}, [{"cushion": "felt"}], [[]]]),
)  # fmt: skip


@settings(max_examples=150, deadline=None)
@given(st.data())
def test_anything_is_planned_or_refused_in_words(data: st.DataObject) -> None:
    """Values swapped, dropped and misnamed anywhere in the whole example: a plan, or a sentence."""
    asked = copy.deepcopy(WHOLE)
    for _ in range(data.draw(st.integers(1, 3))):
        places = [asked, asked["header"], *asked["setup"], *asked["field"], asked["plan"],
                  asked["count"], asked["work"]]  # fmt: skip
        place = data.draw(st.sampled_from([p for p in places if isinstance(p, dict) and p]))
        key = data.draw(st.sampled_from(sorted(place)))
        value = data.draw(VALUES)
        if place is asked and key in ("header", "setup", "field", "plan", "count", "work"):
            break
        what = data.draw(st.sampled_from(["swap", "drop", "misname"]))
        if what == "swap":
            place[key] = value
        else:
            kept = place.pop(key)
            if what == "misname":
                place[key[:-1] + "x"] = kept
    try:
        plan = tp.check_description(asked).plan()
    except TrialkitError as error:
        assert str(error) and "Traceback" not in str(error)
        return
    assert (plan.degrees_of_freedom["error_df"] >= 1).all()


@pytest.mark.parametrize("section", ["header", "setup", "field", "plan", "count", "work"])
@pytest.mark.parametrize("value", [None, 3, "x", [], [3], {}, [{}]])
def test_a_section_that_is_none(section: str, value: Any) -> None:
    try:
        tp.check_description({**WHOLE, section: value}).plan()
    except TrialkitError as error:
        assert section in str(error) or "factor" in str(error)
    else:
        assert value == {} and section in ("plan", "count", "work")


def test_files_that_are_none(tmp_path: Path) -> None:
    with pytest.raises(TrialError, match=r"nowhere\.toml cannot be read"):
        tp.read_description(tmp_path / "nowhere.toml")
    (tmp_path / "a.toml").write_text("blocks = ")
    with pytest.raises(TrialError, match=r"a\.toml is not valid TOML"):
        tp.read_description(tmp_path / "a.toml")
    (tmp_path / "b.toml").write_bytes(b"title = '\xff'")
    with pytest.raises(TrialError, match="UTF-8"):
        tp.read_description(tmp_path / "b.toml")


def test_what_is_to_be_simulated_is_described() -> None:
    """The same grid as the arguments give, losses in the trial's own unit, percent as percent."""
    bare = tomllib.loads(EXAMPLE)
    section = {"reduction": 45, "loss": 2, "damage": 4, "pairs": [4, 5], "frames": 4, "rounds": 4,
               "aim": 60}  # fmt: skip
    found = tp.check_description({**bare, "power": section})
    loss = 2 * KG_HA_PER_BU_AC
    expected = tp.Expected(loss, loss * PREHARVEST_SHARE, damage=0.04)
    plain = tp.check_description(bare).plan()
    asked = {"pairs": [4, 5], "frames": [4], "rounds": 4, "aim": 0.6, "seed": 2}
    own = tp.power(plain, reduction=0.45, expected=expected, **asked)
    pd.testing.assert_frame_equal(found.power(seed=2).table, own.table)
    more = found.power(seed=2, reduction=0.2, pairs=[4])
    assert set(more.table["pairs"]) == {4} and more.reductions["cushion"]["cushion"] == 0.2
    for key, wrong in (("reduction", 100), ("pairs", [1]), ("frames", 2.5), ("aim", 4), ("x", 1)):
        with pytest.raises(TrialError, match=f"power.{key} is"):
            tp.check_description({**bare, "power": {key: wrong}})
