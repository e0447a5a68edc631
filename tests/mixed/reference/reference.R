# Reference values for the mixed-model core, from R.
# Reads data/*.csv, writes reference.json. Run from this folder:  Rscript reference.R
# What each value is, and where R itself is the limit, is said in README.md.
suppressPackageStartupMessages({
  library(lmerTest)
  library(pbkrtest)
  library(emmeans)
  library(glmmTMB)
  library(jsonlite)
})
invisible(Sys.setlocale("LC_COLLATE", "C"))
options(digits = 15, contrasts = c("contr.treatment", "contr.poly"))
emm_options(pbkrtest.limit = 1e5, lmerTest.limit = 1e5, cov.keep = character(0),
            msg.interaction = FALSE, msg.nesting = FALSE)

# ---- optimisation --------------------------------------------------------------------
# bobyqa, then Newton steps with Richardson derivatives on the coordinates off the bound:
# the objective alone cannot place a variance closer than about 1e-7 relative.
polished <- function(fn, par, lower, upper, control, ...) {
  best <- par
  for (i in 1:3) {
    opt <- minqa::bobyqa(best, fn, lower, upper,
                         control = list(rhobeg = 0.1, rhoend = 1e-9, maxfun = 1e5))
    best <- opt$par
  }
  best[lower == 0 & best < 1e-5] <- 0
  free <- !(lower == 0 & best == 0)
  if (any(free)) {
    sub <- function(x) {
      p <- best
      p[free] <- x
      fn(p)
    }
    for (i in 1:4) {
      x <- best[free]
      g <- numDeriv::grad(sub, x)
      step <- solve(numDeriv::hessian(sub, x), g)
      if (max(abs(step)) > 0.05) break
      best[free] <- x - step
      if (max(abs(step)) < 1e-10) break
    }
  }
  list(par = best, fval = fn(best), feval = 0, convergence = 0, message = "polished")
}
lmm_control <- lmerControl(optimizer = polished, calc.derivs = FALSE,
                           check.conv.singular = "ignore", check.rankX = "silent.drop.cols",
                           check.nobs.vs.nRE = "ignore")
# glmmTMB: its usual nlminb, then Newton steps with the Jacobian of the exact gradient, left
# out where a variance runs to zero (its logarithm has no optimum).
newton_after_nlminb <- function(start, objective, gradient, control, ...) {
  opt <- nlminb(start, objective, gradient, control = control)
  for (i in 1:3) {
    J <- numDeriv::jacobian(gradient, opt$par)
    step <- tryCatch(solve((J + t(J)) / 2, as.numeric(gradient(opt$par))), error = function(e) NULL)
    if (is.null(step) || anyNA(step) || max(abs(step)) > 0.01) break
    opt$par <- opt$par - step
    if (max(abs(step)) < 1e-9) break
  }
  opt$objective <- objective(opt$par)
  opt$convergence <- 0
  opt
}
tmb_control <- glmmTMBControl(optimizer = newton_after_nlminb,
                              optCtrl = list(iter.max = 1e5, eval.max = 1e5))

