"""Data in, marks out: every figure is read back and compared with the tables it was drawn from."""

from __future__ import annotations

import re
import warnings
from dataclasses import replace
from itertools import combinations
from xml.etree import ElementTree

import matplotlib as mpl
import matplotlib.colors as colors
import numpy as np
import pytest
from frozen_trials import frozen_dir
from matplotlib.backends.backend_agg import FigureCanvasAgg

import trialkit as tk
from trialkit import plots
from trialkit.decide import balance, best_speed, loss_curve
from trialkit.decide.cost import HECTARES_PER_ACRE as ACRE
from trialkit.errors import DesignError
from trialkit.facts import Estimate
from trialkit.plots.canvas import LEVELS
from trialkit.quantities import decimals, number
from trialkit.responses import SOURCES
from trialkit.simulate import Effort, Truth, simulate_trial

KG_HA_PER_BU_AC = 62.768  # 56 lb over an acre, in kg/ha; computed


@pytest.fixture(scope="module", params=["cushion_pairs", "gap_fields", "split_strips"])
def analysis(request: pytest.FixtureRequest, analysed) -> tk.TrialAnalysis:
    return analysed(request.param)


@pytest.fixture(scope="module")
def pairs(analysed) -> tk.TrialAnalysis:
    return analysed("cushion_pairs")


def lines(ax, gid: str) -> list:
    return [line for line in ax.lines if line.get_gid() == gid]


def in_si(analysis: tk.TrialAnalysis) -> tk.TrialAnalysis:
    config = replace(analysis.trial.config, units="SI")
    return replace(analysis, trial=replace(analysis.trial, config=config))


@pytest.mark.parametrize(
    ("draw", "response", "per_unit"),
    [
        (plots.loss_by_setup, "header_loss", KG_HA_PER_BU_AC),
        (plots.damage_by_setup, "kernel_damage", 1.0),
    ],
)
def test_setups_are_where_the_analysis_puts_them(analysis, draw, response, per_unit) -> None:
    figure = draw(analysis)
    ax = figure.axes[0]
    result = analysis.responses[response]
    means = result.means.set_index(["factor", "level"])
    wanted = [
        (factor.name, level)
        for factor in analysis.trial.config.setups
        for level in factor.levels
        if (factor.name, level) in means.index
    ]
    # Levels of one factor are printed with the same decimals, those of the narrowest interval.
    half = (result.means["high"] - result.means["low"]) / 2 / per_unit
    places = half.map(decimals).groupby(result.means["factor"]).max()
    if per_unit == 1.0:
        places = places.clip(lower=0)
    drawn = zip(lines(ax, "mean"), lines(ax, "interval"), lines(ax, "strips"), strict=True)
    heights = []
    for (factor, level), (mean, interval, strips) in zip(wanted, drawn, strict=True):
        row = means.loc[(factor, level)]
        assert mean.get_xdata()[0] * per_unit == pytest.approx(row["estimate"], rel=1e-4)
        assert interval.get_xdata() * per_unit == pytest.approx(row[["low", "high"]], rel=1e-4)
        values = result.by_strip.loc[result.by_strip[factor] == level, "value"].dropna()
        assert sorted(strips.get_xdata() * per_unit) == pytest.approx(sorted(values), rel=1e-4)
        heights.append(mean.get_ydata()[0])
        shown = [number(row[c] / per_unit, places[factor]) for c in ("estimate", "low", "high")]
        assert f"{row['label']} {shown[0]} (interval {shown[1]} to {shown[2]};" in figure.alt_text
        assert any(text.get_text().startswith(f"{shown[0]} ") for text in ax.texts)
    assert heights == sorted(set(heights))
    assert ax.get_xlim()[0] <= 0
    texts = [text.get_text() for text in ax.texts]
    assert all(label in texts for label in means["label"])


