# Values for tests/mixed/test_inference_against_r.py: lme4, lmerTest, pbkrtest, emmeans.
#   Rscript inference.R
suppressPackageStartupMessages({
  library(lme4)
  library(lmerTest)
  library(pbkrtest)
  library(emmeans)
  library(jsonlite)
})
read <- function(name) read.csv(paste0("data/", name, ".csv"), stringsAsFactors = TRUE)
tight <- lmerControl(optimizer = "bobyqa", optCtrl = list(rhoend = 1e-9))
d <- read("sleepstudy")
fit <- function(formula, reml) lmer(formula, data = d, REML = reml, control = tight)
whole <- reaction ~ days + (days | subject)
apart <- reaction ~ days + (days || subject)
plain <- reaction ~ days + (1 | subject)
row <- function(m) list(log_likelihood = as.numeric(logLik(m)), aic = AIC(m), bic = BIC(m))
ml <- lapply(list(whole = whole, apart = apart, plain = plain), fit, reml = FALSE)
tests <- anova(ml$plain, ml$apart, ml$whole)
u <- fit(apart, TRUE)
errors <- function(m, g) {
  b <- ranef(m, condVar = TRUE)[[g]]
  v <- attr(b, "postVar")
  if (is.list(v)) return(unname(sapply(v, function(x) sqrt(x[1, 1, ]))))
  t(apply(v, 3, function(x) sqrt(diag(as.matrix(x)))))
}
s <- as.data.frame(VarCorr(u))
kr <- sqrt(diag(as.matrix(vcovAdj(u))))
uncorrelated <- list(
  objective = as.numeric(-2 * logLik(u)), sd = s$sdcor, fixed = unname(fixef(u)),
  se_kr = unname(kr), df_kr = c(Lb_ddf(c(1, 0), vcov(u), vcovAdj(u)),
                                Lb_ddf(c(0, 1), vcov(u), vcovAdj(u))),
  df_satterthwaite = c(contest1D(u, c(1, 0))$df, contest1D(u, c(0, 1))$df))
o <- read("orthodont")
growth <- lmer(distance ~ age * sex + (1 | subject), data = o, control = tight)
trends <- as.data.frame(emtrends(growth, ~sex, var = "age", lmer.df = "kenward-roger"))
curve <- lmer(distance ~ poly(age, 2) * sex + (1 | subject), data = o, control = tight)
at_ten <- as.data.frame(emtrends(curve, ~sex, var = "age", at = list(age = 10),
                                 delta.var = 1e-4, lmer.df = "kenward-roger"))
f <- read("oats")
f$nitro <- factor(f$nitro)
split <- lmer(yield_ ~ nitro * variety + (1 | block/variety), data = f, control = tight)
g <- emmeans(split, ~nitro, lmer.df = "kenward-roger")
custom <- as.data.frame(contrast(g, list(linear = c(-3, -1, 1, 3), rest = c(-1, 1, 1, 1) / c(1, 3, 3, 3))))
cells <- emmeans(split, ~ nitro:variety, lmer.df = "kenward-roger")
pairs <- as.data.frame(pairs(cells))
cb <- read("cbpp")
b <- glmer(case ~ period + (1 | herd), data = cb, family = binomial,
           control = glmerControl(optimizer = "bobyqa", optCtrl = list(rhoend = 1e-9)))
out <- list(
  versions = list(r = R.version.string, lme4 = as.character(packageVersion("lme4")),
                  emmeans = as.character(packageVersion("emmeans"))),
  sleepstudy = list(whole = row(ml$whole), apart = row(ml$apart), plain = row(ml$plain),
                    statistic = tests$Chisq[-1], p = tests$`Pr(>Chisq)`[-1],
                    condsd_whole = errors(fit(whole, TRUE), "subject"),
                    condsd_apart = errors(u, "subject")),
  uncorrelated = uncorrelated, trends = trends, at_ten = at_ten, custom = custom,
  pairs = list(contrast = pairs$contrast, estimate = pairs$estimate, se = pairs$SE, df = pairs$df,
               p = pairs$p.value),
  cbpp = list(sd = sqrt(unlist(VarCorr(b))), condsd = errors(b, "herd"),
              effects = ranef(b)$herd[, 1])
)
writeLines(toJSON(out, auto_unbox = TRUE, digits = NA, pretty = TRUE), "inference.json")