# ---- names as the Python formula library writes them -------------------------------------
read_set <- function(spec) {
  d <- read.csv(file.path("data", paste0(spec$data, ".csv")), stringsAsFactors = FALSE,
                na.strings = "")
  if (!is.null(spec$drop)) d <- d[!eval(spec$drop, d), ]
  for (v in names(d)) if (is.character(d[[v]])) d[[v]] <- factor(d[[v]])
  for (v in categorical(spec)) d[[v]] <- factor(d[[v]])
  d
}
categorical <- function(spec) { # variables written C(x) in the Python formula
  m <- regmatches(spec$formula, gregexpr("C\\((\\w+)\\)", spec$formula))[[1]]
  gsub("C\\(|\\)", "", m)
}
r_formula <- function(spec, extra = NULL) {
  fixed <- gsub("C\\((\\w+)\\)", "\\1", spec$formula)
  random <- vapply(spec$groups, function(g) {
    s <- spec$slopes[[g]]
    paste0("(", paste(c("1", s), collapse = " + "), " | ", g, ")")
  }, "")
  as.formula(paste(c(fixed, extra, random), collapse = " + "), env = globalenv())
}
python_term <- function(term, spec) {
  parts <- strsplit(term, ":")[[1]]
  parts <- ifelse(parts %in% categorical(spec), paste0("C(", parts, ")"), parts)
  paste(parts, collapse = ":")
}
python_names <- function(coefs, d, spec) {
  vars <- names(d)[order(-nchar(names(d)))]
  one <- function(part) {
    for (v in vars) {
      if (is.factor(d[[v]]) && startsWith(part, v) && substring(part, nchar(v) + 1) %in% levels(d[[v]])) {
        return(paste0(python_term(v, spec), "[T.", substring(part, nchar(v) + 1), "]"))
      }
    }
    part
  }
  vapply(coefs, function(nm) {
    if (nm == "(Intercept)") return("Intercept")
    paste(vapply(strsplit(nm, ":")[[1]], one, ""), collapse = ":")
  }, "", USE.NAMES = FALSE)
}
plain <- function(m) unname(lapply(seq_len(nrow(m)), function(i) as.numeric(m[i, ])))
vec <- function(x) I(unname(as.numeric(x)))

# ---- Dunnett: P(max |T_i| > t), T multivariate t, any (also fractional) df -----------------
# Mixture over the chi scale (48-point Gauss-Legendre on its central range) of the normal
# rectangle by Miwa, Hayter & Kuriki 2003; deterministic. emmeans itself truncates df.
gauss_legendre <- function(n) {
  i <- seq_len(n - 1)
  b <- i / sqrt(4 * i^2 - 1)
  J <- matrix(0, n, n)
  J[cbind(i, i + 1)] <- b
  J[cbind(i + 1, i)] <- b
  e <- eigen(J, symmetric = TRUE)
  list(x = e$values, w = 2 * e$vectors[1, ]^2)
}
GL <- gauss_legendre(48)
many_to_one_p <- function(t, df, corr) {
  k <- nrow(corr)
  normal <- function(z) {
    if (z > 8.5) return(1)
    as.numeric(mvtnorm::pmvnorm(rep(-z, k), rep(z, k), corr = corr,
                                algorithm = mvtnorm::Miwa(steps = if (k < 5) 512 else 256)))
  }
  if (!is.finite(df)) return(1 - normal(t))
  lo <- sqrt(qchisq(1e-14, df) / df)
  hi <- sqrt(qchisq(1e-14, df, lower.tail = FALSE) / df)
  s <- (hi + lo) / 2 + (hi - lo) / 2 * GL$x
  dens <- 2 * df * s * dchisq(df * s^2, df)
  sum(GL$w * (hi - lo) / 2 * dens * (1 - vapply(t * s, normal, 0)))
}
many_to_one <- function(t, df, corr) {
  if (nrow(corr) == 1) {
    return(list(p = 2 * pt(-abs(t), df), q = qt(0.975, df)))
  }
  if (nrow(corr) > 5) return(NULL)
  df <- signif(df, 12) # equal df differ in the last bits
  p <- mapply(function(a, b) many_to_one_p(abs(a), b, corr), t, df)
  q <- vapply(unique(df), function(b) {
    uniroot(function(x) many_to_one_p(x, b, corr) - 0.05,
            c(qt(0.975, b), qt(1 - 0.025 / nrow(corr), b) + 0.1), tol = 1e-8)$root
  }, 0)
  list(p = p, q = q[match(df, unique(df))])
}

