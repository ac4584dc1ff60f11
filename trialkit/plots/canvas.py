"""What all figures share: the Plot class, the look, the axis of values."""

from __future__ import annotations

import base64
import io
import re
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, Literal, TypeVar

import matplotlib as mpl
import numpy as np
import seaborn as sns
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.textpath import text_to_path
from numpy.typing import ArrayLike

from trialkit.display import escape, printable
from trialkit.errors import DesignError
from trialkit.quantities import Scale
from trialkit.responses import SOURCES

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

    from trialkit.analysis import TrialAnalysis

T = TypeVar("T")
INK = "#20302c"
QUIET = "#5d6b66"
FAINT = "#d9ded9"
# Level of a setup factor: marker and colour, in the order the trial lists the levels.
LEVELS = (
    ("o", "#7a4a12"),
    ("D", "#0f5c63"),
    ("s", "#2b2f6b"),
    ("^", "#8a2d4f"),
    ("v", "#4d5a12"),
    ("P", "#3c3c3c"),
)


def sources_of(losses: pd.DataFrame) -> dict[str, tuple[str, str]]:
    """Sources of loss that are told of these losses, words and colour: a source whose parts were
    all counted is told as its parts."""
    parts: dict[str, set[str]] = {}
    for name, source in SOURCES.items():
        if source.part_of:
            parts.setdefault(source.part_of, set()).add(name)
    apart = {whole for whole, own in parts.items() if own <= set(losses["source"])}
    return {
        name: (source.said(), source.colour)
        for name, source in SOURCES.items()
        if not source.whole
        and (source.part_of in apart if source.part_of else name not in apart)
    }


WIDTH = 4.9  # inches
LARGE = 11.5
"""Points of the lettering of figures read at arm's length: on a telephone, and in a column of a
printed sheet, where a figure is drawn at about 0.7 of its width."""
KEY: dict[str, Any] = {
    "loc": "outside upper left", "frameon": False, "borderpad": 0.1, "columnspacing": 1.2,
}  # fmt: skip
"""How a legend stands over the axes."""
_FONTS = ", ".join(
    ("system-ui", "'Segoe UI'", "Roboto", "'Helvetica Neue'", "Arial", "sans-serif")
)


class Plot(Figure):
    """A matplotlib Figure with a description in words and a self-contained HTML form.

    `alt_text` says what the marks show; `summary` is the one thing to see, for a caption;
    `lettering` is the size of its text in points.
    """

    alt_text: str = ""
    summary: str = ""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.lettering = float(mpl.rcParams["font.size"])

    def svg(self) -> str:
        """The figure as SVG text; its lettering is text, set in the reader's own font."""
        buffer = io.StringIO()
        lettering: dict[Any, Any] = {"svg.fonttype": "none", "svg.hashsalt": "trialkit"}
        metadata = {"Date": None, "Creator": None, "Format": None, "Type": None}
        with mpl.rc_context(lettering), warnings.catch_warnings():
            # The reader's font draws the letters, whatever matplotlib's own font lacks.
            warnings.filterwarnings("ignore", message="Glyph .* missing from")
            with self._laid_out():
                self.savefig(buffer, format="svg", transparent=True, metadata=metadata)
        text = buffer.getvalue()
        text = text[text.index("<svg") :]
        text = re.sub(r"font-family: [^;\"]*", f"font-family: {_FONTS}", text)
        text = re.sub(r"(font: (?:\d+ |bold )*[\d.]+px) [^;\"]*", rf"\1 {_FONTS}", text)
        # Characters no XML document may hold would blank the whole picture.
        return printable(text)

    def svg_file(self) -> bytes:
        """The figure as an SVG file of its own: on white paper, with its description."""
        text = self.svg()
        words = escape(self.alt_text)
        head, _, rest = text.partition(">")
        return f'{head} style="background: #fff"><title>{words}</title>{rest}'.encode()

    @contextmanager
    def _laid_out(self) -> Iterator[None]:
        """The figure with its layout worked out and left alone.

        Saved with a layout engine it would be drawn twice, once only to place its parts.
        """
        engine, canvas = self.get_layout_engine(), self.canvas
        if engine is None or not self.axes:
            yield
            return
        FigureCanvasSVG(self)  # lettering is as wide as where it will be drawn
        try:
            engine.execute(self)
            with mpl.rc_context({"figure.constrained_layout.use": False}):
                self.set_layout_engine(None)
            yield
        finally:
            self.set_layout_engine(engine)
            self.set_canvas(canvas)

    def _repr_html_(self) -> str:
        width, height = (round(float(inches) * 96) for inches in self.get_size_inches())
        data = base64.b64encode(self.svg().encode()).decode()
        return (
            f'<img src="data:image/svg+xml;base64,{data}" alt="{escape(self.alt_text)}" '
            f'width="{width}" height="{height}" data-lettering="{self.lettering:g}" '
            'style="max-width:100%;height:auto">'
        )


