"""The researcher's page over many trials: the model, its tables, and how amounts follow from it."""

from __future__ import annotations

from collections.abc import Sequence

from trialkit.quantities import listed, lower_first
from trialkit.words.counts import counted

EXPLAINED_HEAD = ["variable", "acts on", "strips", "slope", "test", "p",
                  "spread without", "spread with"]  # fmt: skip


def explained_caption(percent: str) -> str:
    """Over the researcher's table."""
    return f"What explains the spread between trials and fields; slopes with {percent} intervals"


def in_unit(title: str, on_ground: str, value: str) -> str:
    """How an effect is turned into an amount."""
    return (
        f"Amounts are the model's ratio less one, times what lay behind the header with the "
        f"reference, the loss before harvest included: {on_ground} in the mean over fields, each "
        f"counted once, of which {title.lower()} {value}; no setup changes the rest. That mean is "
        "taken as measured: the interval is the ratio's. Shares are of what the header lost."
    )


def model_told(family: str, levels: Sequence[str], sloped: Sequence[str], level: float) -> str:
    """The model in a sentence."""
    vary = f"; the setup's effect varies between {listed(list(sloped))}" if sloped else ""
    return (
        f"One model over all trials ({family}): normal effects of {listed(list(levels))}{vary}. "
        f"Intervals {100 * level:g} %, degrees of freedom by Kenward and Roger."
    )


def not_compared(title: str, why: str) -> str:
    """A response without a comparison."""
    return f"{title}: {lower_first(why)}"

ANSWER_HEAD = ["response", "setup", "difference", "share of the reference", "df", "p", "evidence"]


def answer_caption(percent: str) -> str:
    """Over the table of every comparison."""
    return f"Every comparison, mean over the trials, with {percent} intervals; p adjusted"

VARIANCES_HEAD = ["level", "term", "variance", "standard deviation"]


def variances_caption() -> str:
    """Over the variance components."""
    return "Variance components of the model, on its own scale"

TRIALS_HEAD = ["trial", "season", "pairs", "own pairs alone", "p", "evidence"]


def trials_caption(percent: str, unit: str) -> str:
    """Over the effects of single trials."""
    return f"What every trial shows by its own pairs alone, {unit}, with {percent} intervals"


def growers_caption(of_all: str) -> str:
    """Over growers' own fields against the others'; `of_all` says what ratios are of."""
    return f"Own fields against the others', by the model{of_all}"


def files(tables: int) -> str:
    """Words on the tables to save."""
    return f"{counted(tables, 'table')} as CSV files; names of growers and fields as on this page."
