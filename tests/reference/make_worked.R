# Other programs' answers behind notebooks/worked/{small_split_plots,incomplete_blocks,growth_and_covariates,
# counts_and_scores}.ipynb: figures of kind "ours" there, and those that bear out ours where an older search stopped
# early. Rscript tests/reference/make_worked.R, in the top folder.
suppressPackageStartupMessages({library(lme4); library(lmerTest); library(pbkrtest); library(glmmTMB)})
for (name in c("lme4", "lmerTest", "pbkrtest", "glmmTMB"))
  cat(name, as.character(packageVersion(name)), "\n")
worked <- function(name) read.csv(file.path("notebooks", "worked", name), check.names = FALSE)

data(beets, package = "pbkrtest")
for (response in c("sugpct", "yield")) {
  model <- function(fixed) lme4::lmer(as.formula(paste(response, "~", fixed, "+ (1 | block:harvest)")), beets)
  full <- model("block + sow + harvest")
  for (rest in c("sow + harvest", "block + sow"))
    print(KRmodcomp(full, model(rest))$test["Ftest", ], digits = 6)
}

grass <- data.frame(
  block = gl(4, 6), cult = gl(2, 3, 24, c("a", "b")), inoc = gl(3, 1, 24, c("con", "dea", "liv")),
  weight = c(27.4, 29.7, 34.5, 29.4, 32.5, 34.4, 28.9, 28.7, 33.4, 28.7, 32.4, 36.4,
             28.6, 29.7, 32.9, 27.2, 29.1, 32.6, 26.7, 28.9, 31.8, 26.8, 28.6, 30.7))
sums <- list(cult = "contr.sum", inoc = "contr.sum")
fit <- lmerTest::lmer(weight ~ cult * inoc + (1 | block / cult), grass[-(1:3), ], contrasts = sums)
print(anova(fit, ddf = "Kenward-Roger"), digits = 6)

oats <- lme4::lmer(yield ~ 0 + gen + rep + (1 | rep:block), worked("oats_alpha.csv"))
print(anova(oats)[, "F value"], digits = 8)
print(head(fixef(oats)), digits = 8)

rates <- reshape(worked("heart_rates.csv"), direction = "long", varying = list(4:8), v.names = "rate",
                 times = as.numeric(names(worked("heart_rates.csv"))[4:8]))
fine <- lmerControl(optimizer = "bobyqa", optCtrl = list(rhoend = 1e-9))
print(VarCorr(lme4::lmer(rate ~ time * drug + before + (time | patient), rates, REML = FALSE, control = fine)),
      digits = 6)

worms <- data.frame(
  row = gl(5, 5), column = gl(5, 1, 25),
  treatment = strsplit("PONKMMKONPOMKPNNPMOKKNPMO", "")[[1]],
  count = c(3, 2, 5, 1, 4, 6, 0, 6, 4, 4, 4, 9, 1, 6, 5, 17, 8, 8, 9, 0, 4, 4, 2, 4, 8))
fine <- glmerControl(tolPwrss = 1e-13, optimizer = "bobyqa", optCtrl = list(rhoend = 1e-9, maxfun = 1e5))
formula <- count ~ treatment - 1 + (1 | row) + (1 | column)
tight <- glmer(formula, worms, poisson, control = fine)
print(summary(tight)$coefficients[, 1:2], digits = 7)
print(summary(glmmTMB(formula, worms, poisson))$coefficients$cond[, 1:2], digits = 7)

tight <- glmer(cbind(incidence, size - incidence) ~ period + (1 | herd) + (1 | row),
               transform(cbpp, row = factor(seq_along(herd))), binomial, control = fine)
print(fixef(tight), digits = 7)
print(VarCorr(tight), digits = 7)
