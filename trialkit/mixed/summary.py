"""A fit as a page of text."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

if TYPE_CHECKING:
    from trialkit.mixed.glmm import GLMM
    from trialkit.mixed.lmm import LMM


def describe(fit: LMM | GLMM, kind: str, scale: str) -> str:
    """What was fitted to what, the spread of each grouping, and the fixed effects."""
    groups = ", ".join(f"{g.name} ({g.n_levels})" for g in fit.random.groupings) or "none"
    lines = [
        f"{kind}, {fit.method.upper()}: {fit.formula}",
        f"{fit.n} records; groupings (levels): {groups}",
        f"-2 log likelihood: {fit.objective:.4f}{'; ' + scale if scale else ''}",
        "",
        "Standard deviations",
        fit.group_sd.to_string() if len(fit.group_sd) else "  no grouping",
    ]
    if fit.boundary:
        lines.append(f"estimated on the boundary: {', '.join(fit.boundary)}")
    if fit.dropped:
        lines.append(f"left out, as other columns say the same: {', '.join(fit.dropped)}")
    errors = pd.Series(fit.cov_fixed.to_numpy().diagonal() ** 0.5, index=fit.fixed.index)
    table = pd.DataFrame({"estimate": fit.fixed, "se": errors})
    return "\n".join([*lines, "", "Fixed effects (se not adjusted for small samples)",
                      table.to_string()])
