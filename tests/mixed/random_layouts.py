"""Random layouts fitted here and by R, the worst disagreement by quantity.

    python tests/mixed/random_layouts.py            against the stored values of 60 layouts
    python tests/mixed/random_layouts.py --seed 7 --layouts 20     fresh ones; R must be present
    python tests/mixed/random_layouts.py --seed 7 --layouts 20 --kinds serial by-variety
    python tests/mixed/random_layouts.py --store    writes reference/random_layouts.json anew

A layout: 3 to 6 varieties in 4 to 8 blocks, 2 to 4 plants a plot, 1 to 3 looks; some plots lost at
random, a covariate or none, spreads from nothing to large.  In turn: a linear model by REML
(lme4), Poisson, negative binomial and yes/no models by Laplace (glmmTMB), ordered scores by
Laplace (ordinal).  On demand: slopes in a covariate (lme4), serial correlation within plants and
residual variances by variety (nlme).  Layouts in which a level has nothing (separated) are drawn
again.
"""

from __future__ import annotations

import argparse
import json
import shutil
import subprocess
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from trialkit.mixed import fit_glmm, fit_lmm, fit_ordered, fit_structured

STORED = Path(__file__).parent / "reference" / "random_layouts.json"
KINDS = ("lmm", "poisson", "negative-binomial", "binomial", "ordered")
MORE = ("slopes", "serial", "by-variety")
SEED, LAYOUTS = 2024, 60
R = r"""
suppressPackageStartupMessages({
  library(lme4); library(glmmTMB); library(ordinal); library(nlme); library(jsonlite)
})
folder <- commandArgs(TRUE)[1]
jobs <- fromJSON(file.path(folder, "jobs.json"), simplifyDataFrame = FALSE)
out <- lapply(jobs, function(j) tryCatch({
  d <- read.csv(file.path(folder, paste0(j$name, ".csv")), stringsAsFactors = TRUE)
  bars <- paste0("(1 | ", unlist(j$groups), ")", collapse = " + ")
  f <- as.formula(paste(j$formula, "+", bars))
  if (j$kind == "slopes") f <- as.formula(paste(j$formula, "+ (1 | block) + (look | plot)"))
  if (j$kind %in% c("serial", "by-variety")) {
    tight <- lmeControl(msMaxIter = 1000, maxIter = 500, tolerance = 1e-10, msTol = 1e-13,
                        niterEM = 200, returnObject = TRUE)
    m <- if (j$kind == "serial")
      lme(as.formula(j$formula), d, random = ~ 1 | block / plot, control = tight,
          correlation = corAR1(form = ~ look | block / plot / plant))
    else
      lme(as.formula(j$formula), d, random = ~ 1 | block / plot, control = tight,
          weights = varIdent(form = ~ 1 | variety))
    list(objective = -2 * as.numeric(logLik(m)), fixed = as.list(fixef(m)),
         se = sqrt(diag(vcov(m))), sd = list())
  } else if (j$kind %in% c("lmm", "slopes")) {
    control <- lmerControl(optimizer = "bobyqa", optCtrl = list(rhoend = 1e-10),
                           check.nobs.vs.nlev = "ignore")
    m <- lmer(f, data = d, control = control)
    if (j$kind == "slopes") { # bobyqa can end in a saddle at a zero variance: the lower of two
      other <- lmer(f, data = d, control = lmerControl(
        optimizer = "nloptwrap", optCtrl = list(xtol_abs = 1e-10, ftol_abs = 1e-12)))
      if (REMLcrit(other) < REMLcrit(m)) m <- other
    }
    v <- as.data.frame(VarCorr(m))
    v <- v[is.na(v$var2) & (is.na(v$var1) | v$var1 == "(Intercept)"), ]
    list(objective = REMLcrit(m), fixed = as.list(fixef(m)), se = sqrt(diag(as.matrix(vcov(m)))),
         sd = as.list(setNames(v$sdcor, v$grp)))
  } else if (j$kind == "ordered") {
    d$y <- factor(d$y, ordered = TRUE)
    m <- clmm(f, data = d, control = clmm.control(gradTol = 1e-6))
    b <- coef(m)
    list(objective = -2 * as.numeric(logLik(m)), fixed = as.list(b),
         se = sqrt(diag(vcov(m)))[seq_along(b)], sd = lapply(m$ST, function(s) s[1, 1]))
  } else {
    laws <- list(poisson = poisson(), `negative-binomial` = nbinom2(), binomial = binomial())
    family <- laws[[j$kind]]
    m <- glmmTMB(f, data = d, family = family)
    v <- VarCorr(m)$cond
    list(objective = -2 * as.numeric(logLik(m)), fixed = as.list(fixef(m)$cond),
         se = sqrt(diag(vcov(m)$cond)), sd = lapply(v, function(x) sqrt(x[1, 1])))
  }
}, error = function(e) list(error = conditionMessage(e))))
names(out) <- sapply(jobs, function(j) j$name)
writeLines(toJSON(out, auto_unbox = TRUE, digits = NA), file.path(folder, "out.json"))
"""


