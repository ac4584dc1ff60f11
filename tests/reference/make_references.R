# Tightly converged reference fits for tests/mixed/test_references.py.
#
#   python tests/reference/cases.py DATA
#   Rscript tests/reference/make_references.R DATA tests/reference/references.json
#
# Packages: lme4, lmerTest, pbkrtest, emmeans, glmmTMB, numDeriv, jsonlite (versions are written
# into the JSON file). Each fit is tried with several optimisers; the best is kept and, for
# glmmTMB, polished by Newton steps on the exact gradient.

suppressPackageStartupMessages({
  library(lme4); library(lmerTest); library(pbkrtest); library(emmeans)
  library(glmmTMB); library(numDeriv); library(jsonlite)
})
invisible(Sys.setlocale("LC_COLLATE", "C"))  # factor levels in Python's string order
args <- commandArgs(trailingOnly = TRUE)
data_folder <- args[1]
output <- args[2]

read_case <- function(name, factors) {
  path <- file.path(data_folder, paste0(name, ".csv"))
  columns <- names(read.csv(path, nrows = 1, check.names = FALSE))
  classes <- setNames(rep(NA_character_, length(columns)), columns)
  classes[factors] <- "character"
  frame <- read.csv(path, colClasses = classes, stringsAsFactors = TRUE)
  frame[factors] <- lapply(frame[factors], factor)
  frame
}

components <- function(model) {
  table <- as.data.frame(VarCorr(model))
  lapply(seq_len(nrow(table)), function(i) as.list(table[i, ]))
}

named <- function(values, names) setNames(as.list(unname(values)), names)

# ---- Gaussian responses -------------------------------------------------------------------------

tight_lmer <- function(formula, reml) {
  controls <- list(
    lmerControl(optimizer = "bobyqa", calc.derivs = FALSE,
                optCtrl = list(rhobeg = 0.2, rhoend = 1e-9, maxfun = 1e5)),
    lmerControl(optimizer = "nloptwrap", calc.derivs = FALSE,
                optCtrl = list(xtol_abs = 1e-12, xtol_rel = 0, ftol_abs = 1e-13, maxeval = 1e5)),
    lmerControl(optimizer = "nlminbwrap", calc.derivs = FALSE,
                optCtrl = list(rel.tol = 1e-15, x.tol = 1e-13, iter.max = 1e4, eval.max = 1e4))
  )
  best <- NULL
  for (control in controls) {
    model <- suppressMessages(suppressWarnings(
      lmerTest::lmer(formula, reference_rows, REML = reml, control = control,
                     weights = reference_weights)))
    model <- suppressMessages(suppressWarnings(
      lmerTest::lmer(formula, reference_rows, REML = reml, control = control,
                     weights = reference_weights, start = getME(model, "theta"))))
    if (is.null(best) || logLik(model) > logLik(best)) best <- model
  }
  best
}

fixed_table <- function(model) {
  list(estimate = named(fixef(model), names(fixef(model))),
       se = named(sqrt(diag(as.matrix(vcov(model)))), names(fixef(model))))
}

small_sample <- function(model, method) {
  table <- summary(model, ddf = method)$coefficients
  tests <- anova(model, type = 3, ddf = method)
  result <- list(
    se = named(table[, "Std. Error"], rownames(table)),
    df = named(table[, "df"], rownames(table)))
  if (nrow(tests) > 0) {
    result$tests <- lapply(split(tests, rownames(tests)), function(row) list(
      F = row[["F value"]], num_df = row[["NumDF"]], den_df = row[["DenDF"]],
      p = row[["Pr(>F)"]]))
  }
  result
}

marginal_means <- function(model, by) {
  grid <- emmeans(model, by, lmer.df = "kenward-roger", data = reference_rows)
  means <- as.data.frame(grid)
  pairs <- as.data.frame(contrast(grid, "revpairwise", adjust = "none"))
  levels <- as.character(means[[by]])
  pair <- combn(seq_along(levels), 2)
  pair <- pair[, order(pair[2, ], pair[1, ]), drop = FALSE]  # emmeans: later minus earlier
  list(
    means = lapply(seq_len(nrow(means)), function(i) list(
      level = levels[i], estimate = means$emmean[i], se = means$SE[i],
      df = means$df[i])),
    contrasts = lapply(seq_len(nrow(pairs)), function(i) list(
      level = levels[pair[2, i]], reference = levels[pair[1, i]],
      estimate = pairs$estimate[i], se = pairs$SE[i], df = pairs$df[i], p = pairs$p.value[i])))
}

