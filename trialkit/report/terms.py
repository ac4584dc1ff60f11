"""How every response is spoken of: its verb, its nouns, and the word for a smaller amount."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Terms:
    """Words for one response.

    Attributes
    ----------
    verb : str
        What a setup did, in the past: "left".
    less, more : str
        What it did less or more of, with a slot for a degree: "{}fewer damaged kernels".
    subject : str
        What is compared, in a sentence.
    smaller, larger : str
        Of a share of the reference: "34 % fewer".
    count : str
        How anyone can look for it behind the own machine.
    """

    verb: str
    less: str
    more: str
    subject: str
    smaller: str = "less"
    larger: str = "more"
    count: str = "count behind both"

    @property
    def by_amount(self) -> tuple[str, str]:
        """Words for a fall and a rise told in a unit: an amount is "1.4 bu/ac less", whatever can
        be counted in it; a height is "lower"."""
        return (self.smaller, self.larger) if self.larger == "higher" else ("less", "more")


def _amount(
    verb: str, noun: str, subject: str, *, few: bool = True, count: str = "count behind both"
) -> Terms:
    """Something a setup left or had less or more of; `few` where it can be counted."""
    small = "fewer" if few else "less"
    return Terms(verb, f"{{}}{small} {noun}", f"{{}}more {noun}", subject, small, count=count)


def _height(verb: str, noun: str, count: str) -> Terms:
    """Something that was lower or higher."""
    return Terms(verb, f"a {{}}lower {noun}", f"a {{}}higher {noun}", noun, "lower", "higher",
                 count)  # fmt: skip


_GRAIN = "look through the grain of both"
_TANK = "look at what comes into the tank with both"
TERMS = {
    "header_loss": _amount(
        "left", "loose kernels at the header", "loose kernels left at the header"
    ),
    "kernel_damage": _amount("had", "damaged kernels", "damaged kernels", count=_GRAIN),
    "dropped_ears": _amount("dropped", "ears at the header", "ears dropped at the header"),
    # No setup changes what lay there before it came.
    "preharvest_loss": _amount(
        "met", "loss from before harvest", "the loss from before harvest that was met", few=False
    ),
    "processing_loss": _amount(
        "left", "kernels in threshing and cleaning", "kernels left in threshing and cleaning"
    ),
    "broken_corn": _amount("had", "broken corn", "broken corn", few=False, count=_GRAIN),
    "foreign_material": _amount(
        "had", "foreign material", "foreign material", few=False, count=_GRAIN
    ),
    "residue_mass": _amount(
        "had", "material other than grain", "material other than grain", few=False, count=_TANK
    ),
    "residue_score": _height("had", "score of material other than grain", _TANK),
    "yield": _height("had", "yield", "weigh both"),
    "moisture": _height("had", "grain moisture", "measure both"),
    "test_weight": _height("had", "test weight", "weigh both"),
}
"""By the name of the response; one entry for each of `trialkit.analysis.specifications`."""
