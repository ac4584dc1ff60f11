"""A trial whose every free text holds a name, everything that leaves the researcher's hands of it,
and where the names still stand in that."""

from __future__ import annotations

import base64
import csv
import html
import io
import re
import unicodedata
import zipfile
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from pathlib import Path

import frozen_trials
import nbformat
from pypdf import PdfReader

import trialkit as tk
from trialkit.pages import readers, rendering
from trialkit.pages.elements import MEDIA
from trialkit.pages.export import write_tables
from trialkit.pages.page import Page
from trialkit.simulate import HeaderProfile, simulate_trial, write_simulated

FIELDS = {"Mill Piece": "Zwetschg\u00f3n Bottom", "Ridge Forty": "Krumhollow",
          "Pond Side": "Vexley\u00a0 Eighty 80"}  # fmt: skip
GROWERS = {"Kernelby Farm": "Amos Quistrup",
           "Cobwick Farm": "Ondrej & D\u00f6rfli Farms",
           "Tasselmoor Farm": "Xu"}  # fmt: skip
STRIP, PAIR, HEADER = "QXW-{:02d}-zebulon", "Brockwyn {}", "Quistrup's eight-row"
# Of the first strips of Krumhollow: names that its own grower's page keeps, and two it does not.
OWN_STRIPS = ("Krumhollow-51", "Ondrej 52 north", "53 Krumhollow Vexley", "54 of Amos")
INITIALS = ("PLKV", "Jorunn")
SECRETS = ("zwetschgon", "krumhollow", "vexley", "quistrup", "amos", "ondrej", "dorfli", "qxw",
           "zebulon", "brockwyn", "plkv", "jorunn", "blorkwitz", "wimsprig")  # fmt: skip
"""What may stand nowhere, folded; a name of two letters is looked for as a word by itself."""
NOTES = (
    "Zwetschgo\u0301n Bottom was wet", "AMOS\u00a0QUISTRUP stopped here", "Quistrup, Amos: late",
    "Quist\u00adrup\u2019s men, the Quistrups'", "Amos_Quistrup-Krumhollow", "Krum\u00adhollows",
    "Xu was here, and XU", "Vexley\neighty", "vexley  80 of D\u00f6rfli", "after QXW-01-zebulon",
    "Dorfli and Ondrej", "PLKV counted, Jorunn drove", "zwetschgo\u0301n\u2019s end",
    "AmosQuistrup",
)  # fmt: skip


def write(folder: Path) -> Path:
    """Write the trial, in a folder and with a title that name people too."""
    given = frozen_trials.GAP_FIELDS
    label = replace(
        frozen_trials.GAP, label="Quistrup's plates",
        level_labels=("Narrow, as Amos has it", "Usual", "Wide at Krumhollow"),
    )  # fmt: skip
    config = replace(
        given.config, setups=(label,), title="Plates of the Quistrups at Krum\u00adhollow",
        notes="Ask Blorkwitz of Krumhollow",
    )  # fmt: skip
    effort = replace(given.effort, header_frames=3, header_check=HeaderProfile())
    trial = simulate_trial(
        config, given.truth, seed=5, blocks=2, fields=given.fields.head(3), effort=effort
    )
    write_simulated(folder, trial, given.truth, 5)
    (folder / "truth.json").unlink()
    strips = {s: STRIP.format(i) for i, s in enumerate(trial.strips["strip"])}
    own = list(trial.strips.loc[trial.strips["field"] == "Ridge Forty", "strip"])
    strips |= zip(own, OWN_STRIPS, strict=False)
    pairs = {p: PAIR.format(p) for p in trial.strips["pair"]}
    for path in folder.glob("*.csv"):
        with path.open(encoding="utf-8", newline="") as file:
            head, *rows = csv.reader(file)
        own = {"strip": strips, "field": FIELDS, "grower": GROWERS, "pair": pairs}
        for row in rows:
            for k, name in enumerate(head):
                row[k] = own.get(name, {}).get(row[k], row[k])
                if name == "header":
                    row[k] = HEADER
        _plant(path.stem, head, rows)
        with path.open("w", encoding="utf-8", newline="") as file:
            csv.writer(file).writerows([head, *rows])
    return folder


