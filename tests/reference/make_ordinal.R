# References for the proportional odds model: tests/mixed/test_ordinal.py.
#
#   Rscript tests/reference/make_ordinal.R tests/reference/ordinal.json
#
# The wine data of package ordinal (Randall 1989, Biometrical Journal 7:781-793) and a nested trial
# drawn here, whose rows are written beside the fits.
# Packages: ordinal (fits), jsonlite (versions are written into the file).

suppressPackageStartupMessages({ library(ordinal); library(jsonlite) })
args <- commandArgs(trailingOnly = TRUE)

data(wine)

# Four fields of four pairs; strips of five readings; a setup whose effect differs between fields.
set.seed(20)
trial <- expand.grid(reading = 1:5, setup = c("plain", "soft"), pair = 1:4, field = 1:4)
trial$strip <- ifelse(trial$setup == "plain", 1, 2)
trial$speed <- round(rnorm(nrow(trial), 2, 0.3), 2)
field <- rnorm(4, 0, 0.8); by_field <- rnorm(4, 0, 0.7)
pair <- matrix(rnorm(16, 0, 0.7), 4); strip <- array(rnorm(32, 0, 0.6), c(4, 4, 2))
soft <- as.numeric(trial$setup == "soft")
eta <- field[trial$field] + by_field[trial$field] * soft + pair[cbind(trial$field, trial$pair)] +
  strip[cbind(trial$field, trial$pair, trial$strip)] - 0.8 * soft + 0.5 * (trial$speed - 2)
latent <- eta + rlogis(nrow(trial))
trial$score <- findInterval(latent, c(-1.2, 0.1, 1.3, 2.8))
trial <- trial[-c(3, 40, 41, 97), ]  # not quite balanced
trial$rating <- factor(trial$score, ordered = TRUE)
for (v in c("field", "pair", "strip")) trial[[v]] <- factor(trial[[v]])
trial$block <- interaction(trial$field, trial$pair, drop = TRUE)
trial$unit <- interaction(trial$block, trial$strip, drop = TRUE)

# nlminb stops a little short of the optimum with its own settings.
tight <- clmm.control(method = "nlminb", maxIter = 200, gradTol = 1e-10,
                      rel.tol = 1e-15, x.tol = 1e-12, eval.max = 5000, iter.max = 2000)

fit <- function(formula, data, nodes = 1L) {
  model <- eval(bquote(clmm(.(formula), data = data, nAGQ = .(nodes), control = tight)))
  # ... and its differences for the Hessian are finer than the inner modes then allow.
  usual <- eval(bquote(clmm(.(formula), data = data, nAGQ = .(nodes))))
  se <- sqrt(diag(vcov(usual)))
  terms <- names(c(model$alpha, model$beta))
  list(
    model = paste(deparse(formula, width.cutoff = 200L), collapse = ""), nodes = nodes,
    loglik = as.numeric(logLik(model)), thresholds = as.list(model$alpha),
    coefficients = as.list(model$beta), se = as.list(setNames(se[seq_along(terms)], terms)),
    covariances = lapply(VarCorr(model), function(v) matrix(as.numeric(v), nrow(v)))
  )
}

cases <- list(
  wine = fit(rating ~ temp + contact + (1 | judge), wine),
  wine_quadrature = fit(rating ~ temp + contact + (1 | judge), wine, 10L),
  wine_crossed_terms = fit(rating ~ temp * contact + (1 | judge), wine),
  wine_slope = fit(rating ~ temp + contact + (1 + temp | judge), wine),
  pairs = fit(rating ~ setup + speed + (1 | block) + (1 | unit), trial),
  fields = fit(rating ~ setup + speed + (1 | field) + (1 | block) + (1 | unit), trial),
  one_level = fit(rating ~ setup + speed + (1 | unit), trial),
  one_level_quadrature = fit(rating ~ setup + speed + (1 | unit), trial, 15L)
)
flat <- clm(rating ~ setup + speed, data = trial)
freed <- clm(rating ~ setup, nominal = ~ setup, data = trial)
plain <- clm(rating ~ setup, data = trial)

writeLines(toJSON(list(
  versions = list(R = as.character(getRversion()), ordinal = as.character(packageVersion("ordinal"))),
  cases = cases,
  flat = list(loglik = as.numeric(logLik(flat)), thresholds = as.list(flat$alpha),
              coefficients = as.list(flat$beta)),
  proportional_odds = list(
    statistic = 2 * as.numeric(logLik(freed) - logLik(plain)), df = 3,
    p = anova(plain, freed)[2, "Pr(>Chisq)"]),
  trial = lapply(trial[c("field", "pair", "strip", "setup", "speed", "score")], as.character)
), auto_unbox = TRUE, digits = 10), args[1])
