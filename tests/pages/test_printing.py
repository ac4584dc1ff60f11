"""HTML set for paper: every element arrives, and text arrives as the text it was."""

from __future__ import annotations

import base64
import io
import math
import re

import nbformat
import pandas as pd
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from matplotlib import get_data_path
from matplotlib.figure import Figure
from matplotlib.ft2font import FT2Font
from pypdf import PdfReader
from report_pages import kids

from trialkit.errors import ReportError
from trialkit.pages.elements import MEDIA, Formula, Html, Section, Sentence, Table, as_json, figure
from trialkit.pages.paper import add
from trialkit.pages.printing import Sheet, compile_pdf, literal
from trialkit.pages.rendering import on_paper
from trialkit.plots.canvas import LARGE, Plot, style

# Letters that are printed left to right, one after the other, by a font that is always there;
# where letters run the other way or join, extraction may order or compose them differently.
_FONT = FT2Font(f"{get_data_path()}/fonts/ttf/DejaVuSans.ttf")
_LETTERS = sorted(
    chr(code) for code in _FONT.get_charmap()
    if chr(code).isprintable() and code < 0x530 and not 0x300 <= code < 0x370
)  # fmt: skip
_MARKUP = ['"', "\\", "#eval(1)", "$x$", "*b*", "_i_", "`r`", "@ref", "<l>", "//", "/*", "*/", "--",
           "...", "'", "~", "= h", "- i", "+ i", "\\u{41}", "[", "]", "{", "}", "<script>", "&amp;",
           "\t", "\n", " "]  # fmt: skip


def pages(html: str, layout: str = "article") -> PdfReader:
    sheet = Sheet()
    add(sheet, [Html(html)])
    return PdfReader(io.BytesIO(compile_pdf(sheet, layout, title="A title")))


def words(html: str, layout: str = "article") -> str:
    """What the pages say, without the title at their foot; runs of space are one space."""
    text = "\n".join(page.extract_text() for page in pages(html, layout).pages)
    return " ".join(re.sub(r"A title \d+ / \d+", "", text).split())


def escaped(text: str) -> str:
    return text.replace("&", "&amp;").replace("<", "&lt;")


@settings(max_examples=60, deadline=None, derandomize=True)
@given(
    st.lists(
        st.one_of(st.sampled_from(_MARKUP), st.text(_LETTERS, min_size=1, max_size=12)),
        min_size=1, max_size=12,
    ).map("".join)
)  # fmt: skip
@example('a "quoted" \\ back #eval("1") $x^2$ <script>alert(1)</script>')
@example("// no comment /* none */ https://x ~ -- --- ... 'single' `raw` @key <label>")
@example('\\u{1F600} \\n \\" \\')
def test_text_comes_out_as_it_went_in(text: str) -> None:
    out = words(f"<p>x{escaped(text)}x</p>")
    assert re.sub(r"\s", "", out) == re.sub(r"\s", "", f"x{text}x")


@settings(max_examples=300, deadline=None, derandomize=True)
@given(st.text(st.characters()))
@example("\ud800 half a pair, \ufdd0, \uffff, \x00\x1b")
def test_any_text_is_one_string_literal(text: str) -> None:
    found = literal(text, keep=True)
    found.encode()  # no half of a surrogate pair is left
    assert found[0] == found[-1] == '"'
    inside = found[1:-1]
    # Every quote and backslash inside is escaped, so nothing ends the literal early ...
    assert re.fullmatch(r'(?:[^"\\]|\\["\\])*', inside, re.DOTALL)
    # ... and taking the escapes away gives the text, but for what no text may hold.
    back = re.sub(r"\\(.)", r"\1", inside)
    assert len(back) == len(text)
    changed = [(a, b) for a, b in zip(text, back, strict=True) if a != b]
    assert all(b == "\ufffd" and not a.isprintable() for a, b in changed)


@settings(max_examples=40, deadline=None, derandomize=True)
@given(st.text(st.characters(), min_size=1, max_size=60))
@example("\u05e9\u05dc\u05d5\u05dd \u0645\u0631\u062d\u0628\u0627 \u65e5\u672c\u8a9e \U0001f33d")
@example("\u202eturned \u2066isolated \u200d \ufeff")
def test_no_letter_stops_a_page(text: str) -> None:
    html = f"<h2>{escaped(text)}</h2><table><tr><td>{escaped(text)}</td></tr></table>"
    assert re.search(r"before.*\bafter\b", words(f"<p>before</p>{html}<p>after</p>"))