def _plant(table: str, head: list[str], rows: list[list[str]]) -> None:
    """Notes, reasons, initials, and cells that are refused."""
    if table == "strips":
        head += ["note", "reason", "status", "counted_by"]
        for k, row in enumerate(rows):
            row += [NOTES[k % len(NOTES)], "", "", INITIALS[k % 2]]
        rows[4][-3:-1] = ["Amos drove into it, says PLKV", "damaged"]
    if table == "frames":
        head.append("note")
        for k, row in enumerate(rows):
            row.append(NOTES[k] if k < len(NOTES) else "")
        at = [name.split(" ")[0] for name in head].index("loose_kernels")
        rows[3][at], rows[4][at] = "12 by Am\u00ados", "Zwetschgo\u0301n Bottom"
        rows[7][head.index("strip")] = "Wimsprig of Krumhollow"
    if table == "fields":
        head.append("latitude")
        for row in rows:
            row.append("51 at Blorkwitz")
    if table == "header_check":
        head.append("measured_by")
        for row in rows:
            row.append(INITIALS[0])
        rows[0][2] = "Quistrup's"


# ---------------------------------------------------------------- what leaves
def pages(analysis: tk.TrialAnalysis, grower: str) -> dict[str, Page]:
    """Every page of the trial."""
    return {
        "field-day": readers.field_day(analysis), "grower": readers.grower(analysis, grower),
        "researcher": readers.researcher(analysis), "header": readers.header(analysis.trial),
    }  # fmt: skip


def written(page: Page, report: str, title: str) -> tuple[bytes, bytes]:
    """A page and its paper as files, from what the report's cells show, without a kernel."""
    notebook = nbformat.v4.new_notebook()
    for shown in page:
        data = {MEDIA: shown._repr_mimebundle_()[MEDIA]}
        cell = nbformat.v4.new_code_cell("page.part()")
        cell.outputs = [nbformat.v4.new_output("display_data", data)]
        notebook.cells.append(cell)
    kind = readers.READERS[report]
    return (rendering.page(notebook, title, kind).encode(),
            rendering.on_paper(notebook, title, kind.layout, "a4"))  # fmt: skip


def exported(analysis: tk.TrialAnalysis, folder: Path) -> dict[str, bytes]:
    """Every file of an export, by name."""
    return {path.name: path.read_bytes() for path in write_tables(analysis, folder).iterdir()}


# ---------------------------------------------------------------- the scan
def texts(name: str, data: bytes) -> Iterator[tuple[str, str]]:
    """Every text inside a file, with where it stands."""
    yield f"name of {name}", name
    kind = name.rpartition(".")[2]
    if kind == "pdf":
        reader = PdfReader(io.BytesIO(data))
        # Less the file's own marks, which are random letters.
        told = reader.xmp_metadata and re.sub(
            r"<xmpMM:(\w+)>[^<]*</xmpMM:\1>", "", reader.xmp_metadata.rdf_root.toxml()
        )
        yield f"{name} metadata", repr(reader.metadata) + repr(told)
        yield f"{name} text", "\n".join(page.extract_text() for page in reader.pages)
        told = (_told(reader.get_object(k)) for k in range(1, len(reader.xref_objStm) + 5000)
                if k in reader.xref[0] or k in reader.xref_objStm)  # fmt: skip
        yield f"{name} alt texts", "\n".join(filter(None, told))
    elif kind == "xlsx":
        with zipfile.ZipFile(io.BytesIO(data)) as book:
            for part in book.namelist():
                yield f"{name}/{part}", book.read(part).decode()
    else:
        text = data.decode("utf-8-sig")
        bare = re.sub(r"base64,[A-Za-z0-9+/=]+", "", text)
        yield name, html.unescape(bare) if kind == "html" else bare
        for k, (media, inside) in enumerate(
            re.findall(r"data:([\w/+.-]+);(?:[\w=-]+;)*base64,([A-Za-z0-9+/=]+)", text)
        ):
            end = {"image/svg+xml": "svg"}.get(media, "csv" if media[:5] == "text/" else "xlsx")
            if media != "image/png" and not media.startswith("font"):
                yield from texts(f"{name}-{k}.{end}", base64.b64decode(inside))


def _told(thing: object) -> str:
    """What a record of a PDF says instead of a picture or a formula."""
    return " ".join(str(thing[k]) for k in ("/Alt", "/ActualText", "/T") if k in thing) if (
        isinstance(thing, dict)) else ""  # fmt: skip


def folded(text: str) -> str:
    """Text without accents, soft hyphens, cases, and with one kind of space."""
    apart = unicodedata.normalize("NFKD", text).casefold()
    kept = (c for c in apart if unicodedata.category(c) not in ("Mn", "Cf"))
    return re.sub(r"\s+", " ", "".join(kept))


def found(files: Mapping[str, bytes]) -> list[tuple[str, str]]:
    """Every name that stands in files, and where."""
    out = []
    for name, data in files.items():
        for where, text in texts(name, data):
            flat = folded(text)
            out += [(secret, where) for secret in SECRETS if secret in flat]
            if re.search(r"(?<![^\W\d_])xu(?![^\W\d_])", flat):
                out.append(("xu", where))
    return out


Scan = Callable[[Mapping[str, bytes]], list[tuple[str, str]]]