@contextmanager
def style(size: float = 9.5) -> Iterator[None]:
    """The shared look, for as long as a figure is being drawn, with lettering of `size` points."""
    look: dict[Any, Any] = {
        **sns.axes_style("white"),
        "font.family": "DejaVu Sans",
        "font.size": size,
        "text.color": INK,
        "text.parse_math": False,  # a "$" in a name is a dollar sign
        "axes.edgecolor": QUIET,
        "axes.labelcolor": INK,
        "axes.labelsize": size - 0.5,
        "axes.linewidth": 0.8,
        "axes.spines.left": False,
        "axes.spines.top": False,
        "axes.spines.right": False,
        "xtick.color": QUIET,
        "ytick.color": QUIET,
        "xtick.labelsize": size - 1,
        "ytick.labelsize": size - 1,
        "legend.fontsize": size - 1,
        "figure.constrained_layout.use": True,
    }
    with mpl.rc_context(look):
        yield


def text_width(text: str, size: float, weight: str = "normal") -> float:
    """Width of a line of text in inches."""
    font = FontProperties(family="DejaVu Sans", size=size, weight=weight)
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing from")
        width, *_ = text_to_path.get_text_width_height_descent(text, font, ismath=False)
    return float(width) / 72


def fold(text: str, width: float, size: float, weight: str = "normal") -> list[str]:
    """A text in lines no wider than `width` inches; a word that is wider is broken."""
    lines: list[str] = []
    for word in text.split():
        if lines and text_width(f"{lines[-1]} {word}", size, weight) <= width:
            lines[-1] += f" {word}"
            continue
        lines.append("")
        for letter in word:
            if lines[-1] and text_width(lines[-1] + letter, size, weight) > width:
                lines.append("")
            lines[-1] += letter
    return lines or [""]


def rule(ax: Axes, axis: Literal["both", "x", "y"] = "both", width: float = 0.7) -> None:
    """Faint lines behind the marks, and no ticks."""
    ax.grid(True, axis=axis, color=FAINT, lw=width)
    ax.set_axisbelow(True)
    ax.tick_params(length=0)


def interval(
    ax: Axes, y: float, ends: ArrayLike, gid: str, *, color: str, closed: bool = False,
    **look: Any,
) -> None:  # fmt: skip
    """A line from the low to the high end, as the axis shows them; an end beyond the axis is an
    arrow head, one within it a stroke where `closed`. Nothing where an end is not known."""
    ends = np.asarray(ends, dtype=float)
    if not np.isfinite(ends).all():
        return
    bounds = ax.get_xlim()
    ax.plot(np.clip(ends, *bounds), [y, y], solid_capstyle="butt", gid=gid, color=color, **look)
    for end, edge, arrow in zip(ends, bounds, "<>", strict=True):
        if not bounds[0] <= end <= bounds[1]:
            ax.plot([edge], [y], marker=arrow, ms=4, color=color, clip_on=False, gid="beyond")
        elif closed:
            ax.plot([end], [y], marker="|", ms=9, mew=1.3, color=color)


def row_by_row(items: Sequence[T], per_row: int) -> list[T]:
    """The order in which a legend of `per_row` columns, filled column by column, reads row by
    row."""
    return [item for column in range(per_row) for item in items[column::per_row]]


def value_axis(ax: Axes, own: Scale, others: list[Scale], title: str) -> None:
    """Values run from zero along the foot; the other unit system stands at the head."""
    low, high = ax.get_xlim()
    ax.set_xlim(min(low, 0.0) if low < 0 and ax.dataLim.x0 < 0 else 0.0, high)
    if ax.dataLim.x0 < 0:
        ax.axvline(0, color=QUIET, lw=0.8)
    ax.set_yticks([])
    rule(ax, "x")
    ax.set_xlabel(f"{title}, {own.unit}")
    for other in others:
        other_units(ax, own, other, "top")


def other_units(ax: Axes, own: Scale, other: Scale, side: str) -> None:
    """The same values in another unit along the opposite side, "top" or "right"."""
    ratio = other.factor / own.factor
    secondary: Any = ax.secondary_xaxis if side == "top" else ax.secondary_yaxis
    twin = secondary(side, functions=(lambda v: v * ratio, lambda v: v / ratio))
    axis = twin.xaxis if side == "top" else twin.yaxis
    axis.set_label_text(other.unit, color=QUIET)
    twin.tick_params(length=0)
    twin.spines[side].set_visible(False)


def response_of(analysis: TrialAnalysis, response: str) -> Any:
    """The analysis of one response, or a sentence saying why there is none."""
    if response not in analysis.responses:
        known = ", ".join(analysis.responses) or "none"
        reason = analysis.skipped.get(response, "")
        raise DesignError(f"{response} was not analysed (analysed: {known}). {reason}".strip())
    return analysis.responses[response]
