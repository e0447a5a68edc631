# Values for tests/mixed/test_ordered.py: cumulative link models by R's ordinal.
#   Rscript ordered.R
# wine: bitterness of wine (Randall 1989, Biom. J. 31:247), as in the package ordinal.
suppressPackageStartupMessages({
  library(ordinal)
  library(jsonlite)
})
data(wine)
d <- data.frame(rating = as.integer(wine$rating), temp = wine$temp, contact = wine$contact,
                judge = wine$judge, bottle = wine$bottle)
write.csv(d, "data/wine.csv", row.names = FALSE, quote = FALSE)
fixed <- function(link) {
  fit <- clm(rating ~ temp + contact, data = wine, link = link, gradTol = 1e-10)
  own <- list(temp = clm(rating ~ contact, nominal = ~temp, data = wine, link = link),
              contact = clm(rating ~ temp, nominal = ~contact, data = wine, link = link))
  list(log_likelihood = as.numeric(logLik(fit)), coefficients = as.list(coef(fit)),
       se = unname(sqrt(diag(vcov(fit)))),
       proportional = lapply(own, function(o) 2 * as.numeric(logLik(o) - logLik(fit))))
}
mixed <- function(formula, link, nodes) {
  fit <- clmm(formula, data = wine, link = link, nAGQ = nodes)
  list(log_likelihood = as.numeric(logLik(fit)), coefficients = as.list(coef(fit)),
       sd = lapply(fit$ST, function(s) s[1, 1]),
       se = unname(sqrt(diag(vcov(fit)))[seq_along(coef(fit))]))
}
out <- list(
  versions = list(r = R.version.string, ordinal = as.character(packageVersion("ordinal"))),
  fixed_logit = fixed("logit"), fixed_probit = fixed("probit"),
  judge_logit = mixed(rating ~ temp + contact + (1 | judge), "logit", 1),
  judge_logit_10 = mixed(rating ~ temp + contact + (1 | judge), "logit", 10),
  judge_probit = mixed(rating ~ temp + contact + (1 | judge), "probit", 1),
  judge_bottle_probit = mixed(rating ~ temp + contact + (1 | judge) + (1 | bottle), "probit", 1)
)
writeLines(toJSON(out, auto_unbox = TRUE, digits = NA, pretty = TRUE), "ordered.json")
