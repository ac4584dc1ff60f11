"""A planned trial, and a phone with its page open in the Chromium that is there, with touch."""

from __future__ import annotations

import csv
import io
import shutil
from pathlib import Path
from typing import Any

from trialkit import plan as tp
from trialkit.intake import HeaderConfig, SetupFactor, TrialConfig
from trialkit.simulate import Effort

CHROMIUM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser"))), None)
PHONE = {"width": 360, "height": 640}
CHAIN = SetupFactor("cushion", ("standardloop", "paddedloop"), "standardloop", "Gathering chainset",
                    ("Plainest loop", "Padded loop"), hard_to_change=True)  # fmt: skip
FEW = Effort(header_frames=3, preharvest_frames=2, total_frames=1, grain_samples=1,
             residue_samples=1, intake_samples=1, butt_samples=1)  # fmt: skip


def write_trial(folder: Path, effort: Effort = FEW, blocks: int = 2, title: str = "Rows") -> Path:
    """A trial of six rows on one field, planned."""
    settings = TrialConfig(title, 2026, "US", HeaderConfig(6, 4.572, 4.572), (CHAIN,))
    made = tp.plan_trial(settings, [tp.Ground("North", 400.0)], blocks=blocks, seed=4)
    made.write(folder, effort)
    return folder


class Phone:
    """A phone with the page open: what a finger does, and what the page complained of."""

    def __init__(self, browser: Any, file: Path, before: str = "", **options: Any) -> None:
        self.context = browser.new_context(
            viewport=PHONE, has_touch=True, is_mobile=True, accept_downloads=True, **options
        )
        self.context.set_default_timeout(5000)
        if before:
            self.context.add_init_script(before)
        self.url = file.resolve().as_uri()
        self.complaints: list[str] = []
        self.page: Any = None
        self.open()

    def open(self, where: str = "") -> None:
        """Open the page in a new window, the former closed."""
        if self.page is not None:
            self.page.close()
        self.page = self.context.new_page()
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.page.on("console", self._said)
        self.page.on("request", self._asked)
        self.page.goto(self.url + where)
        self.page.wait_for_selector("html[data-ready]")

    def _said(self, message: Any) -> None:
        if message.type in ("error", "warning"):
            self.complaints.append(message.text)

    def _asked(self, request: Any) -> None:
        if not request.url.startswith((self.url, "data:", "blob:")):
            self.complaints.append(request.url)

    def tap(self, name: str) -> None:
        self.page.get_by_role("button", name=name).first.tap()

    def confirm(self) -> Phone:
        """Read the cautions to their end, then confirm."""
        large = self.page.locator("#keys button")
        while "Everyone was told" not in large.inner_text():
            at = self.page.evaluate("document.getElementById('main').scrollTop")
            large.tap()
            self.page.wait_for_function(
                "at => document.getElementById('main').scrollTop > at", arg=at
            )
        self.page.wait_for_timeout(400)  # before that nothing is confirmed
        large.tap()
        return self

    def keys(self, text: str | list[str]) -> None:
        for sign in text:
            name = "Decimal sign" if sign == "." else sign
            self.page.get_by_role("button", name=name, exact=True).tap()

    def large(self, at_once: bool = False) -> None:
        """Tap the large key; on a new screen it waits a while before it leaves anything empty."""
        if not at_once:
            self.page.wait_for_timeout(720)
        self.page.locator("#large").tap()

    def leave(self) -> None:
        """Leave a screen empty, and say so where it is asked."""
        self.large()
        if self.page.locator("dialog[open]").count():
            self.tap("Yes, keep it")

    def title(self) -> str:
        return str(self.page.locator("h1").inner_text())

    def count(self, text: str, touch: bool = True) -> None:
        """Type into the field at hand, and keep the screen; what it asks is answered yes."""
        press = (lambda: self.large(at_once=True)) if touch else (
            lambda: self.page.keyboard.press("Enter"))
        if touch:
            self.keys(text)
        else:
            self.page.keyboard.type(text)
        before = self.title()
        for tried in range(4):
            if tried:  # the next field of this screen is left empty
                self.page.wait_for_timeout(720)
            press()
            if self.page.locator("dialog[open]").count():
                self.tap("Yes, keep it")
            if self.title() != before:
                return
        raise AssertionError(f"{before} was not kept: {self.page.locator('#said').inner_text()}")

    def go(self, where: str) -> None:
        self.page.evaluate("where => { location.hash = where; }", where)
        self.page.wait_for_function("where => location.hash === where", arg=where)

    def copy(self) -> list[dict[str, str]]:
        """Rows of the copy as a CSV reader takes them."""
        self.page.evaluate("location.hash = '#/copy'")
        text = self.page.locator("textarea")
        text.wait_for()
        return rows_of(text.input_value())


def rows_of(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text, newline=""), strict=True))
