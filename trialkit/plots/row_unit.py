"""Where the readings of a row unit are taken, seen from above."""

from __future__ import annotations

from typing import TYPE_CHECKING

from matplotlib.patches import FancyArrowPatch, Polygon, Rectangle

from trialkit.plots.canvas import Plot, style

if TYPE_CHECKING:
    from matplotlib.axes import Axes

INK, QUIET = "#202020", "#606060"
FRONT, REAR = 3.0, 0.2
READ = {"front": 2.8, "rear": 0.4}  # where the gap is read
STATIONS = (2.55, 2.075, 1.6, 1.125, 0.65)


def row_unit(*, width: float = 3.3) -> Plot:
    """A row unit from above, driving up the page: plates, guides and rolls with what is read where.

    Names are those of the ``header_check`` table. Not to scale.
    """
    with style(7.5):
        figure = Plot(figsize=(width, width * 0.72))
        figure.set_layout_engine("none")
        ax = figure.add_axes((0.0, 0.0, 1.0, 1.0))
        ax.set_axis_off()
        ax.set_xlim(-1.75, 1.75)
        ax.set_ylim(-0.1, 3.4)
        _parts(ax)
        _gaps(ax)
        for number, y in enumerate(STATIONS, start=1):
            ax.add_patch(FancyArrowPatch((-0.5, y), (0.5, y), arrowstyle="<|-|>", mutation_scale=6,
                                         color=INK, lw=0.9, shrinkA=0, shrinkB=0,
                                         gid=f"station {number}"))  # fmt: skip
            ax.text(0.62, y, f"clearance_{number}", va="center", ha="left", color=INK)
        ax.add_patch(FancyArrowPatch((-0.62, 1.95), (-0.62, FRONT), arrowstyle="<|-|>",
                                     mutation_scale=6, color=INK, lw=0.9, shrinkA=0,
                                     shrinkB=0, gid="wear"))  # fmt: skip
        ax.text(-0.68, 2.4, "roll_wear\n_length", va="center", ha="right", color=INK)
        ax.text(-1.7, 1.4, "left", weight="bold", va="center", color=INK)
        ax.text(1.7, 1.4, "right", weight="bold", va="center", ha="right", color=INK)
        ax.text(0, 3.27, "front, to the corn", weight="bold", ha="center", va="center", color=INK)
        ax.text(0, 0.04, "rear", weight="bold", ha="center", va="center", color=INK)
    figure.summary = "What is read where on a row unit."
    figure.alt_text = (
        "A row unit from above, its front at the top. The gap between the two plates is read at "
        "the front and at the rear, each at the left and the right plate. The clearance of the "
        "facing guides is read at five stations, 1 at the front to 5 at the rear. The worn length "
        "of the roll is read from its front."
    )
    return figure


def _parts(ax: Axes) -> None:
    for side in (-1, 1):
        ax.add_patch(Rectangle((min(0.0, side * 0.17), REAR + 0.25), 0.17, FRONT - REAR - 0.25,
                               fc="#e6e6e6", ec=QUIET, lw=0.8, hatch="///"))  # fmt: skip
        plate = [(side * 0.12, FRONT), (side * 0.34, FRONT), (side * 0.34, REAR),
                 (side * 0.16, REAR)]  # fmt: skip
        ax.add_patch(Polygon(plate, closed=True, fc="#cfcfcf", ec=INK, lw=1.0, gid="plate"))
        ax.plot([side * 0.52] * 2, [REAR, FRONT], color=INK, lw=2.4, gid="guide")


def _gaps(ax: Axes) -> None:
    for end, y in READ.items():
        for name, side in (("left", -1), ("right", 1)):
            at = side * (0.12 if end == "front" else 0.155)
            ax.plot([at], [y], marker="o", ms=5, color="white", mec=INK, mew=1.3,
                    gid=f"gap_{end}_{name}")  # fmt: skip
            ax.plot([at, side * 0.72], [y, y], color=INK, lw=0.8)
            ax.text(side * 0.75, y, f"gap_{end}_{name}", va="center",
                    ha="left" if side > 0 else "right", color=INK)  # fmt: skip
