"""The header of a trial: verdicts, order of repair, words, the strips' gaps, and the drawing."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from frozen_trials import frozen_dir
from matplotlib.backends.backend_agg import FigureCanvasAgg

import trialkit as tk
from trialkit import plots
from trialkit.errors import DesignError
from trialkit.header import HeaderLimits, RowUnit, check_header, gap_target, strip_gaps
from trialkit.header.plates import STATIONS
from trialkit.intake import write_trial
from trialkit.responses import schema
from trialkit.simulate import HeaderProfile
from trialkit.words import said

INCH = 25.4
# Rows as `check_header` is given them: sound in every respect, with 40 mm of wear on the rolls.
SOUND = {
    "gap_front": 32.0, "gap_middle": np.nan, "gap_rear": 35.0,
    "plate_left_front": 16.0, "plate_left_rear": 17.5,
    "plate_right_front": 16.0, "plate_right_rear": 17.5,
    "roll_left_wear_length": 40.0, "roll_right_wear_length": 40.0,
    **{station: 130.0 for station in STATIONS},
}  # fmt: skip
UNIT = RowUnit(roll_length=500, roll_diameter=100, pulled_length=900, chain_speed=2.5)


def demo(name: str = "cushion_pairs") -> tk.Trial:
    return tk.load_trial(frozen_dir(name))


def checked(rows: int = 8, header: str = "1", **changed: dict[int, Any]) -> pd.DataFrame:
    """Sound rows, with ``column={row: value}`` changed."""
    table = pd.DataFrame({"header": header, "row": [str(i) for i in range(1, rows + 1)], **SOUND})
    table = schema.tidy(table, "header_check")
    for column, values in changed.items():
        for row, value in values.items():
            table.loc[row - 1, column] = value
    return table


def trial_with(table: pd.DataFrame, **strips: Any) -> tk.Trial:
    trial = demo()
    return replace(trial, header_check=table, strips=trial.strips.assign(**strips))


@pytest.mark.parametrize("name", ["cushion_pairs", "gap_fields", "split_strips"])
def test_simulated_faults_are_found_and_nothing_else(name: str) -> None:
    """The demo headers were drawn with one crooked row and one pinched one."""
    truth, report = HeaderProfile(), check_header(demo(name))
    rows = report.rows.set_index("row")
    crooked, pinched = str(truth.crooked_row), str(truth.pinched_row)
    assert report.first["row"].tolist() == [crooked, pinched]
    assert rows.index[rows["crooked"]].tolist() == [crooked]
    assert rows.loc[pinched, "pinched"] == "middle" and (rows["pinched"] != "").sum() == 1
    assert report.repairs["row"].iloc[0] == crooked
    # A plate out by 6 mm at the rear shifts the mean of both ends by 3 mm; readings vary by 0.6 mm.
    assert rows.loc[crooked, "own_gap"] == pytest.approx(3.0, abs=1.0)
    assert rows.loc[crooked, "aside_rear"] == pytest.approx(6.0, abs=1.5)
    spread = np.sqrt((0.6**2 / 4 * 8 + 3.0**2 * 7 / 8) / 7)
    assert report.summary["gap_sd"] == pytest.approx(spread, rel=0.25)
    assert report.repairs["share_removed"].iloc[0] > 0.8
    assert f"Row {crooked}: plates crooked: at the rear the right plate lies" in report.sentences[0]


def test_worked_row_unit() -> None:
    """900 1/min on 100 mm, 900 mm of stalk, 500 mm of roll: 9.42 km/h new, 8.29 worn by 60 mm, 7.73
    worn by 90 mm (see the pull-through worked by hand in test_header)."""
    table = checked(
        roll_left_wear_length={1: 0.0, 2: 60.0, 3: 20.0, 4: np.nan},
        roll_right_wear_length={1: 0.0, 2: 60.0, 3: 90.0, 4: np.nan},
    )
    trial = trial_with(table, roll_rpm=900.0)
    report = check_header(trial, speed=8.0, unit=UNIT)
    rows = report.rows
    assert rows["top_speed"].head(3).tolist() == pytest.approx([9.425, 8.294, 7.728], abs=5e-4)
    assert rows["rolls"].head(4).tolist() == [
        "sound", "worn, still pulling", "worn out", "not measured"
    ]  # fmt: skip
    # A worn row stays on the list at every speed, and says which of the two it is.
    words = [" ".join(said(item.found)) for item in report.items]
    assert [item.label for item in report.items] == ["Row 3", "Row 2"]
    assert [item.grade for item in report.items] == ["repair", "watch"]
    assert "worn out at 5.0 mph: what is left pulls up to 4.8 mph, new rolls up to 5.9" in words[0]
    assert "worn, still pulling at 5.0 mph: what is left pulls up to 5.2 mph" in words[1]
    assert "82 % of their speed is left" in words[0] and "88 % of their speed" in words[1]
    assert "right roll worn 2-3/4 in farther back than the left" in words[0]
    assert said(report.items[0].do)[0] == "change the rolls, or drive slower than 4.8 mph"
    fast = check_header(trial, speed=9.5, unit=UNIT)
    assert fast.rows["rolls"].iloc[1:3].tolist() == ["worn, beyond new"] * 2
    assert [item.label for item in fast.items] == ["All rows", "Row 3", "Row 2"]
    assert "not finish even on new rolls" in said(fast.items[0].found)[0]
    assert said(fast.items[0].do) == ["drive slower than 5.9 mph"]
    report = check_header(trial, speed=8.0, unit=UNIT)
    assert report.summary["pull_through"] == pytest.approx(424.4, abs=0.05)
    assert report.summary["chain_ratio"] == pytest.approx(1.125)
    assert "in the 1 to 1.2 usually aimed at" in " ".join(report.sentences)
    # Half the grip, half the speed at which pulling finishes.
    slip = check_header(trial, speed=8.0, unit=replace(UNIT, grip=0.5))
    assert slip.rows["top_speed"].tolist()[1] == pytest.approx(8.294 / 2, abs=5e-4)


def test_order_of_repair_and_words() -> None:
    table = checked(
        gap_front={2: 34.0, 5: 52.0, 7: 28.5}, gap_rear={7: 30.0},
        plate_left_front={2: 15.0, 5: 26.0, 7: 14.25}, plate_left_rear={7: 15.0},
        plate_right_front={2: 19.0, 5: 26.0, 7: 14.25}, plate_right_rear={7: 15.0},
        clearance_1={4: INCH * 4.75, 5: INCH * 4.75}, clearance_2={4: INCH * 4.5},
        clearance_3={4: INCH * 4.375, 8: 100.0},
    )  # fmt: skip
    report = check_header(trial_with(table))
    # Out by 20, 5 and 2 mm; then 100 and 111 mm between the guides.
    assert report.first["row"].tolist() == ["5", "7", "2", "8", "4"]
    rows = report.rows.set_index("row")
    verdicts = dict(zip(rows.index, report.verdicts, strict=True))
    assert rows.loc["4", "pinched"] == "front, second, middle"
    assert verdicts["4"] == (
        "chain guides pinched at the front, second and middle stations, down to 4-3/8 in (4.375); "
        "under 5 in is a pinch (common practice)"
    )
    crooked, gap = verdicts["2"].split("; ")
    assert crooked == (
        "plates crooked: at the front the right plate lies 3/16 in (0.16) farther from the row's "
        "centre than the other"
    )
    assert gap == "front gap 1/16 in (0.08) wider than the median of the rows"
    assert "rear gap 3/16 in (0.2) narrower than the median of the rows" in verdicts["7"]
    assert "rear 11/16 in (0.67) narrower than the front" in verdicts["5"]
    assert verdicts["1"] == "in order"
    text = " ".join(report.sentences)
    assert "Setting rows 2, 5 and 7 to the median row takes off 100 % of the variance" in text
    assert "do not tell" in text and "operator's manual" in report.sentences[-1]
    assert "significant" not in text and "standard deviation" not in text
    every = checked(gap_front={i: 32.0 + 3 * i for i in range(1, 9)})
    assert "Every row is out" in " ".join(check_header(trial_with(every)).sentences)


def test_limits_and_stalks_move_the_verdicts() -> None:
    table = checked(clearance_2={3: 120.0}, plate_right_front={2: 18.0})
    trial = trial_with(table)
    assert check_header(trial).first["row"].tolist() == ["3"]
    strict = HeaderLimits(guide_clearance=110, crooked=1.9)
    assert check_header(trial, limits=strict).first["row"].tolist() == ["2"]
    report, padded = check_header(trial), check_header(trial, cushion=True)
    assert report.target == gap_target(trial.stalks["diameter"])
    moved = report.rows["departure_rear"] - padded.rows["departure_rear"]
    assert moved.tolist() == pytest.approx([9.525] * 8)
    assert "3/8 in more with a cushion is common practice" in " ".join(padded.sentences)
    bare = check_header(replace(trial, stalks=trial.stalks.head(0)))
    assert bare.target.front == pytest.approx(1.25 * INCH)
    assert "That is wider than any published start (1-1/4 in)" in " ".join(padded.sentences)
    assert "no reason by itself to close below it" in " ".join(report.sentences)
    assert "no stalks measured: the gap to aim at is the usual start" in said(bare.notes)


def test_feed_rate_and_time_of_every_field() -> None:
    report = check_header(demo("gap_fields"))
    fields, trial = report.fields.set_index("field"), demo("gap_fields")
    for field, strips in trial.strips.groupby("field"):
        mph = strips["speed_measured"].mean() / 1.609344
        row = fields.loc[field]
        # 32,000 plants/ac in 30-in rows, eight of them on 20 ft; an acre is 43,560 ft2.
        assert row["feed_row"] == pytest.approx(32_000 * 2.5 * mph * 5280 / 3600 / 43_560)
        assert row["feed_header"] == pytest.approx(8 * row["feed_row"])
        acres = mph * 20 / 8.25 * 0.70
        assert row["hours_per_ha"] * 0.40468564224 == pytest.approx(1 / acres)
        own = trial.stalks.loc[trial.stalks["field"] == field, "diameter"]
        assert row["by_stalks"] == pytest.approx(np.percentile(own, 90) + 1 / 16 * INCH)
    assert "is what 2.5 to 3.3 rows take in together" in " ".join(report.sentences)


def test_the_same_header_in_both_systems() -> None:
    trial = demo()
    metric = replace(trial, config=replace(trial.config, units="SI"))
    us, si = check_header(trial), check_header(metric)
    pd.testing.assert_frame_equal(us.rows, si.rows)
    # Its right plate lies 0.24 in farther out at the rear: 6.1 mm.
    assert "the right plate lies 6.1 mm farther" in si.sentences[0]
    assert "the right plate lies 1/4 in (0.24) farther" in us.sentences[0]
    assert "km/h" in " ".join(si.sentences) and "mph" not in " ".join(si.sentences)


def test_what_was_not_measured_is_not_judged() -> None:
    empty = checked().assign(**{name: np.nan for name in SOUND})
    trial = trial_with(empty, speed_measured=np.nan, speed_set=np.nan, roll_rpm=np.nan)
    trial = replace(trial, fields=trial.fields.head(0), stalks=trial.stalks.head(0))
    report = check_header(trial)
    assert set(report.verdicts) == {"not measured"} and report.first.empty
    assert report.repairs.empty and np.isnan(report.summary["feed_row"])
    assert len(report.notes) >= 4 and "Nothing is measured yet" in report.sentences[0]
    assert not report.measured
    assert "nan" not in report._repr_html_().lower().replace("finan", "")
    assert "nan" not in plots.header_rows(report).alt_text
    half = check_header(trial_with(checked(
        clearance_4={1: np.nan}, gap_rear={2: np.nan, 4: np.nan}, plate_left_rear={2: np.nan},
    )))
    assert half.verdicts[:3] == (*["in order as far as measured"] * 2, "in order")
    assert np.isnan(half.rows["gap"].tolist()[1]) and half.rows["gap_front"].tolist()[1] == 32.0
    assert half.rows["gap_rear"].tolist()[3] == 35.0  # what its two plates make


def test_rows_are_ordered_by_number_and_counted() -> None:
    table = checked(12).iloc[::-1].reset_index(drop=True)
    report = check_header(trial_with(table))
    assert report.rows["row"].tolist() == [str(i) for i in range(1, 13)]
    assert "12 rows were checked, the trial's header has 8" in said(report.notes)


def test_which_header() -> None:
    both = pd.concat([checked(), checked(header="B", gap_front={1: 44.0})], ignore_index=True)
    trial = trial_with(both, header=["1", "B"] * 6)
    with pytest.raises(DesignError, match="name one: the headers checked are 1, B"):
        check_header(trial)
    with pytest.raises(DesignError, match="no 'C'"):
        check_header(trial, "C")
    assert check_header(trial, "B").fields["strips"].sum() == 6
    assert check_header(trial, "B").first["row"].tolist() == ["1"]
    with pytest.raises(DesignError, match="no header_check table"):
        check_header(replace(trial, header_check=both.head(0)))
    with pytest.raises(DesignError, match="no gap was measured"):
        strip_gaps(replace(trial, header_check=both.head(0)))


def test_gap_of_every_strip_is_its_headers() -> None:
    wide = {f"gap_{end}": {i: 40.0 for i in range(1, 9)} for end in ("front", "rear")}
    both = pd.concat([checked(), checked(header="B", **wide)], ignore_index=True)
    gaps = strip_gaps(trial_with(both, header=["1", "B", None] * 4))
    assert gaps["gap_measured"].tolist() == pytest.approx([33.5, 40.0, np.nan] * 4, nan_ok=True)
    assert gaps["note"].tolist() == ["", "", "the strip names no header"] * 4
    assert gaps["gap_sd"].tolist()[:2] == [0.0, 0.0]
    # One header alone needs no name.
    assert (strip_gaps(trial_with(checked()))["gap_measured"] == 33.5).all()
    other = strip_gaps(trial_with(checked(), header="9"))
    assert (other["note"] == "this header was not checked").all()


def test_strips_with_gaps_of_their_own_need_the_setting_of_the_check() -> None:
    trial = demo("gap_fields")
    told = strip_gaps(trial)
    unset = trial.header_check.assign(set_front=np.nan, set_rear=np.nan)
    trial = replace(trial, header_check=unset)
    bare = strip_gaps(trial)
    assert bare["gap_measured"].isna().all() and bare["gap_sd"].notna().all()
    assert bare["note"].str.contains("setting it was checked at").all()
    known = strip_gaps(trial, checked_at=(1.25 * INCH, 1.375 * INCH))
    reads = check_header(trial).rows["gap"]
    over = reads.mean() - 1.3125 * INCH
    assert (known["gap_measured"] - known["gap_set"]).tolist() == pytest.approx([over] * len(known))
    assert (known["gap_widest"] - known["gap_narrowest"]).tolist() == pytest.approx(
        [reads.max() - reads.min()] * len(known)
    )
    by_name = strip_gaps(trial, checked_at={"1": (1.25 * INCH, 1.375 * INCH)})
    pd.testing.assert_frame_equal(by_name, known)
    pd.testing.assert_frame_equal(told, known)
    front = trial.strips["gap_front"].where(trial.strips.index > 0)
    part = replace(trial, strips=trial.strips.assign(gap_front=front))
    first = strip_gaps(part, checked_at=(31.75, 34.925)).iloc[0]
    assert np.isnan(first["gap_measured"]) and first["note"] == "no gap is given for this strip"


def test_header_of_a_strip_from_disk(tmp_path: Path) -> None:
    """The column is optional, spelled as in header_check; a stranger is noted, not refused."""
    trial = trial_with(checked(header="North 8"), header=["north  8", "Other"] * 6)
    read = tk.load_trial(write_trial(tmp_path / "t", trial.config, trial.tables))
    assert read.refused.empty
    assert set(read.strips["header"]) == {"North 8", "Other"}
    note = read.read.set_index("table").loc["strips", "notes"]
    assert note == "headers without a row in header_check.csv: Other"
    assert check_header(read).fields["strips"].sum() == 6
    assert "header" not in demo().strips.dropna(axis=1).columns


def check_text(figure: plots.Plot) -> None:
    """All of it lies on the page, is large enough and covers no other text."""
    renderer = FigureCanvasAgg(figure).get_renderer()
    width, height = figure.bbox.width, figure.bbox.height
    texts = [text for text in figure.axes[0].texts if text.get_text()]
    boxes = [text.get_window_extent(renderer) for text in texts]
    for text, box in zip(texts, boxes, strict=True):
        # 11 px on a telephone of 375, where a page leaves a figure 343.
        assert text.get_size() * 96 / 72 * min(343 / (96 * figure.get_figwidth()), 1) >= 11
        assert box.x0 >= 0 and box.x1 <= width and box.y0 >= 0 and box.y1 <= height, text
    # Lines of one verdict may touch by what letters reach below the line.
    for i, box in enumerate(boxes):
        for j in range(i):
            shared = box.intersection(box, boxes[j])
            assert shared is None or shared.height < 4 or shared.width < 1, (texts[i], texts[j])


@pytest.mark.parametrize("rows", [6, 8, 12, 16])
@pytest.mark.parametrize("system", ["US", "SI"])
def test_drawing_holds_what_the_report_holds(rows: int, system: str) -> None:
    table = checked(
        rows, gap_front={2: 38.0, 5: 52.0}, gap_rear={3: np.nan},
        plate_left_rear={3: np.nan}, plate_right_front={2: 22.0},
        clearance_1={4: 120.0, 6: np.nan}, clearance_3={4: 111.0, 5: 90.0},
        roll_left_wear_length={1: np.nan, 5: 200.0}, roll_right_wear_length={1: np.nan},
    )  # fmt: skip
    trial = trial_with(table)
    config = replace(trial.config, units=system, header=replace(trial.config.header, rows=rows))
    report = check_header(replace(trial, config=config))
    figure = plots.header_rows(report)
    (ax,) = figure.axes
    check_text(figure)
    # The longest words there can be: every row with every fault, each with its place.
    worst = checked(
        rows, **{f"{name}_{end}": {i: value + 9.0 * i for i in range(1, rows + 1)}
                 for name, value in (("gap", 40.0), ("plate_right", 24.0))
                 for end in ("front", "rear")},
        **{station: {i: 60.0 for i in range(1, rows, 2)} for station in STATIONS},
        roll_left_wear_length={i: 120.0 * (i % 4) for i in range(1, rows + 1)},
    )  # fmt: skip
    check_text(plots.header_rows(check_header(replace(trial, config=config, header_check=worst))))

    def drawn(gid: str) -> list[Any]:
        return [line for line in ax.lines if line.get_gid() == gid]

    known = report.rows.dropna(subset=["gap"])
    sides = list(zip(drawn("edge left"), drawn("edge right"), strict=True))
    assert len(sides) == len(known) == rows - 1 and len(drawn("aim left")) == rows
    slots = np.array([right.get_ydata() - left.get_ydata() for left, right in sides])
    scale = slots[0, 0] / known["gap_rear"].iloc[0]
    assert slots / scale == pytest.approx(known[["gap_rear", "gap_front"]].to_numpy())
    aims = [b.get_ydata() - a.get_ydata() for a, b in zip(drawn("aim left"), drawn("aim right"),
                                                          strict=True)]  # fmt: skip
    assert aims[0] / scale == pytest.approx(report.aims[::-1])
    pinched = report.rows["pinched"].str.count("[a-z]+").sum()
    assert len(drawn("pinch")) == pinched == 3
    assert len(drawn("station")) == 5 * rows - 1 - pinched
    # Pinches lie below the line of the limit, which is downward on the page.
    limits = np.array([line.get_ydata()[0] for line in drawn("limit")])
    for mark in drawn("pinch"):
        at = mark.get_ydata()[0]
        assert at > limits[np.argmin(np.abs(limits - at))]
    lengths = [np.ptp(line.get_xdata()) for line in drawn("grip")]
    kept = report.rows["effective_length"].dropna()
    assert np.array(lengths) / lengths[0] == pytest.approx((kept / kept.iloc[0]).to_numpy())

    assert figure.summary in figure.alt_text
    assert all(verdict in figure.alt_text for verdict in report.verdicts)
    assert "<svg" in figure.svg()
