"""Freeze the numbers of the snapshot anew, and print what changed: name, before, after.

``python tests/snapshot/freeze.py`` from the project's folder, after a change of numbers that is
meant. Takes about three minutes: every page of every demo trial is made.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
from pathlib import Path

TESTS = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(TESTS / "pages"), str(TESTS)]

import own_trials  # noqa: E402
import test_one_voice  # noqa: E402
from report_pages import EVERY, VARIANTS, asked  # noqa: E402

from snapshot import extract, frozen, sources  # noqa: E402
from trialkit.pages import demo_dir, render  # noqa: E402


def numbers() -> dict[str, frozen.Frozen]:
    """Every number that is no page's, by source and trial."""
    analyses = {name: sources.demo(name) for name in extract.DEMOS}
    for number in extract.GENERATED:
        analyses[f"generated {number}"] = test_one_voice.generated(number).analysis
    out = {
        source: {name: extracted(analysis) for name, analysis in analyses.items()}
        for source, extracted in sources.OF_ANALYSIS.items()
    }
    out |= {source: {of: make() for of, make in own.items()}
            for source, own in sources.ALONE.items()}  # fmt: skip
    for number in extract.PLANNED:
        out["power"][f"generated {number}"] = extract.of_power(own_trials.config(number))
    return out


def pages() -> dict[str, set[str]]:
    """The numbers of every page, by its name."""
    out = {sources.FAULTY: extract.of_page(extract.faulty_page())}
    for number in extract.GENERATED:
        out |= test_one_voice.pages(number)
    with tempfile.TemporaryDirectory() as folder:
        for report, name in EVERY:
            to = Path(folder) / f"{report}-{name}"
            VARIANTS.get(name, lambda to, of=name: shutil.copytree(demo_dir(of), to))(to / "trial")
            made = render(to / "trial", to, report=report, parameters=asked(report))
            out[f"{name}, {report}"] = extract.of_page(made.html.read_text(encoding="utf-8"))
    return out


def kept(before: dict[str, float], now: dict[str, float]) -> dict[str, float]:
    """The numbers, as they were frozen where they still agree: a file changes no further."""
    return {
        name: before[name] if name in before and frozen.same(name, before[name], value) else value
        for name, value in now.items()
    }


def main() -> None:
    for source, found in numbers().items():
        before = frozen.read(source) if frozen.path(source).exists() else {}
        for of in sorted(before.keys() | found):
            for line in frozen.changes(before.get(of, {}), found.get(of, {})):
                print(f"{source}, {of}: {line}")
        frozen.write(source, {of: kept(before.get(of, {}), own) for of, own in found.items()})
    before, words = frozen.read_pages() if frozen.path("pages").exists() else {}, pages()
    for page in sorted(before.keys() | words):
        for line in frozen.changes_of_page(before.get(page, set()), words.get(page, set())):
            print(f"{page}: {line}")
    frozen.write_pages(words)


if __name__ == "__main__":
    main()
