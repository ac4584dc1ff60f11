"""Where the numbers a trial is expected to show are from, one by one."""

from __future__ import annotations

from trialkit.display import freedom

AS_STATED = "as stated"
_ASSUMED = "assumed; no published figure known"
_CLUMPED = (
    "assumed, as clumped as a negative binomial of k = 5.8; none published for kernels, seedlings "
    "of weeds clump more (k 0.17 to 0.32 in 0.38 m2, Johnson et al. 1996)"
)
_BASIS = {
    "loss": "1 bu/ac of loose kernels at the header, 0.5 % of a 200 bu/ac crop; extension "
    "figures put the average at 0.6 % and 0.4 % within reach (University of Missouri G1290); "
    "measured were under 0.75 bu/ac (Purdue 2019) and 1.8 (INTA, Argentina, 2007)",
    "preharvest": "a third of the header's loss; published, with ears: 0.28 and 0.38 of it "
    "(INTA, Argentina, 2005 and 2007), 0.86 (Iowa 2003)",
    "damage": "5 % of kernels with damage that is seen; assumed, for it hangs on what is "
    "counted: published are 1.4 % by U.S. grade, which leaves clean breaks out (first handlers "
    "2015), 8 % broken (2,987 tests in China, Wang et al. 2021), 20 to 30 % with every crack "
    "(Ontario 2017)",
    "sd field": "half of that between 30 fields in Missouri (Shauck & Smeda 2011), which "
    "shared no header; cancels between setups",
    "sd frame": _CLUMPED,
    "preharvest_sd field": "as for the header; cancels between setups",
    "preharvest_sd frame": _CLUMPED,
    "damage_sd field": "half of that between lots of broken corn and foreign material at U.S. "
    "first handlers (0.59 in 2016, 0.68 in 2015, U.S. Grains Council, computed), which shared "
    "no header; cancels between setups",
}


def basis(name: str, level: str = "") -> str:
    """Of the usual value of a number, or of a standard deviation at a level."""
    return _BASIS.get(f"{name} {level}" if level else name, _ASSUMED)


def past_trials(n: int) -> str:
    return f"{n} past trial{'s' * (n != 1)}"


def pooled(trials: int, df: float) -> str:
    """Of a standard deviation that was learned."""
    return f"{past_trials(trials)}, {freedom(df, 0)} degrees of freedom"


def mean_of(trials: int, of: int) -> str:
    """Of a level that `trials` of the `of` past ones tell."""
    return f"mean of {past_trials(trials) if trials == of else f'{trials} trials'}"
