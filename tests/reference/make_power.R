# Power of a trial of three gaps on several fields, by simulation with R alone.
#
#   Rscript tests/reference/make_power.R > tests/reference/power.json   (four minutes)
#
# The truth is drawn here from its description, not by this project: loose kernels behind the header
# are Poisson about loss x ratio x exp(effects), loss the mean over the trial (kg/ha at 0.3 g a
# kernel), effects of fields, of every setup in every field, of blocks, strips and frames normal.
# So many kernels are counted that the chance of counting is small. Frames' logarithms go to lmer
# with the same levels; contrasts against the reference by Kenward and Roger's test (pbkrtest), and
# Holm's adjustment for two.
suppressMessages({library(lme4); library(pbkrtest); library(jsonlite)})
set.seed(20240611)
rounds <- as.integer(Sys.getenv("ROUNDS", "1200"))
fields <- 5; blocks <- 2; frames <- 2; area <- 20
loss <- 62.77; kernel <- 0.3e-3 * 1e4          # kg/ha; kg/ha of one kernel on a square metre
sd <- list(field = 0.34, by_field = 0.10, pair = 0.12, strip = 0.12, frame = 0.20)
ratio <- c(a = 1, b = 0.8, c = 0.65)
d <- expand.grid(frame = 1:frames, gap = names(ratio), block = 1:blocks, field = 1:fields)
d$field <- factor(d$field); d$fb <- interaction(d$field, d$block, drop = TRUE)
d$fg <- interaction(d$field, d$gap, drop = TRUE)
d$strip <- interaction(d$fb, d$gap, drop = TRUE)
typical <- loss / kernel / exp((sd$field^2 + sd$by_field^2 + sd$pair^2 + sd$strip^2 + sd$frame^2) / 2)
effect <- function(f, s) rnorm(nlevels(f), 0, s)[as.integer(f)]
one <- function(i) {
  eta <- log(typical * ratio[as.character(d$gap)]) + effect(d$field, sd$field) +
    effect(d$fg, sd$by_field) + effect(d$fb, sd$pair) + effect(d$strip, sd$strip) +
    rnorm(nrow(d), 0, sd$frame)
  d$y <- log(rpois(nrow(d), area * exp(eta)))
  fit <- suppressWarnings(suppressMessages(
    lmer(y ~ gap + (1 | field) + (1 | fg) + (1 | fb) + (1 | strip), d)))
  v <- vcovAdj(fit); plain <- vcov(fit)
  told <- sapply(2:3, function(k) {
    l <- replace(numeric(3), k, 1)
    t <- fixef(fit)[k] / sqrt(v[k, k]); df <- Lb_ddf(l, plain, v)
    c(p = 2 * pt(-abs(unname(t)), df), se = sqrt(v[k, k]), df = df)
  })
  c(told["p", ], p.adjust(told["p", ], "holm"), told["se", ], told["df", ])
}
out <- t(sapply(seq_len(rounds), one))
cat(toJSON(list(
  R = as.character(getRversion()), lme4 = as.character(packageVersion("lme4")),
  pbkrtest = as.character(packageVersion("pbkrtest")), rounds = rounds,
  fields = fields, blocks = blocks, frames = frames, area = area, loss = loss, sd = sd,
  ratio = as.list(ratio), power = colMeans(out[, 3:4] < 0.05), single = colMeans(out[, 1:2] < 0.05),
  se = sqrt(colMeans(out[, 5:6]^2)), df = apply(out[, 7:8], 2, median)
), auto_unbox = TRUE, digits = 6, pretty = TRUE))
