"""Past trials as a source, and simulated plans as figure, panel and command."""

from __future__ import annotations

import functools
import re
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from frozen_trials import CUSHION_PAIRS, GAP_FIELDS, SPLIT_STRIPS, frozen_dir
from typer.testing import CliRunner, Result

import trialkit as tk
from trialkit import plan as tp
from trialkit import plots
from trialkit.cli import app
from trialkit.errors import DesignError, TrialError
from trialkit.intake import write_trial
from trialkit.pages.effort_panel import effort_panel
from trialkit.plan.power_learn import _Pool, at_reference
from trialkit.simulate import Effort, Truth, simulate_trial
from trialkit.words import said
from trialkit.words.plan_file import example

# As a plan is described: no kernel mass given.
CONFIG = replace(CUSHION_PAIRS.config, thousand_kernel_mass=tk.units.DEFAULT_THOUSAND_KERNEL_MASS)


@functools.cache
def grid() -> tp.PowerGrid:
    return tp.power(CONFIG, pairs=(4, 6), frames=(4, 10), rounds=60, seed=3)


# --- Past trials ---------------------------------------------------------------------------------


def test_variances_of_past_trials_are_found_again(tmp_path: Path) -> None:
    """Six trials of six pairs. Bounds: four standard errors of the variances by the balanced
    analysis of variance (Searle, Casella & McCulloch 1992, Variance Components, section 3.5), with
    the chance of counting among the frames; of means, four standard errors between trials."""
    n, frames = 6, 6
    sd = {"pair": 0.30, "strip": 0.20, "frame": 0.30}
    truth = Truth(
        preharvest=4.0, header=25.0, header_ratios={"cushion": {"cushion": 0.7}}, sd=sd,
        preharvest_sd={"frame": 0.3}, moisture_sd=0.0, speed_sd=0.0,
    )  # fmt: skip
    effort = Effort(header_frames=frames, preharvest_frames=2, total_frames=0, grain_samples=0,
                    ear_area=0, residue_samples=0, stalks=0)  # fmt: skip
    for seed in range(n):
        trial = simulate_trial(CUSHION_PAIRS.config, truth, seed=seed, blocks=6, effort=effort)
        write_trial(tmp_path / f"t{seed}", trial.config, trial.tables)
    (tmp_path / "bad").mkdir()
    (tmp_path / "bad" / "trial.toml").write_text("title = 1\n", encoding="utf-8")
    found = tp.learn(tmp_path)
    assert found.trials == n and "1 could not be used" in said(found.notes)[0]
    level = 25.0 * np.exp(sum(v**2 for v in sd.values()) / 2)
    row = sd["frame"] ** 2 + 1 / (level * effort.frame_area)
    strip = sd["strip"] ** 2 + row / frames
    pair = 2 * sd["pair"] ** 2 + strip
    df = {"pair": n * 5, "strip": n * 5, "frame": n * 12 * (frames - 1)}
    error = {
        "frame": row * np.sqrt(2 / df["frame"]),
        "strip": np.hypot(strip * np.sqrt(2 / df["strip"]),
                          row / frames * np.sqrt(2 / df["frame"])),
        "pair": np.hypot(pair * np.sqrt(2 / df["pair"]), strip * np.sqrt(2 / df["strip"])) / 2,
    }  # fmt: skip
    for name, true in sd.items():
        assert abs(found.sd[name] ** 2 - true**2) < 4 * error[name], name
        told = re.fullmatch(r"6 past trials, (\d+) degrees of freedom", found.basis[f"sd {name}"])
        # Nearly all: the trials differ a little in the header's share, so in weight.
        assert told and 0.9 * df[name] < int(told[1]) <= df[name], name
    mean = float(tk.units.kernels_per_m2_to_kg_ha(level, 300.0))
    spread = np.sqrt(pair / 2 / 6 / n)
    assert abs(np.log(found.loss / mean)) < 4 * spread
    # What they could not tell stays at the usual value and is named.
    assert found.sd["main_strip"] == tp.Expected().sd["main_strip"]
    assert found.damage == tp.Expected().damage
    assert {"main strip (header)", "damage"} <= {*found.notes[1].values["kept"]}
    table = found.table().set_index(["what", "level"])["basis"]
    assert table["sd", "main_strip"].startswith("assumed")
    again = tp.power(CUSHION_PAIRS.config, pairs=[6], frames=[4], rounds=4, seed=1,
                     from_trials=tmp_path / "t0")  # fmt: skip
    assert again.expected == tp.learn(tmp_path / "t0")
    assert "learned from 1 past trial. Each" in again.sentences[0]


