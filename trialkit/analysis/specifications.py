"""How the analysis reads a response's record (`trialkit.responses.Response`) and its fit."""

from __future__ import annotations

from trialkit.analysis.reading import Offset, Reading
from trialkit.responses.record import STILL, Better, InUnit, Response
from trialkit.responses.registry import RESPONSES as SPECIFICATIONS

Specification = Response

__all__ = ["SPECIFICATIONS", "STILL", "Better", "InUnit", "Specification", "reading_of"]


def reading_of(spec: Response, scale: float, offset: Offset | None) -> Reading:
    """How means are read off a fit: `scale` result units per unit of the response's mean."""
    return Reading(scale, offset, spec.compared_zones, spec.family == "lognormal", spec.ratios)
