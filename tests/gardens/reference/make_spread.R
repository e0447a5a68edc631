# Profile intervals of the spreads of two count models, from glmmTMB with REML.
# Reads tests/mixed/reference/data, writes spread.json.  Run from this folder:
#   Rscript make_spread.R     (R 4.2.2, glmmTMB, jsonlite; about a minute)
suppressPackageStartupMessages({
  library(glmmTMB)
  library(jsonlite)
})
data_of <- function(name) read.csv(file.path("../../mixed/reference/data", paste0(name, ".csv")))

# Where -2 log likelihood has risen by the 95 % point of chi-squared on one degree of freedom as
# one log standard deviation is held and all else fitted again (glmmTMB's own profiles are not
# for REML).
intervals <- function(fit, groups) {
  best <- -2 * as.numeric(logLik(fit))
  theta <- fit$fit$par[names(fit$fit$par) == "theta"]
  rise <- function(i, sd) {
    start <- theta
    start[i] <- log(sd)
    held <- seq_along(theta)
    held[i] <- NA
    again <- suppressWarnings(update(fit, start = list(theta = start),
                                     map = list(theta = factor(held))))
    -2 * as.numeric(logLik(again)) - best - qchisq(0.95, 1)
  }
  out <- lapply(seq_along(groups), function(i) {
    sd <- exp(theta[i])
    low <- if (rise(i, 1e-3) < 0) 0 else
      uniroot(function(x) rise(i, x), c(1e-3, sd), tol = 1e-4)$root
    high <- uniroot(function(x) rise(i, x), c(sd, 4 * sd), tol = 1e-4)$root
    c(low, high)
  })
  names(out) <- groups
  out
}

told <- function(fit, groups) {
  sds <- sapply(groups, function(g) as.numeric(attr(VarCorr(fit)$cond[[g]], "stddev")))
  list(sd = as.list(sds), limits = intervals(fit, groups), size = sigma(fit))
}

owls <- data_of("owls")
a <- glmmTMB(calls ~ food * parent + offset(log_brood) + (1 | nest), owls, family = nbinom2,
             REML = TRUE)
ticks <- data_of("grouseticks")
b <- glmmTMB(ticks ~ year + height100 + (1 | brood) + (1 | location), ticks, family = nbinom2,
             REML = TRUE)
# The variance of the log size: from the inverse Hessian over all but the fixed effects.
variance <- function(fit) {
  v <- fit$sdr$cov.fixed
  at <- grep("betad", rownames(v))
  v[at[1], at[1]]
}
out <- list(
  made_with = paste(R.version.string, "glmmTMB", packageVersion("glmmTMB")),
  owls = c(told(a, "nest"), log_size_variance = variance(a)),
  grouseticks = c(told(b, c("brood", "location")), log_size_variance = variance(b))
)
write_json(out, "spread.json", auto_unbox = TRUE, digits = 10, pretty = TRUE)
