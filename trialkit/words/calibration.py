"""How often intervals and tests like a trial's are right, by simulated trials."""

from __future__ import annotations

from trialkit.display import number
from trialkit.quantities import upper_first
from trialkit.words.counts import counted

# Methods by their names in notebooks/calibration.csv.
REPORTED, LAYOUT = "reported", "kenward-roger, df of the layout"
METHODS = {
    "reported": "integrated over the spread",
    "kenward-roger, df of the layout": "Kenward-Roger, degrees of freedom of the layout",
    "classical test of the stratum": "classical test",
    "normal approximation": "normal approximation",
}
EFFECTS = {"setup": "the setup", "main strips": "set on main strips", "strips": "set on strips"}


def named(setting: str) -> str:
    """A setting inside a sentence: laws named after people keep their capital."""
    return upper_first(setting) if setting.startswith(("poisson", "gaussian")) else setting


def title() -> str:
    """Over the section."""
    return "Can the intervals be trusted?"


def tried() -> str:
    """What was simulated."""
    return (
        "The rule of inference was tried on simulated trials whose truth is known; these are the "
        "simulated layouts nearest to the ones here. All of them, and the recovery of true losses "
        "by whole analyses, stand in the notebook truth.ipynb."
    )


def nearness(kind: str, setting: str) -> str:
    """How the simulated layout differs from the trial's."""
    return f"Here: {kind}. Simulated: {named(setting)}."


def caption(setting: str, rounds: int) -> str:
    """Over the rates."""
    return (
        f"{upper_first(setting)}: a true null rejected at 5 %, per cent of {rounds:,} rounds and "
        "more, by the true spread of the error (link scale); power for 30 % less at a spread of 0.2"
    )


def told_falsely(
    method: str, least: float, most: float, rounds: int, spread: float, low: float, high: float
) -> str:
    """How often the rule used told a difference where there was none (rates from 0 to 1)."""
    return (
        f"The rule used here ({METHODS[method]}) told a difference where there was none in "
        f"{number(100 * least, 1)} to {number(100 * most, 1)} % of "
        f"{counted(rounds, 'simulated trial')}, where 5 % were allowed; most often with a spread "
        f"of {spread:g} between the units ({number(100 * low, 1)} to {number(100 * high, 1)} %, by "
        "the number of trials simulated). Where units hardly differ it is more cautious than it "
        "says."
    )


def none_near() -> str:
    """No simulated layout is like the trial's."""
    return "No simulated layout lies near this one."


def in_one_line(setting: str, least: float, most: float, rounds: int) -> str:
    """The limits of calibration for one who decides (rates from 0 to 1)."""
    return (
        f"In simulated trials of the nearest layout ({named(setting)}; {rounds:,} rounds and "
        f"more) a difference was told where there was none in {number(100 * least, 1)} to "
        f"{number(100 * most, 1)} % of them; 5 % were allowed. They follow the model's own "
        "assumptions: normal effects, alike under every setup."
    )
