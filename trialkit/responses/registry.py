"""The responses, zones, sources and tables there are, in the order of their rank.

`RESPONSES`, `ZONES`, `SOURCES` and `TABLES` are live: what is registered later stands in them.
"""

from __future__ import annotations

import copyreg
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import Any, Generic, TypeVar

from trialkit.responses.columns import Table
from trialkit.responses.places import Source, Zone
from trialkit.responses.record import Response
from trialkit.words.terms import know

R = TypeVar("R", bound=Response | Source | Zone | Table)
Record = Response | Source | Zone | Table


class Ranked(Mapping[str, R], Generic[R]):
    """Records by name, lowest rank first; of equal rank, those first that came first."""

    def __init__(self) -> None:
        self._own: dict[str, R] = {}

    def __getitem__(self, name: str) -> R:
        return self._own[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._own)

    def __len__(self) -> int:
        return len(self._own)

    def _put(self, record: R) -> None:
        if self._own.get(record.name, record) is not record:
            raise ValueError(f"{type(record).__name__.lower()} {record.name!r} is there already")
        own = [*(r for r in self._own.values() if r is not record), record]
        self._own = {r.name: r for r in sorted(own, key=lambda r: r.rank)}

    def _take(self, name: str) -> None:
        del self._own[name]


RESPONSES: Ranked[Response] = Ranked()
ZONES: Ranked[Zone] = Ranked()
SOURCES: Ranked[Source] = Ranked()
TABLES: Ranked[Table] = Ranked()
"""Every table by name, in the order they are read: fields and strips before what points at them."""


def _named(name: str) -> Response:
    return RESPONSES[name]


# A result that is kept or sent to another process names its response.
copyreg.pickle(Response, lambda response: (_named, (response.name,)))  # type: ignore[arg-type, return-value]


def in_full() -> tuple[str, ...]:
    """Names of the responses that pages tell in full, whatever a trial is about."""
    return tuple(name for name, response in RESPONSES.items() if response.shown == "full")


def with_power() -> tuple[str, ...]:
    """Names of the responses whose power plans can simulate."""
    return tuple(n for n, r in RESPONSES.items() if r.expectation or r.outlook is not None)


def _home(record: Record) -> Any:
    for kind, home in ((Response, RESPONSES), (Zone, ZONES), (Source, SOURCES), (Table, TABLES)):
        if isinstance(record, kind):
            return home
    raise TypeError(f"{record!r} is no response, zone, source or table")


def register(*records: Record) -> None:
    """Add responses (with the table each is counted in), zones, sources and tables.

    Raises
    ------
    ValueError
        When another record of that kind has the name.
    """
    for record in records:
        if isinstance(record, Response):
            TABLES._put(record.layout)
            for language, terms in record.terms_by.items():
                know({record.name: terms}, language)
        _home(record)._put(record)


@contextmanager
def added(*records: Record) -> Iterator[None]:
    """Register for as long as the block lasts."""
    before = [(home, dict(home)) for home in (RESPONSES, ZONES, SOURCES, TABLES)]
    try:
        register(*records)
        yield
    finally:
        for home, own in before:
            home._own = own  # type: ignore[assignment]
