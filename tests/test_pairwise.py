"""Every two levels compared: the studentized range and the multivariate t, from scipy."""

from __future__ import annotations

import numpy as np
import pytest
from frozen_trials import frozen_dir
from scipy import stats

from trialkit.analysis import analyse
from trialkit.errors import DesignError
from trialkit.trial import load_trial


@pytest.fixture(scope="module")
def analysis():
    responses = ["header_loss", "residue_mass", "processing_loss", "yield"]
    return analyse(load_trial(frozen_dir("gap_fields")), responses=responses)


@pytest.mark.parametrize("response", ["header_loss", "residue_mass", "processing_loss", "yield"])
def test_tukey_is_the_studentized_range(analysis, response: str) -> None:
    table = analysis[response].pairwise("gap").table
    assert len(table) == 3
    root = np.abs(table["statistic"]) * np.sqrt(2)
    expected = [
        stats.studentized_range.sf(q, 3, df) for q, df in zip(root, table["df"], strict=True)
    ]
    assert table["p_adjusted"].to_numpy() == pytest.approx(expected, rel=1e-4, abs=1e-7)
    single = analysis[response].pairwise("gap", adjust="none").table
    wider = (table["difference_high"] - table["difference"]) / (
        single["difference_high"] - single["difference"]
    )
    # On the difference's own degrees of freedom, which the table's are at most as many as.
    t = stats.t.ppf(0.975, table["df"])
    q = [stats.studentized_range.ppf(0.95, 3, df) / np.sqrt(2) for df in table["df"]]
    assert wider.to_numpy() == pytest.approx(np.array(q) / t, rel=0.02)


def test_unadjusted_pairs_with_the_reference_are_the_contrasts(analysis) -> None:
    for result in analysis.responses.values():
        table = result.pairwise(adjust="none").table.query("against == 'usual'")
        for column in ("ratio", "ratio_low", "ratio_high", "difference", "difference_low",
                       "difference_high", "df", "p"):  # fmt: skip
            own = result.contrasts[column].to_numpy(dtype=float)
            assert table[column].to_numpy(dtype=float) == pytest.approx(own, rel=1e-6, nan_ok=True)


def test_dunnett_of_balanced_yields_is_the_bivariate_t(analysis) -> None:
    table = analysis["yield"].pairwise(adjust="dunnett").table
    assert table["against"].tolist() == ["usual", "usual"]
    law = stats.multivariate_t(shape=[[1, 0.5], [0.5, 1]], df=table["df"].iloc[0])
    for row in table.itertuples():
        c = abs(row.statistic)
        inside = law.cdf([c, c], lower_limit=[-c, -c], random_state=1)
        assert row.p_adjusted == pytest.approx(1 - inside, abs=2e-3)  # of scipy's own integral


def test_what_cannot_be_compared_is_refused(analysis) -> None:
    with pytest.raises(DesignError, match="the factors are gap"):
        analysis["yield"].pairwise("speed")
    with pytest.raises(ValueError, match="tukey"):
        analysis["yield"].pairwise(adjust="scheffe")
    with pytest.raises(KeyError, match="no response 'ears'"):
        analysis["ears"]
