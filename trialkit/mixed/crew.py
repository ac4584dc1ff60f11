"""Who works on the partitions: this process, one after another, or the workers of a cluster.

A partition's source is asked in passes (:meth:`Crew.each`) while a design is agreed upon; what is
then made of it (:meth:`Crew.keep`) is kept where it was made and answers questions
(:meth:`Crew.ask`). On a Dask cluster what is kept is a task's result: when its worker dies the
scheduler has it made again from the source by another, and the question is put again. Questions
therefore depend on their arguments alone.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import compress
from typing import Any, Protocol

from trialkit.mapping import results_of


class Crew(Protocol):
    """Answers come in the order of the partitions."""

    names: list[str]

    def only(self, wanted: Sequence[bool]) -> None:
        """Let go of the other sources."""

    def each(self, work: Callable[..., Any], *told: Any) -> list[Any]:
        """``work(source, *told)`` for every source."""

    def keep(self, make: Callable[..., Any], *told: Any) -> None:
        """Keep ``make(source, *told)`` of every source, in place of what was kept."""

    def ask(self, question: str, *told: Any) -> list[Any]:
        """The answers of the method ``question`` of what is kept."""

    def release(self) -> None:
        """Let go of everything."""


class Here:
    """Partitions worked through one after another in this process."""

    def __init__(self, sources: Sequence[Any]) -> None:
        self.sources, self.names = list(sources), [s.name for s in sources]
        self.kept: list[Any] = []

    def only(self, wanted: Sequence[bool]) -> None:
        self.sources = list(compress(self.sources, wanted))
        self.names = list(compress(self.names, wanted))

    def each(self, work: Callable[..., Any], *told: Any) -> list[Any]:
        return [work(source, *told) for source in self.sources]

    def keep(self, make: Callable[..., Any], *told: Any) -> None:
        self.kept = []
        self.kept = self.each(make, *told)

    def ask(self, question: str, *told: Any) -> list[Any]:
        return [_answer(share, question, *told) for share in self.kept]

    def release(self) -> None:
        self.kept, self.sources = [], []


class OnCluster:
    """Partitions shared out among the workers of a Dask client."""

    def __init__(self, sources: Sequence[Any], client: Any) -> None:
        self.client, self.names = client, [s.name for s in sources]
        # Tasks' results and not scattered data, which would die with its worker; and no worker is
        # asked for by name: of a dead one the scheduler would wait for ever, even for a wish.
        self.sources = self._on(sources, _itself, ())
        self.kept: list[Any] = []

    def only(self, wanted: Sequence[bool]) -> None:
        self.sources = list(compress(self.sources, wanted))
        self.names = list(compress(self.names, wanted))

    def each(self, work: Callable[..., Any], *told: Any) -> list[Any]:
        return results_of(self.client, self._on(self.sources, work, told))

    def keep(self, make: Callable[..., Any], *told: Any) -> None:
        self.kept = self._on(self.sources, make, told)

    def ask(self, question: str, *told: Any) -> list[Any]:
        return results_of(self.client, self._on(self.kept, _answer, (question, *told)))

    def release(self) -> None:
        self.kept, self.sources = [], []

    def _on(self, what: Sequence[Any], work: Callable[..., Any], told: Sequence[Any]) -> list[Any]:
        return [self.client.submit(work, one, *told, pure=False) for one in what]


def _itself(source: Any) -> Any:
    return source


def _answer(share: Any, question: str, *told: Any) -> Any:
    return getattr(share, question)(*told)
