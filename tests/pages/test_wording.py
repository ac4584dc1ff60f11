"""Words are never stronger than the numbers."""

from __future__ import annotations

import math
import re
from dataclasses import replace

import numpy as np
import pytest
from frozen_trials import frozen_dir
from hypothesis import example, given, settings
from hypothesis import strategies as st

import trialkit as tk
from trialkit.analysis.family import comparisons, hold_families
from trialkit.analysis.specifications import SPECIFICATIONS
from trialkit.decide import Advice, Balance, Budget, LevelVerdict, Verdict, extra_time
from trialkit.decide.verdict import advise
from trialkit.facts import Comparison, Ends, Estimate, Grade, grade
from trialkit.pages import advice, captions, field_day, researcher
from trialkit.pages import grower as grower_page
from trialkit.pages.elements import Marked, Section, Sentence, bullets, folded
from trialkit.pages.glosses import Glosses, explained
from trialkit.pages.html import html
from trialkit.pages.parts.responses import every_asked
from trialkit.pages.response.estimates import contrasts
from trialkit.pages.summary import summary
from trialkit.pages.wording import Finding, change, counted, findings, listed
from trialkit.pages.wording import finding as of_compared
from trialkit.plots import Plot
from trialkit.quantities import Scale, lower_first, upper_first
from trialkit.responses import RESPONSES
from trialkit.words.chances import across_fields, chance, fields_counted, pays
from trialkit.words.comparisons import how_sure, sentence
from trialkit.words.margins import margin_words

TERMS = {name: record.terms for name, record in RESPONSES.items()}

finite = st.floats(-500, 500, allow_nan=False)
anything = st.floats(-1e4, 1e4) | st.sampled_from([math.nan, math.inf, -math.inf])
BU = Scale("bu/ac", 1.0)
MINUS = "−"
SHOWN = Plot()
# 3.5 against 5.5 mph, 20 ft at 70 %: 5.94 and 9.33 acres an hour, so 16.84 and 10.71 hours for 100
# (Hunt, Farm Power and Machinery Management: ac/h = mph x ft x efficiency / 8.25).
SLOWER = extra_time(3.5 * 1.609344, 5.5 * 1.609344, width=6.096, efficiency=0.7,
                    machine_per_hour=0.0, operator_per_hour=0.0)  # fmt: skip
TOO_STRONG = re.compile(r"signific|prov(e|es|en|ed)\b|proof|certain|guarantee|always|never", re.I)


def finding(response: str, row: dict, reference: str, *, unit: str, system: str) -> Finding:
    """A row of contrasts in words."""
    better = SPECIFICATIONS[response].better
    return of_compared(Comparison.from_row(response, row, reference, unit, better), system)


def judged(own: Comparison, *others: Comparison, **given: object) -> Verdict:
    """The verdict of one level by the rule that `verdict` follows."""
    known = {"time": None, "balance": None, "bought": False} | given
    own = replace(own, bought=known["bought"])
    found = tuple(c for c in (own, *others) if c.grade.found)
    advice = advise(found, known["time"], known["balance"], known["bought"])
    level = LevelVerdict(own, others, known["time"], known["balance"], advice)
    return Verdict(own.response, (level,), None, "USD", "US")


@pytest.mark.parametrize(
    ("p", "low", "high", "expected"),
    [
        (0.009, -3.0, -1.0, Grade.CLEAR),
        (0.01, -3.0, -1.0, Grade.GOOD),
        (0.049, 1.0, 3.0, Grade.GOOD),
        (0.05, 0.1, 3.0, Grade.LEANING),
        (0.149, -3.0, 0.5, Grade.LEANING),
        (0.15, -3.0, 0.8, Grade.OPEN),
        # A small p beside an interval that holds zero: the more careful one decides.
        (0.001, -3.0, 0.5, Grade.LEANING),
        (math.nan, -3.0, -1.0, Grade.OPEN),
        (0.001, math.nan, -1.0, Grade.OPEN),
    ],
)
def test_ladder_of_grades(p: float, low: float, high: float, expected: Grade) -> None:
    assert grade(p, low, high) is expected


