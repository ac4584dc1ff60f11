"""Versions of what computed the numbers, and when it was."""

from __future__ import annotations

import platform
import sys
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, version

from trialkit.version import __version__


def versions() -> dict[str, str]:
    """Versions of what computed the numbers."""
    own = {"trialkit": __version__}
    names = ("numpy", "scipy", "pandas", "numba", "statsmodels", "matplotlib")
    return own | {name: version_of(name) for name in names} | {
        "python": ".".join(map(str, sys.version_info[:3])),
        "system": f"{platform.system()} {platform.machine()}",
    }  # fmt: skip


def version_of(name: str) -> str:
    """Version of an installed package."""
    try:
        return version(name)
    except PackageNotFoundError:
        return "not known"


def now() -> str:
    """Time of the computation, UTC, to the minute."""
    return datetime.now(UTC).strftime("%Y-%m-%d %H:%M UTC")
