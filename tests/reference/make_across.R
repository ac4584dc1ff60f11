# One model over many trials by lme4 and pbkrtest: tests/test_across.py.
#
#   Rscript tests/reference/make_across.R tests/reference/across.json
#
# Sixteen trials of one to three fields, three pairs of strips each, four strips lost; yields, so
# that both sides have the same likelihood. Packages: lme4, pbkrtest, jsonlite (versions are written
# into the file).

suppressPackageStartupMessages({library(lme4); library(pbkrtest); library(jsonlite)})
set.seed(17)
tight <- lmerControl(optimizer = "bobyqa", calc.derivs = FALSE,
                     optCtrl = list(rhoend = 1e-10, maxfun = 1e5))
fields <- do.call(rbind, lapply(1:16, function(t) data.frame(trial = t, f = seq_len(1 + t %% 3))))
fields$field <- seq_len(nrow(fields))
fields$hybrid <- sample(6, nrow(fields), TRUE)
fields$moisture <- round(runif(nrow(fields), 16, 24), 1)
rows <- merge(fields, expand.grid(p = 1:3, s = 0:1))
rows <- rows[order(rows$field, rows$p, rows$s), ]
rows <- rows[-sample(nrow(rows), 4), ]
n <- nrow(fields)
rows$pair <- (rows$field - 1) * 3 + rows$p
c0 <- rows$s - 0.5
rows$value <- round(11000 + rnorm(16, 0, 400)[rows$trial] + rnorm(n, 0, 300)[rows$field] +
  rnorm(6, 0, 350)[rows$hybrid] + rnorm(3 * n, 0, 150)[rows$pair] + 40 * (rows$moisture - 20) +
  c0 * (250 + rnorm(16, 0, 180)[rows$trial] + rnorm(n, 0, 160)[rows$field]) +
  rnorm(nrow(rows), 0, 120), 1)
rows$c <- c0 * sqrt(2)
rows$setup <- factor(rows$s, labels = c("old", "new"))
rows$m <- rows$moisture - mean(rows$moisture)

base <- value ~ setup + (1 | trial) + (0 + c | trial) + (1 | field) + (0 + c | field) + (1 | pair)
fit <- lmer(base, rows, control = tight)
damp <- lmer(update(base, . ~ . + m), rows, control = tight)
hybrid <- lmer(update(base, . ~ . + (1 | hybrid)), rows, control = tight)
own <- KRmodcomp(fit, matrix(c(0, 1), 1))
slope <- KRmodcomp(damp, matrix(c(0, 0, 1), 1))
sds <- as.data.frame(VarCorr(fit))
sd_of <- function(unit) sqrt(2) * sds$sdcor[grepl(unit, sds$grp) & sds$var1 %in% "c"]
out <- list(
  versions = as.list(sapply(c("lme4", "pbkrtest"), function(p) as.character(packageVersion(p)))),
  rows = rows[c("trial", "field", "pair", "setup", "hybrid", "moisture", "value")],
  effect = list(estimate = fixef(fit)[[2]], se = sqrt(vcovAdj(fit)[2, 2]),
                df = own$stats$ddf, sd_trial = sd_of("trial"), sd_field = sd_of("field"),
                loglik = as.numeric(logLik(fit))),
  moisture = list(slope = fixef(damp)[[3]], statistic = slope$stats$Fstat,
                  den_df = slope$stats$ddf, p = slope$stats$p.value),
  hybrid = list(statistic = 2 * as.numeric(logLik(hybrid) - logLik(fit)))
)
write_json(out, commandArgs(trailingOnly = TRUE)[1], digits = 12, auto_unbox = TRUE,
           dataframe = "columns")
