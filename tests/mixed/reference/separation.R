# Values for tests/mixed/test_separation.py: profile likelihoods of a level that has nothing.
#   Rscript separation.R
# salamanders.csv with every count of species GP set to zero; wine.csv with every rating of one
# bottle pair (cold, contact no) set to 1: the public data otherwise as they are.
suppressPackageStartupMessages({
  library(glmmTMB)
  library(ordinal)
  library(jsonlite)
})
wanted <- -2 * log(0.025)   # the exact conditional limit's fall of -2 log likelihood
s <- read.csv("data/salamanders.csv")
s$count[s$species == "GP"] <- 0
s$gp <- as.numeric(s$species == "GP")
s$rest <- factor(ifelse(s$species == "GP", "DES_L", s$species))
limit <- function(value, least, low, high) {
  uniroot(function(x) value(x) - least - wanted, c(low, high), tol = 1e-7)$root
}
counts <- function(family) {
  without <- glmmTMB(count ~ rest + mined + (1 | site), data = s[s$gp == 0, ], family = family)
  held <- function(x) {
    s$held <- x * s$gp
    f <- glmmTMB(count ~ rest + mined + (1 | site) + offset(held), data = s, family = family)
    -2 * as.numeric(logLik(f))
  }
  least <- -2 * as.numeric(logLik(without))
  at <- c(-6, -4, -3, 0)
  list(least = least, at = at, held = sapply(at, held), limit = limit(held, least, -8, 0))
}
d <- read.csv("data/wine.csv")
d$cell <- paste(d$temp, d$contact)
d$rating[d$cell == "cold no"] <- 1
d$score <- factor(d$rating, ordered = TRUE)
d$own <- as.numeric(d$cell == "cold no")
d$rest <- factor(ifelse(d$own == 1, "cold yes", d$cell))
scores <- function() {
  without <- clm(score ~ rest, data = d[d$own == 0, ])
  held <- function(x) {
    d$held <- x * d$own
    -2 * as.numeric(logLik(clm(score ~ rest + offset(held), data = d)))
  }
  least <- -2 * as.numeric(logLik(without))
  at <- c(-6, -4, -2, 0)
  list(least = least, at = at, held = sapply(at, held), limit = limit(held, least, -10, 0))
}
out <- list(
  versions = list(r = R.version.string, glmmTMB = as.character(packageVersion("glmmTMB")),
                  ordinal = as.character(packageVersion("ordinal"))),
  poisson = counts(poisson), negative_binomial = counts(nbinom2), ordered = scores()
)
writeLines(toJSON(out, auto_unbox = TRUE, digits = NA, pretty = TRUE), "separation.json")
