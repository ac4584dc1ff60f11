"""The map of passes: every mark read back and compared with the plan's tables."""

from __future__ import annotations

from typing import Any
from xml.etree import ElementTree

import matplotlib.colors as colors
import numpy as np
import pytest
from frozen_trials import CUSHION_PAIRS, GAP_FIELDS, SPLIT_STRIPS

from trialkit import plan, plots
from trialkit.plots.pass_map import FACES

GRID = {"planter_rows": 12, "headland": 20.0}
FOOT = 0.3048  # m, the international foot of 1959


def planned(scenario: Any, blocks: int, fields: int = 1, **more: Any) -> plan.Plan:
    grounds = [plan.Ground(n, 400.0, **GRID) for n in list(scenario.fields["field"])[:fields]]
    return plan.plan_trial(scenario.config, grounds, blocks=blocks, seed=4, **more)


@pytest.mark.parametrize(
    "made",
    [planned(CUSHION_PAIRS, 6, buffer_passes=1), planned(SPLIT_STRIPS, 3),
     planned(GAP_FIELDS, 3, fields=3)],
    ids=repr,
)  # fmt: skip
def test_every_pass_is_drawn_where_it_lies(made: plan.Plan) -> None:
    figure = plots.pass_map(made)
    panels = figure.axes[:-1]
    patches = [p for ax in panels for p in ax.patches]
    strips = made.strips.set_index("strip")
    for name, row in strips.iterrows():
        patch = next(p for p in patches if p.get_gid() == f"strip {name} {row['setup']}")
        drawn = [patch.get_x(), patch.get_x() + patch.get_width(), patch.get_y(),
                 patch.get_y() + patch.get_height()]  # fmt: skip
        assert np.multiply(drawn, FOOT) == pytest.approx(
            [row["left"], row["right"], row["start"], row["end"]]
        )
        arrow = next(
            line for ax in panels for line in ax.lines
            if line.get_gid() == f"direction {name} {row['direction']}"
        )  # fmt: skip
        assert arrow.get_marker() == {"up": "^", "down": "v"}[row["direction"]]
        assert (arrow.get_ydata()[0] * FOOT > 200) == (row["direction"] == "up")
    for kind, count in made.passes["kind"].value_counts().items():
        if kind != "strip":
            assert sum(p.get_gid() == kind for p in patches) == count
    assert sum(p.get_gid() == "headland" for p in patches) == 2 * len(panels)
    joints = {round(line.get_xdata()[0] * FOOT / (12 * 0.762), 6)
              for ax in panels for line in ax.lines if line.get_gid() == "joint"}  # fmt: skip
    widest = made.passes["last_row"].max() // 12
    assert joints == set(range(widest + 1))
    # Across and along each keep one scale in every panel.
    inches = [
        (ax.get_position().width * figure.get_figwidth() / np.ptp(ax.get_xlim()),
         ax.get_position().height * figure.get_figheight() / np.ptp(ax.get_ylim()))
        for ax in panels
    ]  # fmt: skip
    assert np.ptp(inches, axis=0) == pytest.approx([0, 0], abs=1e-9)
    assert f"{len(strips)} strips" in figure.summary
    for letter in strips["setup"].unique():
        assert f"Setup {letter}: " in figure.alt_text
    ElementTree.fromstring(figure.svg())


def test_setups_are_told_apart_in_grey() -> None:
    """No two of the first twelve share both hatching and a grey; letters stand on all."""
    told = {(colors.to_hex(face), hatch) for face, hatch in FACES}
    assert len(told) == len(FACES) == 12
    assert all(len(set(colors.to_rgb(face))) == 1 for face, _ in FACES)
    made = planned(SPLIT_STRIPS, 3)
    written = [t.get_text() for ax in plots.pass_map(made).axes[:-1] for t in ax.texts]
    for letter, count in made.strips["setup"].value_counts().items():
        assert written.count(letter) == count


def test_names_can_be_hidden() -> None:
    made = planned(GAP_FIELDS, 3, fields=2)
    names = {g.field: f"Field {i}" for i, g in enumerate(made.grounds)}
    figure = plots.pass_map(made, field_names=names)
    written = " ".join(t.get_text() for ax in figure.axes for t in ax.texts) + figure.alt_text
    assert all(g.field not in written for g in made.grounds)
    assert "Field 0" in written and "Field 1" in written