@given(ps=st.tuples(st.floats(0, 1), st.floats(0, 1)), ends=st.tuples(finite, finite))
def test_grades_never_rise_with_p_nor_when_the_interval_takes_in_zero(
    ps: tuple[float, float], ends: tuple[float, float]
) -> None:
    (less, more), (low, high) = sorted(ps), sorted(ends)
    assert grade(more, low, high).strength <= grade(less, low, high).strength
    wider = min(low, -0.01), max(high, 0.01)
    assert grade(less, *wider).strength <= grade(less, low, high).strength
    assert not grade(less, *wider).found


def strength(sentence: str) -> int:
    """How sure a sentence sounds, read off the sentence alone."""
    if "cannot tell" in sentence:
        return 0
    return 1 if "probably" in sentence else 3 if "clearly" in sentence else 2


def test_every_response_has_its_words() -> None:
    assert set(TERMS) == set(SPECIFICATIONS)


@pytest.mark.parametrize("response", list(TERMS))
@pytest.mark.parametrize("falls", [True, False])
def test_sentences_hedge_as_their_grade_says(response: str, falls: bool) -> None:
    for verdict in Grade:
        side = -1.0 if falls else 1.0
        p = {Grade.CLEAR: 0.001, Grade.GOOD: 0.02, Grade.LEANING: 0.1, Grade.OPEN: 0.5}[verdict]
        own = Comparison(
            response, "%", "lower", "chain", "soft", "hard", "Cushioned chain", "Standard chain",
            Ends(side * 2, min(side, side * 3), max(side, side * 3)), p_adjusted=p,
        )  # fmt: skip
        text = sentence(own)
        assert own.grade is verdict and strength(text) == verdict.strength
        assert not TOO_STRONG.search(text + how_sure(own))
        assert "standard chain" in text and text.endswith(".")
        if verdict is not Grade.OPEN:
            assert text.startswith("Cushioned chain")
            side = r"\b(fewer|less|lower)\b" if falls else r"\b(more|higher)\b"
            assert re.search(side, text)
            assert TERMS[response].verb in text


rows = st.fixed_dictionaries(
    {
        "label": st.just("Cushioned chain"),
        "primary": st.booleans(),
        **{p: st.floats(0, 1) | st.just(math.nan)
           for p in ("p", "p_adjusted", "p_classical", "p_classical_adjusted")},
        "classical": st.just("paired t test of 6 pairs"),
        "df_classical": st.just(5.0),
        **{f"difference{end}": anything for end in ("", "_low", "_high")},
        **{f"ratio{end}": st.floats(0, 50) | st.just(math.nan) for end in ("", "_low", "_high")},
    }
)


def said(found: Finding) -> str:
    return " ".join([found.sentence, found.told, found.extent, *found.absolute])


