# Reference values of the barley trials (Immer, Hayes & Powers 1934) for test_barley.py.
# Rscript tests/gardens/reference/make_barley.R > tests/gardens/reference/barley.json
suppressMessages({library(lme4); library(emmeans); library(pbkrtest); library(jsonlite)})
emm_options(lmer.df = "kenward-roger")
d <- lattice::barley
d$trial <- interaction(d$site, d$year, drop = TRUE)
d$variety <- factor(as.character(d$variety))

mixed <- lmer(yield ~ variety + trial + (1 | variety:site) + (1 | variety:year), d)
sd_of <- function(m) { v <- as.data.frame(VarCorr(m)); setNames(as.list(v$sdcor), v$grp) }
pairs_of <- function(m) {
  p <- as.data.frame(pairs(emmeans(m, "variety"), adjust = "none"))
  list(contrast = as.character(p$contrast), estimate = p$estimate, se = p$SE, df = p$df)
}

year <- function(which) {
  part <- droplevels(subset(d, year == which))
  m <- lm(yield ~ variety + site, part)
  a <- anova(m)
  p <- as.data.frame(pairs(emmeans(m, "variety")))
  list(ss = setNames(as.list(a[["Sum Sq"]]), rownames(a)), df = a$Df, F = a[["F value"]][1],
       se = p$SE[1], estimate = p$estimate, p = p$p.value, contrast = as.character(p$contrast))
}

index <- tapply(d$yield, d$trial, mean)[d$trial]
slopes <- do.call(rbind, lapply(levels(d$variety), function(v) {
  m <- lm(d$yield[d$variety == v] ~ index[d$variety == v])
  s <- summary(m)
  data.frame(variety = v, slope = coef(m)[[2]], se = s$coefficients[2, 2], sd = s$sigma)
}))

# Five varieties, six sites, the mean of two years: MASS::immer, Venables & Ripley.
i <- MASS::immer
aov_immer <- anova(lm((Y1 + Y2) / 2 ~ Var + Loc, i))
means <- tapply((i$Y1 + i$Y2) / 2, i$Var, mean)

cat(toJSON(list(
  made_with = paste(R.version.string, "lme4", packageVersion("lme4"), "emmeans",
                    packageVersion("emmeans"), "pbkrtest", packageVersion("pbkrtest")),
  mixed = list(sd = sd_of(mixed), pairs = pairs_of(mixed)),
  y1931 = year("1931"), y1932 = year("1932"), slopes = slopes,
  immer = list(means = as.list(means), ms = aov_immer[["Mean Sq"]], df = aov_immer$Df,
               F = aov_immer[["F value"]][1:2], data = i)
), auto_unbox = TRUE, digits = 10, pretty = TRUE))
