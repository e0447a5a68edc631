# Group sequential boundaries by R's ldbounds package (Casper, Cook & Perez, after the FORTRAN
# program of Reboussin, DeMets, Kim & Lan 2000, Controlled Clinical Trials 21:190-207), and
# multivariate normal rectangle probabilities by mvtnorm. Writes boundaries.json.
# Run here:  Rscript boundaries.R
suppressPackageStartupMessages({
  library(ldbounds)
  library(mvtnorm)
  library(jsonlite)
})
case <- function(time, information, alpha, kind) {
  b <- ldBounds(time, t2 = information, iuse = if (kind == "pocock") 2 else 1,
                alpha = alpha, sides = 2)
  list(time = I(time), information = I(information), alpha = alpha, kind = kind,
       z = I(b$upper.bounds), spent = I(b$exit.pr))
}
k5 <- (1:5) / 5
k20 <- (1:20) / 20
level <- 1 / (0.02 + 0.05 / (1:20))          # information that levels off
uneven <- c(0.13, 0.4, 0.69, 0.9, 0.98, 1)
cases <- list(
  case(k5, k5, 0.05, "obrien-fleming"), case(k5, k5, 0.05, "pocock"),
  case(k20, k20, 0.05, "obrien-fleming"), case(k20, k20, 0.01, "obrien-fleming"),
  case(uneven, uneven, 0.05, "obrien-fleming"), case(uneven, uneven, 0.05, "pocock"),
  case(k20, level / max(level), 0.05, "obrien-fleming"),
  case(c(0.25, 0.5, 0.75), c(0.3, 0.45, 0.9), 0.05, "obrien-fleming"))
inside <- function(information, z) {
  k <- length(z)
  s <- outer(1:k, 1:k, function(i, j) sqrt(pmin(information[i], information[j]) /
                                           pmax(information[i], information[j])))
  as.numeric(pmvnorm(-z, z, sigma = s, algorithm = GenzBretz(maxpts = 5e6, abseps = 1e-7)))
}
set.seed(20)
rectangles <- lapply(list(
  list(information = c(1, 2, 3, 4), z = c(2.5, 2.4, 2.3, 2.2)),
  list(information = c(1, 1.5, 4, 4.2, 9), z = c(2.8, 2.2, 2.6, 2.0, 2.1)),
  list(information = level[c(1, 3, 6, 10, 15, 20)], z = rep(2.2, 6))),
  function(one) list(information = I(one$information), z = I(one$z),
                     inside = inside(one$information, one$z)))
writeLines(toJSON(list(
  versions = list(R = paste(R.version$major, R.version$minor, sep = "."),
                  ldbounds = as.character(packageVersion("ldbounds")),
                  mvtnorm = as.character(packageVersion("mvtnorm"))),
  cases = cases, rectangles = rectangles), digits = 9, auto_unbox = TRUE, pretty = 1),
  "boundaries.json")