def test_one_factor_alone(analysis) -> None:
    every = plots.loss_by_setup(analysis)
    for factor in analysis.trial.config.setups:
        figure = plots.loss_by_setup(analysis, factor.name)
        means = analysis["header_loss"].means
        own = means[means["factor"] == factor.name]
        drawn = [line.get_xdata()[0] * KG_HA_PER_BU_AC for line in lines(figure.axes[0], "mean")]
        assert sorted(drawn) == pytest.approx(sorted(own["estimate"]), rel=1e-4)
        assert figure.get_figheight() <= every.get_figheight()
        assert f"{factor.label}: " not in figure.alt_text
    with pytest.raises(DesignError, match="'hybrid' was not compared; the factors are"):
        plots.loss_by_setup(analysis, "hybrid")


LONG = "Cushioned gathering chain with the long rubber lugs, new at the start of the season"


def four_setups(fields: tuple[str, ...]) -> tk.TrialAnalysis:
    config = tk.load_trial(frozen_dir("gap_fields")).config
    (gap,) = config.setups
    levels = ("narrow", "usual", "wide", "widest")
    labels = (*gap.level_labels, "Widest (1-3/4 in)")
    config = replace(config, setups=(replace(gap, levels=levels, level_labels=labels),))
    sd = {"pair": 0.2, "strip": 0.15, "frame": 0.5}
    truth = Truth(
        preharvest=3.0, header=12.0, header_ratios={}, sd=sd, preharvest_sd={"frame": 0.5}
    )
    trial = simulate_trial(config, truth, seed=4, blocks=4, fields=fields, effort=Effort())
    return tk.analyse(trial, responses=["header_loss"])


def long_labels(analysis: tk.TrialAnalysis, label: str) -> tk.TrialAnalysis:
    setups = tuple(
        replace(f, label=LONG, level_labels=tuple(f"{label} ({x})" for x in f.level_labels))
        for f in analysis.trial.config.setups
    )
    config = replace(analysis.trial.config, setups=setups)
    return tk.analyse(replace(analysis.trial, config=config), responses=["header_loss"])


def boxes(figure) -> dict[str, mpl.transforms.Bbox]:
    """Where the words of a figure stand, in pixels, after its layout."""
    renderer = FigureCanvasAgg(figure).get_renderer()
    figure.draw(renderer)
    every = [child for ax in figure.axes for child in (ax, *ax.child_axes)]
    # Tick labels beyond the ends of an axis are kept but not drawn.
    unseen = set()
    for axis in (axis for ax in every for axis in (ax.xaxis, ax.yaxis)):
        ends = sorted(axis.get_view_interval())
        span = 1e-6 * (ends[1] - ends[0])
        for tick in axis.majorTicks:
            if not ends[0] - span <= tick.get_loc() <= ends[1] + span:
                unseen |= {tick.label1, tick.label2}
    found = [t for t in figure.findobj(mpl.text.Text) if t.get_visible() and t.get_text().strip()]
    return {
        f"{i} {t.get_text()}": t.get_window_extent(renderer)
        for i, t in enumerate(found)
        if t not in unseen
    }


def assert_apart(figure) -> None:
    """No two texts overlap, and none sticks out of the figure."""
    found = boxes(figure)
    width, height = figure.get_size_inches() * figure.dpi
    for name, box in found.items():
        assert box.x0 >= -1 and box.y0 >= -1 and box.x1 <= width + 1 and box.y1 <= height + 1, name
    for (one, a), (other, b) in combinations(found.items(), 2):
        overlap = (min(a.x1, b.x1) - max(a.x0, b.x0), min(a.y1, b.y1) - max(a.y0, b.y0))
        assert min(overlap) < 1, f"{one!r} and {other!r} overlap"


def test_words_never_run_into_one_another(analysis) -> None:
    subjects = [analysis, long_labels(analysis, LONG), long_labels(analysis, "Unbroken" * 9)]
    for subject in subjects:
        names = {f: f"Field {i}" for i, f in enumerate(subject.trial.fields["field"])}
        assert_apart(plots.loss_by_setup(subject))
        assert_apart(plots.paired_strips(subject, field_names=names))