gaussian_case <- function(data_name, formula, factors = character(), means = character(),
                          prior = NULL) {
  # emmeans and pbkrtest look the data up by name
  assign("reference_rows", read_case(data_name, factors), envir = globalenv())
  assign("reference_weights", if (!is.null(prior)) reference_rows[[prior]], envir = globalenv())
  ml <- tight_lmer(formula, FALSE)
  reml <- tight_lmer(formula, TRUE)
  list(
    formula = paste(deparse(formula), collapse = " "),
    rows = nrow(reference_rows),
    ml = c(list(loglik = as.numeric(logLik(ml)), components = components(ml)), fixed_table(ml)),
    reml = c(list(loglik = as.numeric(logLik(reml)), components = components(reml)),
             fixed_table(reml)),
    # pbkrtest leaves prior weights out of the residual covariance
    kenward_roger = if (is.null(prior)) small_sample(reml, "Kenward-Roger"),
    satterthwaite = small_sample(reml, "Satterthwaite"),
    marginal = sapply(means, function(by) marginal_means(reml, by), simplify = FALSE))
}

# ---- Counts and proportions ---------------------------------------------------------------------

tight_glmer <- function(formula, data, family, offset, weights) {
  optimizers <- list(
    list("bobyqa", list(rhoend = 1e-9, maxfun = 1e5)),
    list("nlminbwrap", list(rel.tol = 1e-15, x.tol = 1e-13, iter.max = 1e4, eval.max = 1e4)),
    list("Nelder_Mead", list(maxfun = 1e5, FtolAbs = 1e-12, XtolRel = 1e-12)))
  best <- NULL
  for (optimizer in optimizers) {
    for (tolerance in c(1e-12, 1e-9)) {
      model <- tryCatch(suppressMessages(suppressWarnings(glmer(
        formula, data, family = family, nAGQ = 1, offset = offset, weights = weights,
        control = glmerControl(optimizer = optimizer[[1]], optCtrl = optimizer[[2]],
                               tolPwrss = tolerance)))), error = function(e) NULL)
      if (!is.null(model) && (is.null(best) || logLik(model) > logLik(best))) best <- model
    }
  }
  best
}

# Newton steps on the outer problem of a TMB object; the Hessian is a Jacobian of its gradient.
polish <- function(object, parameters) {
  for (step in 1:6) {
    gradient <- as.numeric(object$gr(parameters))
    if (max(abs(gradient)) < 1e-9) break
    hessian <- jacobian(object$gr, parameters)
    move <- tryCatch(solve(hessian, gradient), error = function(e) NULL)
    if (is.null(move)) break
    value <- object$fn(parameters)
    if (!(object$fn(parameters - move) <= value + 1e-10)) break
    parameters <- parameters - move
  }
  parameters
}

tmb_fit <- function(formula, data, family, offset, weights, reml) {
  model <- suppressWarnings(glmmTMB(
    formula, data, family = family, offset = offset, weights = weights, REML = reml,
    control = glmmTMBControl(optCtrl = list(rel.tol = 1e-14, x.tol = 1e-12, iter.max = 1e4,
                                            eval.max = 1e4))))
  object <- model$obj
  parameters <- polish(object, model$fit$par)
  hessian <- jacobian(object$gr, parameters)
  value <- object$fn(parameters)
  report <- TMB::sdreport(object, parameters, hessian.fixed = hessian)
  beta <- if (reml) {
    table <- summary(report, "random")
    table[rownames(table) == "beta", , drop = FALSE]
  } else {
    table <- summary(report, "fixed")
    table[rownames(table) == "beta", , drop = FALSE]
  }
  terms <- names(fixef(model)$cond)
  everything <- object$report(object$env$last.par)
  model$fit$par <- parameters
  groups <- names(model$modelInfo$reTrms$cond$cnms)
  list(
    loglik = -as.numeric(value),
    gradient = max(abs(object$gr(parameters))),
    estimate = named(beta[, "Estimate"], terms),
    se = named(beta[, "Std. Error"], terms),
    theta = unname(parameters[names(parameters) == "theta"]),
    # size (nbinom2), precision (betabinomial), shape (Gamma)
    shape = if (model$modelInfo$family$family %in% c("nbinom2", "betabinomial", "Gamma"))
      exp(unname(parameters[names(parameters) == "betad"])) else NULL,
    components = lapply(seq_along(groups), function(i) list(
      grp = groups[i],
      terms = model$modelInfo$reTrms$cond$cnms[[i]],
      sd = as.numeric(everything$sd[[i]]),
      corr = as.matrix(everything$corr[[i]]))))
}

