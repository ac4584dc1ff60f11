"""Pages that several tests read: every report of every demo trial is made once in a test run,
whichever processes share it."""

from __future__ import annotations

import os
import shutil
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from report_pages import CHROMIUM, HOSTILE, VARIANTS, Render, asked, expected

from trialkit.pages import demo_dir, render
from trialkit.pages.rendering import Rendered


@pytest.fixture(scope="session")
def rendered(tmp_path_factory: pytest.TempPathFactory, worker_id: str) -> Render:
    """Page and paper of a report of a trial, by name."""
    base = tmp_path_factory.getbasetemp()
    shared = (base if worker_id == "master" else base.parent) / "rendered"
    shared.mkdir(exist_ok=True)

    def make(report: str, trial: str) -> Rendered:
        folder = shared / f"{report}-{trial}"
        done = folder / "done"
        try:
            folder.mkdir()
        except FileExistsError:  # made before, or being made in another process of this run
            give_up = time.monotonic() + 300
            while not done.exists():
                assert time.monotonic() < give_up, f"{folder.name} is never ready"
                time.sleep(0.1)
        else:
            message = ""
            try:
                source = folder / "trial"
                VARIANTS.get(trial, lambda to: shutil.copytree(demo_dir(trial), to))(source)
                given = asked(report)
                made = render(source, folder, report=report, pdf=True, parameters=given)
                assert made == expected(folder, report)
            except Exception as error:
                message = f"{type(error).__name__}: {error}"
                raise
            finally:
                (folder / "doing").write_text(message, encoding="utf-8")
                os.replace(folder / "doing", done)
        assert not (said := done.read_text(encoding="utf-8")), said
        return expected(folder, report)

    return make


@pytest.fixture(scope="session")
def worker_id(request: pytest.FixtureRequest) -> str:
    """Name of this process where pytest-xdist runs several, else "master"."""
    return getattr(request.config, "workerinput", {}).get("workerid", "master")


@pytest.fixture(scope="session")
def page(rendered: Render) -> Path:
    """The field-day page of the first demo trial."""
    return rendered("field-day", "cushion_pairs").html


@pytest.fixture(scope="session")
def hostile_page(rendered: Render) -> Path:
    """The page of a trial whose every free text tries to be markup, with refused rows."""
    return rendered("field-day", HOSTILE).html


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """The Chromium that is there, driven by Playwright."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        started = playwright.chromium.launch(
            executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"]
        )
        yield started
        started.close()
