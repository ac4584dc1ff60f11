"""A user's type checker sees a wrong name wherever trialkit is called."""

from __future__ import annotations

from pathlib import Path

import pytest

import trialkit

api = pytest.importorskip("mypy.api")

# A user's own file; a line that ends in "# wrong" must be an error, every other must be none.
USED = """
import trialkit as tk

trial = tk.load_trial("trial")
analysis = tk.analyse(trial, level=0.9, responses=["header_loss"])
tk.analyse(trial, confidence=0.9)  # wrong
result = analysis["header_loss"]
result.pairwise("gap", adjust="dunnett")
result.pairwise("gap", adjusted="dunnett")  # wrong
result.power("cushion", power=0.9, ratios=[0.7])
result.power("cushion", ratio=0.7)  # wrong
result.check(1, n=50, influence=False)
result.check(seeds=1)  # wrong
result.effect_along("moisture", level="wide", points=21)
result.effect_along("moisture", levels="wide")  # wrong
result.surface(("gap", "speed"), margin=2.0, better="lower", hold={"cushion": "none"})
result.surface(("gap", "speed"), better="lowest")  # wrong
result.no_more_than(1.2, scale="ratio", confidence=0.9)
result.no_more_than(1.2, scal="ratio")  # wrong
result.equivalence((0.8, 1.25), factor="gap")
result.equivalence(1.25, unit="kg/ha")  # wrong
result.field_effects(level=0.9)  # wrong
result.alternatives(0.9)  # wrong
tk.analysis.effects_at(result, "cushion", "chain", "speed", confidence=0.9)
tk.analysis.effects_at(result, "cushion", "chain", "speed", level=0.9)  # wrong
tk.analysis.crossing(result.effect_along(), 0.8, scale="odds")  # wrong
second = result.at_same
second.contrasts  # wrong
if second is not None:
    print(second.contrasts, second.reasons)  # wrong
print(result.fit.bootstrap(20, seed=1), result.means, analysis.primary)
result.fit.bootstrap(20, sead=1)  # wrong
tk.plan.power(prce=3)  # wrong
tk.header.check_header(trial, limit=3)  # wrong
tk.decide.payback(analysis, n=500)
tk.rooms  # wrong
"""


def test_wrong_names_are_errors_and_right_ones_are_none(tmp_path: Path) -> None:
    used = tmp_path / "used.py"
    used.write_text(USED, encoding="utf-8")
    root = Path(trialkit.__file__).parents[1]
    said, failed, _ = api.run(
        ["--strict", "--config-file=", "--python-version", "3.11", "--ignore-missing-imports",
         "--follow-imports=silent", "--no-error-summary", "--hide-error-context",
         "--cache-dir", str(root / ".mypy_cache" / "typed_face"), str(used)]
    )  # fmt: skip
    assert not failed, failed
    errors = {
        int(line.split(":")[-3]) for line in said.splitlines()
        if line.startswith(str(used)) and ": error: " in line
    }  # fmt: skip
    wrong = {n for n, line in enumerate(USED.splitlines(), start=1) if line.endswith("# wrong")}
    assert errors == wrong, said
