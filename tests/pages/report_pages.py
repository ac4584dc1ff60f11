"""Which pages are tested, and the trials behind them; what several tests ask of a page."""

from __future__ import annotations

import csv
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from trialkit.pages import demo_dir
from trialkit.pages.readers import READERS
from trialkit.pages.rendering import Rendered

SCRIPT = "<script>document.title='taken'</script>"
IMAGE = "<img src=x onerror=document.title='taken'>"

WRITTEN = list(READERS)
TRIALS = sorted(path.parent.name for path in demo_dir().parent.glob("*/trial.toml"))
HOSTILE, METRIC = "hostile", "metric"
# Every page that is looked at: of each demo trial, of one full of hostile text, of one in SI units;
# those that show nothing the others do not, or take longest, by hand.
_BY_HAND = [("researcher", "gap_fields"), *((report, "split_strips") for report in READERS)]
EVERY = [(report, trial) for trial in (*TRIALS, HOSTILE) for report in WRITTEN]
EVERY.append((WRITTEN[0], METRIC))
PAGES = [page for page in EVERY if page not in _BY_HAND]
LOOKED_AT = [
    pytest.param(page, id="-".join(page), marks=[pytest.mark.slow] * (page in _BY_HAND))
    for page in EVERY
]

CHROMIUM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser"))), None)

Render = Callable[[str, str], Rendered]


def asked(report: str) -> dict[str, str]:
    """What a report cannot be made without: a grower's page, whose it is."""
    return {"grower": "A"} if report == "grower" else {}


def expected(folder: Path, report: str) -> Rendered:
    name = READERS[report].notebook
    return Rendered(folder / f"{name}.html", folder / f"{name}.pdf")


def write_hostile(folder: Path) -> None:
    shutil.copytree(demo_dir(), folder)
    settings = folder / "trial.toml"
    lines = []
    for line in settings.read_text(encoding="utf-8").splitlines():
        if line.startswith("title"):
            line = f'title = "Trial {SCRIPT} {IMAGE} costs $5 to $6"'
        if line.startswith("labels"):
            line = f'labels = ["standard {SCRIPT}", "cushioned {IMAGE}"]'
        if line.startswith("growers_agreed"):
            line = "growers_agreed = true"  # so that names are shown
        lines.append(line)
    settings.write_text("\n".join(lines), encoding="utf-8")
    frames = folder / "frames.csv"
    head, first, *rest = frames.read_text(encoding="utf-8").splitlines()
    cells = first.split(",")
    cells[[name.split(" ")[0] for name in head.split(",")].index("loose_kernels")] = SCRIPT
    frames.write_text("\n".join([head, ",".join(cells), *rest]) + "\n", encoding="utf-8")
    with (folder / "fields.csv").open(encoding="utf-8", newline="") as file:
        head, *rows = csv.reader(file)
    for i, row in enumerate(rows):
        row[head.index("grower")] = f"Grower {i} {SCRIPT} #eval(1) {'long' * 30}"
    with (folder / "fields.csv").open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows([head, *rows])


def write_metric(folder: Path) -> None:
    shutil.copytree(demo_dir(), folder)
    settings = folder / "trial.toml"
    text = settings.read_text(encoding="utf-8")
    for us, si in (
        ('units = "US"', 'units = "SI"'),
        ("width = 20 ", "width = 6.1 "),  # m
        ("grain = 4 ", "grain = 157 "),  # per t
        ("area_per_year = 600 ", "area_per_year = 243 "),  # ha
    ):
        assert us in text
        text = text.replace(us, si)
    settings.write_text(text, encoding="utf-8")


VARIANTS = {HOSTILE: write_hostile, METRIC: write_metric}


def kids(node: Any) -> Iterator[Any]:
    """Structure elements of a PDF below one, in reading order."""
    below = node.get("/K", [])
    for kid in below if isinstance(below, list) else [below]:
        kid = kid.get_object() if hasattr(kid, "get_object") else kid
        if isinstance(kid, dict) and "/S" in kid:
            yield kid
            yield from kids(kid)


class Visit:
    """A page opened, and what it complained of or asked for meanwhile."""

    def __init__(self, browser: Any, file: Path, viewport: dict[str, int]) -> None:
        self.context = browser.new_context(viewport=viewport)
        self.complaints: list[str] = []
        self.page = self.context.new_page()
        self.page.set_default_timeout(10_000)
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.page.on("console", self._said)
        self.page.on("dialog", self._asked)
        url = file.resolve().as_uri()
        self.context.route("**/*", lambda route: self._requested(route, url))
        self.page.goto(url)

    def _said(self, message: Any) -> None:
        if message.type in ("error", "warning"):
            self.complaints.append(f"{message.type}: {message.text}")

    def _asked(self, dialog: Any) -> None:
        self.complaints.append(f"dialog: {dialog.message}")
        dialog.dismiss()

    def _requested(self, route: Any, url: str) -> None:
        asked = route.request.url
        if asked == url or asked.startswith(("data:", "blob:")):
            route.continue_()
        else:
            self.complaints.append(f"request: {asked[:200]}")
            route.abort()

    def unfold(self) -> None:
        self.page.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true; })")

    def __enter__(self) -> Visit:
        return self

    def __exit__(self, *error: object) -> None:
        self.context.close()
