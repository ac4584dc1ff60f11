"""Tables in which every row belongs to a name, simulated name by name: kept up to date on disk."""

from __future__ import annotations

import argparse
import os
from collections.abc import Iterable
from pathlib import Path

import pandas as pd


def arguments(
    what: str, names: Iterable[str], column: str, rounds: int, seed: int, result: Path
) -> argparse.ArgumentParser:
    """What every script asks for: rounds, processes, seed, the names wanted, the file."""
    parser = argparse.ArgumentParser(description=what.splitlines()[0])
    parser.add_argument("--rounds", type=int, default=rounds)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--seed", type=int, default=seed)
    parser.add_argument(f"--{column}s", nargs="+", choices=list(names), default=list(names))
    parser.add_argument("--output", type=Path, default=result)
    return parser


def write(table: pd.DataFrame, path: Path, column: str, names: Iterable[str]) -> None:
    """Put the rows of `table`'s names in place of those in the file, in one step."""
    if path.exists():
        old = pd.read_csv(path)
        table = pd.concat([old[~old[column].isin(table[column])], table])
    order = {name: i for i, name in enumerate(names)}
    table = table[table[column].isin(order)]
    table = table.sort_values(column, key=lambda s: s.map(order), kind="stable")
    part = path.with_name(path.name + ".part")
    table.to_csv(part, index=False, float_format="%.6g", lineterminator="\n")
    os.replace(part, path)