def test_letters_of_the_right_and_accents_come_out() -> None:
    out = words("<p>\u05e9\u05dc\u05d5\u05dd</p><p>caf\u00e9 na\u00efve \u0141\u00f3d\u017a</p>")
    assert "\u05e9\u05dc\u05d5\u05dd" in out or "\u05dd\u05d5\u05dc\u05e9" in out
    assert "caf\u00e9 na\u00efve \u0141\u00f3d\u017a" in out


@pytest.mark.parametrize("layout", ["article", "handout"])
def test_long_words_stay_on_the_page(layout: str) -> None:
    long = "abcdefghij" * 40
    sheet = Sheet()
    told = (Sentence(long), Table("", (), ((long,) * 4,)))
    add(sheet, [Section("measured", long, told)])
    pdf = PdfReader(io.BytesIO(compile_pdf(sheet, layout, title="A title")))
    n = 0
    for page in pdf.pages:
        for line in page.extract_text().splitlines():
            assert len(line) < 200  # letters of this size that a line can hold
            n += len(re.sub(r"[^a-j]", "", line)) if "title" not in line else 0
    assert n == 6 * len(long)


def picture(kind: str) -> str:
    figure = Figure(figsize=(2, 1))
    figure.text(0.1, 0.5, "drawn")
    buffer = io.BytesIO()
    figure.savefig(buffer, format=kind)
    mime = {"svg": "svg+xml", "png": "png"}[kind]
    return f"data:image/{mime};base64,{base64.b64encode(buffer.getvalue()).decode()}"


@pytest.mark.parametrize("kind", ["png", "svg"])
@pytest.mark.parametrize("width", ["", 'width="192"', 'width="100%"'])
def test_pictures(kind: str, width: str) -> None:
    reader = pages(
        f'<figure><img src="{picture(kind)}" alt="Told in words" {width}>'
        "<p>and words</p><figcaption>What it <em>shows</em></figcaption></figure>"
    )
    (page,) = reader.pages
    text = page.extract_text()
    assert "and words" in text and "What it shows" in text
    (drawn,) = (k for k in kids(reader.trailer["/Root"]["/StructTreeRoot"]) if k["/S"] == "/Figure")
    assert drawn["/Alt"] == "Told in words"
    if kind == "png":  # how wide it is drawn: the scale where the picture is called
        scales: list[float] = []

        def visit(operator: bytes, operands: list, matrix: list, text: list) -> None:
            if operator == b"Do":
                scales.append(matrix[0])

        page.extract_text(visitor_operand_before=visit)
        full = float(page.mediabox.width) - 2 * 17 / 25.4 * 72  # 17 mm at either side
        assert scales == [pytest.approx(144 if "192" in width else full, rel=1e-3)]


def test_lists_definitions_and_folded_parts() -> None:
    out = words(
        "<ul><li>one<ul><li>two</li><li><p>three</p><p>four</p></li></ul></li><li>five</li></ul>"
        "<ol><li>first</li><li>second</li></ol><ul></ul><dl></dl>"
        "<dl><dt>term</dt><dd>meaning</dd><dd>another</dd><dt>alone</dt></dl>"
        "<details><summary>More</summary><p>unfolded</p></details>"
    )
    for word in ("one", "two", "three", "four", "five", "first", "second", "term", "meaning",
                 "another", "alone", "More", "unfolded"):  # fmt: skip
        assert len(re.findall(rf"\b{word}\b", out)) == 1, (word, out)
    assert re.search(r"1\.\s*first.*2\.\s*second", out)


def test_what_is_for_the_screen_stays_there() -> None:
    out = words(
        '<p class="screen">a</p><p>b <span class="screen">c</span></p><p class="paper">d</p>'
        "<script>e</script><style>f</style><p hidden>g</p><p>h <b hidden>i</b></p>"
        '<section class="empty"></section><section></section><figure></figure><div>j</div>'
        '<button>k</button><figure><div class="screen"><table><tr><td>l</td></tr></table></div>'
        "<figcaption>m</figcaption></figure><svg><text>n</text></svg>"
    )
    assert sorted(out.split()) == ["b", "d", "h", "j", "m"]  # a picture alone may float


def test_data_frames_as_pandas_writes_them() -> None:
    index = pd.MultiIndex.from_tuples([("wide", 1), ("wide", 2), ("narrow", 3)],
                                      names=["setup", "strip"])  # fmt: skip
    columns = pd.MultiIndex.from_tuples([("loss", "mean"), ("loss", "se"), ("count", "n")])
    frame = pd.DataFrame([[1.5, 0.1, 7], [2.5, 0.2, 8], [3.5, 0.3, 9]], index, columns)
    reader = pages(frame.to_html())
    kinds = [kid["/S"] for kid in kids(reader.trailer["/Root"]["/StructTreeRoot"])]
    # Head: a blank over two columns, "loss" over two, "count"; blank twice and three names; the
    # names of the index over five columns. Body: 3 rows, "wide" over two of them.
    assert kinds.count("/Table") == 1 and kinds.count("/TR") == 6
    html = frame.to_html()
    assert kinds.count("/TH") == len(re.findall("<th[ >]", html.split("</thead>")[0]))
    assert kinds.count("/TD") == len(re.findall("<t[hd][ >]", html.split("</thead>")[1]))
    text = words(html)
    for row in ("1 1.5 0.1 7", "2 2.5 0.2 8", "narrow 3 3.5 0.3 9"):
        assert row in text


