"""The field-day page as a document: what it says, what it loads, how it is built."""

from __future__ import annotations

import base64
import html
import re
import shutil
from collections import Counter
from dataclasses import replace
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path
from xml.etree import ElementTree

import nbformat
import pytest
from frozen_trials import frozen_dir

import trialkit as tk
from trialkit.demo.scenarios import CUSHION_PAIRS
from trialkit.errors import DesignError, FileExistsRefusal, ReportError
from trialkit.intake.files import write_numbered
from trialkit.pages import demo_dir, field_day, notebooks_dir
from trialkit.pages.columns import in_columns
from trialkit.pages.elements import Section, Sentence, whole
from trialkit.pages.glosses import explained
from trialkit.pages.html import html as html_of
from trialkit.pages.readers import READERS
from trialkit.pages.rendering import execute, render, target
from trialkit.quantities import decimals, number
from trialkit.simulate import Effort, simulate_trial

VOID = {"meta", "img", "br", "hr", "link", "input"}
LOADS = {"src", "href", "srcset", "data", "action", "poster", "background", "formaction", "ping"}


class Document(HTMLParser):
    """Elements in order, with their text; complains where tags do not nest."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.text: dict[int, str] = {}
        self.open: list[tuple[str, int]] = []
        self.feed(text)
        self.close()
        assert not self.open, f"never closed: {self.open}"

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append((tag, len(self.elements) - 1))

    def handle_endtag(self, tag: str) -> None:
        assert self.open and self.open[-1][0] == tag, f"</{tag}> inside {self.open[-3:]}"
        self.open.pop()
        self.handle_data(" ")

    def handle_data(self, data: str) -> None:
        for _, index in self.open:
            self.text[index] = self.text.get(index, "") + data

    def all(self, tag: str) -> list[tuple[dict[str, str | None], str]]:
        return [
            (attrs, " ".join(self.text.get(i, "").split()))
            for i, (name, attrs) in enumerate(self.elements)
            if name == tag
        ]


@pytest.fixture(scope="module")
def document(page: Path) -> Document:
    return Document(page.read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def hostile(hostile_page: Path) -> str:
    return hostile_page.read_text(encoding="utf-8")


def test_document_is_whole_and_accessible(document: Document) -> None:
    assert document.all("html")[0][0]["lang"] == "en"
    assert document.all("title")[0][1].startswith("Field day: ")
    assert any(a.get("name") == "viewport" for a, _ in document.all("meta"))
    levels = [int(t[1]) for t, _ in document.elements if re.fullmatch(r"h[1-6]", t)]
    assert levels.count(1) == 1 and levels[0] == 1
    assert all(b - a <= 1 for a, b in pairwise(levels))
    ids = Counter(a["id"] for _, a in document.elements if "id" in a)
    assert set(ids.values()) == {1}
    for _, attrs in document.elements:
        if label := attrs.get("aria-labelledby"):
            assert label in ids
    assert all(len(a["alt"] or "") > 40 for a, _ in document.all("img"))


def test_nothing_is_loaded_from_elsewhere(document: Document, page: Path) -> None:
    for tag, attrs in document.elements:
        assert tag not in {"script", "link", "iframe", "object", "embed", "base"}
        for name in LOADS & set(attrs):
            assert (attrs[name] or "").startswith("data:"), (tag, name)
    style = "".join(text for _, text in document.all("style"))
    assert "@import" not in style and "url(" not in style
    for attrs, _ in document.all("img"):
        kind, data = (attrs["src"] or "").split(";base64,")
        assert kind == "data:image/svg+xml"
        drawing = ElementTree.fromstring(base64.b64decode(data))
        for element in drawing.iter():
            for name, value in element.attrib.items():
                assert not (name.endswith("href") and not value.startswith("#"))
    assert page.stat().st_size < 3_000_000


def test_page_says_what_the_analysis_found(document: Document) -> None:
    analysis = tk.analyse(tk.load_trial(demo_dir()))
    row = analysis.responses["header_loss"].contrasts.iloc[0]
    headline = document.all("h1")[0][1]
    assert headline.startswith(row["label"])
    extent = next(text for a, text in document.all("p") if a.get("class") == "extent")
    half = (row["difference_high_bu_ac"] - row["difference_low_bu_ac"]) / 2
    assert f"{number(abs(row['difference_bu_ac']), decimals(half))} bu/ac" in extent
    assert ("less" in extent.split("(")[0]) == (row["difference"] < 0)
    half = (row["ratio_high"] - row["ratio_low"]) * 50
    assert f"{number(abs(row['ratio'] - 1) * 100, decimals(half))} %" in extent
    everything = document.all("main")[0][1]
    for words in (
        "bu/ac",
        "kg/ha",
        "operator's manual",
        "engine off",
        "29 CFR 1928.57",
        analysis.trial.data_hash()[:16],
        tk.__version__,
        "not guarantees",
    ):
        assert words in everything
    assert not re.search(r"signific|proves|Warning:|Traceback", everything)


def test_code_is_folded_and_tells_no_path(document: Document, page: Path) -> None:
    code = " ".join(text for _, text in document.all("code"))
    assert "tk.analyse" in code
    folded = document.all("details")
    assert folded[-1][0].get("class") == "code"
    assert all("open" not in attrs for attrs, _ in folded)
    assert str(page.parent) not in page.read_text(encoding="utf-8")


def test_markup_in_user_text_is_shown_as_text(hostile: str) -> None:
    parsed = Document(hostile)
    assert not parsed.all("script")
    assert all("onerror" not in attrs for _, attrs in parsed.elements)
    everything = parsed.all("main")[0][1]
    assert "<script>document.title='taken'</script>" in everything
    assert "costs $5 to $6" in everything
    pictures = b"".join(
        base64.b64decode(data) for data in re.findall(r"svg\+xml;base64,([^\"]+)", hostile)
    )
    assert b"&lt;img src=x" in pictures and b"<script" not in pictures


def test_refused_rows_are_shown(hostile: str) -> None:
    tables = [text for _, text in Document(hostile).all("table")]
    refused = next(text for text in tables if text.startswith("What was refused, by cause"))
    assert "frames.csv, line 2" in refused and "loose kernels" in refused


def test_names_become_letters_unless_agreed() -> None:
    trial = tk.load_trial(frozen_dir("gap_fields"))
    names = {str(n) for n in trial.fields["grower"].dropna()} | set(trial.fields["field"])
    assert len(names) > 8
    for agreed in (False, True):
        config = replace(
            trial.config, growers_agreed=agreed, title="On " + " and ".join(sorted(names))
        )
        shown = parts_of(replace(trial, config=config))
        pictures = re.findall(r"svg\+xml;base64,([^\"]+)", shown)
        shown = html.unescape(shown) + "".join(base64.b64decode(p).decode() for p in pictures)
        assert all((name in shown) == agreed for name in names)
        assert ("Field A" in shown) != agreed


def test_broken_notebook_names_the_cell_and_the_cause(tmp_path: Path) -> None:
    notebook = nbformat.v4.new_notebook()
    notebook.metadata["kernelspec"] = {"name": "python3", "display_name": "", "language": "python"}
    parameters = nbformat.v4.new_code_cell("trial_folder = ''")
    parameters.metadata["tags"] = ["parameters"]
    notebook.cells = [parameters, nbformat.v4.new_code_cell("harvest = {}\nharvest['cobs']")]
    path = tmp_path / "broken.ipynb"
    nbformat.write(notebook, path)
    with pytest.raises(ReportError, match=r"broken\.ipynb stopped at cell 2 .*KeyError: 'cobs'"):
        execute(path, {"trial_folder": "x"})


def test_what_a_trial_cannot_tell_is_said_in_a_sentence(tmp_path: Path) -> None:
    source = tmp_path / "trial"
    shutil.copytree(frozen_dir(), source)
    for table in ("frames", "grain"):
        (source / f"{table}.csv").unlink()
    with pytest.raises(DesignError, match=r"^There are no frames from the header zone .*\.$"):
        render(source, tmp_path)
    assert not list(tmp_path.glob("*.html"))


def test_reports_never_overwrite(tmp_path: Path) -> None:
    own = tmp_path / "new" / "field_day.html"
    first = write_numbered(own, {".html": b"one"})
    both = write_numbered(own, {".html": b"two", ".pdf": b"paper"})
    assert [path.read_bytes() for path in (*first, *both)] == [b"one", b"two", b"paper"]
    assert [path.name for path in both] == ["field_day-2.html", "field_day-2.pdf"]
    assert {p.name for p in own.parent.iterdir()} == {path.name for path in (*first, *both)}
    with pytest.raises(FileExistsRefusal):
        write_numbered(own / "field_day.html", {".html": b"three"})


def test_target_is_a_file_or_a_folder(tmp_path: Path) -> None:
    assert target(tmp_path, None, "field_day") == tmp_path / "field_day.html"
    book = tmp_path / "trial.xlsx"
    assert target(book, None, "field_day") == tmp_path / "field_day.html"
    assert target(tmp_path, tmp_path / "a.html", "field_day") == tmp_path / "a.html"
    assert target(tmp_path, tmp_path / "a", "field_day") == tmp_path / "a" / "field_day.html"
    (tmp_path / "b.html").mkdir()
    assert target(tmp_path, tmp_path / "b.html", "x") == tmp_path / "b.html" / "x.html"


def test_without_a_kernel_it_is_the_same_page(page: Path) -> None:
    """Elements of the page itself make the HTML that the notebook's outputs made."""
    own = field_day(tk.analyse(tk.load_trial(demo_dir())))
    pieces = explained([shown.elements for shown in own])
    made = "\n".join(html_of(piece) for piece in in_columns(pieces, READERS["field-day"].abreast))
    text = page.read_text(encoding="utf-8")
    main = text[text.index('<main class="field_day">') : text.index('<details class="code">')]
    assert main.partition(">")[2].strip() == made.strip()