# ---- tables of linear functions --------------------------------------------------------
# f: list(est, V, df, L) with rows as linear functions of the coefficients
table_of <- function(est, se, df, crit, p) {
  list(estimate = vec(est), se = vec(se), df = vec(df), statistic = vec(est / se), p = vec(p),
       low = vec(est - crit * se), high = vec(est + crit * se))
}
infinite_as_null <- function(x) ifelse(is.finite(x), x, NA)
means_table <- function(levels, f) {
  se <- sqrt(diag(f$V))
  c(list(level = I(levels)), table_of(f$est, se, infinite_as_null(f$df), qt(0.975, f$df),
                                      2 * pt(-abs(f$est / se), f$df)))
}
pair_rows <- function(k) t(combn(k, 2))
differences <- function(means, rows, ddf) {
  D <- matrix(0, nrow(rows), length(means$est))
  D[cbind(seq_len(nrow(rows)), rows[, 1])] <- 1
  D[cbind(seq_len(nrow(rows)), rows[, 2])] <- -1
  L <- D %*% means$L
  list(est = as.numeric(D %*% means$est), V = D %*% means$V %*% t(D), L = L, df = ddf(L))
}
pairs_table <- function(levels, means, ddf) {
  rows <- pair_rows(length(levels))
  f <- differences(means, rows, ddf)
  se <- sqrt(diag(f$V))
  t <- f$est / se
  k <- length(levels)
  q <- qtukey(0.95, k, f$df) / sqrt(2)
  c(list(left = I(levels[rows[, 1]]), right = I(levels[rows[, 2]])),
    table_of(f$est, se, infinite_as_null(f$df), q, ptukey(abs(t) * sqrt(2), k, f$df, lower.tail = FALSE)),
    list(p_single = vec(2 * pt(-abs(t), f$df)), low_single = vec(f$est - qt(0.975, f$df) * se),
         high_single = vec(f$est + qt(0.975, f$df) * se)))
}
against_table <- function(levels, means, ddf) { # against the last level
  k <- length(levels)
  f <- differences(means, cbind(seq_len(k - 1), k), ddf)
  se <- sqrt(diag(f$V))
  exact <- many_to_one(f$est / se, f$df, cov2cor(f$V))
  if (is.null(exact)) return(NULL)
  c(list(control = levels[k], left = I(levels[-k])),
    table_of(f$est, se, infinite_as_null(f$df), exact$q, exact$p))
}
# letters need no reference: they follow from the pairs