def test_words_of_the_growers_figures_stay_apart(analysis) -> None:
    """Letters for the other fields, a long name for the own."""
    for subject in (analysis, long_labels(analysis, LONG)):
        result = subject["header_loss"]
        fields = list(dict.fromkeys(result.by_strip["field"]))
        names = {f: f"Field {chr(65 + i)}" for i, f in enumerate(fields)}
        names[fields[0]] = "Long Bottom by the old railway"
        shown = {"mine": fields[:1], "field_names": names, "system": "US"}
        for factor in result.design.names:
            assert_apart(plots.setups_by_field(result, factor, **shown))
        if len(fields) > 2:
            level = result.contrasts["level"].iloc[0]
            assert_apart(plots.own_fields(result, level, **shown))
            effects = result.field_effects(result.design.names[0])
            assert_apart(plots.own_fields(result, level, effects=effects, **shown))


def test_words_beside_the_speed_of_least_cost_stay_apart() -> None:
    result = tk.analyse(tk.load_trial(frozen_dir("split_strips")), responses=["header_loss"])
    curve = loss_curve(result, "speed")
    for cost, end in ((300.0, "highest"), (0.0, "lowest")):
        choice = best_speed(curve, price_per_t=150.0, cost_per_hour=cost, width=6.1, efficiency=0.7,
                            within=2.5, system="US")  # fmt: skip
        assert choice.end == end
        figure = plots.cost_by_speed(choice)
        (note,) = figure.axes[0].texts
        assert ("fastest" if end == "highest" else "slowest") in note.get_text()
        assert_apart(figure)


@pytest.mark.parametrize("fields", [("North",), ("North", "South")])
def test_words_of_four_setups_stay_apart(fields: tuple[str, ...]) -> None:
    subject = four_setups(fields)
    assert_apart(plots.loss_by_setup(subject))
    assert_apart(plots.paired_strips(subject))


def test_lettering_stays_readable_in_a_column_of_the_handout(pairs) -> None:
    # A column of a letter sheet is 91.5 mm wide, a figure 4.9 inches.
    scale = 91.5 / 25.4 / 4.9
    drawn = (
        plots.loss_by_setup(pairs),
        plots.paired_strips(pairs),
        plots.money_by_area(balance(pairs)),
    )
    for figure in drawn:
        sizes = [t.get_fontsize() for t in figure.findobj(mpl.text.Text) if t.get_text().strip()]
        assert min(sizes) * scale > 7.5


def test_trials_own_units_come_first_and_the_others_agree(pairs) -> None:
    for subject, units in ((pairs, ("bu/ac", "kg/ha")), (in_si(pairs), ("kg/ha", "bu/ac"))):
        figure = plots.loss_by_setup(subject)
        ax = figure.axes[0]
        (other,) = ax.child_axes
        assert ax.get_xlabel() == f"Header loss, {units[0]}"
        assert other.get_xlabel() == units[1]
        figure.draw_without_rendering()
        ratio = other.get_xlim()[1] / ax.get_xlim()[1]
        wanted = KG_HA_PER_BU_AC if units[0] == "bu/ac" else 1 / KG_HA_PER_BU_AC
        assert ratio == pytest.approx(wanted, rel=1e-4)


