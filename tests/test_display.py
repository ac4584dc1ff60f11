"""What a notebook shows of every public result: valid, escaped, rounded, of a sane length."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import html5lib
import numpy as np
import pandas as pd
import pytest
from bs4 import BeautifulSoup
from frozen_trials import frozen_dir

import trialkit as tk
from trialkit import decide, plan
from trialkit.analysis.questions.crossing import crossing
from trialkit.analysis.questions.ordinal import ordinal_model
from trialkit.analysis.questions.surface_model import StationaryPoint
from trialkit.decide.grades import US_CORN_GRADES, DiscountTable
from trialkit.display import p_text, table
from trialkit.facts import Note
from trialkit.header.noise import row_noise
from trialkit.many.gathering import Gathered
from trialkit.many.meta import combine_trials
from trialkit.mixed.ordinal import fit_ordinal
from trialkit.mixed.residual_shape import residual_shape
from trialkit.pages import demo_dir
from trialkit.quantities import scales, span
from trialkit.simulate import Effort, HeaderProfile, Truth
from trialkit.words.plan_file import example

HOSTILE = '<i class="evil">a & b</i>'


@cache
def trial(name: str = "split_strips", hostile: bool = False) -> tk.Trial:
    found = tk.load_trial(frozen_dir(name))
    if not hostile:
        return found
    setups = tuple(
        replace(f, label=f"{f.label} {HOSTILE}",
                level_labels=tuple(f"{label} {HOSTILE}" for label in f.level_labels))
        for f in found.config.setups
    )  # fmt: skip
    config = replace(found.config, title=HOSTILE, setups=setups, notes=HOSTILE, currency=HOSTILE)
    return replace(found, config=config)


@cache
def analysed(name: str = "split_strips", hostile: bool = False) -> tk.TrialAnalysis:
    return tk.analyse(trial(name, hostile))


def checked(h: bool) -> tk.Trial:
    """With names of headers, rows and fields that are the user's."""
    found = trial(hostile=h)
    table = found.header_check
    return replace(found, header_check=table.assign(header=HOSTILE)) if h else found


def loss(h: bool) -> Any:
    return analysed(hostile=h)["header_loss"]


def gaps(h: bool) -> Any:
    return analysed("gap_fields", h)["header_loss"]


@cache
def plain_fit() -> Any:
    """A mixed model whose labels are the user's."""
    strips = loss(False).by_strip.assign(setup=lambda f: f["gap"].astype(str) + HOSTILE)
    return tk.mixed.fit_mixed(strips, response="value", fixed="setup", nested=["pair"])


@cache
def scores() -> Any:
    readings = trial().residue.dropna(subset=["score"]).merge(trial().strips, on="strip")
    readings = readings.assign(gap=readings["gap"].astype(str) + HOSTILE)
    return fit_ordinal(readings, response="score", fixed="gap")


def curve(h: bool) -> Any:
    return gaps(h).effect_along("moisture")


def budget(h: bool) -> decide.Budget:
    return decide.budget(analysed(hostile=h))


def speeds(h: bool) -> decide.SpeedChoice:
    return decide.best_speed(
        decide.loss_curve(analysed(hostile=h), "speed"), price_per_t=150.0, cost_per_hour=400.0,
        width=6.1, efficiency=0.75, within=2.0, n=500, currency=HOSTILE if h else "USD",
        system="US",
    )  # fmt: skip


def planned(h: bool) -> Any:
    ground = plan.Ground(HOSTILE if h else "Long Bottom", 400.0, planter_rows=12, headland=20.0)
    return plan.plan_trial(trial(hostile=h).config, ground, blocks=3, seed=1)


@cache
def recorded(h: bool) -> Any:
    with TemporaryDirectory() as folder:
        return plan.read_plan(planned(h).write(Path(folder) / "plan"))


def described(h: bool) -> dict[str, Any]:
    asked = tomllib.loads(example())
    return asked | {"title": HOSTILE} if h else asked


@cache
def simulated(h: bool) -> Any:
    config = trial("gap_fields", h).config
    return plan.power(config, pairs=[2, 3], frames=[1], fields=[2], rounds=3, seed=1)


