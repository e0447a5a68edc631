# Values for tests/mixed/test_errorstructure.py: nlme's lme and gls with serial correlation within
# subjects and variances by group.  Writes structured.json and two data files.
#   Rscript structured.R
suppressPackageStartupMessages({
  library(nlme)
  library(jsonlite)
})
growth <- read.csv("data/orthodont.csv")
growth$step <- (growth$age - 8) / 2
growth$sex <- factor(growth$sex)
missing <- growth[-c(2, 7, 30, 51, 70, 99), ]

ovary <- as.data.frame(Ovary)
ovary <- data.frame(mare = paste0("M", ovary$Mare), follicles = ovary$follicles,
                    s = sin(2 * pi * ovary$Time), c = cos(2 * pi * ovary$Time))
ovary$scan <- ave(seq_along(ovary$mare), ovary$mare, FUN = seq_along)
write.csv(ovary, "data/ovary.csv", row.names = FALSE, quote = FALSE)

weights <- as.data.frame(BodyWeight)
weights <- weights[weights$Time != 44 & weights$Time %% 7 == 1, ]
weights <- data.frame(rat = paste0("R", weights$Rat), diet = paste0("D", weights$Diet),
                      day = weights$Time, weight = weights$weight)
weights$week <- (weights$day - 1) / 7
write.csv(weights, "data/bodyweight.csv", row.names = FALSE, quote = FALSE)

tight <- lmeControl(msMaxIter = 1000, maxIter = 500, tolerance = 1e-10, msTol = 1e-13,
                    niterEM = 200, returnObject = TRUE)
loose <- glsControl(msMaxIter = 1000, maxIter = 500, tolerance = 1e-12, msTol = 1e-14)

values <- function(m, groups = NULL) {
  rho <- if (is.null(m$modelStruct$corStruct)) NULL else
    as.numeric(coef(m$modelStruct$corStruct, unconstrained = FALSE))
  ratios <- if (is.null(m$modelStruct$varStruct)) NULL else
    coef(m$modelStruct$varStruct, unconstrained = FALSE, allCoef = TRUE)
  fixed <- if (inherits(m, "lme")) fixef(m) else coef(m)
  sds <- if (inherits(m, "lme")) {
    v <- VarCorr(m)
    s <- as.numeric(v[, "StdDev"])
    s[-length(s)]
  } else numeric(0)
  list(log_likelihood = as.numeric(logLik(m)), aic = AIC(m), fixed = as.list(fixed),
       se = unname(sqrt(diag(vcov(m)))), correlation = rho,
       residual = if (is.null(ratios)) m$sigma else as.list(ratios * m$sigma), sd = sds,
       normalized = head(unname(as.numeric(resid(m, type = "normalized"))), 8),
       fitted = head(unname(as.numeric(fitted(m))), 8))
}
by_subject <- corAR1(form = ~ step | subject)
out <- list(
  versions = list(r = R.version.string, nlme = as.character(packageVersion("nlme"))),
  growth_gls = values(gls(distance ~ age * sex, growth, correlation = by_subject,
                          weights = varIdent(form = ~ 1 | sex), control = loose)),
  growth_lme = values(lme(distance ~ age * sex, growth, random = ~ 1 | subject,
                          correlation = by_subject, weights = varIdent(form = ~ 1 | sex),
                          control = tight)),
  growth_by_sex = values(lme(distance ~ age * sex, growth, random = ~ 1 | subject,
                             weights = varIdent(form = ~ 1 | sex), control = tight)),
  growth_missing = values(gls(distance ~ age * sex, missing, correlation = by_subject,
                              weights = varIdent(form = ~ 1 | sex), control = loose)),
  ovary = values(lme(follicles ~ s + c, ovary, random = ~ 1 | mare,
                     correlation = corAR1(form = ~ scan | mare), control = tight)),
  ovary_ml = values(lme(follicles ~ s + c, ovary, random = ~ 1 | mare, method = "ML",
                        correlation = corAR1(form = ~ scan | mare), control = tight)),
  ovary_slope = values(lme(follicles ~ s + c, ovary, random = list(mare = pdDiag(~ s)),
                           correlation = corAR1(form = ~ scan | mare), control = tight)),
  bodyweight = values(lme(weight ~ day * diet, weights, random = ~ 1 | rat,
                          correlation = corAR1(form = ~ week | rat),
                          weights = varIdent(form = ~ 1 | diet), control = tight)))
writeLines(toJSON(out, auto_unbox = TRUE, digits = NA, pretty = TRUE, null = "null"),
           "structured.json")
