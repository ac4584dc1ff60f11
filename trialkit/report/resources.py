"""Where the notebooks and the demo trials are: beside the installed package, or at the top level
of the sources."""

from __future__ import annotations

from pathlib import Path

from trialkit.errors import ReportError

_PACKAGE = Path(__file__).resolve().parents[1]


def _shared(name: str) -> Path:
    for base in (_PACKAGE / "_share", _PACKAGE.parent):
        if (base / name).is_dir():
            return base / name
    raise ReportError(
        f"The folder {name}/ that belongs to trialkit is missing; install trialkit again."
    )


def notebooks_dir() -> Path:
    """Folder of the notebooks shipped with trialkit."""
    return _shared("notebooks")


def demo_dir(name: str = "cushion_pairs") -> Path:
    """Folder of one of the demo trials.

    Raises
    ------
    ReportError
        When there is no demo trial of that name; the message lists those there are.
    """
    folder = _shared("data_demo")
    names = sorted(p.name for p in folder.iterdir() if (p / "trial.toml").is_file())
    if name not in names:
        raise ReportError(f"There is no demo trial {name!r}; there are: {', '.join(names)}.")
    return folder / name


def template_dir() -> Path:
    """Folder of the page templates."""
    return Path(__file__).resolve().parent / "templates"
