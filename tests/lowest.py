"""Whether trialkit works with the lowest versions it declares: run by hand, or by a CI.

``python tests/lowest.py`` makes a new virtual environment with the Python it is run by (3.11, the
lowest, is meant), installs every requirement of pyproject.toml at its lower bound and runs a smoke
test: the engine held to a mixed model whose answer is published, the demo trial copied, checked,
analysed and reported on screen and on paper, cards for the field. It ends with 0 where all of it
works, and prints the versions that were tried. ``--keep FOLDER`` puts the environment there and
leaves it; ``--as NAME=VERSION`` tries another version of one requirement.
"""

from __future__ import annotations

import argparse
import os
import re
import subprocess
import sys
import tempfile
import tomllib
from pathlib import Path

ROOT = Path(__file__).parent.parent
_REQUIREMENT = re.compile(r"([A-Za-z0-9._-]+)>=([0-9][0-9a-z.]*)")

# Dyestuff (Davies and Goldsmith 1972), six batches of five. Of balanced data REML is the classical
# estimate (computed): with mean squares 11271.5 and 2451.25 it is sqrt((11271.5 - 2451.25) / 5).
SMOKE = """
import pandas as pd
from trialkit.mixed import fit_mixed
yields = [
    1545, 1440, 1440, 1520, 1580, 1540, 1555, 1490, 1560, 1495, 1595, 1550, 1605, 1510, 1560,
    1445, 1440, 1595, 1465, 1545, 1595, 1630, 1515, 1635, 1625, 1520, 1455, 1450, 1480, 1445,
]
frame = pd.DataFrame({"y": map(float, yields), "batch": [b for b in "ABCDEF" for _ in range(5)]})
fit = fit_mixed(frame, "y", nested="batch")
print(fit.variances)
assert abs(fit.variances["sd"][0] - ((11271.5 - 2451.25) / 5) ** 0.5) < 0.001
"""
COMMANDS = (
    ("demo", "trial"),
    ("check", "trial"),
    ("analyse", "trial", "--out", "tables"),
    ("report", "trial", "--pdf", "--out", "pages"),
    ("cards", "trial", "--out", "paper"),
)


def lowest() -> dict[str, str]:
    """Requirements of the project with their lower bounds."""
    data = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    found = [_REQUIREMENT.match(line) for line in data["project"]["dependencies"]]
    assert all(found), "a requirement has no lower bound"
    return {m[1]: m[2] for m in found if m}


def run(*command: str | Path, cwd: Path) -> None:
    print("+", *(Path(c).name if isinstance(c, Path) else c[:60] for c in command), flush=True)
    # Nothing of this checkout or of another environment may be imported by accident.
    kept = {k: v for k, v in os.environ.items() if k not in ("PYTHONPATH", "VIRTUAL_ENV")}
    subprocess.run([str(c) for c in command], cwd=cwd, env=kept, check=True, timeout=3600)


def main() -> int:
    parser = argparse.ArgumentParser(description="Try the lowest versions trialkit declares.")
    parser.add_argument("--keep", type=Path, help="folder for the environment, which stays")
    parser.add_argument("--as", dest="other", action="append", default=[], metavar="NAME=VERSION")
    given = parser.parse_args()
    versions = lowest() | dict(each.split("=", 1) for each in given.other)
    with tempfile.TemporaryDirectory(prefix="lowest-") as scratch:
        work = Path(scratch)
        home = (given.keep or work / "environment").resolve()
        run(sys.executable, "-m", "venv", home, cwd=work)
        tools = home / ("Scripts" if os.name == "nt" else "bin")
        pins = work / "lowest.txt"
        pins.write_text("".join(f"{name}=={version}\n" for name, version in versions.items()))
        run(tools / "python", "-m", "pip", "install", "-q", "-c", pins, ROOT, cwd=work)
        run(tools / "python", "-m", "pip", "list", "--format=freeze", cwd=work)
        run(tools / "python", "-c", SMOKE, cwd=work)
        for command in COMMANDS:
            run(tools / "trialkit", *command, cwd=work)
        for made in ("tables/analysis.xlsx", "pages/field_day.html", "pages/field_day.pdf",
                     "paper/field_paper.pdf"):  # fmt: skip
            assert (work / made).stat().st_size > 1000, made
    print("The lowest versions work: " + ", ".join(f"{n} {v}" for n, v in versions.items()))
    return 0


if __name__ == "__main__":
    sys.exit(main())
