"""What moves an option's balance: bars of one input at a time."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from trialkit.decide.sensitivity import input_value
from trialkit.plots.canvas import INK, KEY, LARGE, QUIET, WIDTH, Plot, rule, style
from trialkit.quantities import number
from trialkit.words import figures_money as words

if TYPE_CHECKING:
    from trialkit.decide import Sensitivity

# Dark and light in greyscale; the low end of an input is also hatched.
LOW, HIGH = "#c98d3c", "#12484f"


def sensitivity_bars(result: Sensitivity) -> Plot:
    """Balance in a year at each input's low and high value, the widest bar on top.

    Parameters
    ----------
    result : Sensitivity
    """
    table, n = result.table, len(result.table)
    told = []
    with style(LARGE):
        figure = Plot(figsize=(WIDTH, 1.0 + 0.78 * n))
        ax = figure.add_subplot()
        across = ax.get_yaxis_transform()
        for y, (name, row) in enumerate(table.iterrows()):
            label = str(row["label"])
            given = words.from_to(
                *(input_value(str(name), row[end], result.system) for end in ("low", "high"))
            )
            for end, colour, hatch in (("low", LOW, "////"), ("high", HIGH, None)):
                ax.barh(y, row[f"net_{end}"] - result.net, left=result.net, height=0.42, lw=0.7,
                        ec="white", color=colour, hatch=hatch, gid=end)  # fmt: skip
            ax.text(0, y - 0.4, label, weight="bold", size=LARGE - 0.5, va="center",
                    transform=across)  # fmt: skip
            ax.text(1, y - 0.4, given, size=LARGE - 1.5, va="center", ha="right", color=QUIET,
                    transform=across)  # fmt: skip
            balances = (result.left(row[f"net_{end}"]) for end in ("low", "high"))
            told.append((label, given, words.from_to(*balances)))
        # In pieces, beside the bars only, so that no line runs through a label.
        rows = np.arange(n)
        ax.vlines([result.net] * n, rows - 0.25, rows + 0.25, color=QUIET, lw=1.2, ls=(0, (2, 1)),
                  gid="base")  # fmt: skip
        ax.vlines([0.0] * n, rows - 0.27, rows + 0.27, color=INK, lw=1.8, gid="zero")
        figure.legend(ax.patches[:2], [words.LOW_INPUT, words.HIGH_INPUT], ncols=2,
                      fontsize=LARGE - 1.5, handlelength=1.6, **KEY)  # fmt: skip
        ax.margins(x=0.08)
        ax.set_ylim(n - 0.6, -0.68)
        ax.set_yticks([])
        rule(ax, "x")
        ax.locator_params(axis="x", nbins=5)
        ax.xaxis.set_major_formatter(lambda value, _: number(value, 0))
        stated = result.left(result.net)
        ax.set_xlabel(words.sensitivity_axis(result.currency, stated))
    figure.alt_text = words.sensitivity(result.currency, stated, told)
    figure.summary = result.sentences[0]
    return figure
