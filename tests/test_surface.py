"""Response surfaces: a published example, known truth, coverage, what is refused."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from frozen_trials import CUSHION_PAIRS, frozen_dir
from matplotlib.path import Path as Outline
from scipy import stats

from trialkit.analysis import analyse
from trialkit.analysis.questions import quadratic
from trialkit.analysis.questions.settings import read_setting
from trialkit.analysis.questions.surface import ResponseSurface, response_surface
from trialkit.analysis.responses import analyse_response
from trialkit.analysis.specifications import SPECIFICATIONS
from trialkit.errors import DesignError
from trialkit.intake import SetupFactor
from trialkit.mixed import fit_mixed
from trialkit.plots.surface import loss_surface
from trialkit.simulate import Effort, Truth, simulate_trial
from trialkit.trial import Trial, load_trial

# Montgomery, Design and Analysis of Experiments (5th ed. 2001), example 11-1: yield of a chemical
# process over time (min) and temperature (deg F), central composite design. Data and results as
# reprinted at reliawiki.org, "Central Composite Response Surface Method". The axial distance is
# printed as 1.414; the published coefficients and F (to their last digit) are those of its exact
# value, the square root of 2.
AXIAL = 2**0.5
MONTGOMERY = pd.DataFrame(
    [
        (-1, -1, 76.5), (-1, 1, 77.0), (1, -1, 78.0), (1, 1, 79.5), (0, 0, 79.9), (0, 0, 80.3),
        (0, 0, 80.0), (0, 0, 79.7), (0, 0, 79.8), (AXIAL, 0, 78.4), (-AXIAL, 0, 75.6),
        (0, AXIAL, 78.5), (0, -AXIAL, 77.0),
    ],
    columns=["a", "b", "y"],
)  # fmt: skip
MONTGOMERY = MONTGOMERY.assign(
    aa=MONTGOMERY["a"] ** 2, bb=MONTGOMERY["b"] ** 2, ab=MONTGOMERY["a"] * MONTGOMERY["b"]
)


def header_loss(trial: Trial):
    return analyse_response(SPECIFICATIONS["header_loss"], trial, trial.losses(), 0.95)


def montgomery_rows(z: np.ndarray) -> np.ndarray:
    a, b = z.T
    return np.column_stack([np.ones_like(a), a, b, a**2, b**2, a * b])


@pytest.fixture(scope="module")
def montgomery():
    return fit_mixed(MONTGOMERY, "y", "a + b + aa + bb + ab")


def test_published_stationary_point(montgomery):
    beta = montgomery.fixed_effects.to_numpy()
    found = quadratic.stationary_point(montgomery_rows, beta)
    # Published: time 87 min, temperature 176.5 deg F, yield 80.21; coding (t - 85) / 5,
    # (T - 175) / 5; a maximum.
    time, temperature = 85 + 5 * found.point[0], 175 + 5 * found.point[1]
    assert time == pytest.approx(87, abs=0.5) and temperature == pytest.approx(176.5, abs=0.05)
    assert montgomery_rows(found.point[None])[0] @ beta == pytest.approx(80.21, abs=0.005)
    assert found.kind == "maximum"
    # From memory of the same book: eigenvalues -0.9634 and -1.4141.
    assert found.eigenvalues == pytest.approx([-1.4141, -0.9634], abs=2e-3)
    # Published F of the products and squares: 3.53, 186.22, 98.56.
    tests = montgomery.term_tests()
    assert tests.loc["ab", "F"] == pytest.approx(3.53, abs=0.005)
    assert tests.loc["aa", "F"] == pytest.approx(186.22, abs=0.005)
    assert tests.loc["bb", "F"] == pytest.approx(98.56, abs=0.005)


def test_region_of_the_stationary_point_is_that_of_box_and_hunter(montgomery):
    """By ordinary least squares from the normal equations, with nothing of the engine."""
    x = montgomery_rows(MONTGOMERY[["a", "b"]].to_numpy())
    y = MONTGOMERY["y"].to_numpy()
    beta, rss, *_ = np.linalg.lstsq(x, y)
    cov = np.linalg.inv(x.T @ x) * rss[0] / 7
    z = np.array([(a, b) for a in np.linspace(-1, 1.4, 13) for b in np.linspace(-1, 1, 11)])
    wanted = []
    for a, b in z:
        rows = np.array([[0, 1, 0, 2 * a, 0, b], [0, 0, 1, 0, 2 * b, a]])
        slope = rows @ beta
        f = slope @ np.linalg.solve(rows @ cov @ rows.T, slope) / 2
        wanted.append(f <= stats.f.ppf(0.95, 2, 7))
    found = quadratic.level_region(montgomery, montgomery_rows, z, 0.95, 100)
    assert 0 < sum(wanted) < len(z) and (found == np.array(wanted)).all()


def test_flat_and_saddle():
    assert quadratic.stationary_point(montgomery_rows, np.array([1.0, 1, 1, 1, 0, 0])) is None
    saddle = quadratic.stationary_point(montgomery_rows, np.array([0, -2.0, 2, 1, -1, 0]))
    assert saddle.kind == "saddle" and saddle.point == pytest.approx([1, 1])


def test_bounds_of_the_excess_hold_for_a_setting_and_the_unknown_best():
    # A 3 x 3 factorial, 2 runs each, 12 df. The setting asked about lies away from the best; 600
    # rounds, binomial bound of 1 in 1,000.
    rng = np.random.default_rng(5)
    base = np.array([(a, b) for a in (-1.0, 0, 1) for b in (-1.0, 0, 1)])
    inverse = np.linalg.inv(2 * montgomery_rows(base).T @ montgomery_rows(base))
    grid = np.array([(a, b) for a in np.linspace(-1, 1, 9) for b in np.linspace(-1, 1, 9)])
    rows = montgomery_rows(grid)
    c = quadratic.critical_value(rows, inverse, 12, 0.95)
    assert stats.t.ppf(0.95, 12) < c < np.sqrt(5 * stats.f.ppf(0.95, 5, 12))  # Scheffe's
    single = stats.t.ppf(0.95, 12)
    root = np.linalg.cholesky(inverse)
    for beta in (np.array([0, 0.5, 0, 0.6, 0.6, 0]), np.zeros(6)):
        true = rows @ beta - (rows @ beta).min()
        rounds, kept, enough = 600, 0, 0
        at = 70
        for _ in range(rounds):
            b = beta + root @ rng.standard_normal(6)
            cov = inverse * rng.chisquare(12) / 12
            low, high = quadratic.excess(rows @ b, rows, cov, c, single)
            kept += low[at] <= true[at]
            enough += high[at] >= true[at]
        least = stats.binom.ppf(0.001, rounds, 0.95)
        assert kept >= least and enough >= least


# ---------------------------------------------------------------- whole trials
def factor(name: str, levels: tuple[str, ...], label: str) -> SetupFactor:
    return SetupFactor(name=name, label=label, levels=levels, reference=levels[0])


GAPS, SPEEDS = ("28", "32", "36"), ("5", "7", "9")
BEST = (33.0, 6.5)
CONFIG = replace(
    CUSHION_PAIRS.config, option=None,
    setups=(factor("plate", GAPS, "Plate gap"), factor("pace", SPEEDS, "Pace")),
)  # fmt: skip


def log_loss(gap: float, speed: float) -> float:
    """Log of the loss over that at the best setting."""
    return 0.3 * ((gap - BEST[0]) / 4) ** 2 + 0.25 * ((speed - BEST[1]) / 2) ** 2


def bowl(blocks: int = 6, seed: int = 1, speed_sd: float = 0.1) -> Trial:
    truth = Truth(
        preharvest=2.0, header=30.0,
        header_ratios={
            "plate": {g: np.exp(log_loss(float(g), BEST[1])) for g in GAPS},
            "pace": {s: np.exp(log_loss(BEST[0], float(s))) for s in SPEEDS},
        },
        sd={"pair": 0.1, "strip": 0.1, "frame": 0.2}, preharvest_sd={}, speed_sd=speed_sd,
    )  # fmt: skip
    effort = Effort(
        header_frames=3, preharvest_frames=1, total_frames=0, ear_area=0, grain_samples=0,
        residue_samples=0, stalks=0,
        settings={
            "plate": {g: {"gap_front": float(g) - 1, "gap_rear": float(g) + 1} for g in GAPS},
            "pace": {s: {"speed_set": float(s)} for s in SPEEDS},
        },
    )  # fmt: skip
    return simulate_trial(CONFIG, truth, seed=seed, blocks=blocks, effort=effort)


def surface_of(trial: Trial, *args, **options) -> ResponseSurface:
    return response_surface(
        header_loss(trial),
        *args,
        **options,
    )


@pytest.fixture(scope="module")
def found() -> ResponseSurface:
    return surface_of(bowl())


def test_known_bowl_is_recovered(found):
    assert len(found.terms) == 5 and found.stationary.kind == "minimum"
    assert found.stationary.inside
    names = [s.name for s in found.settings]
    away = (found.grid[names] - list(BEST)) / [4, 2]
    nearest = (away**2).sum(axis=1).idxmin()
    at = found.grid.loc[nearest]
    assert at["stationary"] and at["near_best"]
    # 30 kernels per m2, 3 kg/ha each at 300 g per 1000, mean over log-normal effects of the
    # simulated variances.
    density = 90 * np.exp((0.1**2 + 0.1**2 + 0.2**2) / 2)
    true = density * np.exp([log_loss(*z) for z in found.grid[names].to_numpy()])
    # The interval is for single settings and the truth adds the preharvest kernels where the model
    # multiplies: held at most settings.
    inside = (found.grid["low"] <= true) & (true <= found.grid["high"])
    assert inside.mean() > 0.8
    excess = true - density
    assert (found.grid["excess_low"] <= excess + 1e-9).mean() > 0.9
    # Far corners are told apart: the loss at (28, 9) is 2.1 times the best's.
    far = found.grid.loc[((found.grid[names] - [28, 9]) ** 2).sum(axis=1).idxmin()]
    assert not far["near_best"]
    assert (found.grid["near_best"] | ~found.grid["within"]).all()


def test_levels_that_are_numbers_serve_where_nothing_was_measured(found):
    trial = bowl()
    strips = trial.strips.assign(gap_front=np.nan, gap_rear=np.nan)
    bare = Trial.from_tables(trial.config, {**trial.tables, "strips": strips})
    other = surface_of(bare, ("plate", "speed"))
    assert other.grid["estimate"].to_numpy() == pytest.approx(found.grid["estimate"].to_numpy())
    with pytest.raises(DesignError, match="has no numbers"):
        surface_of(bare)


def test_the_lowest_estimate_on_log_scale_does_not_depend_on_units(found):
    # Surface of a trial in which every strip's gap is doubled: the same losses at doubled gaps.
    trial = bowl()
    strips = trial.strips.assign(
        gap_front=2 * trial.strips["gap_front"], gap_rear=2 * trial.strips["gap_rear"]
    )
    other = surface_of(Trial.from_tables(trial.config, {**trial.tables, "strips": strips}))
    assert other.grid["estimate"].to_numpy() == pytest.approx(
        found.grid["estimate"].to_numpy(), rel=1e-6
    )
    assert other.best["gap"] == pytest.approx(2 * found.best["gap"])


def test_two_speeds_leave_the_surface_straight_along_them(analysed):
    surface = analysed("split_strips").responses["header_loss"]
    found = response_surface(surface)
    assert "ground speed squared" not in found.terms and found.stationary is None
    assert any("2 distinct values" in note for note in found.sentences)
    # Held at one chain the surface is that chain's.
    lower = response_surface(surface, hold={"cushion": "cushion"})
    upper = response_surface(surface, hold={"cushion": "standard"})
    mean = (lower.grid["estimate"] + upper.grid["estimate"]) / 2
    assert mean.to_numpy() == pytest.approx(found.grid["estimate"].to_numpy())
    with pytest.raises(DesignError, match="no level"):
        response_surface(surface, hold={"cushion": "rubber"})


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda s: s.assign(speed_measured=7.0), "nearly the same"),
        (lambda s: s.assign(speed_measured=s["gap_front"] / 4), "always changed together"),
        (lambda s: s.assign(speed_measured=s["speed_measured"].where(s.index > 0)), "not recorded"),
        (
            lambda s: s.assign(
                speed_measured=np.where(s["pace"].eq("5"), 5.0, 9.0),
                **{c: np.where(s["plate"].eq("28"), 28.0, 36.0) for c in ("gap_front", "gap_rear")},
            ),
            "two values each",
        ),
        (
            lambda s: s.assign(
                speed_measured=np.where(s["pace"].eq("5"), 5.0, 9.0),
                **{c: np.where(s["pace"].eq("5"), 28.0, 36.0) for c in ("gap_front", "gap_rear")},
            ),
            "Only 2 combinations",
        ),
    ],
)
def test_settings_that_cannot_answer_are_refused(found, change, words):
    design = found.result.design
    result = replace(found.result, design=replace(design, strips=change(design.strips)))
    with pytest.raises(DesignError, match=words):
        response_surface(result)


def test_scatter_about_two_targets_is_not_a_third_setting(found):
    design = found.result.design
    rng = np.random.default_rng(2)
    speed = np.where(design.strips["pace"].eq("5"), 5.0, 9.0) + rng.normal(0, 0.2, 54)
    strips = design.strips.assign(speed_measured=speed)
    assert read_setting(replace(design, strips=strips), "speed").distinct == 2
    assert read_setting(design, "speed").distinct == 3


# ---------------------------------------------------------------- other responses
def yields(trial: Trial):
    return analyse_response(SPECIFICATIONS["yield"], trial, trial.losses(), 0.95)


def peak(gap: np.ndarray, speed: np.ndarray) -> np.ndarray:
    return 12000 - 400 * ((gap - BEST[0]) / 4) ** 2 - 300 * ((speed - BEST[1]) / 2) ** 2


@pytest.fixture(scope="module")
def hill() -> Trial:
    """Yields highest at the best setting."""
    trial = bowl()
    strips = trial.strips
    gap = strips[["gap_front", "gap_rear"]].astype(float).mean(axis=1).to_numpy()
    noise = np.random.default_rng(4).normal(0, 60, len(strips))
    value = peak(gap, strips["speed_measured"].to_numpy(dtype=float)) + noise
    strips = strips.assign(**{"yield": value})
    return Trial.from_tables(trial.config, {**trial.tables, "strips": strips})


def test_a_surface_of_yield_finds_the_highest(hill):
    found = response_surface(yields(hill))
    assert found.better == "higher" and found.stationary.kind == "maximum"
    # Sixty strips' noise of 60 kg/ha: the top is flat, but not by a whole step of the settings.
    assert found.best["gap"] == pytest.approx(33, abs=0.7)
    assert found.best["speed"] == pytest.approx(6.5, abs=0.5)
    assert found.best["estimate"] == found.grid["estimate"].max()
    truth = peak(found.grid["gap"].to_numpy(), found.grid["speed"].to_numpy())
    assert ((found.grid["low"] < truth) & (truth < found.grid["high"])).mean() > 0.8
    assert (found.grid["excess_low"] <= 12000 - truth + 1e-9).all()
    assert "highest estimate" in found.words[0] and "below the best" in found.words[1]
    figure = loss_surface(found)
    assert "fall short of the best" in figure.alt_text and "highest" in figure.alt_text
    with pytest.raises(ValueError, match="'lower' or 'higher'"):
        response_surface(yields(hill), better="more")


def test_higher_is_lower_upside_down(hill):
    found = response_surface(yields(hill))
    strips = hill.strips.assign(**{"yield": 20000 - hill.strips["yield"].astype(float)})
    other = Trial.from_tables(hill.config, {**hill.tables, "strips": strips})
    turned = response_surface(yields(other), better="lower")
    for column in ("excess", "excess_high"):
        assert turned.grid[column].to_numpy() == pytest.approx(found.grid[column].to_numpy())
    # The critical value is simulated, known to about 0.02 (`quadratic`).
    assert turned.critical == pytest.approx(found.critical, abs=0.06)
    assert turned.grid["near_best"].eq(found.grid["near_best"]).mean() > 0.99
    assert list(turned.best[["gap", "speed"]]) == list(found.best[["gap", "speed"]])
    assert turned.stationary.kind == "minimum"


def test_surface_of_every_response_is_the_mean_of_its_model_by_hand(analysed):
    responses = analysed("split_strips").responses
    for name in ("processing_loss", "broken_corn", "residue_score", "test_weight"):
        result = responses[name]
        found = response_surface(result, points=5)
        fit, frame = found.fit, found.grid
        at = {s.name: s.code(frame[s.name].to_numpy()) for s in found.settings}
        values = dict(zip(("surface_1", "surface_2"), at.values(), strict=True))
        by_zone = []
        for zone, weight in (result.reading.zones or {"": 1.0}).items():
            means = []
            for cushion in result.design.levels["cushion"]:
                one = pd.DataFrame(values)
                one["surface_11"], one["surface_22"] = one["surface_1"] ** 2, one["surface_2"] ** 2
                one["surface_12"] = one["surface_1"] * one["surface_2"]
                for c in result.design.covariates:
                    one[c] = 0.0
                for f in result.design.names:
                    levels = list(result.design.levels[f])
                    own = cushion if f == "cushion" else levels[0]
                    one[f] = pd.Categorical([own] * len(one), categories=levels)
                if zone:
                    zones = list(result.reading.zones)
                    one["zone"] = pd.Categorical([zone] * len(one), categories=zones)
                eta = fit.fixed_part.matrix(one) @ fit.fixed_effects.to_numpy()
                spread = fit.random_variance(one)
                if result.reading.log:
                    means.append(np.exp(eta + (spread + fit.dispersion**2) / 2))
                elif zone:
                    means.append(np.exp(eta + spread / 2))
                else:
                    means.append(eta)
            by_zone.append(weight * result.scale * np.mean(means, axis=0))
        assert frame["estimate"].to_numpy() == pytest.approx(np.sum(by_zone, axis=0)), name
        assert found.margin == result.specification.near


# ---------------------------------------------------------------- the figure
def of(ax, gid):
    return [a for a in (*ax.lines, *ax.collections, *ax.patches) if a.get_gid() == gid]


def test_a_covariate_as_a_setting_takes_its_own_place():
    trial = load_trial(frozen_dir("gap_fields"))
    result = analyse(trial, responses=["kernel_damage"])["kernel_damage"]
    assert result.design.covariates == ("moisture_centred",)
    assert result.design.measured_after == ("speed_centred",)
    found = response_surface(result, ("moisture", "speed"), points=5)
    assert found.settings[0].unit == "%"
    assert not any("centred" in str(term) for term in found.fit.fixed_effects.index)


def test_figure_shows_the_region_and_the_strips(found):
    ax = loss_surface(found).axes[0]
    (strips,) = of(ax, "strips")
    assert strips.get_xydata() == pytest.approx(found.strips[["gap", "speed"]].to_numpy())
    (best,) = of(ax, "best")
    assert best.get_xydata()[0] == pytest.approx([found.best["gap"], found.best["speed"]])
    (near,) = of(ax, "near")
    assert near.hatches
    outline = [p for p in near.get_paths() if len(p.vertices)]
    inner = found.grid[~found.grid["edge"]]
    drawn = np.any(
        [
            Outline(part).contains_points(inner[["gap", "speed"]], radius=1e-9)
            for p in outline
            for part in p.to_polygons()
        ],
        axis=0,
    )
    # Points on the outline itself may fall to either side.
    assert (drawn == inner["near_best"]).mean() > 0.98
    (lines,) = of(ax, "loss")
    assert found.grid["estimate"].min() < min(lines.levels)
    assert max(lines.levels) < found.grid["estimate"].max()
    assert all(t.get_text() for t in lines.labelTexts) and len(lines.labelTexts)


def test_figure_in_us_units(found):
    figure = loss_surface(found, system="US")
    (strips,) = of(figure.axes[0], "strips")
    assert strips.get_xdata() == pytest.approx(found.strips["gap"] / 25.4)
    assert strips.get_ydata() == pytest.approx(found.strips["speed"] / 1.609344)
    assert "bu/ac" in figure.alt_text and "mph" in figure.alt_text
    share = found.grid.loc[~found.grid["edge"], "near_best"].mean()
    assert f"{100 * share:.0f} % of the settings" in figure.alt_text
