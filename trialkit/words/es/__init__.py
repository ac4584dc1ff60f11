"""Spanish of the maize harvest, as crews in the Midwest of the United States who come from Mexico
speak it: usted, maíz, mazorca, olote, surco, cabezal maicero, rodillos, placas, rastrojo.

The safety sentences have not been checked: verify with a qualified translator, a native speaker who
has worked beside a combine. Until someone has, `cards.template` prints so under every sheet.
"""

from __future__ import annotations

from trialkit import display
from trialkit.words.numerals import localised

LOCALE = "es_US"
"""Both the United States and Mexico write 1,234.5; so do the tables that the boxes are typed into.
A comma for the decimal mark, as in Spain, would end in them as thousands."""


def number(value: float, places: int) -> str:
    """A number as `trialkit.display.number` rounds it and the locale writes it."""
    return localised(display.number(value, places), "es")


def brief(value: float, digits: int = 6) -> str:
    """A number of so many digits, without zeros that say nothing."""
    return localised(f"{value:.{digits}g}", "es")