# ---- linear mixed models ---------------------------------------------------------------
kr_parts <- function(m, spec, d) {
  if (is.null(spec$weights)) return(list(V0 = as.matrix(vcov(m)), VA = vcovAdj(m)))
  # pbkrtest takes no account of weights: the same model with every row times sqrt(w) has
  # equal residual variances, so its Kenward-Roger quantities are those of the weighted model
  d$root_w <- sqrt(d[[spec$weights]])
  d$scaled_y <- d$root_w * getME(m, "y")
  Xw <- d$root_w * as.matrix(getME(m, "X"))
  stopifnot(length(spec$slopes) == 0)
  f <- as.formula(paste("scaled_y ~ 0 + Xw +",
                        paste0("(0 + root_w | ", spec$groups, ")", collapse = " + ")))
  mw <- lme4::lmer(f, d, control = lmm_control)
  stopifnot(max(abs(fixef(mw) - fixef(m))) < 1e-7, abs(sigma(mw) / sigma(m) - 1) < 1e-7)
  list(V0 = as.matrix(vcov(mw)), VA = vcovAdj(mw))
}
fit_one_lmm <- function(spec) {
  message(spec$name)
  d <- read_set(spec)
  reml <- is.null(spec$method) || spec$method == "reml"
  args <- list(r_formula(spec), d, REML = reml, control = lmm_control)
  if (!is.null(spec$weights)) args$weights <- d[[spec$weights]]
  m <- do.call(lmerTest::lmer, args)
  beta <- fixef(m)
  pn <- python_names(names(beta), d, spec)
  V <- as.matrix(vcov(m))
  vc <- VarCorr(m)
  out <- list(
    name = spec$name, data = spec$data, formula = spec$formula, groups = I(spec$groups),
    slopes = spec$slopes, weights = spec$weights, method = if (reml) "reml" else "ml",
    drop = if (is.null(spec$drop)) NULL else deparse(spec$drop),
    r_formula = paste(deparse(formula(m), width.cutoff = 500), collapse = ""), n = nrow(d),
    objective = as.numeric(if (reml) REMLcrit(m) else deviance(m, REML = FALSE)),
    log_likelihood = as.numeric(logLik(m)),
    sigma = sigma(m), names = I(pn), fixed = vec(beta), cov_fixed = plain(V),
    group_sd = lapply(vc, function(v) unname(sqrt(diag(v))[1])),
    fitted = vec(head(fitted(m), 8)), singular = isSingular(m, 1e-5))
  if (length(spec$slopes)) {
    out$group_cov <- lapply(vc[names(spec$slopes)], function(v) plain(unname(as.matrix(v))))
    out$group_cov_columns <- lapply(vc[names(spec$slopes)], function(v) {
      I(sub("(Intercept)", "Intercept", rownames(v), fixed = TRUE))
    })
  }
  if (isTRUE(spec$blups)) {
    out$random_effects <- lapply(ranef(m, condVar = FALSE), function(r) {
      list(level = I(rownames(r)), columns = I(sub("(Intercept)", "Intercept", names(r), fixed = TRUE)),
           values = plain(as.matrix(r)))
    })
  }
  if (!reml) return(out)

  kr <- kr_parts(m, spec, d)
  ddf <- function(L) {
    apply(L, 1, function(l) if (anyNA(l)) NA else Lb_ddf(matrix(l, 1), kr$V0, kr$VA))
  }
  VA <- as.matrix(kr$VA)
  I_p <- diag(length(beta))
  out$cov_kr <- plain(VA)
  out$df_kr <- vec(ddf(I_p))
  sat <- do.call(rbind, lapply(seq_along(beta), function(i) contest1D(m, I_p[i, ])))
  out$df_satterthwaite <- vec(sat[["df"]])
  full_rank <- length(beta) == ncol(model.matrix(terms(m), d))
  if (length(attr(terms(m), "term.labels")) && full_rank) {
    tests <- lmerTest:::get_contrasts_type3(m)
    out$f_tests <- lapply(names(tests), function(term) {
      L <- tests[[term]]
      if (!is.matrix(L)) L <- matrix(L, 1)
      s <- pbkrtest:::.KR_adjust(kr$VA, kr$V0, L, beta, rep(0, length(beta)))
      w <- contestMD(m, L, ddf = "Satterthwaite")
      list(term = python_term(term, spec), num_df = s$ndf, den_df = as.numeric(s$ddf),
           F = as.numeric(s$Fstat), p = as.numeric(s$p.value), F_unscaled = as.numeric(s$FstatU),
           satterthwaite = list(den_df = w[["DenDF"]], F = w[["F value"]], p = w[["Pr(>F)"]]))
    })
  }
  out$means <- list()
  for (v in spec$factors) {
    e <- emmeans(m, v, lmer.df = "asymptotic")
    levels <- as.character(e@grid[[v]])
    estimable <- apply(e@linfct, 1, function(l) {
      all(is.na(e@nbasis)) || estimability::is.estble(l, e@nbasis)
    })
    keep <- !is.na(e@bhat) # coefficients not dropped
    L <- e@linfct[estimable, keep, drop = FALSE]
    f <- list(est = as.numeric(L %*% beta), V = L %*% VA %*% t(L), L = L, df = ddf(L))
    out$means[[v]] <- list(
      means = means_table(levels[estimable], f),
      inestimable = I(levels[!estimable]),
      pairs = pairs_table(levels[estimable], f, ddf),
      against = if (all(estimable)) against_table(levels, f, ddf),
      pairs_df_satterthwaite = vec(apply(
        differences(f, pair_rows(sum(estimable)), ddf)$L, 1, function(l) contest1D(m, l)[["df"]])))
    if (is.null(spec$weights) && all(estimable)) { # emmeans' own KR path must say the same
      own <- as.data.frame(summary(pairs(emmeans(m, v, lmer.df = "kenward-roger"), adjust = "tukey"),
                                   infer = TRUE))
      mine <- out$means[[v]]$pairs
      stopifnot(max(abs(own$estimate - mine$estimate)) < 1e-6, max(abs(own$SE - mine$se)) < 1e-6,
                max(abs(own$df / mine$df - 1)) < 1e-6, max(abs(own$p.value - mine$p)) < 1e-5,
                max(abs(own$lower.CL - mine$low) / mine$se) < 1e-3)
      if (!is.null(out$means[[v]]$against)) {
        set.seed(1)
        dun <- as.data.frame(contrast(emmeans(m, v, lmer.df = "kenward-roger"), "trt.vs.ctrlk",
                                      adjust = "mvt"))
        # emmeans cuts the df to whole numbers and samples, hence the loose bound
        out$means[[v]]$against$p_emmeans <- vec(dun$p.value)
      }
    }
  }
  out
}

