"""Controls for JupyterLab: pairs, frames, fields and reduction of simulated plans.

Everything shown is read off the grid; nothing is simulated again. Printed by nbconvert or in a
report, the panel is its sentences and figure as they stand at that moment.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from trialkit.pages.elements import Sentence
from trialkit.pages.html import html
from trialkit.plots import effort
from trialkit.words import power as say
from trialkit.words.counts import plural

if TYPE_CHECKING:
    from ipywidgets import VBox

    from trialkit.plan import PowerGrid


def effort_panel(grid: PowerGrid, factor: str | None = None, level: str | None = None) -> VBox:
    """Sliders for the plan and the reduction, with what the plan would tell and in how many hours.

    Parameters
    ----------
    grid : PowerGrid
    factor, level : str, optional
        The comparison; in every plan the one told apart least often unless told.

    Returns
    -------
    ipywidgets.VBox
        Its last child is what the plan would tell, read anew at every change. At the reduction that
        was simulated powers are the simulated ones, at others those of `PowerGrid.at`.

    Raises
    ------
    DesignError
        When there is no such comparison.
    """
    import ipywidgets

    rows = grid.of(factor, level)
    true = round(100 * float(rows["reduction"].iloc[0]))

    class Panel(ipywidgets.VBox):
        def _repr_mimebundle_(self, **how: Any) -> dict[str, Any]:
            bundle = dict(super()._repr_mimebundle_(**how) or {})
            return bundle | {"text/html": self.children[-1].value}

    look = {"style": {"description_width": "12em"}, "layout": {"width": "32em"}}
    best = grid.cheapest(factor=factor, level=level)
    words = {"pairs": "Pairs (blocks) a field",
             "frames": f"{plural(grid.row).capitalize()} a strip", "fields": "Fields"}  # fmt: skip
    sliders = {}
    for name, label in words.items():
        options = sorted(int(n) for n in set(rows[name]))
        value = getattr(best, name) if best is not None else options[-1]
        sliders[name] = ipywidgets.SelectionSlider(
            options=options, value=value, description=label, **look
        )
    reduction = ipywidgets.IntSlider(
        value=max(true, 1), min=1, max=80, description="True reduction, %",
        continuous_update=False, **look,
    )  # fmt: skip
    shown = ipywidgets.HTML()

    def show(change: Any = None) -> None:
        plan = {name: int(slider.value) for name, slider in sliders.items()}
        own = grid if reduction.value == true else grid.at(reduction.value / 100)
        table = own.of(factor, level)
        row = table[(table[list(plan)] == list(plan.values())).all(axis=1)].iloc[0]
        width = grid.unit.factor * row["half_width_difference"]
        finds = None if row["detectable"] != row["detectable"] else float(row["detectable"])
        sentences = [
            say.plan_work(grid.plan_words(**plan), row["minutes"], row["counting"]),
            say.would_tell(reduction.value / 100, row["power"], row["power_se"], finds, grid.aim,
                           width, grid.unit.unit),
        ]  # fmt: skip
        figure = effort(own, factor, level, plan["fields"], chosen=(plan["pairs"], plan["frames"]))
        shown.value = html(map(Sentence, sentences)) + figure._repr_html_()

    for widget in (*sliders.values(), reduction):
        widget.observe(show, "value")
    show()
    used = [slider for slider in sliders.values() if len(slider.options) > 1]
    return Panel([*used, reduction, shown])