def test_columns_end_at_about_one_height_and_keep_their_order() -> None:
    def section(name: str, words: int) -> tuple:
        return (Section(name, "Title", (Sentence("word " * words),)),)

    pieces = [section("a", 200), section("b", 400), section("c", 100), section("d", 100)]
    between = (Sentence("across"),)
    (abreast,), across, *rest = in_columns([*pieces, between, *pieces[:1]], ("a", "b", "c", "d"))
    left, right = abreast.elements
    assert [s.name for s in left.elements] == ["a", "c", "d"]
    assert [s.name for s in right.elements] == ["b"]
    assert across == between and rest == pieces[:1]


def parts_of(trial: tk.Trial) -> str:
    """HTML of the page's parts, as the notebook's cells make them, without a kernel."""
    analysis = tk.analyse(trial)
    made = {"page": field_day(analysis)}
    notebook = nbformat.read(notebooks_dir() / "reports" / "field_day.ipynb", as_version=4)
    calls = [cell.source for cell in notebook.cells if cell.source.startswith("page.")]
    assert len(calls) == 14
    return "".join(eval(call, made)._repr_html_() for call in calls)


def in_process(trial: tk.Trial) -> str:
    """The text of the page's parts."""
    return Document(f"<main>{parts_of(trial)}</main>").all("main")[0][1]