count_case <- function(data_name, formula, family, factors = character(), exposure = NULL,
                       trials = NULL, prior = NULL) {
  data <- read_case(data_name, factors)
  data$.offset <- if (is.null(exposure)) 0 else log(data[[exposure]])
  data$.weights <- if (is.null(prior)) 1 else data[[prior]]
  response <- as.character(formula)[2]
  data$.response <- data[[response]]
  if (!is.null(trials) && is.null(prior)) {
    data$.weights <- data[[trials]]
    data$.response <- data[[response]] / data[[trials]]
  } else if (!is.null(trials)) {
    # Beside two columns of counts glmmTMB's weights multiply a row's log-density, as elsewhere.
    data$.response <- cbind(data[[response]], data[[trials]] - data[[response]])
  }
  internal <- update(formula, .response ~ .)
  environment(internal) <- environment()
  offset <- data$.offset
  weights <- data$.weights
  # lme4 has no size, precision or shape to estimate under these families.
  lme4_knows <- identical(family, poisson) || (identical(family, binomial) && is.null(prior))
  lme4_part <- NULL
  if (lme4_knows) {
    glmer_fit <- tight_glmer(internal, data, family, offset, weights)
    lme4_part <- c(list(loglik = as.numeric(logLik(glmer_fit)),
                        components = components(glmer_fit)), fixed_table(glmer_fit))
  }
  list(
    formula = paste(deparse(formula), collapse = " "),
    rows = nrow(data),
    laplace_lme4 = lme4_part,
    ml = tmb_fit(internal, data, family, offset, weights, FALSE),
    reml = tmb_fit(internal, data, family, offset, weights, TRUE))
}

