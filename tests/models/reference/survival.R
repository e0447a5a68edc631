# Kaplan-Meier with log-log intervals and the log-rank test by R's survival package.
# Reads aml.csv and ovarian.csv, writes survival.json. Run here:  Rscript survival.R
# (with --data as an argument it first writes the CSV files from the package's own copies.)
suppressPackageStartupMessages({
  library(survival)
  library(jsonlite)
})
if ("--data" %in% commandArgs(trailingOnly = TRUE)) {
  a <- survival::aml
  write.csv(data.frame(group = tolower(as.character(a$x)), time = a$time, event = a$status),
            "aml.csv", row.names = FALSE, quote = FALSE)
  o <- survival::ovarian
  write.csv(data.frame(group = paste0("rx", o$rx), time = o$futime, event = o$fustat),
            "ovarian.csv", row.names = FALSE, quote = FALSE)
}
one_set <- function(file) {
  d <- read.csv(file)
  curves <- lapply(split(d, d$group), function(g) {
    s <- summary(survfit(Surv(time, event) ~ 1, g, conf.type = "log-log", conf.int = 0.95),
                 censored = TRUE)
    q <- quantile(survfit(Surv(time, event) ~ 1, g, conf.type = "log-log"), 0.5)
    list(time = I(s$time), at_risk = I(s$n.risk), events = I(s$n.event), survival = I(s$surv),
         se = I(s$std.err), low = I(s$lower), high = I(s$upper),
         median = unname(q$quantile), median_low = unname(q$lower), median_high = unname(q$upper))
  })
  t <- survdiff(Surv(time, event) ~ group, d)
  list(file = file, n = nrow(d), curves = curves,
       log_rank = list(groups = I(sub("group=", "", names(t$n))), observed = I(t$obs),
                       expected = I(t$exp), variance = I(t$var[1, 1]), chi2 = t$chisq,
                       df = length(t$n) - 1,
                       p = pchisq(t$chisq, length(t$n) - 1, lower.tail = FALSE)))
}
result <- list(
  versions = list(R = paste(R.version$major, R.version$minor, sep = "."),
                  survival = as.character(packageVersion("survival"))),
  sources = list(
    aml = "survival::aml; Miller 1997, Survival Analysis, Wiley (maintained chemotherapy or not)",
    ovarian = "survival::ovarian; Edmunson et al. 1979, Cancer Treat. Rep. 63:241-247"),
  aml = one_set("aml.csv"), ovarian = one_set("ovarian.csv"))
writeLines(toJSON(result, digits = NA, auto_unbox = TRUE, null = "null", na = "null", pretty = 1),
           "survival.json")