def test_lines_join_the_strips_of_a_pair(analysis) -> None:
    factor = analysis.trial.config.setups[0]
    by_strip = analysis.responses["header_loss"].by_strip
    names = {name: f"Place {i}" for i, name in enumerate(dict.fromkeys(by_strip["field"]))}
    figure = plots.paired_strips(analysis, field_names=names)
    axes = [ax for ax in figure.axes if lines(ax, "pair")]
    assert len(axes) == by_strip["field"].nunique()
    total, below = 0, dict.fromkeys(set(factor.levels) - {factor.reference}, 0)
    for ax, (field, rows) in zip(axes, by_strip.groupby("field", sort=False), strict=True):
        assert len(axes) == 1 or ax.get_title(loc="left") == names[field]
        labels = [label.get_text().replace("\n", " ") for label in ax.get_xticklabels()]
        if figure.legends:  # names too long to stand under the marks
            assert not labels
            named = {text.get_text().replace("\n", " ") for text in figure.legends[0].texts}
            assert named == set(factor.level_labels)
            labels = factor.level_labels
        drawn = {tuple(np.round(line.get_ydata(), 6)) for line in lines(ax, "pair")}
        wanted = set()
        for _, pair in rows.groupby("pair"):
            value = pair.groupby(factor.name)["value"].mean() / KG_HA_PER_BU_AC
            order = [factor.levels[factor.level_labels.index(label)] for label in labels]
            wanted.add(tuple(value.reindex(order)))
            total += 1
            for level in below:
                below[level] += value[level] < value[factor.reference]
        assert len(drawn) == len(wanted)
        assert np.array(sorted(drawn)) == pytest.approx(np.array(sorted(wanted)), rel=1e-4)
        assert ax.get_ylim()[0] <= 0
    for n in below.values():
        assert re.search(rf"in {n} of {total} (pairs|blocks)\.", figure.summary)
    assert figure.summary in figure.alt_text


def test_a_pair_that_does_not_fall_is_dashed(pairs) -> None:
    drawn = lines(plots.paired_strips(pairs).axes[0], "pair")
    rising = [line.get_ydata()[1] >= line.get_ydata()[0] for line in drawn]
    assert [line.get_linestyle() == "--" for line in drawn] == rising
    assert 0 < sum(rising) < len(rising), "the demo no longer shows both kinds"


def test_bars_stack_the_sources_from_zero(analysis) -> None:
    figure = plots.loss_by_source(analysis)
    ax = figure.axes[0]
    table, factors = plots.pooled_losses(analysis)
    by_strip = analysis.losses.strips
    table = table[table["kind"] == "all"]
    for setup, source, value in table[["setup", "source", "kg_ha"]].to_numpy():
        own = [by_strip[f.name] == level for f in factors
               for level, label in zip(f.levels, f.level_labels, strict=True) if label == setup]
        here = by_strip[own[0] & by_strip["source"].eq(source) & by_strip["kind"].eq("all")]
        assert value == pytest.approx(here["kg_ha"].mean())
    drawn: dict[str, list] = {source: [] for source in plots.sources_of(table)}
    for bar in ax.patches:
        drawn[bar.get_gid()].append(bar)
    for source, bars in drawn.items():
        wanted = table.loc[table["source"] == source, "bu_ac"]
        assert sorted(b.get_width() for b in bars) == pytest.approx(sorted(wanted), rel=1e-4)
    rows: dict[float, list] = {}
    for bar in ax.patches:
        rows.setdefault(bar.get_y(), []).append(bar)
    for bars in rows.values():
        for sign in (1, -1):
            edge = 0.0
            for bar in (b for b in bars if b.get_width() * sign > 0):
                assert bar.get_x() == pytest.approx(edge)
                edge += bar.get_width()
    low, high = ax.get_xlim()
    assert low <= min(0, min(b.get_x() + b.get_width() for b in ax.patches)) and high > 0
    assert len(ax.patches) == len(table[table["source"].isin(list(plots.sources_of(table)))])


