# Two factors, for tests/models/test_own_traits.py: R 4.2.2 with lme4, lmerTest, emmeans, glmmTMB.
#   Rscript treatments.R
# oats: Yates 1935, as in MASS.  warpbreaks: Tippett 1950, as in R's datasets.
suppressPackageStartupMessages({library(lme4); library(lmerTest); library(pbkrtest)
                                library(emmeans); library(glmmTMB)})
write.csv(warpbreaks, "warpbreaks.csv", row.names = FALSE)
m <- lmer(Y ~ V * N + B + (1 | B:V), MASS::oats)
print(anova(m, ddf = "Kenward-Roger"), digits = 8)
print(summary(contrast(emmeans(m, ~ N | V), list(d = c(-1, 0, 0, 1)))), digits = 8)
g <- glmmTMB(breaks ~ wool * tension, warpbreaks, family = nbinom2, REML = TRUE)
e <- emmeans(g, ~ tension | wool)
print(summary(e), digits = 8)
print(summary(contrast(e, "revpairwise")), digits = 8)
print(joint_tests(g))
