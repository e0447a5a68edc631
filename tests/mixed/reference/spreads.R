# Values for tests/mixed/test_spread_intervals.py: lme4's profile intervals of ML fits.
#   Rscript spreads.R
suppressPackageStartupMessages({
  library(lme4)
  library(jsonlite)
})
tight <- lmerControl(optimizer = "bobyqa", optCtrl = list(rhoend = 1e-9))
intervals <- function(formula, name) {
  d <- read.csv(paste0("data/", name, ".csv"))
  m <- lmer(formula, data = d, REML = FALSE, control = tight)
  r <- confint(profile(m, which = "theta_"), parm = "theta_")
  list(low = unname(r[, 1]), high = unname(r[, 2]))
}
out <- list(
  versions = list(r = R.version.string, lme4 = as.character(packageVersion("lme4"))),
  dyestuff = intervals(yield_ ~ 1 + (1 | batch), "dyestuff"),
  sleepstudy = intervals(reaction ~ days + (days || subject), "sleepstudy"),
  penicillin = intervals(diameter ~ 1 + (1 | plate) + (1 | sample), "penicillin"))
writeLines(toJSON(out, auto_unbox = TRUE, digits = NA, pretty = TRUE), "spreads.json")
