# Counts adjusted for a number a plot: see ../test_covariates.py.  R 4.2.2 with glmmTMB, jsonlite.
#   Rscript eelworms.R
# Eelworm cysts before and after fumigation, 48 plots in four blocks: Cochran & Cox 1957, Experimental
# Designs, p. 46; Bailey 2008, Design of Comparative Experiments (R's data package agridat,
# cochran.eelworms; a plot without a dose is an untreated one, whatever its fumigant).
suppressPackageStartupMessages({library(glmmTMB); library(jsonlite)})
d <- read.csv("eelworms.csv")
d$variety <- relevel(factor(d$variety), "Con"); d$block <- factor(d$block)
m <- glmmTMB(final ~ variety + initial + (1 | block), d, family = nbinom2, REML = TRUE)
b <- fixef(m)$cond; se <- sqrt(diag(vcov(m)$cond)); at <- grep("^variety", names(b))
q <- glm(final ~ variety + block + initial, family = quasipoisson, d)
of <- function(x) setNames(as.list(unname(x[at])), sub("^variety", "", names(b)[at]))
write(toJSON(list(log_ratio = of(b), se = of(se), initial = b[["initial"]],
                  totals = of(coef(q)[names(b)[seq_along(b)]])),
             digits = 10, auto_unbox = TRUE, pretty = TRUE), "eelworms.json")
