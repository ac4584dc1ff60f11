"""On which scale and in which unit figures of many trials are told."""

from __future__ import annotations

from trialkit.quantities import lower_first
from trialkit.words.many import spread_of


def growers(of_all: str) -> str:
    """Title of a table of growers, with what its shares are of."""
    return f"Growers: shares are{of_all}" if of_all else "Growers"


def beside_first(title: str, first: str) -> str:
    """What holds of a response that trials are not first of all about."""
    return (
        f"These trials are first of all about {lower_first(first)}. Of {lower_first(title)} a "
        "difference is told where it is found, never on a lean. Evidence is judged within this "
        "response alone; pages that tell several hold them to a stricter rule together."
    )


def scales(title: str, link: str, unit: str, own_unit: str, of_all: str) -> dict[str, str]:
    """What the numbers of every table are and in which unit, for who reads the tables by program.

    Parameters
    ----------
    title, link, unit : str
        Of the response.
    own_unit : str
        Of a difference as the newest trial's settings have it.
    of_all : str
        What ratios of the model are of (`before_harvest_included`); "" where of the response.
    """
    what = of_all or f" of {lower_first(title)}"
    model = {
        "log": f"natural logarithm of the ratio{what}, setup over reference",
        "logit": f"natural logarithm of the odds ratio{what}, setup over reference",
        "identity": f"difference in {lower_first(title)}, setup less reference, {unit}",
    }[link]
    slope = {"log": "logarithm", "logit": "log odds"}.get(link, unit)
    ground = f"; on_ground: ratio{of_all}, by the model" if of_all else ""
    return {
        "differences": f"difference, low, high: {lower_first(title)}, setup less reference, in the "
        f"row's unit; in_own_unit: the same in {own_unit}, as the trials' own settings have it; "
        f"ratio, ratio_low, ratio_high: {lower_first(title)}, setup over reference{ground}",
        "effects": f"estimate, se, low, high, sd_trial, sd_field, predicted_low, predicted_high: "
        f"{model}; same_direction: share of fields, 0 to 1",
        "by_trial": f"raw, raw_se, raw_low, raw_high: {model}",
        "by_field": f"raw, raw_se, raw_low, raw_high, shrunken, se, low, high: {model}",
        "growers": f"difference, se, low, high: own fields less the others', {model}; of the mean: "
        "of the response itself over setups, on the same scale",
        "explained": f"slope, slope_low, slope_high: {slope} per unit of the variable (moisture: "
        f"%; speed: km/h); sd_before, sd_after: standard deviations of {spread_of(link, unit)}; "
        "reduction: share of the variance",
        "variances": f"of {spread_of(link, unit)}",
        "strips": f"value, value_se, on_ground: {unit}; moisture: %; speed_measured: km/h",
        "side_by_side": f"means of strips: {unit}",
    }
