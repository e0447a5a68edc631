# Times R's mixed-model packages on one CSV and prints one JSON line.
#   Rscript bench_lme4.R data.csv [kr_plants]
# Columns read: count, y (continuous response; log(count + 1) where there is none), variety,
# block, plot, plant, date, and log_days (offset; none where there is no such column).
# Kenward-Roger in pbkrtest inverts an n x n matrix, so it is timed on a subset: the records
# of the first `kr_plants` plants of each plot (2 unless told) and every third date.
suppressPackageStartupMessages({
  library(lme4)
  library(pbkrtest)
  library(glmmTMB)
  library(jsonlite)
})
args <- commandArgs(trailingOnly = TRUE)
if (length(args) < 1) stop("say which CSV to read: Rscript bench_lme4.R data.csv")
kr_plants <- if (length(args) > 1) as.integer(args[2]) else 2L

started <- proc.time()[["elapsed"]]
d <- read.csv(args[1], stringsAsFactors = TRUE)
read_s <- proc.time()[["elapsed"]] - started
missing <- setdiff(c("count", "variety", "block", "plot", "plant", "date"), names(d))
if (length(missing)) stop("columns not found: ", paste(missing, collapse = ", "))
for (v in c("variety", "block", "plot", "plant", "date")) d[[v]] <- factor(d[[v]])
if (is.null(d$y)) d$y <- log(d$count + 1)
d$exposure <- if (is.null(d$log_days)) 0 else d$log_days

timed <- function(run) { # seconds and value; the smallest of three when short
  seconds <- Inf
  for (i in 1:3) {
    t0 <- proc.time()[["elapsed"]]
    value <- run()
    seconds <- min(seconds, proc.time()[["elapsed"]] - t0)
    if (seconds > 2) break
  }
  list(seconds = seconds, value = value)
}
control <- lmerControl(calc.derivs = FALSE, check.conv.singular = "ignore")
model <- y ~ variety + (1 | block) + (1 | plot) + (1 | plant) + (1 | date)
fit <- timed(function() lmer(model, d, control = control))
nb <- timed(function() {
  glmmTMB(count ~ variety + offset(exposure) + (1 | block) + (1 | plot) + (1 | plant) + (1 | date),
          d, family = nbinom2())
})
first_plants <- unlist(lapply(split(as.character(d$plant), d$plot),
                              function(p) head(unique(p), kr_plants)))
some_dates <- levels(d$date)[seq(1, nlevels(d$date), by = 3)]
part <- droplevels(d[d$plant %in% first_plants & d$date %in% some_dates, ])
part_fit <- lmer(model, part, control = control)
no_variety <- lmer(update(model, . ~ . - variety), part, control = control)
t0 <- proc.time()[["elapsed"]]
kr <- KRmodcomp(part_fit, no_variety)
kr_s <- proc.time()[["elapsed"]] - t0

cat(toJSON(list(
  r = paste(R.version$major, R.version$minor, sep = "."),
  lme4 = as.character(packageVersion("lme4")), glmmTMB = as.character(packageVersion("glmmTMB")),
  pbkrtest = as.character(packageVersion("pbkrtest")),
  records = nrow(d), read_csv_s = read_s,
  lmm_s = fit$seconds, lmm_objective = as.numeric(REMLcrit(fit$value)),
  glmm_nb_s = nb$seconds, glmm_nb_log_likelihood = as.numeric(logLik(nb$value)),
  kr_records = nrow(part), kr_s = kr_s,
  kr_F = kr$test["Ftest", "stat"], kr_den_df = kr$test["Ftest", "ddf"]
), auto_unbox = TRUE, digits = NA), "\n", sep = "")
