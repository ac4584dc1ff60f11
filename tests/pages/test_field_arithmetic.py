"""What cards say of lengths and kernels, by published tables, and the drawings they show."""

from __future__ import annotations

import re

import pytest
from matplotlib.patches import FancyArrowPatch

from trialkit import plots, units
from trialkit.pages.field_paper import lengths
from trialkit.plots.row_unit import DRAWINGS
from trialkit.responses import schema
from trialkit.words.columns import COLUMNS

INCH, FOOT2, ACRE = 0.0254, 0.09290304, 4046.8564224


@pytest.mark.parametrize(("width", "inches"), [
    (28, 51.5), (30, 48), (36, 40), (38, 38), (40, 36), (42, 34),
])  # fmt: skip
def test_frame_length_along_a_row(width: float, inches: float) -> None:
    """10 ft2 one row wide: Sumner & Williams, Measuring Field Losses From Grain Combines,
    University of Georgia Extension; published to the half inch."""
    first = lengths.row_lengths(width * INCH, 10 * FOOT2, 8, "US")[0]
    assert float(first.one.split()[0]) == pytest.approx(inches, abs=0.5)
    assert first.one.endswith(f"({1000 * 10 * FOOT2 / (width * 25.4) * 100:.0f} cm)")


@pytest.mark.parametrize(("width", "thousandth", "hundredth", "six", "eight", "twelve"), [
    # 20, 30, 36, 38, 40 in agree to the inch with extension.org/pages/35148 and Mississippi State
    # University's corn8 page; the others, and the columns of several rows, are computed.
    (15, "34 ft 10 in", 348.5, 58.1, 43.6, 29.0), (20, "26 ft 2 in", 261.4, 43.6, 32.7, 21.8),
    (22, "23 ft 9 in", 237.6, 39.6, 29.7, 19.8), (30, "17 ft 5 in", 174.2, 29.0, 21.8, 14.5),
    (36, "14 ft 6 in", 145.2, 24.2, 18.2, 12.1), (38, "13 ft 9 in", 137.6, 22.9, 17.2, 11.5),
    (40, "13 ft 1 in", 130.7, 21.8, 16.3, 10.9),
])  # fmt: skip
def test_row_lengths(
    width: float, thousandth: str, hundredth: float, six: float, eight: float, twelve: float
) -> None:
    for rows, across in ((6, six), (8, eight), (12, twelve)):
        lines = lengths.row_lengths(width * INCH, 10 * FOOT2, rows, "US", ear_area=ACRE / 100)
        assert [(line.what, line.one, line.all) for line in lines[1:]] == [
            ("1/1000 ac", thousandth, ""),
            ("1/100 ac", f"{hundredth:.1f} ft", f"{across:.1f} ft"),
        ]


def test_row_lengths_of_a_hectare() -> None:
    """Computed: 10 m2 at 0.75 m is 13.33 m; 100 m2 133.33 m, or 16.67 m of 8 rows."""
    lines = lengths.row_lengths(0.75, 1.0, 8, "SI", ear_area=50.0)
    assert [line.one for line in lines] == ["133 cm (52.5 in)", "13.33 m", "133.33 m", "66.67 m"]
    assert [line.all for line in lines] == ["", "", "16.67 m", "8.33 m"]