@settings(max_examples=3000, deadline=None)
@given(row=rows, response=st.sampled_from(list(TERMS)), system=st.sampled_from(["US", "SI"]))
def test_findings_are_never_stronger_than_their_numbers(
    row: dict, response: str, system: str
) -> None:
    unit = {"header_loss": "kg/ha", "yield": "kg/ha", "residue_score": "score",
            "test_weight": "kg/hL"}.get(response, "%")  # fmt: skip
    found = finding(response, row, "Standard chain", unit=unit, system=system)
    assert not TOO_STRONG.search(said(found))
    low, value, high = (row[f"difference{end}"] for end in ("_low", "", "_high"))
    told = strength(found.sentence)
    # Bounds of what may be said, written here once more from the numbers alone: no test that is
    # known may stand below what is told, and nothing secondary is told on a lean.
    p = row["p_adjusted"]
    if not math.isnan(row["p_classical_adjusted"]):
        p = max(p, row["p_classical_adjusted"])
    if not (low > 0 or high < 0) or not p < 0.05:
        assert told <= row["primary"]
        assert found.extent.startswith("Best guess")
    if not p < 0.15 or not low <= value <= high:
        assert told == 0
    if not p < 0.01:
        assert told < 3
    if told:
        assert found.falls == (value < 0)
    # Advice follows the grade: nothing is recommended that was not found.
    better = SPECIFICATIONS[response].better
    verdict = judged(found.own)
    (tried,) = advice.told(verdict)
    assert (verdict.first.advice is Advice.UNSETTLED) == (told < 2)
    assert tried.startswith("Try") == (told >= 2 and (value < 0) == (better == "lower"))
    assert tried.startswith("Stay") == (told >= 2 and (value < 0) != (better == "lower"))
    assert ("clearly" in tried) == (told == 3)
    # What takes another time is advised neither for nor against without prices.
    speed = judged(found.own, time=SLOWER)
    assert speed.first.advice in (Advice.CHOICE, Advice.UNSETTLED)
    assert (speed.first.advice is Advice.CHOICE) == (told >= 2)
    (timed,) = advice.told(speed)
    assert re.search(r"takes 6\.1 hours (more|less) per 100 acres", timed)
    assert ("is not established" in timed) == (told < 2)
    line = " ".join(advice.in_lines({TERMS[response].subject: [found]}))
    assert strength(line) == (told if told > 1 else 0)
    shown = SHOWN
    shown.alt_text = "What the marks are."
    shown.summary = "Lower in 6 of 6 pairs."
    caption = captions.of_pairs(shown, [found], "pair")
    assert ("All strips together" in caption) == (told < 2)
    words = " ".join(
        [
            tried,
            timed,
            line,
            caption,
            captions.of_means(0.95, [found]),
            captions.told(shown, [found]).alt_text,
        ]
    )
    assert not TOO_STRONG.search(words)
    assert found.sentence in shown.alt_text


def test_change_in_words() -> None:
    assert change(-1.38, -1.86, -0.9, BU) == "1.4 bu/ac less (0.9 to 1.9)"
    assert change(1.38, 0.9, 1.86, BU) == "1.4 bu/ac more (0.9 to 1.9)"
    assert change(-0.6, -1.8, 0.62, BU) == "0.6 bu/ac less (from 1.8 less to 0.6 more)"
    assert change(-0.01, -1.8, 1.7, BU) == "no difference (from 1.8 bu/ac less to 1.7 more)"
    assert change(math.nan, 0, 1, BU) == "not known"
    # A lopsided interval does not round a share away, nor a fall up to the whole.
    lopsided = change(-25.2, -98.3, 5931, Scale("%", 1.0))
    assert lopsided == "25 % less (from 98 less to 5,931 more)"


@given(values=st.tuples(finite, finite, finite))
def test_change_never_hides_that_both_directions_are_possible(
    values: tuple[float, float, float],
) -> None:
    low, value, high = sorted(values)
    text = change(value, low, high, BU)
    assert (low < 0 < high) == ("less to" in text)
    assert MINUS not in text


def test_finding_reads_one_row_of_contrasts() -> None:
    row = {
        "label": "cushioned chain", "p_adjusted": 0.004,
        "difference": -62.768 * 2, "difference_low": -62.768 * 3, "difference_high": -62.768,
        "ratio": 0.6, "ratio_low": 0.48, "ratio_high": 0.75,
    }  # fmt: skip
    found = finding("header_loss", row, "standard chain", unit="kg/ha", system="US")
    assert found.sentence == (
        "Cushioned chain left clearly fewer loose kernels at the header than standard chain."
    )
    assert found.absolute == (
        "2.0 bu/ac less (1.0 to 3.0)", "130 kg/ha less (60 to 190)"
    )  # fmt: skip
    assert found.percent == "40 % fewer (25 to 52)"
    points = finding("kernel_damage", {**row, "difference": -2.0, "difference_low": -3.0,
                                       "difference_high": -1.0},
                     "standard chain", unit="%", system="US")  # fmt: skip
    assert points.absolute == ("2.0 percentage points less (1.0 to 3.0)",)
    si = finding("header_loss", row, "standard chain", unit="kg/ha", system="SI")
    assert si.absolute == found.absolute[::-1]


