"""What parts cannot do without; each says in a sentence that it is not there."""

from __future__ import annotations

from trialkit.pages.context import Context
from trialkit.pages.registry import Need
from trialkit.words import field_day as words
from trialkit.words import sources


def analysed(response: str) -> Need:
    """A response that the page is about."""

    def need(page: Context) -> str:
        if response in page.responses:
            return ""
        reason = page.skipped.get(response, words.no_data())
        return page.letters.text(words.not_shown(reason))

    return need


def counted(page: Context) -> str:
    """Frames, from which loss by source comes."""
    return sources.no_frames() if page.analysis.losses.setups.empty else ""


def priced(page: Context) -> str:
    """A price of grain, and the loss it is put on."""
    if "header_loss" not in page.responses:
        return analysed("header_loss")(page)
    return words.no_price() if page.money is None else ""