seizures <- c("subject", "row")
cases <- list(
  dyestuff = quote(gaussian_case("dyestuff", Yield ~ 1 + (1 | Batch))),
  dyestuff2 = quote(gaussian_case("dyestuff2", Yield ~ 1 + (1 | Batch))),
  pastes = quote(gaussian_case("pastes", strength ~ 1 + (1 | batch / cask))),
  sleep = quote(gaussian_case("sleep", extra ~ group + (1 | ID), c("group", "ID"), "group")),
  maize = quote(gaussian_case("maize", height ~ fertilised + (1 | pot / pair),
                              c("pot", "pair"), "fertilised")),
  ergo_stool = quote(gaussian_case("ergo_stool", effort ~ Type + (1 | Subject), "Subject",
                                   "Type")),
  machines = quote(gaussian_case("machines", score ~ Machine + (1 | Worker / Machine), "Worker",
                                 "Machine")),
  oats = quote(gaussian_case("oats", yield ~ Variety * nitrogen + (1 | Block / Variety),
                             "nitrogen", c("Variety", "nitrogen"))),
  oats_linear = quote(gaussian_case("oats", yield ~ nitro + (1 | Block / Variety))),
  oats_gaps = quote(gaussian_case("oats_gaps", yield ~ Variety + nitrogen + (1 | Block / Variety),
                                  "nitrogen", c("Variety", "nitrogen"))),
  oats_weighted = quote(gaussian_case("oats", yield ~ Variety + nitrogen + (1 | Block / Variety),
                                      "nitrogen", prior = "weight")),
  alfalfa = quote(gaussian_case("alfalfa", Yield ~ Variety * Date + (1 | Block / Variety),
                                "Block", c("Variety", "Date"))),
  cake = quote(gaussian_case("cake", angle ~ recipe * temperature + (1 | mix), "temperature",
                             c("recipe", "temperature"))),
  cake_blocks = quote(gaussian_case("cake", angle ~ recipe + temp + (1 | replicate / recipe),
                                    "replicate", "recipe")),
  sleepstudy_intercept = quote(gaussian_case("sleepstudy", Reaction ~ Days + (1 | Subject),
                                             "Subject")),
  dietox = quote(gaussian_case("dietox", Weight ~ Cu + Time + (1 | Litter / Pig),
                               c("Litter", "Pig"), "Cu")),
  sleepstudy = quote(gaussian_case("sleepstudy", Reaction ~ Days + (Days | Subject), "Subject")),
  sleepstudy_independent = quote(gaussian_case(
    "sleepstudy", Reaction ~ Days + (1 | Subject) + (0 + Days | Subject), "Subject")),
  orthodont = quote(gaussian_case("orthodont", distance ~ age * Sex + (age | Subject))),
  pixel = quote(gaussian_case("pixel", pixel ~ day + day2 + (day | Dog) + (1 | Dog:Side),
                              "Dog")),
  dietox_slopes = quote(gaussian_case("dietox", Weight ~ Cu + Time + (Time | Pig), "Pig", "Cu")),
  oxboys = quote(gaussian_case("oxboys", height ~ age + (age | Subject), "Subject")),
  machines_slopes = quote(gaussian_case("machines", score ~ Machine + (Machine | Worker), "Worker",
                                        "Machine")),
  penicillin = quote(gaussian_case("penicillin", diameter ~ 1 + (1 | plate) + (1 | sample))),
  sprays = quote(gaussian_case("sprays", log_decrease ~ treatment + (1 | rowpos) + (1 | colpos),
                               c("rowpos", "colpos"), "treatment")),
  assay = quote(gaussian_case(
    "assay", logDens ~ sample * dilut + (1 | Block / sample) + (1 | column),
    c("Block", "dilut", "column"), c("sample", "dilut"))),
  barley = quote(gaussian_case("barley", yield ~ year + (1 | site / year) + (1 | variety), "year",
                               "year")),
  cake_lack_of_fit = quote(gaussian_case(
    "cake", angle ~ recipe + temp + (1 | replicate / recipe) + (1 | temperature),
    c("replicate", "temperature"), "recipe")),
  sleepstudy_days = quote(gaussian_case(
    "sleepstudy", Reaction ~ Days + (Days | Subject) + (1 | day), c("Subject", "day"))),
  lecturers = quote(gaussian_case("lecturers", y ~ service + (1 | s) + (1 | d),
                                  c("s", "d", "dept"))),
  scots = quote(gaussian_case("scots", attain ~ verbal + sex + (1 | primary) + (1 | second),
                              c("primary", "second"), "sex")),
  epilepsy = quote(count_case("epilepsy", y ~ base4 * trt + log_age + V4 + (1 | subject),
                              poisson, seizures)),
  epilepsy_visits = quote(count_case(
    "epilepsy", y ~ base4 * trt + log_age + V4 + (1 | subject) + (1 | row), poisson, seizures)),
  epilepsy_slopes = quote(count_case(
    "epilepsy", y ~ base4 * trt + log_age + visit + (visit | subject), poisson, seizures)),
  grouse_ticks = quote(count_case(
    "grouse_ticks", TICKS ~ YEAR + cHEIGHT + (1 | LOCATION) + (1 | BROOD) + (1 | INDEX), poisson,
    c("YEAR", "LOCATION", "BROOD", "INDEX"))),
  melanoma = quote(count_case("melanoma", deaths ~ uvb + (1 | nation / region), poisson,
                              c("region", "county"), exposure = "expected")),
  djallonke = quote(count_case("djallonke", y ~ group + (1 | village), poisson,
                               exposure = "trisk")),
  epilepsy_weighted = quote(count_case(
    "epilepsy", y ~ base4 * trt + log_age + V4 + (1 | subject), poisson, seizures,
    prior = "weight")),
  epilepsy_periods = quote(count_case(
    "epilepsy", y ~ base4 * trt + log_age + (1 | subject) + (1 | row) + (1 | period), poisson,
    c(seizures, "period"))),
  epilepsy_negative_binomial_slopes = quote(count_case(
    "epilepsy", y ~ base4 * trt + log_age + visit + (1 | subject) + (0 + visit | subject), nbinom2,
    seizures)),
  epilepsy_negative_binomial_weighted = quote(count_case(
    "epilepsy", y ~ base4 * trt + log_age + V4 + (1 | subject), nbinom2, seizures,
    prior = "weight")),
  arabidopsis_negative_binomial = quote(count_case(
    "arabidopsis", fruits ~ nutrient * amd + rack + (1 | popu / gen) + (1 | status), nbinom2,
    c("gen", "rack", "nutrient"))),
  orobanche_beta_binomial = quote(count_case(
    "orobanche", y ~ seed * root, betabinomial, "plate", trials = "n")),
  epilepsy_negative_binomial = quote(count_case(
    "epilepsy", y ~ base4 * trt + log_age + V4 + (1 | subject), nbinom2, seizures)),
  grouse_negative_binomial = quote(count_case(
    "grouse_ticks", TICKS ~ YEAR + cHEIGHT + (1 | LOCATION) + (1 | BROOD), nbinom2,
    c("YEAR", "LOCATION", "BROOD", "INDEX"))),
  melanoma_negative_binomial = quote(count_case(
    "melanoma", deaths ~ uvb + (1 | nation / region), nbinom2, c("region", "county"),
    exposure = "expected")),
  cbpp_beta_binomial = quote(count_case("cbpp", incidence ~ period + (1 | herd), betabinomial,
                                        c("herd", "period"), trials = "size")),
  contraception_beta_binomial = quote(count_case(
    "contraception_cells", uses ~ livch + (1 | district), betabinomial, "district",
    trials = "women")),
  cake_gamma = quote(count_case("cake", angle ~ recipe + temperature + (1 | mix),
                                Gamma(link = "log"), "temperature")),
  dietox_gamma = quote(count_case("dietox", Weight ~ Cu + Time + (1 | Litter / Pig),
                                  Gamma(link = "log"), c("Litter", "Pig"))),
  orobanche = quote(count_case("orobanche", y ~ seed * root + (1 | plate), binomial, "plate",
                               trials = "n")),
  cbpp = quote(count_case("cbpp", incidence ~ period + (1 | herd), binomial,
                          c("herd", "period"), trials = "size")),
  cbpp_rows = quote(count_case("cbpp", incidence ~ period + (1 | herd) + (1 | row), binomial,
                               c("herd", "period", "row"), trials = "size")),
  cbpp_weighted = quote(count_case("cbpp", incidence ~ period + (1 | herd), binomial,
                                   c("herd", "period", "row"), trials = "size",
                                   prior = "weight")),
  salamander = quote(count_case(
    "salamander", mated ~ female_type * male_type + (1 | female) + (1 | male), binomial,
    c("female", "male"))),
  verbal_aggression = quote(count_case(
    "verbal_aggression", yes ~ Anger + Gender + btype + situ + mode + (1 | id) + (1 | item),
    binomial, "id")),
  bacteria = quote(count_case("bacteria", present ~ trt + late + (1 | ID), binomial)),
  contraception = quote(count_case(
    "contraception", uses ~ age + age2 + town + livch + (1 | district), binomial, "district")),
  contraception_slopes = quote(count_case(
    "contraception", uses ~ age + age2 + town + livch + (town | district), binomial,
    "district")))

results <- list()
wanted <- if (length(args) > 2) args[-(1:2)] else names(cases)
for (name in wanted) {
  message(name)
  results[[name]] <- eval(cases[[name]])
}
packages <- c("lme4", "lmerTest", "pbkrtest", "emmeans", "glmmTMB", "TMB", "numDeriv")
versions <- c(R = as.character(getRversion()),
              sapply(packages, function(p) as.character(packageVersion(p))))
write_json(list(versions = as.list(versions), cases = results), output, digits = 12,
           auto_unbox = TRUE, pretty = TRUE, null = "null", na = "null")
