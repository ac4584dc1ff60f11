"""How every response is spoken of: its verb, its nouns, and the word for a smaller amount."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

from trialkit.quantities import upper_first


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
    def noun(self) -> str:
        """What is left or had, behind its verb: "loose kernels at the header"."""
        return self.subject if self.larger == "higher" else self.more.format("").split(" ", 1)[1]

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
    "ear_butt_damage": _amount(
        "had", "ears damaged at the butt", "ears damaged at the butt",
        count="look at the butts of ears from both headers",
    ),
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
    "leaf_intake": _amount(
        "took in", "leaves and husks", "leaves and husks taken in",
        count="look at what falls behind both",
    ),
    "yield": _height("had", "yield", "weigh both"),
    "moisture": _height("had", "grain moisture", "measure both"),
    "test_weight": _height("had", "test weight", "weigh both"),
}
"""By the name of the response; one entry for each of `trialkit.analysis.specifications`."""

GLOSSES = {
    "header loss": "loss at the header",
    "material other than grain": "trash in the sample",
    "preharvest loss": "already on the ground before the machine came",
    "stripper-plate gap": "between the stripper, or deck, plates",
}
"""What a farmer calls it, beside the trade's term where a page first uses that."""
_PLACES = {term: re.compile(rf"\b{term}\b(?! \()", re.IGNORECASE) for term in GLOSSES}
# Where a term stands short, or is not seen at first.
_PASSED = frozenset(("details", "form", "h1", "h2", "h3", "h4", "math", "nav", "script", "style",
                     "svg", "table"))  # fmt: skip


def glossed(terms: Iterable[str]) -> str:
    """`GLOSSES` of those of these terms that have one, for a table's legend."""
    lower = " ".join(terms).lower()
    return " ".join(f"{upper_first(t)}: {g}." for t, g in GLOSSES.items() if t in lower)


def explained(texts: Iterable[str]) -> list[str]:
    """Pieces of a page (HTML, or plain text of the terminal) with `GLOSSES` at first use."""
    left = dict(_PLACES)

    def gloss(text: str) -> str:
        for term, place in list(left.items()):
            text, n = place.subn(rf"\g<0> ({GLOSSES[term]})", text, count=1)
            if n:
                del left[term]
        return text

    out = []
    for text in texts:
        parts, passed, kicker = re.split(r"(<[^>]*>)", text), 0, False
        for i, part in enumerate(parts):
            tag = re.match(r"<(/?)(\w+)", part)
            if 'class="kicker"' in part:  # the trial's own title, to the end of its paragraph
                passed, kicker = passed + 1, True
            elif kicker and part == "</p>":
                passed, kicker = passed - 1, False
            elif tag and tag[2].lower() in _PASSED:
                passed += -1 if tag[1] else 1
            elif not tag and not passed:
                parts[i] = gloss(part)
        out.append("".join(parts))
    return out