# ---------------------------------------------------------------- chances, fields, margins
def as_number(words: str) -> tuple[float, float]:
    """The range of probabilities a phrase stands for."""
    part, whole = map(int, re.search(r"(\d+) in (\d+)", words).groups())
    if "more than" in words:
        return part / whole, 1.0
    if "less than" in words:
        return 0.0, part / whole
    return part / whole, part / whole


@given(st.floats(0, 1))
@example(0.15)  # half-way between 1 in 10 and 1 in 5
@example(0.85)
def test_chances_are_near_the_number_and_never_certain(p: float) -> None:
    words = chance(p)
    low, high = as_number(words)
    assert low - 0.05 - 1e-9 <= p <= high + 0.05 + 1e-9
    assert "about" in words or low <= p <= high
    assert not (words.startswith("about") and as_number(words)[0] in (0.0, 1.0))
    # The two sides of a bet are told alike.
    other = as_number(chance(1 - p))
    assert math.isclose(low + high + sum(other), 2.0, abs_tol=0.11)


@given(st.lists(st.floats(0, 1), min_size=2, max_size=2))
def test_chances_keep_their_order(pair: list[float]) -> None:
    low, high = (sum(as_number(chance(p))) for p in sorted(pair))
    assert low <= high + 1e-12


def test_chances_in_words() -> None:
    assert [chance(p) for p in (0, 0.03, 0.26, 0.5, 0.748, 0.96, 1)] == [
        "less than 1 in 100", "less than 1 in 20", "about 1 in 4", "about 1 in 2", "about 3 in 4",
        "more than 19 in 20", "more than 99 in 100",
    ]  # fmt: skip
    assert chance(math.nan) == chance(1.2) == "not known"
    assert "about 3 in 4 (that it does not: about 1 in 4)" in pays(0.75, "600 ac")
    assert "not known" in pays(math.nan, "600 ac")
    assert fields_counted(7, 8) == "In 7 of 8 fields the measured difference goes that way."


@given(
    share=st.tuples(st.floats(0, 1), st.floats(0, 1)), ends=st.tuples(finite, finite),
    verdict=st.sampled_from(Grade),
)  # fmt: skip
def test_fields_are_never_told_surer_than_share_and_interval(
    share: tuple[float, float], ends: tuple[float, float], verdict: Grade
) -> None:
    low, high = sorted(ends)
    least, most = sorted(share)
    words = across_fields((least, most), low, high, 8, verdict)
    assert not TOO_STRONG.search(words)
    if verdict is Grade.OPEN:
        assert "cannot tell" in words and "100" not in words
        return
    assert ("the other way" in words) == (low <= 0 <= high)
    told = [int(n) for n in re.findall(r"\d+", words.split(" of 100")[0])]
    assert 1 <= told[0] <= max(100 * least, 1) and min(100 * most, 99) <= told[-1] <= 99
    assert ("If the lean is real" in words) == (verdict is Grade.LEANING)
    assert "an unknown number of 100" in across_fields((math.nan, 1.0), low, high, 8, verdict)