@pytest.mark.parametrize(
    "html",
    [
        "<table></table>",
        "<table><caption>only</caption></table>",
        "<table><thead><tr><th>head</th></tr></thead></table>",
        "<table><tr><td>a</td></tr><tr><td>b</td><td>c</td><td>d</td></tr></table>",
        '<table><tr><td rowspan="9">a</td><td colspan="x">b</td></tr><tr><td colspan="3">c</td>'
        "</tr><tr></tr></table>",
        "<table><tr><td><ul><li>a</li></ul><p>b</p></td><td><table><tr><td>c</td></tr></table>"
        "</td></tr></table>",
        '<table><tr><td>a</td><td rowspan="2">b</td></tr><tr><td colspan="2">c</td></tr></table>',
    ],
)
def test_odd_tables_lose_nothing(html: str) -> None:
    said = " ".join(re.sub(r"<[^>]*>", " ", html).split())
    assert sorted(words(f"<p>x</p>{html}").replace("\u2022", "").split()) == sorted(
        ["x", *said.split()]
    )


def test_formulas_stand_in_a_line_and_alone() -> None:
    sheet = Sheet()
    add(sheet, [Sentence(("with ", Formula("no", "x_1 = 3", "x is three"), " there")),
                Formula("no", "y = 4", "y is four")])  # fmt: skip
    reader = PdfReader(io.BytesIO(compile_pdf(sheet, "article", title="A title")))
    out = " ".join(" ".join(page.extract_text() for page in reader.pages).split())
    assert "no" not in out.split()
    assert re.search(r"with .*=\s*3 there", out) and re.search(r"=\s*4", out)
    told = [k["/Alt"] for k in kids(reader.trailer["/Root"]["/StructTreeRoot"])
            if k["/S"] == "/Formula"]  # fmt: skip
    assert told == ["x is three", "y is four"]


@pytest.mark.parametrize(
    ("shown", "cause"),
    [
        (Formula("f", "frac(1", "f"), "unclosed delimiter"),
        ('<img src="data:image/png;base64,AAAA" alt="no picture">', "decode|format"),
        ('<img src="data:image/png;base64,A" alt="no picture">', "cannot be read"),
    ],
)
def test_what_cannot_be_set_names_the_cell_and_the_cause(
    shown: str | Formula, cause: str
) -> None:
    cells = [nbformat.v4.new_markdown_cell("# Words"),
             nbformat.v4.new_code_cell("page.headline()"),
             nbformat.v4.new_code_cell("trial_folder = 1"),
             nbformat.v4.new_code_cell("page.broken()\n2 + 2")]  # fmt: skip
    cells[2].metadata["tags"] = ["injected-parameters"]
    given = {"text/html": shown} if isinstance(shown, str) else {MEDIA: as_json((shown,))}
    for cell, data in ((cells[1], {"text/html": "<h1>Fine</h1>"}), (cells[3], given)):
        cell.outputs = [nbformat.v4.new_output("execute_result", data)]
    notebook = nbformat.v4.new_notebook(cells=cells)
    with pytest.raises(ReportError, match=rf"(?s)cell 3 \(page\.broken\(\)\).*(?:{cause})"):
        on_paper(notebook, "A title", "article", "a4")


def test_lettering_of_pictures_is_that_of_the_text_round_them() -> None:
    """A figure drawn for arm's length is set smaller in running text; others keep their width."""
    with style(LARGE):
        large = Plot(figsize=(4.0, 2.0))
    with style():
        plain = Plot(figsize=(4.0, 2.0))
    widths = {}
    for limit in (math.inf, 9.5):
        sheet = Sheet(lettering=limit)
        for plot in (large, plain):
            add(sheet, [figure(plot, "")])
        widths[limit] = [float(w) for w in re.findall(r", ([\d.]+)pt,", " ".join(sheet.blocks))]
    assert widths[math.inf] == [288.0, 288.0]
    assert widths[9.5] == pytest.approx([288.0 * 9.5 / LARGE, 288.0], rel=1e-4)
