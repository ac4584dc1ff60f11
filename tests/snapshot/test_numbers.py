"""Every number of the demo trials is the one that was frozen; pages and generated trials are
compared in ``tests/pages/test_one_voice.py``, which has them made.

Sentences are not compared, and no name of the program's is: whatever is rebuilt, `extract` may be
adapted to it, while the JSON files stay as they are. After a change of numbers that is meant, run
``python tests/snapshot/freeze.py``, which tells what became of what, and say why in the commit.
"""

from __future__ import annotations

import pytest

from snapshot import extract, frozen, sources


@pytest.mark.parametrize("name", extract.DEMOS)
@pytest.mark.parametrize("source", list(sources.OF_ANALYSIS))
def test_numbers_of_a_demo_trial(source: str, name: str) -> None:
    found = sources.OF_ANALYSIS[source](sources.demo(name))
    frozen.hold(f"{source}, {name}", frozen.changes(frozen.read(source)[name], found))


@pytest.mark.parametrize("source", list(sources.ALONE))
def test_numbers_without_an_analysis(source: str) -> None:
    before = frozen.read(source)
    for of, make in sources.ALONE[source].items():
        frozen.hold(f"{source}, {of}", frozen.changes(before[of], make()))


def test_numbers_of_the_page_of_a_faulty_header() -> None:
    words = extract.of_page(extract.faulty_page())
    before = frozen.read_pages()[sources.FAULTY]
    frozen.hold(sources.FAULTY, frozen.changes_of_page(before, words))


def test_a_number_that_changes_is_told() -> None:
    """The comparison is not blind: a part in 10,000, a number gone, a number more, on pages too."""
    before = frozen.read("analysis")[extract.DEMOS[0]]
    name = "header_loss/cushion,cushion/difference"
    for altered in (before | {name: before[name] * 1.0001}, before | {"more": 1.0},
                    {k: v for k, v in before.items() if k != name}):  # fmt: skip
        assert len(frozen.changes(before, altered)) == 1
    html = "<p>1,200.5 bu, \u22120.5 to 3\u20134, 1-1/4 in (p = 0.03)</p><footer>2026</footer>"
    assert extract.of_page(html) == {"1200.5", "-0.5", "3", "4", "1-1/4", "0.03"}
    assert frozen.changes_of_page({"1", "2"}, {"2", "3"}) == ["vanished: 1", "came: 3"]