def test_money_crosses_zero_at_the_break_even_area(pairs) -> None:
    worth = balance(pairs)
    assert worth is not None and worth.bought
    for system, even, saved in (
        ("US", worth.even_area.value / ACRE, worth.grain.value * ACRE),
        ("SI", worth.even_area.value, worth.grain.value),
    ):
        figure = plots.money_by_area(replace(worth, system=system))
        (drawn,) = lines(figure.axes[0], "balance")
        area, net = drawn.get_xdata(), drawn.get_ydata()
        size = 1.0 if system == "SI" else ACRE
        cost = replace(worth.given, area=area * size).annual_cost
        assert net == pytest.approx(saved * area - cost)
        # To what a straight line between 121 points leaves of a gentle bend.
        assert np.interp(0, net, area) == pytest.approx(even, rel=1e-3)
        (point,) = lines(figure.axes[0], "even")
        assert point.get_xdata()[0] == pytest.approx(even)
    with pytest.raises(DesignError, match="no option cost"):
        plots.money_by_area(replace(worth, bought=False))


def test_a_saving_that_never_pays_is_drawn_without_a_point(pairs) -> None:
    worth = balance(pairs)
    assert worth is not None
    figure = plots.money_by_area(
        replace(worth, given=replace(worth.given, saved=-1.0), saved=Estimate(-1.0, 0.1, 9.0))
    )
    assert not lines(figure.axes[0], "even")
    assert "never" in figure.alt_text


def every_figure(analysis) -> list[plots.Plot]:
    return [
        plots.loss_by_setup(analysis),
        plots.damage_by_setup(analysis),
        plots.paired_strips(analysis),
        plots.paired_strips(analysis, "kernel_damage"),
        plots.loss_by_source(analysis),
    ]


def test_drawing_leaves_no_trace(pairs) -> None:
    settings = dict(mpl.rcParams)
    # Some plotting libraries jitter points with numpy's global generator.
    state = np.random.get_state()[1].copy()  # noqa: NPY002
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        svgs = [figure.svg() for figure in every_figure(pairs)]
        again = [figure.svg() for figure in every_figure(pairs)]
    assert svgs == again, "the same data give the same picture, byte for byte"
    assert dict(mpl.rcParams) == settings
    assert (np.random.get_state()[1] == state).all()  # noqa: NPY002
    from matplotlib import pyplot

    assert pyplot.get_fignums() == []


def test_user_text_is_drawn_as_it_stands(pairs) -> None:
    config = pairs.trial.config
    # A long one is folded: were it not, there would be no room for the axis, as a warning says.
    labels = (
        "costs $5 to $6" + " in words that go on" * 6,
        "<b>bold</b> & \x07 \N{CJK UNIFIED IDEOGRAPH-7389}",
    )
    setup = replace(config.setups[0], level_labels=labels)
    result = pairs.responses["header_loss"]
    known = dict(zip(setup.levels, labels, strict=True))
    result = replace(result, means=result.means.assign(label=result.means["level"].map(known)))
    trial = replace(pairs.trial, config=replace(config, setups=(setup,)))
    odd = replace(pairs, trial=trial, responses={"header_loss": result})
    for figure in (plots.loss_by_setup(odd), plots.paired_strips(odd), plots.loss_by_source(odd)):
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            drawing = ElementTree.fromstring(figure.svg())
        words = " ".join(" ".join(drawing.itertext()).split())
        assert "costs $5 to $6" in words
        assert "<b>bold</b> &" in words
        html = figure._repr_html_()
        assert "&lt;b&gt;" in html and "<b>" not in html


def test_what_was_not_analysed_says_so(pairs) -> None:
    bare = replace(pairs, responses={}, skipped={"kernel_damage": "No grain samples."})
    with pytest.raises(DesignError, match=r"kernel_damage was not analysed.*No grain samples\."):
        plots.damage_by_setup(bare)


def test_marks_differ_without_colour() -> None:
    assert len({marker for marker, _ in LEVELS}) == len(LEVELS)
    # Relative luminance (Rec. 709 weights on sRGB values) of the three sources, well apart.
    told = [s.colour for s in SOURCES.values() if not (s.whole or s.part_of)]
    grey = sorted(float(np.dot(colors.to_rgb(c), (0.2126, 0.7152, 0.0722)))
                  for c in told)  # fmt: skip
    assert np.diff(grey).min() > 0.2
