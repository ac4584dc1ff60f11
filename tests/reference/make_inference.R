# References for multiplicity-adjusted contrasts, for means weighted as observed and for the
# inference of variance components: tests/mixed/test_multiplicity.py, test_observed_weights.py and
# test_variance_inference.py.
#
#   python tests/reference/cases.py DATA
#   Rscript tests/reference/make_inference.R DATA tests/reference/inference.json
#
# Packages: lme4, pbkrtest, emmeans, mvtnorm, glmmTMB, jsonlite (versions are written into the file).

suppressPackageStartupMessages({
  library(lme4); library(emmeans); library(mvtnorm); library(glmmTMB); library(jsonlite)
})
invisible(Sys.setlocale("LC_COLLATE", "C"))  # factor levels in Python's string order
args <- commandArgs(trailingOnly = TRUE)

read_case <- function(name, factors = character()) {
  path <- file.path(args[1], paste0(name, ".csv"))
  columns <- names(read.csv(path, nrows = 1, check.names = FALSE))
  classes <- setNames(rep(NA_character_, length(columns)), columns)
  classes[factors] <- "character"
  frame <- read.csv(path, colClasses = classes, stringsAsFactors = TRUE)
  frame[factors] <- lapply(frame[factors], factor)
  frame
}

# ---- Contrasts ----------------------------------------------------------------------------------

adjusted <- function(grid, kind, adjust, ...) {
  set.seed(1)
  table <- summary(contrast(grid, kind, adjust = adjust, ...), infer = TRUE, level = 0.95)
  lapply(seq_len(nrow(table)), function(i) list(
    contrast = as.character(table$contrast[i]), estimate = table$estimate[i], df = table$df[i],
    t = table$t.ratio[i], p = table$p.value[i], low = table$lower.CL[i], high = table$upper.CL[i]))
}

contrast_case <- function(data_name, formula, factors) {
  assign("rows", read_case(data_name, "nitrogen"), envir = globalenv())
  model <- lmer(formula, rows, control = lmerControl(
    optimizer = "bobyqa", calc.derivs = FALSE, optCtrl = list(rhoend = 1e-9, maxfun = 1e5)))
  sapply(factors, function(by) {
    grid <- emmeans(model, by, lmer.df = "kenward-roger", data = rows)
    list(tukey = adjusted(grid, "revpairwise", "tukey"),
         dunnett = adjusted(grid, "trt.vs.ctrl", "mvt"),
         bonferroni = adjusted(grid, "revpairwise", "bonferroni"),
         polynomial = adjusted(grid, "poly", "none"))
  }, simplify = FALSE)
}

# Means and differences with the other factors in the proportions of the rows.
proportional_case <- function(data_name, formula, factors, labels) {
  assign("rows", read_case(data_name, labels), envir = globalenv())
  model <- lmer(formula, rows, control = lmerControl(
    optimizer = "bobyqa", calc.derivs = FALSE, optCtrl = list(rhoend = 1e-9, maxfun = 1e5)))
  sapply(factors, function(by) {
    grid <- emmeans(model, by, weights = "proportional", lmer.df = "kenward-roger", data = rows,
                    pbkrtest.limit = 1e4)
    table <- summary(grid)
    list(means = lapply(seq_len(nrow(table)), function(i) list(
           level = as.character(table[i, by]), estimate = table$emmean[i], se = table$SE[i],
           df = table$df[i])),
         pairs = adjusted(grid, "revpairwise", "none"))
  }, simplify = FALSE)
}

# ---- Variances ----------------------------------------------------------------------------------

lme4_profile <- function(data_name, formula, factors) {
  model <- lmer(formula, read_case(data_name, factors), REML = FALSE, control = lmerControl(
    optimizer = "bobyqa", calc.derivs = FALSE, optCtrl = list(rhoend = 1e-9, maxfun = 1e5)))
  # Small steps, as the interval is read off a spline.
  table <- confint(profile(model, which = "theta_", delta.cutoff = 1 / 40, maxpts = 2000))
  lapply(setNames(rownames(table), rownames(table)), function(name) unname(table[name, ]))
}

