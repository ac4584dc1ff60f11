# The programs in R whose speed is measured, as a worker process like rivals_python.py:
#
#     Rscript rivals.R PROGRAM TRIAL.csv LEVELS < requests > answers
#
# LEVELS is the nesting, "field / pair / strip". Estimates alone are asked for: lme4 without the
# derivatives of its convergence check, glmmTMB without standard errors. "pbkrtest" answers with
# the seconds of the Kenward-Roger covariance and degrees of freedom of every coefficient of the
# Gaussian model, and with these standard errors and degrees of freedom.
args <- commandArgs(trailingOnly = TRUE)
program <- args[1]
suppressWarnings(suppressPackageStartupMessages({
  library(jsonlite)
  library(lme4)
  if (program != "lme4") library(program, character.only = TRUE)
}))
d <- read.csv(args[2], stringsAsFactors = TRUE)
d$others <- d$examined - d$damaged

model <- function(left, offset = "") {
  as.formula(sprintf("%s ~ setup * moisture + (1 | %s)%s", left, args[3], offset))
}
formula_of <- function(case, response) switch(case,
  "gaussian REML" = model(response),
  "binomial" = model("cbind(damaged, others)"),
  model(response, " + offset(log(area))"))

quick <- glmerControl(calc.derivs = FALSE)
fit_lme4 <- function(case, f) switch(case,
  "gaussian REML" = lmer(f, d, control = lmerControl(calc.derivs = FALSE)),
  "poisson" = glmer(f, d, poisson, control = quick),
  "negative binomial" = glmer.nb(f, data = d, control = quick),
  "binomial" = glmer(f, d, binomial, control = quick))
fit_glmmTMB <- function(case, f) switch(case,
  "gaussian REML" = glmmTMB(f, d, REML = TRUE, se = FALSE),
  "poisson" = glmmTMB(f, d, poisson, se = FALSE),
  "negative binomial" = glmmTMB(f, d, nbinom2, se = FALSE),
  "binomial" = glmmTMB(f, d, binomial, se = FALSE))

timed <- function(call) {
  start <- proc.time()
  value <- suppressMessages(suppressWarnings(call()))
  taken <- proc.time() - start
  cpu <- taken[["user.self"]] + taken[["sys.self"]]
  list(value = value, clock = list(seconds = taken[["elapsed"]], cpu = cpu))
}
kenward_roger <- function(fit) {
  adjusted <- pbkrtest::vcovAdj(fit)
  rows <- diag(length(fixef(fit)))
  df <- apply(rows, 1, function(row) pbkrtest::Lb_ddf(row, vcov(fit), adjusted))
  list(se = sqrt(diag(as.matrix(adjusted))), df = df)
}
answer <- function(request) {
  f <- formula_of(request$case, request$response)
  if (program == "pbkrtest") {
    fit <- fit_lme4(request$case, f)
    done <- timed(function() kenward_roger(fit))
    return(c(done$clock, done$value))
  }
  fit <- if (program == "lme4") fit_lme4 else fit_glmmTMB
  done <- timed(function() fit(request$case, f))
  c(done$clock, loglik = as.numeric(logLik(done$value)))
}

requests <- file("stdin", open = "r")
while (length(line <- readLines(requests, n = 1)) > 0) {
  out <- tryCatch(answer(fromJSON(line)), error = function(e) list(error = conditionMessage(e)))
  cat(toJSON(out, auto_unbox = TRUE, digits = NA), "\n", sep = "")
  flush(stdout())
}