def test_every_usual_number_says_what_it_rests_on() -> None:
    usual = tp.Expected()
    basis = usual.table().set_index(["what", "level"])["basis"]
    assert basis.str.len().gt(10).all() and basis.ne("as stated").all()
    # Preharvest over header loss, kg/ha: INTA, Argentina, 2005 and 2007, ears among them.
    assert 65 / 233 < usual.preharvest / usual.loss < 54 / 141
    assert "0.28 and 0.38" in basis["preharvest", ""]
    # Spread of logarithms from mean and standard deviation of broken corn and foreign material, %,
    # at first handlers: U.S. Grains Council, 2016 and 2015.
    lots = [np.sqrt(np.log1p((sd / mean) ** 2)) for mean, sd in ((0.7, 0.45), (0.8, 0.61))]
    assert lots[0] / 2 < usual.damage_sd["field"] < lots[1] / 2
    assert [f"{x:.2f}" in basis["damage_sd", "field"] for x in lots] == [True, True]
    # Variance of a Poisson about lognormal means: m + m^2 (exp(sd^2) - 1); of a negative binomial:
    # m + m^2 / k.
    assert f"k = {1 / np.expm1(usual.sd['frame'] ** 2):.1f}" in basis["sd", "frame"]


def test_setups_by_field_are_learned_and_nothing_is_refused(tmp_path: Path) -> None:
    found = tp.learn(frozen_dir("gap_fields"))
    variances = tk.analyse(tk.load_trial(frozen_dir("gap_fields")), responses=["header_loss"])
    own = variances["header_loss"].variances.query("level == 'field' and term != 'Intercept'")
    assert found.basis["sd setup_by_field"] == "1 past trial, 14 degrees of freedom"
    # The header's share of the kernels makes its own variation larger than that of all of them.
    assert found.sd["setup_by_field"] > np.sqrt(own["variance"].iloc[0])
    with pytest.raises(TrialError, match="is no folder"):
        tp.learn(tmp_path / "none")
    (tmp_path / "trial.toml").write_text("title = 1\n", encoding="utf-8")
    with pytest.raises(DesignError, match="nothing to learn"):
        tp.learn(tmp_path)


def test_a_trial_that_tells_little_weighs_little() -> None:
    """By hand: 20 and 10 degrees of freedom; the second trial's header lost a quarter of the
    kernels, and its solved variance, below zero, has 4^4 = 256 times the error variance."""
    pool = _Pool()
    pool.add("strip", 0.04, 20.0, 1.0)
    pool.add("strip", -1.0, 10.0, 0.25**4)
    variance, df = pool.variance("strip")
    w = 10 / 256
    assert variance == pytest.approx((20 * 0.04 - w) / (20 + w))
    assert df == pytest.approx((20 + w) ** 2 / (20 + w / 256))
    pool.add("pair", -0.1, 5.0)
    assert pool.variance("pair") == (0.0, 5.0)
    assert pool.variance("field")[1] == 0.0


def test_the_level_of_loss_is_that_of_the_reference_setup() -> None:
    """Two factors that multiply: 80 at both references, 0.5 and 0.25 under the others."""
    cells = 80.0 * np.outer([1, 0.5], [1, 0.25])
    means = pd.DataFrame(
        [("a", "x", cells[0].mean()), ("a", "y", cells[1].mean()), ("b", "u", cells[:, 0].mean()),
         ("b", "v", cells[:, 1].mean())], columns=["factor", "level", "estimate"],
    )  # fmt: skip
    design = SimpleNamespace(names=["a", "b"], levels={"a": ["x", "y"], "b": ["u", "v"]})
    assert at_reference(SimpleNamespace(means=means, design=design)) == pytest.approx(80.0)  # type: ignore[arg-type]


# --- Another reduction ---------------------------------------------------------------------------


def assert_as_often(moved: tp.PowerGrid, new: tp.PowerGrid) -> None:
    """Of rounds told apart in one grid only, as many in either: McNemar's test, at three standard
    errors."""
    for _, row in new.table.iterrows():
        apart = moved.told_apart(row).astype(int) - new.told_apart(row)
        assert abs(apart.sum()) <= 3 * np.sqrt(np.abs(apart).sum()), row.to_dict()