@settings(max_examples=1000, deadline=None)
@given(
    ends=st.tuples(anything, anything), response=st.sampled_from(list(TERMS)),
    system=st.sampled_from(["US", "SI"]), one_sided=st.booleans(),
    scale=st.sampled_from(["ratio", "difference"]),
)  # fmt: skip
def test_margins_are_shown_only_by_the_whole_interval(
    ends: tuple[float, float], response: str, system: str, one_sided: bool, scale: str
) -> None:
    low, high = ends
    least, most = (0.8, 1.25) if scale == "ratio" else (-5.0, 5.0)
    if one_sided:
        least = 0.0 if scale == "ratio" else -math.inf
    words = margin_words(
        response, {"label": "Wide gap", "low": low, "high": high}, "Usual gap", (least, most),
        scale=scale, unit="kg/ha", system=system, confidence=0.95,
    )  # fmt: skip
    assert not TOO_STRONG.search(words)
    inside = math.isfinite(low) and math.isfinite(high) and least < low and high < most
    outside = math.isfinite(low) and math.isfinite(high) and (low > most or high < least)
    assert ("shown (95 % confidence)" in words) == inside
    assert ("shown not to hold" in words) == (outside and not inside)
    assert ("not shown" in words) == (not inside and not outside)


def test_margins_agree_with_the_tests_of_equivalence() -> None:
    analysis = tk.analyse(tk.load_trial(frozen_dir("gap_fields")), responses=["header_loss"])
    result = analysis["header_loss"]
    seen = set()
    for margin in (1.05, 1.2, 1.3, 2.0):
        found = result.no_more_than(margin)
        for row in found.table.to_dict("records"):
            words = margin_words(
                "header_loss", row, "usual", found.margin, scale="ratio", unit=result.unit,
                system="US", confidence=found.confidence,
            )  # fmt: skip
            seen.add(row["verdict"])
            assert {
                "within the margin": ": shown (",
                "not shown": ": not shown",
                "above the margin": "shown not to hold",
            }[row["verdict"]] in words
    assert seen == {"within the margin", "not shown", "above the margin"}


# ---------------------------------------------------------------- what to try
def test_what_a_trial_needs_is_read_off_its_power() -> None:
    analysis = tk.analyse(tk.load_trial(frozen_dir()), responses=["header_loss"])
    power = analysis["header_loss"].power()
    words = advice.needed(power, 6, 1, "pair", "US")
    needed = power.needed.set_index(["aim", "value"])["pairs"]
    assert needed["detectable ratio", 0.5] <= 6 < needed["detectable ratio", 0.7]
    assert "a difference of 30 % in 4 trials of 5" in words
    assert f"about {needed['detectable ratio', 0.7]:.0f} pairs of strips" in words
    assert "this trial had 6 pairs" in words
    # A trial that is large enough for one aim is told of the next.
    later = advice.needed(power, int(needed["detectable ratio", 0.7]), 1, "pair", "US")
    assert "of 20 %" in later


def test_advice_by_grade() -> None:
    def made(p: float, sign: float, label: str = "Wide gap") -> Finding:
        row = {
            "label": label,
            "p_adjusted": p,
            "difference": sign * 2.0,
            "difference_low": min(sign, sign * 3),
            "difference_high": max(sign, sign * 3),
        }
        return finding("header_loss", row, "Usual gap", unit="kg/ha", system="US")

    def told(first: Finding, *others: Finding, **given: object) -> str:
        return advice.told(judged(first.own, *(f.own for f in others), **given))[0]

    assert told(made(0.03, -1)) == (
        "Try wide gap on some passes of your own, next to usual gap in the same field on the same "
        "day, and count behind both: it left fewer loose kernels at the header here."
    )
    damage = replace(made(0.001, 1), own=replace(made(0.001, 1).own, response="kernel_damage"))
    assert told(made(0.03, 1), damage) == (
        "Stay with usual gap rather than wide gap, which left more loose kernels at the header, "
        "and had clearly more damaged kernels here."
    )
    assert told(made(0.03, -1), damage) == (
        "Wide gap left fewer loose kernels at the header than usual gap, but had clearly more "
        "damaged kernels: which counts for more is yours to choose."
    )
    assert told(made(0.1, -1)) == "Not settled yet: wide gap against usual gap."
    assert told(made(0.9, 1, "Narrow gap")) == (
        "This trial does not settle whether narrow gap is better or worse than usual gap; best "
        "guess for loose kernels left at the header: 0.032 bu/ac more (0.016 to 0.048)."
    )
    assert advice.holds_for((16.2, 19.4), None, "mph") == (
        "This holds for grain at 16 to 19 % moisture; elsewhere, count first."
    )
    assert advice.holds_for(None, None, "mph") == ""
    lines = advice.in_lines({"ears": [made(0.9, 1)], "kernels": [made(0.03, -1)],
                             "score": [made(0.1, 1)]})  # fmt: skip
    assert lines == [
        "Wide gap left fewer loose kernels at the header than usual gap: 0.032 bu/ac less (0.016 "
        "to 0.048).",
        "This trial cannot tell the two apart in ears and score.",
    ]
    # Two levels against one reference are three setups.
    lines = advice.in_lines({"ears": [made(0.9, 1), replace(made(0.9, 1), own=replace(
        made(0.9, 1).own, factor="speed"))]})  # fmt: skip
    assert lines == ["This trial cannot tell the setups apart in ears."]


