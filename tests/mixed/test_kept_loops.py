"""Where no folder can be written to, the engine compiles without keeping its loops, and says so."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

import trialkit

RUN = """
import trialkit.mixed.compiled as compiled
from trialkit.mixed.families import polygamma_steps
import subprocess, sys
print(compiled._KEPT, polygamma_steps.stats.cache_path)
# A process it starts does not tell it again.
subprocess.run([sys.executable, "-c", "import trialkit.mixed.compiled"], check=True)
"""


@pytest.fixture
def package(tmp_path: Path) -> Path:
    """A copy of the package; a file stands where its compiled loops would go."""
    ignored = shutil.ignore_patterns("__pycache__", "_share")
    shutil.copytree(Path(trialkit.__file__).parent, tmp_path / "trialkit", ignore=ignored)
    (tmp_path / "trialkit" / "mixed" / "__pycache__").write_text("")
    return tmp_path


def run(package: Path, **variables: str) -> subprocess.CompletedProcess[str]:
    kept = {k: v for k, v in os.environ.items() if k not in ("NUMBA_CACHE_DIR", "XDG_CACHE_HOME")}
    own = {"PYTHONPATH": str(package), "PYTHONDONTWRITEBYTECODE": "1", **variables}
    return subprocess.run(
        [sys.executable, "-c", RUN],
        cwd=package, env=kept | own, text=True, capture_output=True, check=True,
    )  # fmt: skip


@pytest.mark.skipif(sys.platform == "win32", reason="the user's folder is not found by HOME")
def test_no_folder_to_write_to(package: Path, tmp_path: Path) -> None:
    found = run(package, HOME=str(package / "trialkit" / "errors.py"))
    assert found.stdout.startswith("False")
    assert found.stderr.count("\n") == 1
    assert found.stderr.startswith("No folder can be written to")
    assert "NUMBA_CACHE_DIR" in found.stderr
    # The folder the note asks for is used.
    found = run(package, HOME="/dev/null", NUMBA_CACHE_DIR=str(tmp_path / "loops"))
    assert found.stdout.startswith(f"True {tmp_path / 'loops'}")
    assert not found.stderr