# ---- generalised linear mixed models ------------------------------------------------------
families <- list(poisson = poisson(), "negative-binomial" = nbinom2(), binomial = binomial())
fit_one_glmm <- function(spec) {
  message(spec$name)
  d <- read_set(spec)
  offset_term <- if (!is.null(spec$offset)) paste0("offset(", spec$offset, ")")
  f <- r_formula(spec, offset_term)
  reml <- identical(spec$method, "reml")
  m <- glmmTMB(f, d, family = families[[spec$family]], REML = reml, control = tmb_control)
  beta <- fixef(m)$cond
  V <- vcov(m)$cond
  pn <- python_names(names(beta), d, spec)
  vc <- VarCorr(m)$cond
  out <- list(
    name = spec$name, data = spec$data, formula = spec$formula, family = spec$family,
    offset = spec$offset, groups = I(spec$groups), slopes = spec$slopes,
    method = if (reml) "reml" else "ml",
    r_formula = paste(deparse(f, width.cutoff = 500), collapse = ""), n = nrow(d),
    log_likelihood = as.numeric(logLik(m)), gradient = max(abs(m$sdr$gradient.fixed)),
    names = I(pn), fixed = vec(beta), cov_fixed = plain(V),
    group_sd = lapply(vc, function(v) unname(sqrt(diag(v))[1])),
    fitted = vec(head(fitted(m), 8)))
  if (spec$family == "negative-binomial") out$size <- sigma(m)
  if (length(spec$slopes)) {
    out$group_cov <- lapply(vc[names(spec$slopes)], function(v) plain(unname(matrix(v, nrow(v)))))
    out$group_cov_columns <- lapply(vc[names(spec$slopes)], function(v) {
      I(sub("(Intercept)", "Intercept", rownames(v), fixed = TRUE))
    })
  }
  if (!reml && spec$family != "negative-binomial") {
    # the covariance with the variances taken as known, from lme4's Laplace fit
    g <- lme4::glmer(f, d, family = families[[spec$family]], control = lme4::glmerControl(
      optimizer = "bobyqa", optCtrl = list(rhoend = 1e-8, maxfun = 1e5), calc.derivs = FALSE,
      check.conv.singular = "ignore"))
    out$cov_fixed_variances_known <- plain(as.matrix(vcov(g, use.hessian = FALSE)))
    out$glmer <- list(fixed = vec(lme4::fixef(g)),
                      log_likelihood = as.numeric(logLik(g)))
  }
  asymptotic <- function(L) rep(Inf, nrow(L))
  out$means <- list()
  for (v in spec$factors) {
    e <- emmeans(m, v, offset = 0)
    levels <- as.character(e@grid[[v]])
    L <- e@linfct
    f1 <- list(est = as.numeric(L %*% beta), V = L %*% V %*% t(L), L = L, df = asymptotic(L))
    out$means[[v]] <- list(means = means_table(levels, f1),
                           pairs = pairs_table(levels, f1, asymptotic),
                           against = against_table(levels, f1, asymptotic))
    own <- as.data.frame(summary(emmeans(m, v, offset = 0, type = "response"), df = Inf))
    value <- own[[if (spec$family == "binomial") "prob" else if ("rate" %in% names(own)) "rate" else "response"]]
    out$means[[v]]$response <- list(estimate = vec(value), se = vec(own$SE))
    inverse <- families[[spec$family]]$linkinv
    stopifnot(max(abs(value / inverse(f1$est) - 1)) < 1e-8)
  }
  out
}

