"""A response's model as statements of general statistics languages: what they are, what differs."""

from __future__ import annotations

from collections.abc import Sequence

from trialkit.quantities import listed

R, GLIMMIX = "R", "PROC GLIMMIX"


def title() -> str:
    """Over the statements."""
    return "To fit it again elsewhere"


def inside(title: str) -> str:
    """What there is to fit again."""
    return (
        f"model_rows.csv holds the rows that every model saw; refit.R and refit.sas state every "
        f"model of them in two general statistics languages. Here is the model of {title}."
    )


def by_r() -> str:
    """Over the statement in R."""
    return "In R, with lme4 or glmmTMB"


def by_glimmix() -> str:
    """Over the other statement."""
    return "As PROC GLIMMIX"


# ---------------------------------------------------------------- columns
def columns() -> str:
    """The columns of the rows."""
    return (
        "Columns: y is the value, or the count; size the area in square metres, or the number "
        "examined; log_area the offset, on the model's scale. Columns that begin with unit_ number "
        "the units whose effects the model has. What ends in _centred is about its mean over "
        "strips. The other columns of numbers are what random effects multiply: contrasts of a "
        "factor that are orthogonal and of length one, or an indicator."
    )


def one_variance() -> str:
    """Contrasts of a factor that share one."""
    return (
        "The contrasts of one factor have one variance: in R map sets their parameters equal, in "
        "GLIMMIX type=toep(1) does."
    )


# ---------------------------------------------------------------- what each of them does
def law(family: str, logarithm: bool) -> str:
    """Distribution, link and dispersion."""
    if family == "poisson":
        return (
            "Poisson, log link, no dispersion parameter: what counts vary beyond chance is a "
            "normal effect of every row."
        )
    if family == "binomial":
        return (
            "Binomial, logit link, no dispersion parameter: what shares vary beyond chance is a "
            "normal effect of every row."
        )
    what = "the logarithm of the share by mass" if logarithm else "the value as it stands"
    return f"Gaussian, identity link, of {what}; its dispersion is the residual variance."


def likelihoods(gaussian: bool) -> list[str]:
    """What each language maximises, beside what this report does."""
    if gaussian:
        return [
            "This report, R (REML) and GLIMMIX (method=rspl, which is REML here) maximise the same "
            "restricted likelihood: log-likelihood, estimates and variances agree to the "
            "optimisers' precision.",
        ]
    return [
        "This report and R (REML = TRUE) maximise the same restricted likelihood, in which "
        "Laplace's approximation takes in the fixed effects too: log-likelihood, estimates and "
        "variances agree to the optimisers' precision.",
        "GLIMMIX has no such likelihood. Its method=laplace is maximum likelihood, with smaller "
        "variances; hold its log-likelihood against that of maximum likelihood beside the "
        "statement, which R gives with REML = FALSE.",
    ]


def standard_errors(gaussian: bool) -> str:
    """How they differ."""
    if gaussian:
        return (
            "Standard errors here are those of Kenward and Roger: ddfm=kr in GLIMMIX, vcovAdj of "
            "pbkrtest in R after lmer. Without it, R's are those of variances taken as known."
        )
    return (
        "Standard errors on the model's scale: R adds what follows from the uncertainty of the "
        "variances to first order, this report by Kenward and Roger's formulas on the working "
        "weights. In the models of the demonstration trials they differ by 2 % at most."
    )


def integrated() -> str:
    """The test that none of them has."""
    return (
        "Not the same: tests and intervals of this report integrate over the standard deviation of "
        "the error stratum under a weak prior. Both languages take its estimate as known, so their "
        "p-values are other ones, and too small where the estimate is zero."
    )


def layout_df() -> str:
    """The test of values."""
    return (
        "Not the same: degrees of freedom of this report are at most those of the layout, which "
        "Kenward and Roger's can exceed."
    )


def zero_variances(units: Sequence[str]) -> str:
    """What optimisers make of a variance of zero."""
    return (
        f"Estimated at zero: {listed(list(units))}. Optimisers on a logarithmic scale stop short "
        "of it and warn; leave the term out for standard errors."
    )


def not_run() -> str:
    """What has been tried of them."""
    return (
        "The statements in R are tested against this program's fits; those for GLIMMIX are "
        "written from its documentation and have not been run."
    )


# ---------------------------------------------------------------- after the fit
def mean(family: str, logarithm: bool, scale: float, unit: str) -> str:
    """How a reported mean is read off the fit."""
    kappa = f"{scale:.6g}"
    if family == "poisson":
        how = "exp(linear predictor + half the variance of the random effects)"
    elif family == "binomial":
        how = "the share averaged over the normal distribution of the random effects"
    elif logarithm:
        how = "exp(linear predictor + half the variance of random effects and residual)"
    else:
        how = "the linear predictor"
    return (
        f"A reported mean, in {unit}, is {kappa} times {how}, averaged over the levels of other "
        "factors alike, covariates at their means."
    )


def taken_off(value: float, unit: str, modelled: bool) -> str:
    """The loss before harvest, off every mean."""
    how = (
        "the mean of a model of its own, which is stated too"
        if modelled
        else "total count over total area"
    )
    return (
        f"The loss before harvest is no part of the model. It is taken off after the fit: every "
        f"mean is less {value:.4g} {unit}, {how}; its variance adds to that of a mean and "
        "leaves differences between setups alone."
    )


# ---------------------------------------------------------------- comments in the scripts
def before(title: str) -> str:
    """What is taken off, by a model of its own."""
    return f"Taken off every mean of {title.lower()} after the fit: the loss before harvest"


def found(restricted: float, ml: float | None) -> str:
    """The log-likelihoods a refit should give."""
    told = f"log-likelihood found here: {restricted:.4f} restricted"
    return told if ml is None else f"{told}, {ml:.4f} by maximum likelihood"


def found_off(value: float, unit: str) -> str:
    """The loss before harvest a refit should give."""
    return f"found here: {value:.4f} {unit}"


def found_zero(units: Sequence[str]) -> str:
    """Variances of nothing."""
    return f"variance estimated at zero: {', '.join(units)}"


def script(language: str) -> list[str]:
    """At the head of a script."""
    return [
        f"Models of the analysis, stated for {language}.",
        "Run it in the folder of model_rows.csv.",
    ]
