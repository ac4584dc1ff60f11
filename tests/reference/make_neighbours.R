# Fits of strips whose neighbours are alike, for tests/test_neighbours.py:
#   Rscript tests/reference/make_neighbours.R > tests/reference/neighbours.json
# R 4.2, nlme 3.1-162. Drawn strips of two fields, two of them lost.
suppressMessages(library(nlme))
set.seed(7)
d <- expand.grid(place = 1:12, field = c("N", "S"), stringsAsFactors = FALSE)
d$pair <- paste(d$field, (d$place + 1) %/% 2)
d$setup <- unlist(lapply(unique(d$pair), function(p) sample(c("a", "b"))))
noise <- unlist(lapply(1:2, function(i) as.numeric(arima.sim(list(ar = 0.6), 12))))
d$z <- round(0.3 * (d$setup == "b") + 0.4 * noise + 0.5 * (d$field == "S"), 4)
d <- d[-c(5, 17), ]
like <- corAR1(form = ~ place | field)
one <- gls(z ~ setup + field, d, correlation = like, method = "REML",
           control = glsControl(tolerance = 1e-10, msTol = 1e-12))
two <- lme(z ~ setup, d, random = ~ 1 | field, correlation = like, method = "REML",
           control = lmeControl(tolerance = 1e-10, msTol = 1e-12))
told <- function(m, b) sprintf(
  '{"estimate": [%s], "se": [%s], "phi": %.10f, "sigma": %.10f, "loglik": %.10f}',
  paste(sprintf("%.10f", b[1:2]), collapse = ", "),
  paste(sprintf("%.10f", sqrt(diag(vcov(m)))[1:2]), collapse = ", "),
  coef(m$modelStruct$corStruct, unconstrained = FALSE), m$sigma, as.numeric(logLik(m)))
words <- function(x) paste0('["', paste(x, collapse = '", "'), '"]')
cat(sprintf('{"data": {"place": [%s], "field": %s, "pair": %s, "setup": %s, "z": [%s]},\n',
            paste(d$place, collapse = ", "), words(d$field), words(d$pair), words(d$setup),
            paste(d$z, collapse = ", ")))
cat(sprintf('"gls": %s,\n"lme": %s}\n', told(one, coef(one)), told(two, fixef(two))))