# ---- the models ------------------------------------------------------------------------
lmm <- function(name, data, formula, groups, slopes = list(), weights = NULL, method = NULL,
                factors = character(), blups = FALSE, drop = NULL) {
  as.list(environment())
}
glmm <- function(name, data, formula, family, groups, offset = NULL, slopes = list(),
                 method = NULL, factors = character()) {
  as.list(environment())
}
split_plot <- "yield_ ~ variety * C(nitro)"
ob <- c("block", "block:variety")
lmms <- list(
  lmm("oats", "oats", split_plot, ob, factors = c("variety", "nitro"), blups = TRUE),
  lmm("oats_ml", "oats", split_plot, ob, method = "ml"),
  lmm("oats_line", "oats", "yield_ ~ variety + nitro", ob, factors = "variety"),
  lmm("oats_slopes", "oats", "yield_ ~ variety + nitro", ob, list("block:variety" = "nitro"),
      factors = "variety"),
  lmm("oats_unbalanced", "oats_unbalanced", split_plot, ob, factors = c("variety", "nitro")),
  lmm("oats_empty_cell", "oats_unbalanced", split_plot, ob, factors = c("variety", "nitro"),
      drop = quote(variety == "Victory" & nitro == "0.6")),
  lmm("penicillin", "penicillin", "diameter ~ 1", c("plate", "sample"), blups = TRUE),
  lmm("penicillin_ml", "penicillin", "diameter ~ 1", c("plate", "sample"), method = "ml"),
  lmm("pastes", "pastes", "strength ~ 1", c("batch", "batch:cask")),
  lmm("pastes_no_batch", "pastes", "strength ~ cask", c("batch"), factors = "cask"),
  lmm("dyestuff", "dyestuff", "yield_ ~ 1", "batch"),
  lmm("dyestuff_ml", "dyestuff", "yield_ ~ 1", "batch", method = "ml"),
  lmm("dyestuff2", "dyestuff2", "yield_ ~ 1", "batch"),
  lmm("sleepstudy", "sleepstudy", "reaction ~ days", "subject", list(subject = "days"),
      blups = TRUE),
  lmm("sleepstudy_ml", "sleepstudy", "reaction ~ days", "subject", list(subject = "days"),
      method = "ml"),
  lmm("orthodont", "orthodont", "distance ~ sex * age", "subject", list(subject = "age"),
      factors = "sex"),
  lmm("pixel", "pixel", "pixel ~ day + day2", c("dog", "dog:side"), list(dog = "day")),
  lmm("machines", "machines", "score ~ machine", c("worker", "worker:machine"),
      factors = "machine", blups = TRUE),
  lmm("machines_unbalanced", "machines_unbalanced", "score ~ machine",
      c("worker", "worker:machine"), factors = "machine"),
  lmm("ergostool", "ergostool", "effort ~ type_", "subject", factors = "type_"),
  lmm("wheat_unbalanced", "wheat_unbalanced", "yield_ ~ variety", c("row_", "column_"),
      factors = "variety"),
  lmm("meat", "meat", "score ~ storage", c("replicate_", "pair"), factors = "storage"),
  lmm("npk", "npk", "yield_ ~ n * p * k", "block", factors = c("n", "k")),
  lmm("barley_unbalanced", "barley_unbalanced", "yield_ ~ variety",
      c("site", "site:year", "site:variety"), factors = "variety"),
  lmm("barley_years", "barley_unbalanced", "yield_ ~ variety",
      c("site", "year", "site:year"), factors = "variety"),
  lmm("wheat_boundary", "wheat_unbalanced", "yield_ ~ variety", c("block", "row_", "column_"),
      factors = "variety"),
  lmm("ratpup", "ratpup", "weight_g ~ treatment * sex + litter_size", "litter",
      factors = c("treatment", "sex")),
  lmm("ratpup_weighted", "ratpup_means", "weight_g ~ treatment + sex", "litter",
      weights = "pups", factors = c("treatment", "sex")),
  lmm("insteval_part", "insteval_part", "y ~ service", c("student", "lecturer"),
      factors = "service"),
  lmm("cake", "cake", "angle ~ recipe * temperature", c("replicate_", "replicate_:recipe"),
      factors = c("recipe", "temperature")))
