# Count models of Latin squares by glmmTMB: see ../test_square.py.
#   python ../test_square.py; Rscript square.R
suppressPackageStartupMessages({library(glmmTMB); library(jsonlite)})
told <- function(fit, ref) {
  b <- fixef(fit)$cond; v <- vcov(fit)$cond
  at <- grep("^variety", names(b))
  sds <- sapply(VarCorr(fit)$cond, function(one) attr(one, "stddev")[[1]])
  list(against = ref, variety = sub("^variety", "", names(b)[at]), log_ratio = unname(b[at]),
       se = unname(sqrt(diag(v))[at]), sd = as.list(sds))
}
worms <- read.csv("wireworms.csv")
worms$variety <- relevel(factor(worms$variety), "P")
m <- glmmTMB(count ~ variety + (1 | row) + (1 | column), worms, family = nbinom2, REML = TRUE)
s <- read.csv("square.csv")
g <- glmmTMB(pods ~ variety + offset(log_days) + (1 | bed_row) + (1 | bed_column) + (1 | unit) +
               (1 | plant) + (1 | pick), s, family = nbinom2, REML = TRUE)
write(toJSON(list(R = R.version.string, glmmTMB = as.character(packageVersion("glmmTMB")),
                  wireworms = told(m, "P"), square = told(g, "A")),
             digits = 10, auto_unbox = TRUE, pretty = TRUE), "square.json")
