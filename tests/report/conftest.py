"""Pages that several tests read: made once, from the demo trials."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from trialkit.report import demo_dir, render

SCRIPT = "<script>document.title='taken'</script>"
IMAGE = "<img src=x onerror=document.title='taken'>"


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The field-day page of the first demo trial."""
    return render(demo_dir(), tmp_path_factory.mktemp("page")).html


@pytest.fixture(scope="module")
def hostile_page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The page of a trial whose every free text tries to be markup, with refused rows."""
    folder = tmp_path_factory.mktemp("hostile") / "trial"
    shutil.copytree(demo_dir(), folder)
    settings = folder / "trial.toml"
    text = settings.read_text(encoding="utf-8")
    lines = []
    for line in text.splitlines():
        if line.startswith("title"):
            line = f'title = "Trial {SCRIPT} {IMAGE} costs $5 to $6"'
        if line.startswith("labels"):
            line = f'labels = ["standard {SCRIPT}", "cushioned {IMAGE}"]'
        lines.append(line)
    settings.write_text("\n".join(lines), encoding="utf-8")
    frames = folder / "frames.csv"
    head, first, *rest = frames.read_text(encoding="utf-8").splitlines()
    cells = first.split(",")
    cells[[name.split(" ")[0] for name in head.split(",")].index("loose_kernels")] = SCRIPT
    frames.write_text("\n".join([head, ",".join(cells), *rest]) + "\n", encoding="utf-8")
    return render(folder).html