def balance(
    net: tuple[float, float, float], time: float = 0.0, **given: object
) -> Balance:
    """A balance with this net per ha: grain at 1 a kg less what the option costs and the time."""
    cost = 2.0 if given.get("bought") else 0.0
    value, *ends = (v + cost - time for v in net)
    saved = Estimate.from_interval(value, *ends, df=9.0, level=0.95)
    own = Budget(value, 1000.0, 200.0, 0.0, 10.0, 0.08, running_cost=cost * 200, time_cost=-time)
    return Balance("f", "soft", "Soft chain", "Hard chain", own, saved, 0.95, "USD", "US",
                   **given)  # fmt: skip


@pytest.mark.parametrize(
    ("p", "given", "expected"),
    [
        (0.001, {"bought": True, "balance": balance((2, 1, 3), bought=True)}, Advice.PAYS),
        (0.001, {"bought": True, "balance": balance((1, -1, 3), bought=True)}, Advice.CHOICE),
        (0.001, {"bought": True, "balance": balance((-2, -3, -1), bought=True)}, Advice.COSTS),
        (0.001, {"bought": True}, Advice.CHOICE),  # no price of grain
        # Grain that was not found to differ does not pay for anything.
        (0.2, {"bought": True, "balance": balance((2, 1, 3), bought=True)}, Advice.UNSETTLED),
        (0.2, {"time": SLOWER, "balance": balance((-9, -10, -8), time=-9.0)}, Advice.COSTS),
        (0.001, {"time": SLOWER, "balance": balance((2, 1, 3))}, Advice.PAYS),
        (0.001, {"time": SLOWER, "balance": balance((2, 1, 3), time_priced=False)}, Advice.CHOICE),
        # Setups that cost nothing and take no time need no balance.
        (0.001, {"balance": balance((1, -1, 3))}, Advice.TRY),
    ],
)  # fmt: skip
def test_what_costs_money_or_time_is_advised_from_the_whole_balance(
    p: float, given: dict, expected: Advice
) -> None:
    row = {"label": "Soft chain", "p_adjusted": p, "difference": -60.0, "difference_low": -80.0,
           "difference_high": -40.0}  # fmt: skip
    own = Comparison.from_row("header_loss", row, "Hard chain", "kg/ha")
    verdict = judged(own, **given)
    assert verdict.first.advice is expected
    text = advice.told(verdict)[0]
    assert ("pays: it leaves" in text) == (expected is Advice.PAYS)
    assert ("more than it saves against" in text) == (expected is Advice.COSTS)
    assert "\N{MINUS SIGN}" not in text
    assert ("yours" in text) == (expected is Advice.CHOICE)
    # What nobody priced and goes the other way leaves the choice open.
    worse = Comparison.from_row("kernel_damage", row | {"difference": 2.0, "difference_low": 1.0,
                            "difference_high": 3.0, "primary": False, "p_adjusted": 0.001},
                            "Hard chain", "%")  # fmt: skip
    held = given.get("balance")
    if expected is Advice.PAYS:
        given = given | {"balance": replace(held, unpriced=(worse,))}
        verdict = judged(own, worse, **given)
        assert verdict.first.advice is Advice.CHOICE
        assert "Not priced: soft chain had clearly more damaged kernels." in advice.told(verdict)[0]


