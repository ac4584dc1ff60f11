# Power of the two-sided t-test, P(|T| > t_{1-a/2, df}) with T noncentral, by R alone.
#
#   Rscript tests/reference/make_noncentral_t.R > tests/reference/noncentral_t.json
#
# Both tails by `pt`; beyond 37.62, where `pt` turns to an approximation, by `integrate` over the law
# of the estimated standard error. Package: jsonlite.
suppressMessages(library(jsonlite))
told <- function(confidence, df, ncp) {
  limit <- qt(0.5 + confidence / 2, df)
  if (ncp < 37.62) return(pt(limit, df, ncp, lower.tail = FALSE) + pt(-limit, df, ncp))
  # Given s / sigma = r. Cut where the tail in question changes.
  given <- function(r) 2 * df * r * dchisq(df * r^2, df) *
    (pnorm(limit * r - ncp, lower.tail = FALSE) + pnorm(-limit * r - ncp))
  cuts <- sort(unique(c(0, 0.5, 1, 1.5, ncp / limit + seq(-8, 8, 2) / limit, 8)))
  cuts <- cuts[cuts >= 0]
  parts <- mapply(function(a, b) integrate(given, a, b, rel.tol = 1e-12)$value,
                  head(cuts, -1), tail(cuts, -1))
  sum(parts)
}
grid <- expand.grid(ncp = c(0, 0.5, 1, 2, 4, 8, 15, 25, 37, 40),
                    df = c(1, 2, 3, 5, 8, 12.5, 20, 50, 120, 200), confidence = c(0.95, 0.99))
grid$power <- mapply(told, grid$confidence, grid$df, grid$ncp)
cat(toJSON(list(versions = list(R = as.character(getRversion())), columns = names(grid),
                rows = as.matrix(grid)), digits = NA, auto_unbox = TRUE), "\n")
