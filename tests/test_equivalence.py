"""Tests against a margin: closed forms, agreement with the analysis, verdicts and their level."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from frozen_trials import frozen_dir

from trialkit.analysis import analyse
from trialkit.analysis.estimates import Offset
from trialkit.analysis.questions.equivalence import (
    ABOVE,
    BELOW,
    OPEN,
    WITHIN,
    equivalence,
    no_more_than,
)
from trialkit.errors import DesignError
from trialkit.trial import load_trial


@pytest.fixture(scope="module")
def demos():
    return {
        p: analyse(load_trial(frozen_dir(p)), responses=("header_loss", "kernel_damage"))
        for p in ("gap_fields", "split_strips")
    }


def test_intervals_are_those_of_the_analysis(demos):
    # At 97.5 % a test's interval is the 95 % interval of the contrasts table.
    for analysis in demos.values():
        for result in analysis.responses.values():
            for factor in result.design.names:
                rows = result.contrasts[result.contrasts["factor"].eq(factor)]
                for scale, margin in (("ratio", 2.0), ("difference", 9.0)):
                    table = no_more_than(
                        result, margin, scale=scale, factor=factor, confidence=0.975
                    ).table
                    for mine, theirs in (("estimate", ""), ("low", "_low"), ("high", "_high")):
                        wanted = rows[f"{scale}{theirs}"].to_numpy()
                        assert table[mine].to_numpy() == pytest.approx(wanted)


def test_without_offset_and_other_factors_it_is_the_equivalence_of_the_fit(demos):
    # One Poisson fit, log link, no offset: the ratio of means is that of typical units.
    result = replace(demos["gap_fields"].responses["header_loss"], offset=None)
    # Judged by the fit's own degrees of freedom.
    result = replace(result, judges={"gap": np.inf})
    table = equivalence(result, 1.25).table
    theirs = result.fit.equivalence("gap", 1.25, reference="usual")
    for mine in ("estimate", "df", "p_lower", "p_upper", "p"):
        assert table[mine].to_numpy() == pytest.approx(theirs[mine].to_numpy(), rel=1e-6), mine
    assert table["low"].to_numpy() == pytest.approx(theirs["low90"].to_numpy())


def test_p_values_meet_the_interval(demos):
    # The margin put at the interval's end has p = 0.05, as in Schuirmann (1987).
    result = demos["gap_fields"].responses["kernel_damage"]
    first = no_more_than(result, 1.0, scale="difference").table.iloc[0]
    at_end = no_more_than(result, float(first["high"]), scale="difference").table.iloc[0]
    assert at_end["p"] == pytest.approx(0.05) and np.isnan(at_end["p_lower"])
    both = equivalence(result, (-50.0, float(first["high"])), scale="difference").table.iloc[0]
    assert both["p"] == pytest.approx(0.05)


def test_verdicts_are_graded(demos):
    result = demos["gap_fields"].responses["header_loss"]
    by = equivalence(result, 1.25).table.set_index("level")
    # Truth of the demo: narrow 0.88, wide 1.40.
    assert by.loc["narrow", "verdict"] == WITHIN and by.loc["wide", "verdict"] == ABOVE
    assert by.loc["wide", "low"] > 1.25
    chain = demos["split_strips"].responses["header_loss"]
    assert equivalence(chain, 1.25, factor="cushion").table["verdict"].iloc[0] == BELOW
    assert no_more_than(chain, 1.25, factor="cushion").table["verdict"].iloc[0] == WITHIN
    tight = equivalence(result, 1.01).table.set_index("level").loc["narrow"]
    assert tight["verdict"] == OPEN and tight["low"] < 1.01 < tight["high"]
    assert "neither shown" in tight["words"] and "signific" not in tight["words"]


def test_verdict_within_follows_p(demos):
    for analysis in demos.values():
        for result in analysis.responses.values():
            for margin in (1.1, 1.2, 1.3, 1.5, 2.0):
                table = equivalence(result, margin, confidence=0.9).table
                assert (table["verdict"].eq(WITHIN) == (table["p"] < 0.1)).all()


@pytest.mark.parametrize("margin", [(0.5, 0.9), (0.0, 1.2), 1.0, float("nan"), float("inf")])
def test_margins_that_do_not_enclose_no_difference(demos, margin):
    result = demos["gap_fields"].responses["header_loss"]
    with pytest.raises(ValueError, match="margin"):
        equivalence(result, margin)


def test_refusals(demos):
    result = demos["gap_fields"].responses["header_loss"]
    with pytest.raises(ValueError, match="margin"):
        no_more_than(result, 0.9)
    with pytest.raises(ValueError, match="scale"):
        no_more_than(result, 1.2, scale="odds")
    with pytest.raises(DesignError, match="was not compared"):
        no_more_than(result, 1.2, factor="cushion")
    blind = replace(result, offset=Offset(1e4), contrasts=result.contrasts.assign(ratio=np.nan))
    with pytest.raises(DesignError, match="as a difference"):
        no_more_than(blind, 1.2)
    assert len(no_more_than(blind, 5.0, scale="difference").table) == 2


def test_every_response_is_held_to_a_margin_as_the_analysis_gives_it(analysed):
    """Shares by mass, strip values, differences of zones: at 97.5 % the 95 % interval's ends."""
    everything = analysed("split_strips").responses
    families = {(r.specification.family, len(r.specification.zones)) for r in everything.values()}
    assert {("lognormal", 0), ("normal", 0), ("poisson", 2)} <= families
    for result in everything.values():
        for scale in ("ratio", "difference"):
            rows = result.contrasts[result.contrasts["factor"].eq("cushion")]
            if rows[scale].isna().any():
                continue
            asked = {"scale": scale, "factor": "cushion", "confidence": 0.975}
            table = no_more_than(result, 1.5, **asked).table
            for mine, end in (("estimate", ""), ("low", "_low"), ("high", "_high")):
                wanted = rows[scale + end].to_numpy()
                assert table[mine].to_numpy() == pytest.approx(wanted, rel=1e-6)
    heavy = everything["yield"]
    with pytest.raises(DesignError, match="as a difference"):
        no_more_than(heavy, 1.5)
    assert equivalence(heavy, 5000.0, scale="difference").table["verdict"].eq(WITHIN).all()
