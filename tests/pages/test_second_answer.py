"""What pages and tables say of the second answer, at the same speed."""

from __future__ import annotations

from dataclasses import replace

import pytest
from bs4 import BeautifulSoup
from mediated_trial import mediated

from trialkit.analysis import analyse
from trialkit.pages import field_day
from trialkit.pages import grower as grower_page
from trialkit.pages.export import tables
from trialkit.pages.html import html
from trialkit.pages.letters import Letters
from trialkit.pages.parts.method import paragraph_for_a_paper
from trialkit.pages.response.asked import Asked
from trialkit.pages.response.estimates import estimates
from trialkit.pages.second_answer import apart

READS = "At the same ground speed the answer reads: this trial cannot tell new from old"


@pytest.fixture(scope="module")
def analysis():
    """A chain that does nothing but let the operator drive faster."""
    return analyse(mediated(0), responses=["header_loss"])


def text(html: str) -> str:
    return BeautifulSoup(html, "html.parser").get_text(" ")


def test_the_researcher_reads_both_answers(analysis) -> None:
    result = analysis["header_loss"]
    asked = Asked(result, Letters(analysis.trial), "SI")
    page = BeautifulSoup(html(estimates(asked)), "html.parser")
    first, second = (page.find_all("table")[i].get_text(" ") for i in (1, 2))
    assert "differences from the reference" in first
    assert "differences at the same ground speed" in second
    for shown, own in ((first, result.contrasts), (second, result.at_same.contrasts)):
        assert f"{own['ratio'].iloc[0]:.2f}" in shown
    said = page.get_text(" ")
    assert "not the effect of choosing a setup" in said and READS in said
    assert "had ground speed as a covariate" in paragraph_for_a_paper(analysis)


def test_other_pages_say_it_in_one_sentence_where_it_differs(analysis) -> None:
    for page in (field_day(analysis), grower_page(analysis)):
        assert text(page.headline().html).count("At the same ground speed") == 1
        assert READS in text(page.headline().html)
    # Another draw, in which both answers are open: nothing is said.
    same = analyse(mediated(2), responses=["header_loss"])
    assert same["header_loss"].at_same is not None and apart(same["header_loss"], "SI") == []
    assert "At the same ground speed" not in text(field_day(same).headline().html)


def turned(result, p: float):
    """The result beside a second answer of the other sign, with its p."""
    own = result.contrasts
    ends = {"difference": "difference", "difference_low": "difference_high",
            "difference_high": "difference_low"}  # fmt: skip
    other = own.assign(p_adjusted=p, **{a: -own[b] for a, b in ends.items()})
    second = replace(result.at_same, contrasts=other)
    return with_second(replace(result), second)


def with_second(result, second):
    """The result, its second answer worked out already."""
    result.kept["at_same"] = second
    return result


def test_a_change_of_direction_is_told_at_the_same_grade(analysis) -> None:
    result = analysis["header_loss"]
    p = float(result.contrasts["p_adjusted"].iloc[0])
    (said,) = apart(turned(result, p), "SI")
    assert "new left fewer loose kernels" in said
    assert apart(turned(result, p), "SI", "chain", "old") == []


def test_probably_is_for_the_primary_response_alone(analysis) -> None:
    """Of another response a lean is not told in the second answer either."""
    result = turned(analysis["header_loss"], 0.1)
    assert "probably" in " ".join(apart(result, "SI"))
    secondary = result.contrasts.assign(primary=False)
    other = with_second(replace(result, contrasts=secondary), result.at_same)
    assert "probably" not in " ".join(apart(other, "SI"))


def test_tables_hold_it_with_what_it_is_adjusted_for(analysis) -> None:
    named = tables(analysis)
    table = named["contrasts_at_same"]
    assert table.loc[0, ["response", "unit", "adjusted_for"]].tolist() == [
        "header_loss", "kg/ha", "ground speed",
    ]  # fmt: skip
    own = analysis["header_loss"].at_same.contrasts
    assert table["ratio"].tolist() == own["ratio"].tolist()
