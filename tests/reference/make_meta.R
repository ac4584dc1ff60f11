# Values of tests/reference/meta.json: BCG vaccine trials (Colditz et al. 1994, JAMA 271:698-702; data as
# dat.bcg of package metadat) combined by metafor. Rscript tests/reference/make_meta.R > tests/reference/meta.json
suppressPackageStartupMessages({library(metafor); library(jsonlite)})
dat <- escalc(measure = "RR", ai = tpos, bi = tneg, ci = cpos, di = cneg, data = dat.bcg)
one <- function(method) {
  plain <- rma(yi, vi, data = dat, method = method, control = list(tol = 1e-12, threshold = 1e-12))
  knha <- if (method == "FE") plain else rma(yi, vi, data = dat, method = method, test = "knha",
              control = list(tol = 1e-12, threshold = 1e-12))
  # Higgins, Thompson & Spiegelhalter: t with k - 2 df.
  half <- qt(0.975, plain$k - 2) * sqrt(plain$tau2 + plain$se^2)
  riley <- predict(plain, pi.type = "riley")
  list(estimate = c(plain$beta), se = plain$se, low = plain$ci.lb, high = plain$ci.ub,
       hk_se = knha$se, hk_low = knha$ci.lb, hk_high = knha$ci.ub, tau2 = plain$tau2, i2 = plain$I2,
       predicted_low = riley$pi.lb, predicted_high = riley$pi.ub,
       by_hand = c(plain$beta - half, plain$beta + half))
}
fixed <- one("FE")
# Three trials that agree by chance, made up: Hartung and Knapp's standard error and the same no smaller than
# the plain one (Roever, Knapp & Friede 2015, BMC Med Res Methodol 15:99).
agree <- list(effect = c(-0.20, -0.21, -0.19), se = c(0.20, 0.25, 0.30))
held <- function(test) {
  fit <- rma(agree$effect, sei = agree$se, method = "REML", test = test,
             control = list(tol = 1e-12, threshold = 1e-12))
  list(hk_se = fit$se, hk_low = fit$ci.lb, hk_high = fit$ci.ub)
}
out <- list(
  versions = list(R = paste(R.version$major, R.version$minor, sep = "."),
                  metafor = as.character(packageVersion("metafor"))),
  table = dat.bcg[, c("trial", "tpos", "tneg", "cpos", "cneg")],
  effect = c(dat$yi), variance = c(dat$vi),
  Q = rma(yi, vi, data = dat, method = "FE")$QE, Qp = rma(yi, vi, data = dat, method = "FE")$QEp,
  agree = c(agree, list(knha = held("knha"), adhoc = held("adhoc"))),
  models = list(fixed = fixed, reml = one("REML"), `dersimonian-laird` = one("DL"), `paule-mandel` = one("PM")))
cat(toJSON(out, digits = 10, auto_unbox = TRUE, pretty = TRUE), "\n")
