"""The page in a real browser: seen at desktop and phone width, nothing runs, nothing sticks out.

Nothing is installed here; where no Chromium is found the tests are skipped and say so.
"""

from __future__ import annotations

import html
import json
import re
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
from matplotlib.image import imread

CHROMIUM = next(
    filter(None, map(shutil.which, ("chromium", "chromium-browser"))), None
)
pytestmark = pytest.mark.skipif(
    CHROMIUM is None, reason="no Chromium here (looked for chromium, chromium-browser)"
)

MEASURE = """
<script>
document.getElementById("frame").onload = event => {
  const page = event.target.contentDocument;
  const width = event.target.clientWidth;
  const scrolls = element => element && (element.classList.contains("scroll")
    || scrolls(element.parentElement));
  const out = [...page.querySelectorAll("body *")].filter(element =>
    element.getBoundingClientRect().right > width + 0.5 && !scrolls(element.parentElement));
  document.getElementById("measured").textContent = JSON.stringify({
    width, scroll: page.documentElement.scrollWidth, title: page.title,
    out: out.map(element => element.outerHTML.slice(0, 80)),
    images: [...page.images].map(image => image.naturalWidth),
    small: [...page.querySelectorAll("p, li, td, th")].map(element =>
      parseFloat(page.defaultView.getComputedStyle(element).fontSize)).filter(size => size < 12),
  });
};
</script>
"""


def chromium(url: Path, profile: Path, *flags: str) -> str:
    """Run headless Chromium on a file and return what it prints."""
    command = [
        str(CHROMIUM), "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic",
        "--no-first-run", "--disable-background-networking", "--disable-component-update",
        "--disable-sync", "--hide-scrollbars", "--virtual-time-budget=3000",
        f"--user-data-dir={profile}", *flags, url.resolve().as_uri(),
    ]  # fmt: skip
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=True)
    return done.stdout


def framed(page: Path, folder: Path, width: int, height: int) -> Path:
    """A file that shows the page in a frame of the given width and measures it there."""
    text = html.escape(page.read_text(encoding="utf-8"))
    file = folder / f"frame-{width}.html"
    file.write_text(
        '<!DOCTYPE html><meta charset="utf-8"><body style="margin:0">'
        f'<iframe id="frame" style="border:0;width:{width}px;height:{height}px" srcdoc="{text}">'
        f'</iframe><pre id="measured"></pre>{MEASURE}',
        encoding="utf-8",
    )
    return file


def measured(page: Path, folder: Path, width: int) -> dict:
    dom = chromium(framed(page, folder, width, 900), folder / "profile", "--dump-dom")
    found = re.search(r'<pre id="measured">(.+?)</pre>', dom, re.DOTALL)
    assert found, "the page did not load"
    return json.loads(html.unescape(found[1]))


@pytest.mark.parametrize("width", [360, 1200])
def test_nothing_sticks_out_and_every_picture_is_drawn(
    hostile_page: Path, tmp_path: Path, width: int
) -> None:
    seen = measured(hostile_page, tmp_path, width)
    assert seen["width"] == width
    assert seen["scroll"] <= width, seen["out"]
    assert seen["out"] == []
    assert len(seen["images"]) >= 4
    assert min(seen["images"]) > 0
    assert seen["small"] == []


@pytest.mark.parametrize("width", [360, 1200])
def test_screenshot_is_not_blank(hostile_page: Path, tmp_path: Path, width: int) -> None:
    picture = tmp_path / "page.png"
    file = framed(hostile_page, tmp_path, width, 1400)
    chromium(
        file, tmp_path / "profile", f"--screenshot={picture}", f"--window-size={width},1400"
    )
    pixels = (imread(picture)[..., :3] * 255).round().astype(np.uint32)
    assert pixels.shape[:2] == (1400, width)
    colours = np.unique(pixels @ np.array([65536, 256, 1], dtype=np.uint32))
    assert len(colours) > 50
    # A page with words and figures is mostly paper, and not only paper.
    dark = (pixels.mean(axis=2) < 128).mean()
    assert 0.01 < dark < 0.5


def test_markup_in_user_text_is_text(hostile_page: Path, tmp_path: Path) -> None:
    seen = measured(hostile_page, tmp_path, 360)
    assert "<script>" in seen["title"]
    assert seen["title"] != "taken"
    assert seen["out"] == []