# Roots of the profile of one parameter of a TMB objective, the others minimised by nlminb.
# Parameters are log standard deviations, log residual variance (Gaussian) or log size (negative
# binomial) and, for one correlation, t with correlation t / sqrt(1 + t^2).
roots <- function(object, best, i) {
  least <- object$fn(best)
  others <- best[-i]
  excess <- function(value) {
    whole <- function(x) append(x, value, i - 1)
    for (start in list(others, best[-i])) {
      found <- nlminb(start, function(x) object$fn(whole(x)),
                      function(x) as.numeric(object$gr(whole(x)))[-i],
                      control = list(rel.tol = 1e-13, x.tol = 1e-10, iter.max = 1e4, eval.max = 1e4))
      if (is.finite(found$objective)) break
    }
    others <<- found$par
    found$objective - least - 0.5 * qchisq(0.95, 1)
  }
  sapply(c(-1, 1), function(side) {
    others <<- best[-i]
    step <- 0.25
    while (step < 20 && excess(best[i] + side * step) < 0) step <- step * 1.5
    if (step >= 20) return(side * Inf)
    uniroot(excess, sort(best[i] + side * c(0, step)), tol = 1e-9)$root
  })
}

tmb_profile <- function(data_name, formula, factors, family, reml) {
  data <- read_case(data_name, factors)
  model <- glmmTMB(formula, data, family = family, REML = reml,
                   control = glmmTMBControl(optCtrl = list(rel.tol = 1e-14, x.tol = 1e-12,
                                                           iter.max = 1e4, eval.max = 1e4)))
  object <- model$obj
  best <- model$fit$par
  free <- which(names(best) %in% c("theta", "betad"))
  labels <- paste0(names(best)[free], ave(free, names(best)[free], FUN = seq_along))
  list(logLik = as.numeric(logLik(model)),
       estimate = setNames(as.list(unname(best[free])), labels),
       interval = setNames(lapply(free, function(i) unname(roots(object, best, i))), labels))
}

results <- list(
  contrasts = list(
    oats = contrast_case("oats", yield ~ Variety * nitrogen + (1 | Block / Variety),
                         c("Variety", "nitrogen")),
    oats_gaps = contrast_case("oats_gaps", yield ~ Variety + nitrogen + (1 | Block / Variety),
                              c("Variety", "nitrogen"))),
  proportional = list(
    oats_gaps = proportional_case("oats_gaps", yield ~ Variety * nitrogen + (1 | Block / Variety),
                                  c("Variety", "nitrogen"), "nitrogen"),
    dietox = proportional_case("dietox", Weight ~ Cu * Evit + Time + (1 | Litter / Pig),
                               c("Cu", "Evit"), c("Pig", "Litter"))),
  lme4 = list(
    dyestuff = lme4_profile("dyestuff", Yield ~ 1 + (1 | Batch), character()),
    dyestuff2 = lme4_profile("dyestuff2", Yield ~ 1 + (1 | Batch), character()),
    pastes = lme4_profile("pastes", strength ~ 1 + (1 | batch / cask), character()),
    sleepstudy = lme4_profile("sleepstudy", Reaction ~ Days + (Days | Subject), "Subject")),
  profiles = list(
    dyestuff_ml = tmb_profile("dyestuff", Yield ~ 1 + (1 | Batch), character(), gaussian, FALSE),
    dyestuff_reml = tmb_profile("dyestuff", Yield ~ 1 + (1 | Batch), character(), gaussian, TRUE),
    sleepstudy_ml = tmb_profile("sleepstudy", Reaction ~ Days + (Days | Subject), "Subject",
                                gaussian, FALSE),
    sleepstudy_reml = tmb_profile("sleepstudy", Reaction ~ Days + (Days | Subject), "Subject",
                                  gaussian, TRUE),
    epilepsy_negative_binomial_ml = tmb_profile(
      "epilepsy", y ~ base4 * trt + log_age + V4 + (1 | subject), "subject", nbinom2, FALSE),
    epilepsy_visits_ml = tmb_profile(
      "epilepsy", y ~ base4 * trt + log_age + V4 + (1 | subject) + (1 | row),
      c("subject", "row"), poisson, FALSE),
    epilepsy_visits_reml = tmb_profile(
      "epilepsy", y ~ base4 * trt + log_age + V4 + (1 | subject) + (1 | row),
      c("subject", "row"), poisson, TRUE)))

packages <- c("lme4", "pbkrtest", "emmeans", "mvtnorm", "glmmTMB", "TMB")
versions <- c(R = as.character(getRversion()),
              sapply(packages, function(p) as.character(packageVersion(p))))
write_json(c(list(versions = as.list(versions)), results), args[2], digits = 12,
           auto_unbox = TRUE, pretty = TRUE, null = "null", na = "null")