def test_rounds_moved_to_another_reduction_are_close_to_rounds_simulated_there() -> None:
    """At its own reduction the grid is itself; at another, as many rounds tell the setups apart as
    of new rounds of the same streams, but for what less loss changes in the same strips' counts."""
    same = grid().at(0.3)
    assert (same.table["power"] == grid().table["power"]).all()
    fresh = tp.power(CONFIG, reduction=0.45, pairs=[6], frames=[4, 10], rounds=60, seed=3)
    assert_as_often(grid().at(0.45), fresh)
    assert (grid().at(0.0).table["power"] <= 0.15).all()
    several = tp.power(GAP_FIELDS.config, pairs=[4], frames=[3], rounds=20, seed=1)
    at_home = several.at(0.3).rounds
    np.testing.assert_allclose(at_home["p_adjusted"], several.rounds["p_adjusted"], rtol=1e-9)
    # Factors that interact are tested by differences, whose errors go with the level of loss.
    few = replace(SPLIT_STRIPS.config, setups=SPLIT_STRIPS.config.setups[:2])
    crossed = {"pairs": [4], "frames": [3], "rounds": 40, "seed": 2}
    moved = tp.power(few, reduction=0.45, **crossed).at(0.25)
    new = tp.power(few, reduction=0.25, **crossed)
    assert moved.table["crossed"].all() and moved.rounds["ratio"].isna().all()
    assert_as_often(moved, new)
    se = np.sqrt((moved.rounds["se"] ** 2).groupby(moved.rounds["level"], sort=False).mean())
    np.testing.assert_allclose(se, new.table["se"], rtol=0.10)
    with pytest.raises(DesignError, match="share below 1"):
        grid().at(1.5)


# --- Figure --------------------------------------------------------------------------------------


def test_the_figure_shows_the_table() -> None:
    figure = plots.effort(grid(), power=0.5, chosen=(4, 10))
    (ax,) = figure.axes
    lines = {line.get_gid(): line for line in ax.lines}
    for pairs, own in grid().table.groupby("pairs"):
        own = own.sort_values("frames")
        np.testing.assert_allclose(lines[f"pairs {pairs}"].get_xdata(), own["minutes"] / 60)
        np.testing.assert_allclose(lines[f"pairs {pairs}"].get_ydata(), 100 * own["power"])
    best = grid().cheapest(0.5)
    assert best is not None
    assert lines["cheapest"].get_xdata()[0] == pytest.approx(best.minutes / 60)
    assert lines["cheapest"].get_ydata()[0] == pytest.approx(100 * best.power)
    assert list(lines["aim"].get_ydata()) == [50.0, 50.0]
    chosen = grid().table.query("pairs == 4 and frames == 10").iloc[0]
    assert lines["chosen"].get_ydata()[0] == pytest.approx(100 * chosen["power"])
    texts = [text.get_text() for text in ax.texts]
    assert {"4", "6", "10"} <= set(texts) and any("fewest hours" in text for text in texts)
    assert f"{100 * chosen['power']:.0f} % with 10 frames" in figure.alt_text
    # Lines are told apart without colour: by shape and, darker with more pairs, in grey.
    assert lines["pairs 4"].get_marker() != lines["pairs 6"].get_marker()
    grey = [float(np.dot(lines[f"pairs {n}"].get_color(), (0.299, 0.587, 0.114))) for n in (4, 6)]
    assert grey[0] > grey[1] + 0.1
    none = plots.effort(grid(), power=0.9999)
    assert "cheapest" not in {line.get_gid() for line in none.axes[0].lines}
    assert "No plan" in none.alt_text and "No plan" in none.summary


# --- Panel ---------------------------------------------------------------------------------------


def test_the_panel_reads_the_grid() -> None:
    panel = effort_panel(grid())
    *sliders, shown = panel.children
    by_name = {slider.description: slider for slider in sliders}
    by_name["Pairs (blocks) a field"].value = 6
    by_name["Frames a strip"].value = 4
    row = grid().table.query("pairs == 6 and frames == 4").iloc[0]
    assert f"told apart in {100 * row['power']:.0f} %" in shown.value
    assert "6 pairs with 4 frames a strip" in shown.value and "<img" in shown.value
    by_name["True reduction, %"].value = 50
    moved = grid().at(0.5).table.query("pairs == 6 and frames == 4").iloc[0]
    assert f"A reduction of 50 % would be told apart in {100 * moved['power']:.0f} %" in shown.value
    assert panel._repr_mimebundle_()["text/html"] == shown.value


