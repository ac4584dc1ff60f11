"""Plain facts that rooms hand to one another; nothing here knows how it is shown or said."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any


@dataclass(frozen=True, slots=True)
class Note:
    """Something worth saying beside a result.

    Attributes
    ----------
    code : str
        Subject and function of `trialkit.words` that say it, such as "design.single_strips".
    values : mapping
        The function's arguments by name: plain numbers, texts, tuples of them.
    """

    code: str
    values: Mapping[str, Any] = field(default_factory=dict)
