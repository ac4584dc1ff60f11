# Kenward-Roger tests of small unbalanced designs by pbkrtest, many with a variance estimated at
# zero: tests/mixed/test_small_designs.py.
#
#   Rscript tests/reference/make_small.R ROUNDS tests/reference/small.json
#
# ROUNDS rounds of every design are drawn (3 are kept in the repository). Packages: lme4, pbkrtest,
# jsonlite (versions are written into the file).

suppressPackageStartupMessages({library(lme4); library(pbkrtest); library(jsonlite)})
options(contrasts = c("contr.sum", "contr.poly"))
args <- commandArgs(trailingOnly = TRUE)
tight <- lmerControl(optimizer = "bobyqa", calc.derivs = FALSE, check.conv.singular = "ignore",
                     optCtrl = list(rhoend = 1e-9, maxfun = 1e5))

lay <- function(...) expand.grid(..., stringsAsFactors = TRUE, KEEP.OUT.ATTRS = FALSE)
lose <- function(frame, rows) frame[sort(sample(nrow(frame), nrow(frame) - rows)), ]
code <- function(n, letter) factor(paste0(letter, seq_len(n)))

designs <- list(
  blocks = list(
    frame = function() lose(lay(setup = code(4, "s"), block = code(4, "b")), 2),
    r = y ~ setup + (1 | block), ours = list(fixed = "setup", nested = "block")),
  two_blocks = list(
    frame = function() lose(lay(setup = code(3, "s"), row = 1:2, block = code(2, "b")), 2),
    r = y ~ setup + (1 | block), ours = list(fixed = "setup", nested = "block")),
  split_plot = list(
    frame = function() lose(lay(sub = code(2, "t"), setup = code(3, "s"), block = code(3, "b")), 2),
    r = y ~ setup * sub + (1 | block / setup),
    ours = list(fixed = "setup * sub", nested = c("block", "setup"))),
  subsamples = list(
    frame = function() lose(lay(row = 1:3, setup = code(3, "s"), block = code(3, "b")), 4),
    r = y ~ setup + (1 | block / setup),
    ours = list(fixed = "setup", nested = c("block", "setup"))),
  strips = list(
    frame = function() lose(lay(row = 1:2, sub = code(3, "t"), setup = code(3, "s"),
                                block = code(3, "b")), 5),
    r = y ~ setup * sub + (1 | block) + (1 | block:setup) + (1 | block:sub),
    ours = list(fixed = "setup * sub", nested = c("block", "setup"), crossed = "cross")),
  crossed = list(
    frame = function() {
      square <- lay(column = code(4, "c"), row = code(4, "r"))
      square$setup <- code(4, "s")[(as.integer(square$row) + as.integer(square$column)) %% 4 + 1]
      lose(square, 1)
    },
    r = y ~ setup + (1 | row) + (1 | column),
    ours = list(fixed = "setup", nested = list(), crossed = c("row", "column"))),
  slopes = list(
    frame = function() {
      time <- lay(t = 0:3, unit = code(6, "u"))
      time$setup <- code(2, "s")[as.integer(time$unit) %% 2 + 1]
      lose(time, 3)
    },
    r = y ~ setup * t + (t | unit),
    ours = list(fixed = "setup * t", nested = "unit", slopes = list(unit = "t"))),
  slopes_three = list(
    frame = function() {
      time <- lay(t = c(0, 1, 2, 4), unit = code(7, "u"))
      time$setup <- code(3, "s")[as.integer(time$unit) %% 3 + 1]
      lose(time, 2)
    },
    r = y ~ setup + t + (t | unit),
    ours = list(fixed = "setup + t", nested = "unit", slopes = list(unit = "t"))),
  fields = list(
    frame = function() lose(lay(setup = code(3, "s"), pair = code(2, "p"), field = code(3, "f")), 3),
    r = y ~ setup + (1 | field / pair) + (1 | field:setup),
    ours = list(fixed = "setup", nested = c("field", "pair"), crossed = "cross")))

round_of <- function(name, seed) {
  design <- designs[[name]]
  set.seed(seed)
  frame <- droplevels(design$frame())
  if (identical(design$ours$crossed, "cross")) {
    pair <- if (name == "strips") list(frame$block, frame$sub) else list(frame$field, frame$setup)
    frame$cross <- interaction(pair, sep = "-", drop = TRUE)
  }
  frame$y <- round(rnorm(nrow(frame)), 3)
  nested <- unlist(design$ours$nested)
  for (level in c(nested, unlist(design$ours$crossed))) {
    parents <- if (level %in% nested) nested[seq_len(match(level, nested))] else level
    unit <- interaction(frame[parents], drop = TRUE)
    size <- sample(c(0, 0.3, 1.5), 1)
    frame$y <- round(frame$y + size * rnorm(nlevels(unit))[unit], 3)
  }
  model <- lmer(design$r, frame, control = tight)
  x <- getME(model, "X")
  assign <- attr(x, "assign")
  terms <- attr(terms(model), "term.labels")
  tests <- lapply(setNames(seq_along(terms), terms), function(j) {
    rows <- diag(ncol(x))[assign == j, , drop = FALSE]
    out <- tryCatch(getKR(KRmodcomp(model, rows)), error = function(e) NULL)
    if (is.null(out)) return(NULL)
    list(F = out$Fstat, num_df = out$ndf, den_df = out$ddf, p = out$p.value)
  })
  list(name = paste(name, seed), model = design$ours,
       data = lapply(as.list(frame), function(v) if (is.factor(v)) as.character(v) else v),
       loglik = as.numeric(logLik(model)), zero = isSingular(model, tol = 1e-5), tests = tests)
}

cases <- list()
for (name in names(designs)) for (seed in seq_len(as.integer(args[1])))
  cases[[length(cases) + 1]] <- tryCatch(round_of(name, seed), error = function(e) {
    message(name, " ", seed, ": ", conditionMessage(e)); NULL })
cases <- Filter(Negate(is.null), cases)
packages <- c("lme4", "pbkrtest")
versions <- c(R = as.character(getRversion()),
              sapply(packages, function(p) as.character(packageVersion(p))))
write_json(list(versions = as.list(versions), cases = cases), args[2], digits = 10,
           auto_unbox = TRUE, na = "null", null = "null")