nb <- "negative-binomial"
owl <- "calls ~ food * parent"
epi <- "seizures ~ treatment * time + lage"
sal <- "count ~ mined + species"
glmms <- list(
  glmm("grouse_poisson", "grouseticks", "ticks ~ year + height100", "poisson",
       c("record", "brood", "location"), factors = "year"),
  glmm("grouse_nb", "grouseticks", "ticks ~ year + height100", nb, c("brood", "location"),
       factors = "year"),
  glmm("owls_poisson", "owls", owl, "poisson", "nest", "log_brood", factors = "food"),
  glmm("owls_nb", "owls", owl, nb, "nest", "log_brood", factors = c("food", "parent")),
  glmm("owls_nb_reml", "owls", owl, nb, "nest", "log_brood", method = "reml", factors = "food"),
  glmm("salamanders_poisson", "salamanders", sal, "poisson", c("site", "sample"),
       factors = c("mined", "species")),
  glmm("salamanders_nb", "salamanders", sal, nb, c("site", "sample"),
       factors = c("mined", "species")),
  glmm("epil_poisson", "epil", epi, "poisson", "subject", "log_weeks",
       factors = c("treatment", "time")),
  glmm("epil_poisson_reml", "epil", epi, "poisson", "subject", "log_weeks", method = "reml",
       factors = "treatment"),
  glmm("epil_nb", "epil", epi, nb, "subject", "log_weeks", factors = "treatment"),
  glmm("epil_slopes", "epil", "seizures ~ treatment * after + lage", "poisson", "subject",
       "log_weeks", list(subject = "after"), factors = "treatment"),
  glmm("arabidopsis_nb", "arabidopsis", "fruits ~ nutrient * amd + rack + status", nb,
       c("population", "genotype"), factors = c("nutrient", "status")),
  glmm("cbpp", "cbpp", "case ~ period", "binomial", "herd", factors = "period"),
  glmm("bacteria", "bacteria", "present ~ treatment + late", "binomial", "child",
       factors = "treatment"))

only <- commandArgs(trailingOnly = TRUE)
pick <- function(specs) Filter(function(s) !length(only) || s$name %in% only, specs)
by_name <- function(specs, fit) {
  specs <- pick(specs)
  setNames(lapply(specs, fit), vapply(specs, `[[`, "", "name"))
}
packages <- c("lme4", "lmerTest", "pbkrtest", "emmeans", "glmmTMB", "TMB", "mvtnorm", "numDeriv")
result <- list(
  versions = c(list(R = paste(R.version$major, R.version$minor, sep = ".")),
               lapply(setNames(packages, packages), function(p) as.character(packageVersion(p)))),
  lmm = by_name(lmms, fit_one_lmm), glmm = by_name(glmms, fit_one_glmm))
json <- function(x) toJSON(x, digits = NA, auto_unbox = TRUE, null = "null", na = "null")
lines <- function(part) { # one model a line, so that a change shows in a diff
  paste0("{\n", paste0(" ", vapply(names(part), function(k) paste0(json(k), ": ", json(part[[k]])), ""),
                       collapse = ",\n"), "\n}")
}
text <- paste0("{\"versions\": ", json(result$versions), ",\n\"lmm\": ", lines(result$lmm),
               ",\n\"glmm\": ", lines(result$glmm), "}")
writeLines(text, if (length(only)) "/dev/stdout" else "reference.json")