def test_the_weaker_of_two_tests_is_told() -> None:
    row = {"label": "Wide gap", "difference": -2.0, "difference_low": -3.0, "difference_high": -1.0,
           "p": 0.004, "p_adjusted": 0.004, "p_classical": 0.03, "p_classical_adjusted": 0.03,
           "df_classical": 5.0, "classical": "paired t test of 6 pairs"}  # fmt: skip

    def made(**changes: object) -> Finding:
        return finding("header_loss", row | changes, "Usual gap", unit="kg/ha", system="US")

    found = made()
    assert found.grade is Grade.GOOD and found.sentence.startswith("Wide gap left fewer")
    assert found.weaker == (
        "The model finds clear evidence (p = 0.004); the simpler test of the same strips, paired t "
        "test of 6 pairs, 5 degrees of freedom, finds less: good evidence (p = 0.03); this "
        "page goes by the more cautious of the two."
    )
    # The model may be the weaker of the two; where both grade alike nothing is explained.
    other = made(p_adjusted=0.2, p_classical_adjusted=0.004)
    assert other.grade is Grade.OPEN and "finds more: clear evidence (p = 0.004)" in other.weaker
    assert made(p_classical_adjusted=0.0002).weaker == ""
    assert made(p_classical_adjusted=math.nan).grade is Grade.CLEAR
    lean = made(p_classical_adjusted=0.1)
    assert lean.grade is Grade.LEANING and "no more than a tendency (p = 0.1)" in lean.weaker
    # What the trial is not first of all about is not told on a lean, and a difference that is lost
    # among many comparisons is said to be so.
    second = made(primary=False, p_adjusted=0.06, p_classical_adjusted=0.12)
    assert second.grade is Grade.OPEN and "probably" not in said(second)
    assert second.weaker == (
        "Looked at alone it would count as a difference (p = 0.03); among all that was looked at "
        "it may be luck (p = 0.12)."
    )
    # Of several setups the range is of one comparison, p of all: why they part is said.
    several = made(p=0.02, p_adjusted=0.06, p_classical=0.02, p_classical_adjusted=0.06)
    assert several.grade is Grade.LEANING and several.weaker == (
        "Looked at alone, as its range is, it would count as a difference (p = 0.02); among the "
        "setups compared it may be luck (p = 0.06)."
    )


def test_every_page_tells_the_weaker_and_says_why(analysed) -> None:
    analysis = analysed("cushion_pairs")
    loss = analysis["header_loss"]
    alone = loss.contrasts.assign(p=0.001, p_classical=np.nan)
    beside = alone.assign(p_classical=0.03, classical="paired t test of 6 pairs")
    alone, held = (
        replace(analysis, responses=hold_families(
            analysis.responses | {"header_loss": replace(loss, contrasts=own)}, "header_loss"
        ))
        for own in (alone, beside)
    )  # fmt: skip
    why = "finds less: good evidence (p = 0.03); this page goes by the more cautious of the two."
    pages = [field_day(held), grower_page(held), researcher(held)]
    records = [pages[0].record(), pages[1].unknown(), pages[2].headline()]
    for page, record in zip(pages, records, strict=True):
        words = str(page.headline())
        assert "Cushioned chain left fewer loose kernels" in words
        assert "The evidence for a difference is good." in words
        assert "clearly fewer" not in words
        # Farmers read of the two tests in the record alone.
        assert why in str(record) and (page is pages[2] or "p = " not in words)
    table = contrasts(every_asked(pages[2].context)["header_loss"])
    assert "paired t test of 6 pairs" in html(table)
    told = [summary(a)["evidence"].iloc[0] for a in (held, alone)]
    assert told == ["good", "clear"]


