"""The trial, its page and the phones that the tests of this folder share."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from phones import CHROMIUM, Phone, write_trial

from trialkit.pages.screen import count_page


@pytest.fixture(scope="session")
def planned(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_trial(tmp_path_factory.mktemp("trial") / "t")


@pytest.fixture(scope="session")
def page_file(planned: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    (file,) = count_page(planned, tmp_path_factory.mktemp("page"))
    return file


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        started = playwright.chromium.launch(
            executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"]
        )
        yield started
        started.close()


@pytest.fixture
def phone(browser: Any) -> Iterator[Callable[..., Phone]]:
    made: list[Phone] = []

    def take(file: Path, before: str = "", **options: Any) -> Phone:
        made.append(Phone(browser, file, before, **options))
        return made[-1]

    yield take
    complaints = [each.complaints for each in made]
    for each in made:
        each.context.close()
    assert not any(complaints), complaints
