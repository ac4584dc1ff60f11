"""Elements: the same in HTML, in JSON and on paper, whatever a user typed into them."""

from __future__ import annotations

import io
import json
from dataclasses import replace
from itertools import pairwise

import html5lib
import pytest
from bs4 import BeautifulSoup
from frozen_trials import frozen_dir
from pypdf import PdfReader

import trialkit as tk
from trialkit.errors import ReportError
from trialkit.pages.context import Context
from trialkit.pages.elements import (
    MEDIA,
    Abreast,
    Beside,
    Bullets,
    Choice,
    Code,
    File,
    Files,
    Folded,
    Form,
    Formula,
    Group,
    Heading,
    Item,
    Link,
    Marked,
    Number,
    Section,
    Sentence,
    Table,
    as_json,
    every,
    figure,
    from_json,
    screen,
    table,
)
from trialkit.pages.html import html
from trialkit.pages.page import Page
from trialkit.pages.paper import add
from trialkit.pages.printing import Sheet, compile_pdf
from trialkit.pages.registry import Shown, find, part
from trialkit.plots.canvas import Plot, style

HOSTILE = "<script>x</script> #panic() \\ \" ' & $1 </script>"


def drawn() -> Plot:
    with style():
        plot = Plot(figsize=(2.0, 1.0))
    plot.alt_text = f"A square {HOSTILE}"
    return plot


def one_of_each() -> tuple:
    words = ("a ", Marked("strong", "strong"), Marked("x_1", "code"), Link("away", "https://a.org"),
             Marked("only paper", "paper"), Formula("x_1", "x_1", "x one"))  # fmt: skip
    picture = figure(drawn(), f"Caption {HOSTILE}")
    numbers = table("Numbers", ["setup", "loss"], [[HOSTILE, "1.5"], ["b", "2"]], [False, True])
    form = Form(
        "what-if", "Own numbers", "Back",
        (Choice("level", HOSTILE, (("a", HOSTILE), ("b", "b"))), Number("price", "p", 4.0, True)),
        (("left", (HOSTILE, "1", "0 to 2")),), {"text": HOSTILE, "values": [1.0, [2, "x"]]},
        Table("With these numbers", ("what",), (("printed figure",),), kind="paper"),
    )  # fmt: skip
    return (
        Group("headline", (Heading(HOSTILE, 1), Sentence("kicked", "kicker")), "header"),
        Section("first", f"Title {HOSTILE}", (
            Sentence(words), Bullets(("one", ("two", Marked("bold"))), numbered=True),
            Bullets((Item((Sentence("within"), numbers)),), "decide"),
            Beside(picture, (Sentence("beside it"),)),
            Abreast((picture, picture)), Formula(r"\text{LABELq0q}", '"label"', "read", (HOSTILE,)),
        )),
        screen(Sentence("seen alone")), Sentence("for the eye", "screen"),
        Folded(Heading("More", 3, "more"), (Sentence("folded"),), "response", "place"),
        Files((File("a.csv", "text/csv", "QQ==", "the table", " (1 row)"),)), form,
        Code(f"first <- line(1)\n  second({HOSTILE})", "a script"),
    )  # fmt: skip


def test_elements_pass_through_json() -> None:
    made = one_of_each()
    assert from_json(json.loads(json.dumps(as_json(made)))) == made
    shown = Shown(made)._repr_mimebundle_()
    assert html(from_json(shown[MEDIA])) == shown["text/html"]


def test_html_is_valid_and_text_stays_text() -> None:
    text = html(one_of_each())
    parser = html5lib.HTMLParser(namespaceHTMLElements=False)
    parser.parseFragment(text)
    assert parser.errors == []
    soup = BeautifulSoup(text, "html.parser")
    assert [s.get("type") for s in soup.find_all("script")] == ["application/json"]
    assert json.loads(soup.script.string)["text"] == HOSTILE
    assert soup.h1.get_text() == HOSTILE and soup.td.get_text() == "1.5"
    assert soup.find(class_="mine").th.get_text() == "b"
    assert soup.find_all("math")[-1].get_text() == HOSTILE
    assert soup.pre.get_text() == f"first <- line(1)\n  second({HOSTILE})"
    assert soup.section["aria-labelledby"] == soup.h2["id"] == "first"


def test_paper_sets_the_same_elements() -> None:
    sheet = Sheet()
    add(sheet, one_of_each())
    assert set(sheet.sections) == {"headline", "first"}
    words, pictures = sheet.sections["first"]
    assert "beside it" in words and pictures.count("drawing(") == 3 and "drawing(" not in words
    assert len(sheet.pictures) == 3
    reader = PdfReader(io.BytesIO(compile_pdf(sheet, "article", title="A title")))
    said = " ".join(" ".join(page.extract_text() for page in reader.pages).split())
    for text in ("only paper", "kicked", "one", "two", "within", "2", "beside it", "folded",
                 "printed figure", "More", "first <- line(1)"):  # fmt: skip
        assert text in said
    for text in ("seen alone", "for the eye", "Own numbers", "the table"):
        assert text not in said
    assert "#panic()" in said  # which would have stopped the page, had it run
    places = [said.index(text) for text in ("kicked", "within", "beside it", "folded")]
    assert all(a < b for a, b in pairwise(places))


def test_a_part_is_registered_once_and_says_what_it_lacks() -> None:
    @part("cobs", "Cobs", [lambda page: "" if len(page.trial.ears) else "No ears."], "cobs.counted")
    def counted(page: Context) -> tuple:
        """Cobs on the ground."""
        return (Sentence(f"{len(page.trial.ears)} areas"),)

    trial = tk.load_trial(frozen_dir())
    page = Page(["cobs.counted"], Context(trial=trial))
    assert "counted" in dir(page) and page.counted.__doc__ == "Cobs on the ground."
    (section,) = page.counted().elements
    assert section == Section("cobs", "Cobs", (Sentence(f"{len(trial.ears)} areas"),))
    assert [type(e).__name__ for e in every(page.elements)] == ["Section", "Sentence"]
    bare = Page(["cobs.counted"], Context(trial=replace(trial, ears=trial.ears.head(0))))
    assert bare.counted().elements == (Section("cobs", "Cobs", (Sentence("No ears."),)),)
    with pytest.raises(ReportError, match="There is no part"):
        find("cobs.none")
    with pytest.raises(AttributeError, match="it has counted"):
        page.headline()
