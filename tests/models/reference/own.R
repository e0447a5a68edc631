# Values for tests/models/test_own_traits.py, by R 4.2.2 with lme4 and ordinal.
#   Rscript own.R
# cbpp: contagious bovine pleuropneumonia (Lesnoff et al. 2004, Trop. Anim. Health Prod. 36:315), as
# in lme4.  bacteria: H. influenzae in children (Venables & Ripley 2002, MASS, section 10.4).
# PlantGrowth: Dobson 1983.  InsectSprays: Beall 1942.  wine: Randall 1989 (wine.R has its values).
suppressPackageStartupMessages({ library(ordinal); library(lme4) })
write.csv(cbpp, "cbpp.csv", row.names = FALSE)
write.csv(MASS::bacteria, "bacteria.csv", row.names = FALSE)
write.csv(wine[, c("rating", "temp", "contact", "bottle", "judge")], "wine.csv", row.names = FALSE)
d <- transform(cbpp, obs = factor(seq_len(nrow(cbpp))))
print(fixef(glmer(cbind(incidence, size - incidence) ~ period + (1 | herd) + (1 | obs),
                  family = binomial, data = d)))
print(fixef(glmer(y ~ trt + (1 | ID), family = binomial, data = MASS::bacteria)))
print(TukeyHSD(aov(weight ~ group, PlantGrowth)))
print(tapply(InsectSprays$count, InsectSprays$spray, mean))
