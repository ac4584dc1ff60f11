"""Tables inside a page for a reader to save."""

from __future__ import annotations

from trialkit.display import number

ABOUT = {
    "contrasts": "every level against its reference",
    "contrasts_at_same": "the same at one speed, or what else was measured after the setup acted",
    "means": "adjusted means",
    "by_field": "measured differences field by field",
    "by_strip": "measured values strip by strip",
    "term_tests": "F tests of the fixed terms",
    "variances": "variance components, model scale",
    "models": "the model of every response in words",
    "model_rows": "the rows every model saw",
    "loss_by_strip": "losses by source, strip by strip",
    "loss_by_setup": "losses by source, setup by setup",
    "refused": "refused cells, cause by cause",
    "pairwise": "every two levels compared",
    "checks": "checks of the models",
    "left_out": "answers without each pair and field",
    "alternatives": "answers of other models",
    "margins": "the least margin that each comparison is shown to keep",
}


def title() -> str:
    """Over the files."""
    return "All numbers"


def inside() -> str:
    """What the files are, on a screen."""
    return (
        "SI throughout, with bu/ac beside kg/ha. The files are inside this page; nothing is "
        "fetched."
    )


def on_screen() -> str:
    """Where they are, on paper."""
    return (
        "The page on screen holds every table as a file (one workbook, and CSV); trialkit analyse "
        "FOLDER --out DIR writes those of the analysis."
    )


def workbook() -> str:
    """The one with all tables."""
    return "All tables in one workbook"


def named(name: str) -> str:
    """One table as CSV."""
    return f"{name}.csv, {ABOUT.get(name, name)}"


def script(name: str) -> str:
    """One that fits the models again."""
    return f"{name}, every model stated for {'R' if name.endswith('.R') else 'PROC GLIMMIX'}"


def rows(n: int) -> str:
    """How long it is."""
    return f" ({number(n, 0)} {'row' if n == 1 else 'rows'})"