def layout(kind: str, rng: np.random.Generator) -> tuple[pd.DataFrame, dict[str, Any]]:
    """Records and the model of them."""
    while True:
        varieties, blocks = int(rng.integers(3, 7)), int(rng.integers(4, 9))
        plants, looks = int(rng.integers(2, 5)), int(rng.integers(1, 4))
        if kind in MORE:
            looks += 3
        cells = [(f"v{v}", f"b{b}", f"b{b}v{v}", f"b{b}v{v}p{p}", look)
                 for v in range(varieties) for b in range(blocks)
                 for p in range(plants) for look in range(looks)]
        data = pd.DataFrame(cells, columns=["variety", "block", "plot", "plant", "look"])
        lost = rng.choice(data["plot"].unique(), size=int(rng.integers(0, blocks)), replace=False)
        data = data[~data["plot"].isin(lost)].reset_index(drop=True)
        data["x"] = np.round(rng.normal(size=len(data)), 3)
        formula, groups = "y ~ variety", ["block", "plot"]
        if rng.random() < 0.5:
            formula += " + x"
        if looks > 1 and kind in {"lmm", "poisson", "negative-binomial"} and rng.random() < 0.6:
            groups.append("plant")
        eta = data["variety"].map({v: 0.5 * rng.normal() for v in data["variety"].unique()})
        eta = eta.to_numpy() + (0.3 * data["x"].to_numpy() if "x" in formula else 0.0)
        for group in groups:
            spread = rng.choice([0.0, 0.2, 0.5, 1.0])
            effects = dict(zip(data[group].unique(), rng.normal(size=data[group].nunique()),
                               strict=True))
            eta = eta + spread * data[group].map(effects).to_numpy()
        if kind in MORE:
            errors = rng.normal(size=len(data))
            if kind == "slopes":
                bend = dict(zip(data["plot"].unique(), rng.normal(size=data["plot"].nunique()),
                                strict=True))
                errors += rng.choice([0.1, 0.4]) * data["look"] * data["plot"].map(bend)
                formula += " + look"
            elif kind == "serial":
                rho = float(rng.uniform(-0.3, 0.85))
                for i in np.flatnonzero(data["plant"].to_numpy()[1:] == data["plant"][:-1]) + 1:
                    errors[i] = rho * errors[i - 1] + np.sqrt(1.0 - rho**2) * errors[i]
            else:
                sds = {v: float(rng.uniform(0.3, 2.0)) for v in data["variety"].unique()}
                errors *= data["variety"].map(sds).to_numpy()
            data["y"] = 10.0 + eta + errors
        elif kind == "lmm":
            data["y"] = 10.0 + eta + rng.normal(size=len(data))
        elif kind == "poisson":
            data["y"] = rng.poisson(np.exp(1.0 + eta)).astype(float)
        elif kind == "negative-binomial":
            size = float(rng.uniform(0.8, 4.0))
            data["y"] = rng.poisson(rng.gamma(size, np.exp(1.0 + eta) / size)).astype(float)
        elif kind == "binomial":
            data["y"] = (rng.random(len(data)) < 1.0 / (1.0 + np.exp(-eta))).astype(float)
        else:
            data["y"] = 1 + np.digitize(eta + rng.logistic(size=len(data)), [-1.0, 0.2, 1.2])
        ends = data.groupby("variety")["y"].agg(["min", "max"])
        if kind in {"lmm", *MORE} or (ends["min"] < ends["max"]).all():
            return data, {"kind": kind, "formula": formula, "groups": groups}


