# Two gardens of the same three varieties in three blocks each, which agree: reference values.
# Rscript make_two_gardens.R > two_gardens.json
# The plots are made here (set.seed), so that they belong to nobody.
suppressMessages({library(lme4); library(emmeans); library(pbkrtest)})
set.seed(14)
d <- expand.grid(block = 1:3, variety = c("V0", "V1", "V2"), garden = c("A", "B"))
level <- c(V0 = 60, V1 = 72, V2 = 65)
repeat {  # the first draw that disagrees less than its plots do
  d$y <- round(level[as.character(d$variety)] + ifelse(d$garden == "B", 9, 0) +
               rep(rnorm(6, 0, 4), each = 1)[(as.integer(d$garden) - 1) * 3 + d$block] +
               rnorm(nrow(d), 0, 4), 1)
  d$at <- interaction(d$garden, d$block)
  mixed <- suppressMessages(lmer(y ~ variety + garden + (1 | at) + (1 | garden:variety), d))
  if (VarCorr(mixed)$`garden:variety`[1] < 1e-8) break
}
plain <- lm(y ~ variety + at, d)
told <- summary(contrast(emmeans(plain, "variety"), "trt.vs.ctrl", ref = 1), infer = TRUE)
own <- lapply(split(d, d$garden), function(g) {
  fit <- lm(y ~ variety + factor(block), g)
  list(mean = as.numeric(tapply(g$y, g$variety, mean)), s2 = summary(fit)$sigma^2,
       df = fit$df.residual)
})
cat(jsonlite::toJSON(list(
  R = R.version.string, versions = list(lme4 = as.character(packageVersion("lme4")),
                                        emmeans = as.character(packageVersion("emmeans"))),
  variance = VarCorr(mixed)$`garden:variety`[1], gardens = own,
  contrast = as.character(told$contrast), estimate = told$estimate, se = told$SE, df = told$df,
  low = told$lower.CL, high = told$upper.CL), auto_unbox = TRUE, digits = 10, pretty = TRUE))
