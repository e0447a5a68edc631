"""One row of each variety: how unlike rows would have to be to explain what was seen."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd

from trialkit.design.audit import RowsExplain, row_sd_to_explain
from trialkit.models.analysis import Analysis
from trialkit.models.counting import unit_index
from trialkit.models.results import Missing


class SeenRows(NamedTuple):
    """How much rows or plots of one variety differed in the grower's own replicated trials.

    sd: standard deviation of logarithms; high: the upper end of its 95 % interval, infinite where
    those trials set none."""

    sd: float
    high: float


def rows_alone(analysis: Analysis, seen: SeenRows | None = None) -> RowsExplain | None:
    """The row-to-row sd that would explain the largest difference between varieties away.

    None unless every variety stood in one row or plot alone and two of them gave something.
    Worked on ratios of the rows' means a plant; the scatter of the plants within the rows is
    taken out first (`design.audit.row_sd_to_explain`).
    """
    each = analysis.ground.units.groupby("variety").size()
    if analysis.ground.supported or len(each) < 2 or (each > 1).any():
        return None
    plants = _of_plants(analysis)
    if plants is None:
        return None
    rows = plants.groupby("variety")["value"].agg(["mean", "var", "size"])
    rows = rows[rows["mean"] > 0]
    if len(rows) < 2:
        return None
    pooled = float(np.average(
        (rows["var"] / rows["mean"] ** 2).fillna(0.0), weights=np.maximum(rows["size"] - 1, 1e-9)))
    mean, size = rows["mean"].to_numpy(float), rows["size"].to_numpy(float)
    top, bottom = int(mean.argmax()), int(mean.argmin())
    within = float(np.sqrt(pooled * (1.0 / size[top] + 1.0 / size[bottom])))
    return row_sd_to_explain(
        float(np.log(mean[top] / mean[bottom])), within, len(rows),
        seen_sd=None if seen is None else seen.sd, seen_high=None if seen is None else seen.high,
    )


def _of_plants(analysis: Analysis) -> pd.DataFrame | None:
    """variety, value: of each plant, its pods against an average plant's, or what it weighed."""
    if not isinstance(analysis.pods, Missing):
        index = unit_index(analysis.pods.looks, "plant")
        return pd.DataFrame({"variety": index["variety"].astype(str),
                             "value": np.exp(index["log_index"])})
    if isinstance(analysis.harvest, Missing):
        return None
    dug = analysis.records.harvest
    measured = "weight_g" if dug["weight_g"].notna().any() else "count"
    total = dug.dropna(subset=[measured]).groupby("plant")[measured].sum()
    variety = analysis.records.plants.drop_duplicates("plant").set_index("plant")["variety"]
    return pd.DataFrame({"variety": variety.reindex(total.index).astype(str),
                         "value": total.astype(float)})
