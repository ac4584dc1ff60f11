"""Controls for JupyterLab: the figures of money with a reader's own numbers.

ipywidgets is imported only when a panel is made. Printed by nbconvert or in a report, a panel is
the table of its figures as they stand at that moment.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from trialkit.errors import DesignError
from trialkit.pages.elements import Sentence
from trialkit.pages.html import html
from trialkit.pages.page import Page
from trialkit.pages.readers import grower as grower_page

if TYPE_CHECKING:
    from ipywidgets import VBox

    from trialkit.analysis import TrialAnalysis
    from trialkit.pages.what_if import WhatIf


def money_panel(
    analysis: TrialAnalysis | Page, grower: str = "", *, area: float | None = None,
    price: float | None = None,
) -> VBox:  # fmt: skip
    """Inputs for price, area, cost, life, interest, and setup and ground speed where they varied.

    Parameters
    ----------
    analysis : TrialAnalysis or Page
    grower, area, price
        As in `trialkit.pages.grower`, when an analysis is given.

    Returns
    -------
    ipywidgets.VBox
        Its last child is the table of figures, worked out again at every change. As text/html it
        shows that table alone.

    Raises
    ------
    DesignError
        When the trial allows no figures of money; the message says why.
    """
    import ipywidgets

    page = analysis
    if not isinstance(page, Page):
        page = grower_page(page, grower, area=area, price=price)
    model = page.context.what_if
    if isinstance(model, str):
        raise DesignError(model)

    class Panel(ipywidgets.VBox):
        def _repr_mimebundle_(self, **how: Any) -> dict[str, Any]:
            bundle = dict(super()._repr_mimebundle_(**how) or {})
            return bundle | {"text/html": self.children[-1].value}

    look = {"style": {"description_width": "15em"}, "layout": {"width": "30em"}}
    numbers = {
        c.name: ipywidgets.FloatText(value=c.value, description=c.label, **look)
        for c in model.controls
    }
    first = model.levels[0][0]
    level = ipywidgets.Dropdown(
        options=[(model.text(label), key) for key, label in model.levels], value=first,
        description="Setup", **look,
    )  # fmt: skip
    speed = ipywidgets.Dropdown(
        options=_speeds(model, first), value="", description="Ground speed", **look
    )
    shown = ipywidgets.HTML()

    def show(change: Any = None) -> None:
        values = {name: widget.value for name, widget in numbers.items()}
        wrong = model.wrong(values)
        if wrong:
            shown.value = html([Sentence(" ".join(wrong), "wrong")])
            return
        found = model.figures(level.value, speed.value, **values)
        shown.value = html([model.table(found)])

    def offer(change: Any) -> None:
        chosen_speed = speed.value
        speed.options = _speeds(model, level.value)
        known = [key for _, key in speed.options]
        speed.value = chosen_speed if chosen_speed in known else ""

    level.observe(offer, "value")
    for widget in (*numbers.values(), level, speed):
        widget.observe(show, "value")
    show()
    choices = [level] if len(model.levels) > 1 else []
    choices += [speed] if model.varied else []
    return Panel([*choices, *numbers.values(), shown])


def _speeds(model: WhatIf, level: str) -> list[tuple[str, str]]:
    return [(label, key) for key, label in model.speeds(level)]
