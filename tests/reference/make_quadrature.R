# Fits by adaptive Gauss-Hermite quadrature for tests/mixed/test_quadrature.py.
#
#   python tests/reference/cases.py DATA
#   Rscript tests/reference/make_quadrature.R DATA tests/reference/quadrature.json
#
# Packages: lme4, jsonlite (versions are written into the file).
#
# With several nodes lme4 measures the log-likelihood from the saturated model, in which every row
# has its own mean; the saturated log-likelihood is added back here from R's own densities.

suppressPackageStartupMessages({ library(lme4); library(jsonlite) })
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

named <- function(values, names) setNames(as.list(unname(values)), names)

# The best of two optimisers, each run again from where it ended. tolPwrss is the precision of the
# modes: lme4's own (1e-7) moves the log-likelihood with 3 nodes by 1.5e-6.
fit_with <- function(formula, data, family, nodes, trials) {
  data$.trials <- if (is.null(trials)) 1 else data[[trials]]
  controls <- list(
    glmerControl(optimizer = "bobyqa", tolPwrss = 1e-13, optCtrl = list(rhoend = 1e-10, maxfun = 1e5)),
    glmerControl(optimizer = "nlminbwrap", tolPwrss = 1e-13,
                 optCtrl = list(rel.tol = 1e-15, x.tol = 1e-14, iter.max = 1e4, eval.max = 1e4)))
  best <- NULL
  for (control in controls) {
    once <- suppressMessages(suppressWarnings(glmer(
      formula, data, family = family, nAGQ = nodes, weights = .trials, control = control)))
    again <- suppressMessages(suppressWarnings(glmer(
      formula, data, family = family, nAGQ = nodes, weights = .trials, control = control,
      start = list(theta = getME(once, "theta"), fixef = fixef(once)))))
    for (model in list(once, again)) {
      if (is.null(best) || logLik(model) > logLik(best)) best <- model
    }
  }
  y <- best@resp$y
  saturated <- if (identical(family, poisson)) sum(dpois(y, y, log = TRUE)) else {
    n <- best@resp$weights
    sum(dbinom(round(y * n), n, y, log = TRUE))
  }
  terms <- names(fixef(best))
  list(nodes = nodes, loglik = as.numeric(logLik(best)) + saturated,
       lme4_loglik = as.numeric(logLik(best)), saturated = saturated,
       estimate = named(fixef(best), terms),
       se = named(sqrt(diag(as.matrix(vcov(best, use.hessian = TRUE)))), terms),
       sd = unname(getME(best, "theta")))
}

quadrature_case <- function(data_name, formula, family, factors, nodes, trials = NULL) {
  data <- read_case(data_name, factors)
  environment(formula) <- globalenv()
  list(formula = paste(deparse(formula), collapse = " "),
       fits = lapply(nodes, function(k) fit_with(formula, data, family, k, trials)))
}

cases <- list(
  cbpp = quadrature_case("cbpp", incidence / size ~ period + (1 | herd), binomial,
                         c("herd", "period"), c(9, 25), "size"),
  bacteria = quadrature_case("bacteria", present ~ trt + late + (1 | ID), binomial, character(),
                             c(5, 25)),
  contraception = quadrature_case(
    "contraception", uses ~ age + age2 + town + livch + (1 | district), binomial, "district", 25),
  orobanche = quadrature_case("orobanche", y / n ~ seed * root + (1 | plate), binomial, "plate",
                              25, "n"),
  epilepsy = quadrature_case("epilepsy", y ~ base4 * trt + log_age + V4 + (1 | subject), poisson,
                             "subject", c(3, 25)))

versions <- c(R = as.character(getRversion()), lme4 = as.character(packageVersion("lme4")))
write_json(list(versions = as.list(versions), cases = cases), args[2], digits = 12,
           auto_unbox = TRUE, pretty = TRUE)
