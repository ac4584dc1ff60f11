# Runs exported scripts (refit.R) as they stand and tells what every model came to: values of
# tests/reference/refit.json, and what tests/reference/test_refit.py compares where R is there.
#
#   python tests/reference/refit_cases.py DATA
#   Rscript tests/reference/make_refit.R DATA tests/reference/refit.json
#
# Of counts and shares the fits by maximum likelihood (REML = FALSE) too. `se` are R's own standard
# errors, `given` those with the variances taken as known: the joint Hessian of fixed and random
# effects at the optimum. `adjusted` are Kenward and Roger's (pbkrtest).
# Packages: lme4, glmmTMB, pbkrtest, jsonlite (versions are written into the file).

suppressPackageStartupMessages({library(lme4); library(glmmTMB); library(pbkrtest); library(jsonlite)})
args <- commandArgs(trailingOnly = TRUE)

fixed <- function(model) if (inherits(model, "glmmTMB")) fixef(model)$cond else fixef(model)
errors <- function(model) {
  v <- vcov(model)
  sqrt(diag(as.matrix(if (inherits(model, "glmmTMB")) v$cond else v)))
}
given <- function(model) {
  if (!inherits(model, "glmmTMB")) return(errors(model))
  object <- model$obj
  everything <- object$env$last.par.best
  inside <- object$env$random
  at <- which(names(everything)[inside] == "beta")
  sqrt(diag(as.matrix(solve(object$env$spHess(everything, random = TRUE))))[at])
}
deviations <- function(model) {
  v <- if (inherits(model, "glmmTMB")) VarCorr(model)$cond else VarCorr(model)
  unlist(lapply(v, function(m) unname(attr(m, "stddev")[1])))
}
told <- function(model, room) {
  out <- list(loglik = as.numeric(logLik(model)), estimate = as.list(fixed(model)),
              sd = as.list(deviations(model)), given = unname(given(model)), se = unname(errors(model)))
  if (inherits(model, "lmerMod")) {
    out$adjusted <- unname(sqrt(diag(as.matrix(vcovAdj(model)))))
  } else if (model$modelInfo$family$family != "gaussian") {
    ml <- suppressWarnings(eval(update(model, REML = FALSE, evaluate = FALSE), room))
    out$ml <- list(loglik = as.numeric(logLik(ml)), estimate = unname(fixed(ml)),
                   se = unname(errors(ml)))
  }
  out
}

models_of <- function(folder) {
  before_here <- setwd(folder)
  on.exit(setwd(before_here))
  found <- list()
  room <- new.env()
  for (statement in parse("refit.R", encoding = "UTF-8")) {
    suppressWarnings(suppressMessages(eval(statement, room)))
    head <- as.character(statement[[1]])
    if (head == "logLik") {
      key <- paste(room$d$response[1], room$d$part[1], sep = ", ")
      found[[key]] <- told(get(as.character(statement[[2]]), room), room)
      found[[key]]$rows <- nrow(room$d)
    }
    if (head == "<-" && identical(as.character(statement[[2]]), "before"))
      found[[key]]$before <- room$before
  }
  found
}
trials <- list.dirs(args[1], full.names = FALSE, recursive = FALSE)
found <- sapply(trials, function(name) models_of(file.path(args[1], name)), simplify = FALSE)
packages <- c("lme4", "glmmTMB", "TMB", "pbkrtest")
versions <- c(R = as.character(getRversion()),
              sapply(packages, function(p) as.character(packageVersion(p))))
write_json(list(versions = as.list(versions), trials = found), args[2], digits = 12,
           auto_unbox = TRUE, pretty = TRUE, na = "null")
