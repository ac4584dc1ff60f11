"""Reports: notebooks run on a trial and printed as one self-contained HTML page."""

from __future__ import annotations

from trialkit.report.field_day import FieldDayPage
from trialkit.report.render import render
from trialkit.report.resources import demo_dir, notebooks_dir

__all__ = ["FieldDayPage", "demo_dir", "notebooks_dir", "render"]
