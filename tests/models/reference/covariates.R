# Covariates a plot against R; run with: Rscript covariates.R
# cabbages of MASS (Rawlings 1988, Applied Regression Analysis): vitamin C by cultivar and planting
# date, adjusted for the weight of the head.
library(MASS)
write.csv(cabbages, "cabbages.csv", row.names = FALSE)
m <- lm(VitC ~ Cult + Date + HeadWt, cabbages)
a <- anova(lm(VitC ~ Cult + Date, cabbages), m)
s <- summary(m)$coefficients
cat(sprintf('{"c52": %.9f, "se": %.9f, "df": %d, "F": %.9f}\n',
            s["Cultc52", 1], s["Cultc52", 2], m$df.residual, a$F[2]), file = "cabbages.json")