def layouts(
    seed: int, count: int, kinds: Sequence[str] = KINDS
) -> dict[str, tuple[pd.DataFrame, dict[str, Any]]]:
    rng = np.random.default_rng(seed)
    turns = [kinds[i % len(kinds)] for i in range(count)]
    return {f"{kind}-{i:02d}": layout(kind, rng) for i, kind in enumerate(turns)}


def ours(data: pd.DataFrame, model: dict[str, Any]) -> dict[str, Any]:
    kind, formula, groups = model["kind"], model["formula"], model["groups"]
    fit: Any
    if kind in {"serial", "by-variety"}:
        errors = {"serial": {"plant": "look"}} if kind == "serial" else {"residual_by": "variety"}
        fit, sd = fit_structured(formula, data, groups, **errors), {}
    elif kind == "slopes":
        fit = fit_lmm(formula, data, ["block"], {"plot": ["look"]})
        sd = {**fit.group_sd, "Residual": fit.residual_sd}
    elif kind == "lmm":
        fit = fit_lmm(formula, data, groups)
        sd = {**fit.group_sd, "Residual": fit.residual_sd}
    elif kind == "ordered":
        fit = fit_ordered(formula, data, groups)
        values = {**fit.thresholds, **fit.effects}
        return {"objective": fit.objective, "fixed": values,
                "se": np.sqrt(np.diagonal(fit.joint)).tolist(), "sd": dict(fit.group_sd)}
    else:
        fit = fit_glmm(formula, data, kind, groups=groups)
        sd = dict(fit.group_sd)
    return {"objective": fit.objective, "fixed": dict(fit.fixed),
            "se": np.sqrt(np.diagonal(fit.cov_fixed)).tolist(), "sd": sd}


def by_r(made: dict[str, tuple[pd.DataFrame, dict[str, Any]]]) -> dict[str, Any]:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for title, (data, _) in made.items():
            data.to_csv(folder / f"{title}.csv", index=False)
        (folder / "jobs.json").write_text(json.dumps(
            [{"name": title, **model} for title, (_, model) in made.items()]))
        (folder / "fit.R").write_text(R)
        subprocess.run(["Rscript", str(folder / "fit.R"), name], check=True)
        values: dict[str, Any] = json.loads((folder / "out.json").read_text())
        return values


def disagreement(own: dict[str, Any], other: dict[str, Any]) -> dict[str, float]:
    """objective: ours less R's (above zero: R found a better fit); fixed: in standard errors; se:
    relative; sd: absolute."""
    se, fixed = np.array(own["se"]), np.array(list(own["fixed"].values()))
    return {
        "objective": own["objective"] - other["objective"],
        "fixed": float(np.max(np.abs(fixed - list(other["fixed"].values())) / se)),
        "se": float(np.max(np.abs(se / np.array(other["se"]) - 1.0))),
        "sd": max((abs(own["sd"][g] - v) for g, v in dict(other["sd"]).items()), default=0.0),
    }


def table(made: dict[str, Any], values: dict[str, Any]) -> pd.DataFrame:
    """A row a layout: its kind and `disagreement`; layouts that R could not fit are left out."""
    rows = {}
    for title, (data, model) in made.items():
        if "error" not in values[title]:
            rows[title] = {"kind": model["kind"],
                           **disagreement(ours(data, model), values[title])}
    return pd.DataFrame(rows).T


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--layouts", type=int, default=LAYOUTS)
    parser.add_argument("--kinds", nargs="+", choices=[*KINDS, *MORE], default=KINDS)
    parser.add_argument("--store", action="store_true")
    options = parser.parse_args()
    made = layouts(options.seed, options.layouts, options.kinds)
    stored = (options.seed, options.layouts, tuple(options.kinds)) == (SEED, LAYOUTS, KINDS)
    if options.store or not stored:
        if shutil.which("Rscript") is None:
            raise SystemExit("Rscript is not installed; run without --seed for the stored values.")
        values = by_r(made)
        if options.store:
            STORED.write_text(json.dumps(values, indent=1) + "\n")
    else:
        values = json.loads(STORED.read_text())
    found = table(made, values)
    print(found.to_string())
    size = found.drop(columns="kind").astype(float)
    print(size.assign(kind=found["kind"]).groupby("kind").agg(
        {"objective": ["min", "max"], "fixed": "max", "se": "max", "sd": "max"}).to_string())


if __name__ == "__main__":
    main()
