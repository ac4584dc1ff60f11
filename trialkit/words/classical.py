"""The classical test of the same strips, in words."""

from __future__ import annotations

from collections.abc import Sequence

from trialkit.words.adjusting import SHORT


def in_words(
    fields: int, units: int, kind: str, blocks: int, within: str, paired: bool, scale: str,
    covariates: Sequence[str],
) -> str:  # fmt: skip
    """ "paired t-test of the logarithms of 6 pairs".

    Parameters
    ----------
    fields : int
        Fields, where the effects in them are tested; else 0.
    units, kind : int, str
        What the factor was set on, and how many there are.
    blocks, within : int, str
        Blocks they lie in, and what those are; 0 where there are none.
    paired : bool
        Whether every block has one strip of each of two levels.
    scale : {"log", "logit", "identity"}
        Of the values tested.
    """
    of = {"log": "the logarithms of ", "logit": "the logits of "}.get(scale, "")
    if fields:
        words = f"t-test of the effects in {fields} fields"
    elif not blocks:
        words = f"analysis of variance of {units} {kind}"
    elif paired:
        words = f"paired t-test of {of}{blocks} pairs"
    else:
        words = f"analysis of variance of {kind} within {blocks} {within}"
    adjusted = " and ".join(SHORT[c] for c in covariates)
    return f"{words} adjusted for {adjusted}" if adjusted else words
