"""What a user holds of an analysis: found by the Tab key, kept in a file, said in words."""

from __future__ import annotations

import pickle
from collections.abc import Callable

import pandas as pd

from trialkit.analysis import TrialAnalysis
from trialkit.analysis.result import ResponseResult
from trialkit.facts import Note

Analysed = Callable[[str], TrialAnalysis]
FROZEN = ("cushion_pairs", "gap_fields", "split_strips")


def test_the_tab_key_finds_responses(analysed: Analysed) -> None:
    analysis = analysed("cushion_pairs")
    assert analysis._ipython_key_completions_() == list(analysis.responses) == list(analysis)
    assert "header_loss" in analysis


def test_an_analysis_comes_back_from_a_file_whole(analysed: Analysed) -> None:
    analysis = analysed("cushion_pairs")
    again = pickle.loads(pickle.dumps(analysis))
    assert list(again) == list(analysis) and again.warnings == analysis.warnings
    pd.testing.assert_frame_equal(again.comparisons, analysis.comparisons)
    for name in analysis:
        one, other = analysis[name], again[name]
        assert other.specification is one.specification  # a record goes by its name
        for table in ("data", "means", "contrasts", "term_tests", "variances", "by_strip"):
            pd.testing.assert_frame_equal(getattr(one, table), getattr(other, table))
    # Questions that refit, or read the judges of the error strata, are answered as before.
    one, other = analysis["header_loss"], again["header_loss"]
    assert other._repr_html_() == one._repr_html_()
    pd.testing.assert_frame_equal(one.pairwise().table, other.pairwise().table)
    pd.testing.assert_frame_equal(one.alternatives().table, other.alternatives().table)
    pd.testing.assert_frame_equal(one.power().scaling, other.power().scaling)
    assert one.equivalence(1.2).table.equals(other.equivalence(1.2).table)


def test_what_is_kept_beside_a_result_is_plain(analysed: Analysed) -> None:
    """Notes hold values, so that another reader or language may say them."""

    def plain(value: object) -> bool:
        if isinstance(value, tuple):
            return all(map(plain, value))
        if isinstance(value, dict):
            return all(map(plain, value.values()))
        return value is None or isinstance(value, (str, bool, int, float))

    kept = [
        note for name in FROZEN for own in analysed(name).responses.values()
        for note in (own.described, *own.reasons, *own.notes)
    ]  # fmt: skip
    assert kept and all(isinstance(note, Note) and plain(dict(note.values)) for note in kept)


def test_the_data_of_a_result_ask_nothing() -> None:
    asked = {"pairwise", "alternatives", "check", "power", "surface", "equivalence", "at_same"}
    assert not asked & set(dir(ResponseResult))
