# Fits one nested layout by one R package and prints one JSON line: seconds, -2 log likelihood and
# the rise of the process's peak memory in MB.
#   Rscript bench_nested.R data.csv lme4|glmmTMB [date]
suppressPackageStartupMessages(library(jsonlite))
args <- commandArgs(trailingOnly = TRUE)
suppressPackageStartupMessages(library(args[2], character.only = TRUE))
d <- read.csv(args[1], stringsAsFactors = TRUE)
bars <- "(1 | block) + (1 | plot) + (1 | plant)"
if (length(args) > 2) bars <- paste(bars, "+ (1 | date)")
model <- as.formula(paste("y ~ variety +", bars))
peak <- function() {
  line <- grep("VmHWM", readLines("/proc/self/status"), value = TRUE)
  as.numeric(gsub("[^0-9]", "", line)) / 1024
}
before <- peak()
started <- proc.time()[["elapsed"]]
if (args[2] == "lme4") {
  fit <- lmer(model, d, control = lmerControl(calc.derivs = FALSE,
                                              check.conv.singular = "ignore"))
  objective <- as.numeric(REMLcrit(fit))
} else {
  fit <- glmmTMB(model, d, REML = TRUE)
  objective <- -2 * as.numeric(logLik(fit))
}
seconds <- proc.time()[["elapsed"]] - started
cat(toJSON(list(seconds = seconds, objective = objective, mb = peak() - before),
           auto_unbox = TRUE, digits = NA), "\n", sep = "")
