"""How long every report of every demo trial takes, page and paper, and how large it is.

    python tests/benchmarks/report_speed.py [REPORT ...]

Each render is a process of its own, as it is from the command line; the engine is compiled and
files are read once before anything is timed. Times are in seconds from the start of the process:
the notebook begins, it has run, all is written.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path

from trialkit.pages import demo_dir, notebooks_dir
from trialkit.pages.readers import READERS

ONE = """
import json, sys, time
begun = time.perf_counter()
from trialkit.pages import render
trial, out, report = sys.argv[1:]
steps = []
made = render(trial, out, report=report, pdf=True,
              parameters={"grower": "A"} if report == "grower" else {},
              progress=lambda step: steps.append((step, time.perf_counter() - begun)))
end = time.perf_counter() - begun
at = dict(steps)
print(json.dumps({"begins": at["running the report's notebook"], "run": at["writing the page"],
                  "all": end, "html": made.html.stat().st_size, "pdf": made.pdf.stat().st_size}))
"""


def timed(trial: Path, report: str) -> dict[str, float]:
    """Render once in a new process; CPU seconds are of that process and its kernel."""
    with tempfile.TemporaryDirectory(prefix="trialkit-speed-") as out:
        before = os.times()
        done = subprocess.run([sys.executable, "-c", ONE, str(trial), out, report],
                              capture_output=True, text=True, check=True)  # fmt: skip
        after = os.times()
    cpu = (after.children_user + after.children_system) - (
        before.children_user + before.children_system
    )
    return {**json.loads(done.stdout), "cpu": cpu}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("reports", nargs="*", metavar="REPORT", help=f"of {', '.join(READERS)}")
    names = parser.parse_args().reports or list(READERS)
    folder = notebooks_dir() / "reports"
    names = [n for n in names if (folder / f"{READERS[n].notebook}.ipynb").is_file()]
    trials = sorted(path.parent for path in demo_dir().parent.glob("*/trial.toml"))
    for name in names:
        timed(trials[0], name)  # compiles
    print(f"{'report':12}{'trial':16}{'begins':>8}{'run':>7}{'all':>7}{'CPU':>7}"
          f"{'page, kB':>10}{'paper, kB':>11}")  # fmt: skip
    for name in names:
        for trial in trials:
            t = timed(trial, name)
            print(f"{name:12}{trial.name:16}{t['begins']:8.1f}{t['run']:7.1f}{t['all']:7.1f}"
                  f"{t['cpu']:7.1f}{t['html'] / 1e3:10.0f}{t['pdf'] / 1e3:11.0f}")  # fmt: skip


if __name__ == "__main__":
    main()