@pytest.mark.parametrize("name", ["gap_fields", "split_strips"])
def test_other_designs(name: str) -> None:
    trial = tk.load_trial(frozen_dir(name))
    main = in_process(trial)
    told = re.search(r"In (\d+) of (\d+) fields the measured difference goes that way", main)
    assert (told is not None) == (trial.strips["field"].nunique() > 2)
    assert told is None or int(told[1]) <= int(told[2]) == trial.strips["field"].nunique()
    for factor in trial.config.setups:
        for label in factor.level_labels:
            assert whole(label).lower() in main.lower()
    assert not re.search(r"Warning:|Traceback|\bnan\b", main)


@pytest.mark.parametrize(
    ("lacking", "said"),
    [
        ({"grain": 0}, "Damaged kernels in the grain tank Not shown."),
        ({"price_per_t": None}, "The trial gives no price of grain."),
        ({"option": None}, "grain worth USD"),
        ({"frames": "preharvest", "ears": "preharvest"}, "Not measured in this trial: already"),
        ({"frames": 0, "ears": 0}, "lower with cushioned chain than with standard chain in"),
        ({"ears": 0}, "Plain means over strips: loose kernels."),
        ({"grain": 0, "ears": 0, "residue": 0}, "Nothing else was counted that compares"),
    ],
    ids=lambda value: "-".join(value) if isinstance(value, dict) else "",
)
def test_what_a_trial_lacks_is_said(lacking: dict, said: str) -> None:
    trial = tk.load_trial(frozen_dir())
    changes: dict = {}
    for part, value in lacking.items():
        if part in {"price_per_t", "option"}:
            changes["config"] = replace(trial.config, **{part: value})
        else:
            table = getattr(trial, part)
            changes[part] = table[table["zone"] != value] if value else table.head(0)
    assert said in in_process(replace(trial, **changes))


def test_loss_behind_the_machine_is_told_by_name_with_what_is_assumed_of_it() -> None:
    """Threshing and separation, each with its word; the width nobody gave; the table's sum."""
    header = replace(CUSHION_PAIRS.config.header, discharge_stated=False)
    config = replace(CUSHION_PAIRS.config, header=header)
    truth = replace(CUSHION_PAIRS.truth, threshing_share=0.4)
    trial = simulate_trial(config, truth, seed=3, effort=Effort(total_frames=4))
    analysis = tk.analyse(trial, responses=["header_loss", "processing_loss"])
    page = Document(field_day(analysis).sources()._repr_html_())
    told = " ".join(text for _, text in page.all("p"))
    assert "assumed to be the header's, 20 ft" in told
    heads = [text for _, text in page.all("th")]
    assert {"threshing (still on cobs)", "separation (loose)"} <= set(heads)
    assert "threshing and cleaning" not in heads
    assert "assumed to be the header's" in " ".join(analysis["processing_loss"].sentences)
    parts = trial.unlocks().set_index("part")
    assert parts.loc["threshing and separation apart", "unlocked"]
    assert "the header's assumed" in parts.loc["processing loss", "reason"]
    every = analysis.losses.setups.query("kind == 'all'")
    found = every.pivot(index="cushion", columns="source", values="kg_ha")
    both = found["threshing"] + found["separation"]
    assert both.to_numpy() == pytest.approx(found["processing"].to_numpy())
    told_width = simulate_trial(CUSHION_PAIRS.config, truth, seed=3)
    given = tk.analyse(told_width, responses=["header_loss"])
    assert "assumed to be" not in field_day(given).sources()._repr_html_()
