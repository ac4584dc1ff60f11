"""The command line: thin; it parses, calls and prints."""

from __future__ import annotations

# Their commands register with the app.
from trialkit.cli import added, cards, cluster, header, plan, power, reports, trials  # noqa: F401
from trialkit.cli.app import app
from trialkit.cli.console import plain

__all__ = ["app", "plain"]