def test_summary_grades_every_response(analysed) -> None:
    analysis = analysed("cushion_pairs")
    table = summary(analysis)
    assert len(table) == len(analysis.comparisons)
    assert set(table["evidence"]) <= {g.word for g in Grade}
    every = [own for result in analysis.responses.values() for own in comparisons(result)]
    for (_, text), row, own in zip(
        table.iterrows(), analysis.comparisons.to_dict("records"), every, strict=True
    ):
        assert text["evidence"] == own.grade.word
        assert (own.mean.value, own.reference_mean.value) == (row["mean"], row["reference_mean"])
        assert ("(from " in text["difference"]) == (
            row["difference_low"] < 0 < row["difference_high"]
        )
    for result in analysis.responses.values():
        found = findings(result, "US", result.contrasts["factor"].iloc[0])
        assert np.all(np.diff([f.grade.strength for f in found]) <= 0)
        assert result.primary == (result.response == "header_loss")
    assert not TOO_STRONG.search(" ".join(table.to_numpy().ravel()))


def test_small_words() -> None:
    assert listed(["a"]) == "a"
    assert listed(["a", "b", "c"]) == "a, b and c"
    assert counted(1, "strip") == "1 strip"
    assert counted(1200, "strip") == "1,200 strips"
    assert counted(2, "pair or block", "pairs") == "2 pairs"
    assert lower_first("Wide gap") == "wide gap"
    assert lower_first("LP gap") == "LP gap"
    assert upper_first("wide gap, 6 mph") == "Wide gap, 6 mph"


def test_heights_are_lower_and_amounts_less() -> None:
    row = {"label": "Cushioned chain", "p_adjusted": 0.1, "difference": -0.5,
           "difference_low": -1.1, "difference_high": 0.1}  # fmt: skip
    said = {
        response: finding(response, row, "Standard chain", unit=unit, system="US").absolute[0]
        for response, unit in (("residue_score", "score"), ("kernel_damage", "%"))
    }
    assert said["residue_score"] == "0.5 steps lower (from 1.1 lower to 0.1 higher)"
    assert said["kernel_damage"] == "0.5 percentage points less (from 1.1 less to 0.1 more)"


def test_a_trade_term_has_the_farmers_word_at_first_use_alone() -> None:
    pieces = [
        '<p class="kicker">Header loss in May</p><table><td>Header loss</td></table>',
        "<p>No <b>preharvest loss</b>, header loss 1.2</p>",
        '<img alt="Header loss"><p>Header loss again, material other than grain.</p>',
    ]
    glosses = Glosses()
    assert [glosses.in_html(piece) for piece in pieces] == [
        pieces[0],
        "<p>No <b>preharvest loss (already on the ground before the machine came)</b>, header loss "
        "(loss at the header) 1.2</p>",
        '<img alt="Header loss"><p>Header loss again, material other than grain (trash in the '
        "sample).</p>",
    ]
    elements = (
        Sentence("Header loss in May", "kicker"), folded("Header loss", Sentence("Header loss")),
        Sentence(("No ", Marked("preharvest loss"), ", header loss 1.2")),
        Section("more", "Header loss", (bullets(["Header loss", "material other than grain"]),)),
    )  # fmt: skip
    (told,) = explained([elements])
    assert told[:2] == elements[:2]
    assert html([told[2]]) == glosses_of(html([elements[2]]))
    assert told[3].elements[0].items == (
        "Header loss", "material other than grain (trash in the sample)",
    )  # fmt: skip


def glosses_of(html: str) -> str:
    return Glosses().in_html(html)


def test_a_title_stays_as_its_user_wrote_it() -> None:
    title, page = "<h1>Stripper-plate gap</h1>", "<p>The stripper-plate gap was set.</p>"
    glosses = Glosses()
    assert glosses.in_html(title) == title and "deck" in glosses.in_html(page)
