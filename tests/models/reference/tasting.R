# Values for tests/models/test_tasting.py (printed; copied into tasting.json).
# wine: bitterness of wine (Randall 1989, Biom. J. 31:247), as in the package ordinal.
# ham: 81 consumers' liking of 4 hams, each twice, as in the package lmerTest.
suppressPackageStartupMessages({library(ordinal); library(lmerTest); library(emmeans)})
data(wine)
wine$treatment <- factor(paste(wine$temp, wine$contact))
full <- clmm(rating ~ treatment + (1 | judge), data = wine)
none <- clmm(rating ~ 1 + (1 | judge), data = wine)
print(coef(full), digits = 15)
print(2 * as.numeric(logLik(full) - logLik(none)), digits = 15)
data(ham, package = "lmerTest")
d <- data.frame(taster = ham$Consumer, variety = paste0("P", ham$Product),
                score = ham$Informed.liking)
write.csv(d, "ham.csv", row.names = FALSE, quote = FALSE)
m <- lmer(score ~ variety + (1 | taster) + (1 | taster:variety), data = d)
emm_options(lmer.df = "kenward-roger")
e <- emmeans(m, "variety")
print(summary(e), digits = 8)
print(summary(pairs(e), infer = TRUE), digits = 8)
