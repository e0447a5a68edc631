# Values for tests/mixed/test_spread_intervals.py: profile intervals of ML fits by lme4 and ordinal.
#   Rscript spreads.R
suppressPackageStartupMessages({
  library(lme4)
  library(ordinal)
  library(jsonlite)
})
tight <- lmerControl(optimizer = "bobyqa", optCtrl = list(rhoend = 1e-9))
limits <- function(r) list(low = unname(r[, 1]), high = unname(r[, 2]))
intervals <- function(formula, name, keep = TRUE) {
  d <- read.csv(paste0("data/", name, ".csv"))
  m <- lmer(formula, data = d, REML = FALSE, control = tight)
  limits(confint(profile(m, which = "theta_"), parm = "theta_")[keep, ])
}
herds <- glmer(case ~ period + (1 | herd), read.csv("data/cbpp.csv"), binomial,
               control = glmerControl(optimizer = "bobyqa", optCtrl = list(rhoend = 1e-9)))
wine <- read.csv("data/wine.csv")
wine$rating <- factor(wine$rating, ordered = TRUE)
wine$judge <- factor(wine$judge)
judges <- clmm2(rating ~ temp + contact, random = judge, data = wine, Hess = TRUE, nAGQ = 1,
                control = clmm2.control(grtol = 1e-7))
out <- list(
  versions = list(r = R.version.string, lme4 = as.character(packageVersion("lme4")),
                  ordinal = as.character(packageVersion("ordinal"))),
  dyestuff = intervals(yield_ ~ 1 + (1 | batch), "dyestuff"),
  sleepstudy = intervals(reaction ~ days + (days || subject), "sleepstudy"),
  correlated = intervals(reaction ~ days + (days | subject), "sleepstudy", c(1, 3, 4)),
  penicillin = intervals(diameter ~ 1 + (1 | plate) + (1 | sample), "penicillin"),
  cbpp = limits(confint(profile(herds, which = "theta_"), parm = "theta_")),
  wine = limits(confint(profile(judges, range = c(0.2, 4), nSteps = 60))))
writeLines(toJSON(out, auto_unbox = TRUE, digits = NA, pretty = TRUE), "spreads.json")
