"""Grain: what is taken where nobody weighed it."""

from __future__ import annotations

from trialkit.units import DEFAULT_THOUSAND_KERNEL_MASS, PUBLISHED_KERNEL_MASS


def kernel_mass_taken() -> str:
    """What a trial without a thousand-kernel mass of its own must be told."""
    usual, (low, high) = DEFAULT_THOUSAND_KERNEL_MASS, PUBLISHED_KERNEL_MASS
    return (
        f"No thousand-kernel mass was given, so {usual:g} g was taken. Published averages run from "
        f"{low:g} to {high:g} g: loss of kernels by weight, and its worth, could be "
        f"{100 * (1 - low / usual):.0f} % less or {100 * (high / usual - 1):.0f} % more than said. "
        "How many percent setups are apart in loss of kernels does not hang on it. Weigh your own."
    )
