# Replicates above incomplete blocks, and rows and columns within replicates: see
# ../test_replicates.py.
#   python ../test_replicates.py; Rscript replicates.R
suppressPackageStartupMessages({library(lme4); library(lmerTest); library(glmmTMB)
                                library(jsonlite)})
plain <- function(m, ref) {
  b <- fixef(m); at <- grep("^variety", names(b))
  a <- anova(m, ddf = "Kenward-Roger")["variety", ]
  sds <- sapply(VarCorr(m), function(one) attr(one, "stddev")[[1]])
  names(sds) <- sub("replicate:", "", names(sds))
  list(against = ref,
       difference = setNames(as.list(unname(b[at])), sub("^variety", "", names(b)[at])),
       se = unname(sqrt(diag(as.matrix(vcov(m))))[at]), F = a[["F value"]], den_df = a[["DenDF"]],
       sd = as.list(sds), residual = sigma(m))
}
factors <- function(d) {
  for (n in setdiff(names(d), c("yield", "pods", "log_days"))) d[[n]] <- factor(d[[n]])
  d
}
alpha <- lmer(yield ~ variety + replicate + (1 | replicate:block),
              factors(read.csv("john_alpha.csv")))
rows <- lmer(yield ~ variety + replicate + (1 | replicate:row) + (1 | replicate:column),
             factors(read.csv("kempton_rowcol.csv")))
g <- glmmTMB(pods ~ variety + replicate + offset(log_days) + (1 | block) + (1 | unit) +
               (1 | plant) + (1 | pick), factors(read.csv("replicates.csv")), family = nbinom2,
             REML = TRUE)
b <- fixef(g)$cond; at <- grep("^variety", names(b))
counts <- list(variety = sub("^variety", "", names(b)[at]), log_ratio = unname(b[at]),
               se = unname(sqrt(diag(vcov(g)$cond))[at]),
               sd = as.list(sapply(VarCorr(g)$cond, function(one) attr(one, "stddev")[[1]])))
write(toJSON(list(R = R.version.string, lme4 = as.character(packageVersion("lme4")),
                  glmmTMB = as.character(packageVersion("glmmTMB")), alpha = plain(alpha, "G01"),
                  rows = plain(rows, "G01"), counts = counts),
             digits = 10, auto_unbox = TRUE, pretty = TRUE), "replicates.json")