# --- Command -------------------------------------------------------------------------------------


def run(*arguments: object) -> Result:
    given = ["power", *map(str, arguments), "--seed", "3", "--jobs", "1"]
    return CliRunner().invoke(app, given, env={"COLUMNS": "200"})


def test_the_command_prints_the_grid_and_writes_it_once(tmp_path: Path) -> None:
    described = tmp_path / "plan.toml"
    section = "[power]\nreduction = 40\nrounds = 60\naim = 50\nframes = [4, 10]\n"
    described.write_text(f"{example()}\n{section}", encoding="utf-8")
    asked = (described, "--pairs", "4,6", "--reduction", 30, "--out", tmp_path / "out")
    result = run(*asked)
    assert result.exit_code == 0, result.output
    told = re.findall(r"Simulating: (\d+) %", result.stderr)
    assert told == sorted(told, key=int) and told[-1] == "100"
    plan = tp.read_description(described).plan()
    own = tp.power(plan, pairs=(4, 6), frames=(4, 10), rounds=60, seed=3, aim=0.5)
    best = own.cheapest()
    assert best is not None and best.sentence in result.stdout
    assert "one more" in result.stdout or "more pairs" in result.stdout
    written = pd.read_csv(tmp_path / "out" / "power.csv")
    np.testing.assert_allclose(written["power"], own.table["power"])
    names = ["power.csv", "power.svg", "power_expected.csv", "power_rounds.csv"]
    assert sorted(p.name for p in (tmp_path / "out").iterdir()) == names
    again = run(*asked)
    assert again.exit_code == 2 and "nothing was written" in again.stderr
    assert again.stdout == ""  # refused before anything was simulated


def test_the_command_takes_a_planned_folder_and_past_trials(tmp_path: Path) -> None:
    config = replace(CUSHION_PAIRS.config, units="SI")
    tp.plan_trial(config, tp.Ground("North", 400.0), blocks=4, seed=2).write(tmp_path / "plan")
    result = run(tmp_path / "plan", "--frames", "4", "--from-trials", frozen_dir("cushion_pairs"))
    assert result.exit_code == 0, result.output
    rows = re.findall(r"^ +(\d+) +4 ", result.stdout, flags=re.MULTILINE)
    assert rows == ["3", "4", "5", "6", "7"]  # numbers near the plan's own
    assert "kg/ha of header loss" in result.stdout
    assert "learned from 1 past trial" in result.stdout


def test_the_command_takes_a_plan_as_it_is_described(tmp_path: Path) -> None:
    """A factor that is hard to change, in the order it would be run: its own strips' hours."""
    described = tmp_path / "plan.toml"
    described.write_text(example(), encoding="utf-8")
    asked = ("--pairs", 4, "--frames", 4, "--out")
    assert run(described, *asked, tmp_path / "a").exit_code == 0
    tp.read_description(described).plan().write(tmp_path / "plan")
    assert run(tmp_path / "plan", *asked, tmp_path / "b").exit_code == 0
    one, other = (pd.read_csv(tmp_path / name / "power.csv") for name in "ab")
    pd.testing.assert_frame_equal(one, other)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["nowhere.toml"], "nowhere.toml"), (["nowhere"], "nowhere"),
        (["plan.toml", "--pairs", "8-4"], "--pairs is '8-4'"),
        (["plan.toml", "--frames", "few"], "--frames is 'few'"),
        (["plan.toml", "--from-trials", "nowhere"], "nowhere"),
        (["plan.toml", "--reduction", "100"], "below 100"),
        (["plan.toml", "--reduction", "0.3"], "give percent, as in 30"),
        ([], "Missing argument"),
    ],
)  # fmt: skip
def test_what_the_command_refuses(
    arguments: list[str], words: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("plan.toml").write_text(example(), encoding="utf-8")
    result = run(*arguments)
    assert result.exit_code == 2 and words in result.stderr and "Traceback" not in result.stderr