def test_what_a_kernel_amounts_to() -> None:
    """24 kernels in 10 ft2 are 1.2 bu/ac by the rule count / 20 (Sumner & Williams), which is exact
    at 43,560 x 2 kernels a bushel; kernels/ft2 for 1 bu/ac at 67k to 100k per bushel: computed,
    1.54, 1.61, 1.74, 1.84, 1.95, 2.07, 2.30."""
    bushel = 56 * 453.59237  # g
    assert pytest.approx(87_120) == lengths.RULE
    assert 24 * lengths.kernel_worth(10 * FOOT2, 1000 * bushel / 87_120).bu_ac == pytest.approx(1.2)
    for thousands, density in ((67, 1.54), (70, 1.61), (76, 1.74), (80, 1.84), (85, 1.95),
                               (90, 2.07), (100, 2.30)):  # fmt: skip
        worth = lengths.kernel_worth(FOOT2, bushel / thousands)
        assert round(1 / worth.bu_ac, 2) == density
    assert lengths.kernel_worth(1.0, 300.0).kg_ha == pytest.approx(3.0)
    words = lengths.worth_words(10 * FOOT2, 1000 * bushel / 90_000, "US")
    # 10 x 90,000 / 43,560 = 20.66
    assert "kernels ÷ 20.7 = bu/ac" in words and "90,000 kernels per bushel" in words
    assert "kernels ÷ 20)" in words and "87,120" in words
    assert "not weighed" not in words
    assert "not weighed" in lengths.worth_words(FOOT2, 335.0, "US", stated=False)
    table = lengths.worth_table(10 * FOOT2, 1000 * bushel / 87_120, "US")
    assert dict((row[0], row[1]) for row in table)["20"] == "1.00"
    for count, us, si in table:
        assert float(si) == pytest.approx(float(us) * units.KG_HA_PER_BU_AC, rel=0.12), count


def test_zones_lie_ahead_before_and_behind() -> None:
    ax = plots.count_zones("US", rows=8).axes[0]
    at = {p.get_gid(): p.get_extents() for p in ax.patches if p.get_gid()}
    to_data = ax.transData.inverted()
    spans = {gid: to_data.transform(box)[:, 0] for gid, box in at.items()}
    total, header, ahead = (spans[f"zone {z}"] for z in ("total", "header", "preharvest"))
    assert total[1] < spans["body"][0] < spans["body"][1] <= spans["header"][1]
    assert spans["header"][1] <= header[0] < header[1] <= 0 < ahead[0]
    frames = [p for p in ax.patches if p.get_gid() == "frame"]
    for frame in frames:
        left, right = frame.get_x(), frame.get_x() + frame.get_width()
        assert any(low <= left and right <= high for low, high in (total, header, ahead))
    heights = [t.get_position()[1] for t in ax.texts if str(t.get_gid()).startswith("row ")]
    assert len(heights) == 8 and heights == sorted(heights, reverse=True)  # left is up


def test_drawings_of_a_row_unit_name_every_reading() -> None:
    """Every column that is measured is named on a drawing, as the boxes are, and the marks lie as
    the words say."""
    figures = {name: draw() for name, draw in DRAWINGS.items()}
    texts = [t.get_text() for figure in figures.values() for t in figure.axes[0].texts]
    words = " ".join(" ".join(texts).split())
    # Read nowhere on the unit: its names, what was meant to be set, who measured and when.
    told = {"header", "row", "set_front", "set_rear", "measured_by", "measured_at"}
    told |= {f"roll_{side}_flute" for side in ("left", "right")}
    told |= {f"roll_{side}_wear_length" for side in ("left", "right")}
    for name in set(schema.column_names("header_check")) - told:
        assert re.split(r", | \(", COLUMNS.get(name, name))[0] in words, name
    assert "worn length, each roll" in words and "flute height, each roll" in words
    ends = {
        patch.get_gid(): patch._posA_posB  # matplotlib has no public name for it
        for patch in figures["row_unit"].axes[0].patches if isinstance(patch, FancyArrowPatch)
    }  # fmt: skip
    for place in ("front", "middle", "rear"):
        (left, y), (right, same) = ends[f"gap_{place}"]
        assert left == -right < 0 and y == same
    assert ends["gap_front"][0][1] > ends["gap_middle"][0][1] > ends["gap_rear"][0][1]
    width = {place: ends[f"gap_{place}"][1][0] for place in ("front", "middle", "rear")}
    assert width["front"] < width["middle"] < width["rear"]  # the taper
    for end in ("front", "rear"):
        # From the centre line to either plate's edge.
        for side, sign in (("left", -1), ("right", 1)):
            centre, edge = ends[f"plate_{side}_{end}"]
            assert centre[0] == 0 and edge[0] * sign > 0
    stations = [p._posA_posB[0][1] for p in figures["guides_and_chains"].axes[0].patches
                if str(p.get_gid()).startswith("clearance_")]  # fmt: skip
    assert len(stations) == 5 and stations == sorted(stations, reverse=True)
