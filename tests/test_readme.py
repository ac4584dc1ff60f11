"""The README's two lines are the lines that are tested."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from trialkit.cli import app

TOP = Path(__file__).resolve().parents[1]
README = (TOP / "README.md").read_text(encoding="utf-8")
INSTALL_AND_RUN = "pip install . && trialkit demo"
INSTALL_AND_TEST = 'pip install ".[test]" && pytest'


@pytest.mark.parametrize("line", [INSTALL_AND_RUN, INSTALL_AND_TEST])
def test_readme_shows_the_line(line: str) -> None:
    assert re.search(rf"^    {re.escape(line)}$", README, re.MULTILINE)


def test_the_test_line_is_what_ci_runs() -> None:
    ci = (TOP / ".ci" / "run").read_text(encoding="utf-8").splitlines()
    assert INSTALL_AND_TEST in ci


def test_every_command_the_readme_names_exists() -> None:
    known = {c.name or c.callback.__name__ for c in app.registered_commands if c.callback}
    named = set(re.findall(r"(?:^    |`|&& )trialkit ([a-z]+)", README, re.MULTILINE))
    assert named and named <= known


def test_every_file_the_readme_points_to_exists() -> None:
    targets = re.findall(r"\]\((?!http)([^)#]+)\)", README)
    assert targets
    for target in targets:
        assert (TOP / target).exists(), target
