# Values for tests/models/test_grading.py: cumulative link models by R's ordinal.
#   Rscript wine.R
# wine: bitterness of wine (Randall 1989, Biom. J. 31:247), as in the package ordinal.
suppressPackageStartupMessages({
  library(ordinal)
  library(jsonlite)
})
data(wine)
one <- function(factors) {
  d <- wine
  d$treatment <- factor(apply(d[factors], 1, paste, collapse = " "))
  fit <- clm(rating ~ treatment + judge, data = d)
  none <- clm(rating ~ judge, data = d)
  own <- clm(rating ~ judge, nominal = ~treatment, data = d)
  at <- grep("^treatment", names(coef(fit)))
  names <- sub("treatment", "", names(coef(fit))[at])
  list(effects = as.list(setNames(coef(fit)[at], names)),
       se = as.list(setNames(sqrt(diag(vcov(fit)))[at], names)),
       none = 2 * as.numeric(logLik(fit) - logLik(none)),
       proportional = 2 * as.numeric(logLik(own) - logLik(fit)))
}
out <- list(versions = list(r = R.version.string, ordinal = as.character(packageVersion("ordinal"))),
            temp = one("temp"), temp_contact = one(c("temp", "contact")))
writeLines(toJSON(out, auto_unbox = TRUE, digits = NA, pretty = TRUE), "wine.json")
