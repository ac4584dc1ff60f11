"""The version, which pyproject.toml reads too."""

__version__ = "0.2.0"