RANGES = {"price": (100.0, 220.0), "area": (100.0, 400.0), "saved": (0.0, 40.0)}
DISCOUNTS = DiscountTable(bands=((5.0, 2.0), (7.0, 3.0)), kind="point", refused_above=15.0)
TRUTH = Truth(20.0, 25.0, {"gap": {"wide": 1.5}}, {"pair": 0.1}, {"field": 0.1})
# By what is shown: how it is made, hostile labels or not; whether it repeats a label or currency.
SHOWN: dict[str, tuple[Callable[[bool], Any], bool]] = {
    "Trial": (lambda h: trial(hostile=h), True),
    "TrialConfig": (lambda h: trial(hostile=h).config, True),
    "Losses": (lambda h: trial(hostile=h).losses(), False),
    "TrialAnalysis": (lambda h: analysed(hostile=h), True),
    "ResponseAnalysis": (loss, True),
    "AtSame": (lambda h: analysed("gap_fields", h)["header_loss"].at_same, True),
    "ResponseAnalysis of a score": (lambda h: analysed(hostile=h)["residue_score"], True),
    "Design": (lambda h: loss(h).design, True),
    "Pairwise": (lambda h: loss(h).pairwise("gap"), True),
    "Alternatives": (lambda h: loss(h).alternatives(), True),
    "ModelCheck": (lambda h: loss(h).check(n=50), True),
    "PowerAttained": (lambda h: loss(h).power(), True),
    "FieldEffects": (lambda h: gaps(h).field_effects(), True),
    "EffectCurve": (curve, True),
    "EffectCurve of differences": (
        lambda h: analysed("gap_fields", h)["moisture"].effect_along("speed_measured"), True),
    "Crossing": (lambda h: crossing(curve(h)), False),
    "ResponseSurface": (lambda h: loss(h).surface(), True),
    "StationaryPoint": (
        lambda h: StationaryPoint((32.0, 6.2), "minimum", (0.1, 0.2), True, False), False),
    "Equivalence": (lambda h: loss(h).equivalence(1.2), True),
    "Equivalence, one-sided": (lambda h: loss(h).no_more_than(5.0, scale="difference"), True),
    "OrdinalModel": (lambda h: ordinal_model(analysed(hostile=h)), True),
    "Comparison": (lambda h: tk.compare(demo_dir().parent), False),
    "Gathered": (lambda h: Gathered(Path("store"), ("a",), (), (), 2,
                                    ((HOSTILE if h else "b", "no"),), (), ("c",), False, ()), True),
    "MetaAnalysis": (
        lambda h: combine_trials([0.1, 0.4, 0.2], [0.1, 0.2, 0.1],
                                 names=[HOSTILE, "b", "c"] if h else None), False),
    "MetaAnalysis of two": (lambda h: combine_trials([0.1, 0.4], [0.1, 0.2]), False),
    "Budget": (budget, False),
    "Budget of draws": (
        lambda h: replace(budget(h), price=np.array([120.0, 150.0, 180.0])), False),
    "Balance": (lambda h: decide.balance(analysed(hostile=h)), True),
    "Payback": (lambda h: decide.payback(analysed(hostile=h), n=500), True),
    "BreakEven": (lambda h: decide.payback(analysed(hostile=h), n=500).area, False),
    "BreakEven of the price": (lambda h: decide.payback(analysed(hostile=h), n=500).price, True),
    "Sensitivity": (
        lambda h: decide.sensitivity(budget(h), RANGES, currency=HOSTILE, system="US"), True),
    "SpeedChoice": (speeds, True),
    "LossCurve": (lambda h: speeds(h).curve, False),
    "Discount": (
        lambda h: decide.discount(analysed(hostile=h), DISCOUNTS, load_sd=1.0, n=500), True),
    "DiscountTable": (lambda h: DISCOUNTS, False),
    "DiscountTable without a limit": (lambda h: DiscountTable(bands=((5.0, 2.0),)), False),
    "GradeLimits": (lambda h: US_CORN_GRADES[0], False),
    "ExtraTime": (
        lambda h: decide.extra_time(5.6, 8.8, width=6.1, efficiency=0.75, machine_per_hour=300.0,
                                    operator_per_hour=25.0, currency=HOSTILE), True),
    "MixedFit": (lambda h: plain_fit(), True),
    "MixedFit of counts": (lambda h: loss(h).fit, False),
    "Bootstrap": (lambda h: plain_fit().bootstrap(20, seed=1, jobs=1), True),
    "BootstrapTest": (lambda h: plain_fit().bootstrap_test("setup", n=20, seed=1, jobs=1), False),
    "Influence": (lambda h: plain_fit().influence("pair"), True),
    "Check": (lambda h: loss(h).fit.dispersion_check(20, 1), False),
    "OrdinalFit": (lambda h: scores(), True),
    "ProportionalOdds": (lambda h: scores().proportional_odds("gap"), True),
    "ResidualShape": (lambda h: residual_shape(plain_fit(), 20, 1), False),
    "Plan": (lambda h: planned(h), True),
    "PowerGrid": (lambda h: simulated(h), True),
    "Exchange": (lambda h: simulated(h).better(2, 1), False),
    "Expected": (lambda h: plan.Expected(basis={"loss": HOSTILE} if h else {}), True),
    "Work": (lambda h: plan.Work(change_minutes={"cushion": 90.0}), False),
    "CheapestPlan": (
        lambda h: plan.CheapestPlan(6, 8, 1, 1230.0, 0.83, 0.04, Note("power.cheapest", {
            "plan": HOSTILE if h else "6 pairs", "minutes": 1230.0, "counting": 300.0,
            "power": 0.83, "error": 0.04, "aim": 0.8})),
        True),
    "DescribedPlan": (lambda h: plan.check_description(described(h)), True),
    "PlannedTrial": (lambda h: recorded(h), True),
    "Ground": (lambda h: plan.Ground(HOSTILE if h else "Home", 400.0), True),
    "GapTarget": (lambda h: tk.header.gap_target([24.0, 26.0, 25.0]), False),
    "GapTarget of no stalk": (lambda h: tk.header.gap_target(), False),
    "RowNoise": (
        lambda h: row_noise([31.0, 32.0, 36.0], 0.05, repaired=[2], frame_variance=0.2,
                            strip_variance=0.02, frames=8), False),
    "RowNoise of a trial not counted yet": (lambda h: row_noise([31.0, 32.0], 0.05), False),
    "Truth": (lambda h: TRUTH, False),
    "Effort": (lambda h: Effort(header_check=HeaderProfile()), False),
    "HeaderReport": (lambda h: tk.check_header(checked(h)), True),
    "HeaderLimits": (lambda h: tk.header.HeaderLimits(), False),
    "RowUnit": (lambda h: tk.header.RowUnit(), False),
    "HeaderProfile": (lambda h: HeaderProfile(), False),
}  # fmt: skip


