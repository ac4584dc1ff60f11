"""Numbers as a language's locale writes them."""

from __future__ import annotations

import re
from decimal import Decimal
from importlib import import_module

from trialkit.words import ENGLISH

# A number as Python prints it, thousands parted or not; no part of a unit ("ft2") or of a fraction.
_NUMBER = re.compile(r"(?<![\w.,/])\d[\d,]*(?:\.\d+)?(?![\w/]|[.,]\d)")


def localised(text: str, language: str) -> str:
    """A text with its numbers, printed the English way, as the language's locale writes them.

    Digits stay as they are rounded. Decimal mark and thousands come from the Unicode CLDR by Babel.
    """
    if language == ENGLISH:
        return text
    from babel.numbers import format_decimal

    locale = import_module(f"trialkit.words.{language}").LOCALE

    def written(found: re.Match[str]) -> str:
        whole, _, decimals = found[0].partition(".")
        pattern = ("#,##0" if "," in whole else "0") + f".{'0' * len(decimals)}".rstrip(".")
        return str(format_decimal(Decimal(found[0].replace(",", "")), pattern, locale=locale))

    return _NUMBER.sub(written, text)