def check(html: str) -> None:
    html5lib.HTMLParser(strict=True).parseFragment(html)
    page = BeautifulSoup(html, "html.parser")
    text = page.get_text(" ")
    assert not re.search(r"\b(?:nan|NaN|None|inf|NaT|NA|dtype|array)\b|<NA>", text), text
    assert not re.search(r"\d\.\d{6}", text), text
    folded = page.find_all("details")
    assert all(details.summary.get_text(strip=True) for details in folded)
    for details in folded:
        details.extract()
    assert 20 < len(page.get_text(" ")) < 10_000
    assert len(text) < 60_000


@pytest.mark.parametrize("name", SHOWN)
@pytest.mark.parametrize("hostile", [False, True], ids=["as is", "hostile"])
def test_what_a_notebook_shows(name: str, hostile: bool) -> None:
    """Valid, with words, rounded; and what a user typed is text and no markup."""
    make, repeats = SHOWN[name]
    html = make(hostile)._repr_html_()
    check(html)
    page = BeautifulSoup(html, "html.parser")
    assert page.find("h4").get_text(strip=True)
    assert page.find(["p", "td"])
    if hostile:
        assert page.find(class_="evil") is None
        assert (HOSTILE in page.get_text()) == repeats


def test_an_analysis_begins_with_every_comparison() -> None:
    page = BeautifulSoup(analysed()._repr_html_(), "html.parser")
    rows = [[td.get_text() for td in tr.find_all("td")] for tr in page.table.tbody.find_all("tr")]
    contrasts = analysed().comparisons
    assert [row[0] for row in rows] == list(contrasts["title"])
    # Harvest loss in the trial's own units, its interval and digits as quantities.span gives them.
    first, (low, high) = contrasts.iloc[0], ("difference_low", "difference_high")
    found = span(first["difference"], first[low], first[high], scales("kg/ha", "US")[0])
    assert rows[0][2] == f"{found.value} bu/ac ({found.low} to {found.high})"
    assert rows[0][3] == p_text(first["p_adjusted"])
    assert len(page.find_all("details", recursive=False)) == 0
    assert len(page.div.find_all("details", recursive=False)) == len(analysed().responses)


def test_numbers_of_a_table() -> None:
    """Digits by the Particle Data Group's rule, written out by hand."""
    frame = pd.DataFrame(
        {
            "label": ["a", "b", "c"],
            "estimate": [12.3456, 1234.5, np.nan],
            "low": [11.1, -np.inf, np.nan],
            "high": [13.6, np.inf, np.nan],
            "p": [0.0321, 1e-9, np.nan],
            "df": [np.inf, 4.25, 2e7],
            "n": [1200, 3, 4],
            "ok": [True, False, True],
            "tiny": [1.23456e-7, 0.0, -123456.7],
        }
    )
    page = BeautifulSoup(table(frame, "A & B", names={"label": "<u>"}), "html.parser")
    head = [th.get_text() for th in page.thead.find_all("th")]
    assert head == ["<u>", "estimate", "p", "df", "n", "ok", "tiny"]
    rows = [[td.get_text() for td in tr.find_all("td")] for tr in page.tbody.find_all("tr")]
    assert rows == [
        ["a", "12.3 (11.1 to 13.6)", "0.032", "\u221e", "1,200", "yes", "1.2e\u221207"],
        ["b", "1,234 (no limit to no limit)", "below 0.001", "4.2", "3", "no", "0"],
        ["c", "", "", "over 1,000", "4", "yes", "\u2212123,457"],
    ]
    assert page.caption.get_text() == "A & B"


def test_an_estimate_with_a_standard_error() -> None:
    frame = pd.DataFrame({"estimate": [0.123456, 1050.0], "se": [0.0347, 97.0]})
    page = BeautifulSoup(table(frame.rename_axis("term")), "html.parser")
    rows = [[td.get_text() for td in tr.find_all("td")] for tr in page.tbody.find_all("tr")]
    assert rows == [["0", "0.123", "0.035"], ["1", "1,050", "100"]]


def test_long_tables_say_what_they_leave_out() -> None:
    frame = pd.DataFrame({"n": range(25)})
    assert "... and 5 more rows." in table(frame)
    assert table(frame.head(0)) == ""
