"""Simulation study: looking after every pick, with and without the rules of trialkit.decide.

    python tests/decide/looks_study.py            # all tables, half an hour
    python tests/decide/looks_study.py --quick    # a tenth of the seasons
    python tests/decide/looks_study.py --giving-up    # the last table alone, minutes

Each season is a randomised complete block trial seen after each of 20 picks. On the log scale
a plot's value at a pick is block + plot + pick part; plots keep their part all season, pick
parts are new every time (or carry over with correlation `carry`). After every pick the plot
means so far are analysed: in balanced data that is the mixed-model analysis. Contrasts with the
check get a t statistic with (b - 1)(v - 1) degrees of freedom. Blocks drop out of contrasts and
are left out. The last table draws counts instead: a Poisson number of pods per plot and pick.

Tables printed here are kept in tests/decide/README.md.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
from scipy.stats import binomtest, norm

from trialkit.decide.looks import (
    HOPELESS,
    IN_A_ROW,
    WORTHWHILE_RATIO,
    Look,
    always_z,
    boundary_z,
    chances,
    evaluate_looks,
)
from trialkit.decide.spending import (
    alpha_each,
    alpha_for_few_df,
    boundaries,
    on_normal_scale,
    spent,
)

LOOKS = 20
SEED = 20260


@dataclass(frozen=True)
class Garden:
    """One kind of season. plot_sd, pick_sd: log scale; ratio: first variety over the check."""

    blocks: int
    varieties: int
    plot_sd: float
    pick_sd: float
    ratio: float = 1.0
    carry: float = 0.0
    pods: float = 0.0

    @property
    def df(self) -> int:
        return (self.blocks - 1) * (self.varieties - 1)


@dataclass(frozen=True)
class Seasons:
    """estimate: (seasons, looks, varieties - 1) against the check; se: (seasons, looks)."""

    estimate: np.ndarray
    se: np.ndarray
    df: int

    @property
    def z(self) -> np.ndarray:
        return on_normal_scale(self.estimate / self.se[..., None], self.df)


def grow(garden: Garden, seasons: int, rng: np.random.Generator) -> Seasons:
    """Draw seasons and analyse each after every pick."""
    shape = (seasons, LOOKS, garden.blocks, garden.varieties)
    noise = rng.normal(0.0, garden.pick_sd, shape)
    for k in range(1, LOOKS):
        fresh = np.sqrt(1.0 - garden.carry**2)
        noise[:, k] = garden.carry * noise[:, k - 1] + fresh * noise[:, k]
    plot = rng.normal(0.0, garden.plot_sd, (seasons, 1, garden.blocks, garden.varieties))
    effect = np.zeros(garden.varieties)
    effect[1] = np.log(garden.ratio)  # variety 0 is the check
    value = noise + plot + effect
    if garden.pods > 0:  # counts: total pods so far, analysed as log totals
        totals = np.cumsum(rng.poisson(garden.pods * np.exp(value)), axis=1)
        so_far = np.log(totals + 0.5)
    else:
        so_far = np.cumsum(value, axis=1) / np.arange(1, LOOKS + 1)[:, None, None]
    means = so_far.mean(axis=2)
    residual = so_far - means[:, :, None, :] - so_far.mean(axis=3, keepdims=True)
    residual += so_far.mean(axis=(2, 3), keepdims=True)
    mean_square = (residual**2).sum(axis=(2, 3)) / garden.df
    se = np.sqrt(2.0 * mean_square / garden.blocks)
    return Seasons(means[..., 1:] - means[..., :1], se, garden.df)


def first_crossing(z: np.ndarray, edge: np.ndarray) -> np.ndarray:
    """Look (1, 2, ...) at which |z| first reaches the edge, 0 for never; shape of z less looks."""
    crossed = np.abs(z) >= edge
    return np.where(crossed.any(axis=1), crossed.argmax(axis=1) + 1, 0)


def planned_edges(seasons: Seasons, alpha: float) -> np.ndarray:
    """Spending boundary of every season from its own standard errors, shape (seasons, looks, 1).

    Whoever crosses at look k has |Z_k| past the normal quantile of all alpha spent by then, so
    that seasons in which no look gets there need no boundary worked out.
    """
    edges = np.full(seasons.se.shape, np.inf)
    number = np.arange(1, LOOKS + 1)
    least = norm.isf(spent(number / LOOKS, alpha_for_few_df(alpha, seasons.df)) / 2)
    near = (np.abs(seasons.z) >= least[None, :, None]).any(axis=(1, 2))
    for one in np.flatnonzero(near):
        information = 1.0 / seasons.se[one] ** 2
        edges[one] = boundary_z(information, number, seasons.df, LOOKS, alpha)
    return edges[..., None]


def anytime_edges(seasons: Seasons, alpha: float) -> np.ndarray:
    information = 1.0 / seasons.se**2
    return np.array([always_z(one, alpha) for one in information])[..., None]


def rules(seasons: Seasons, garden: Garden) -> dict[str, np.ndarray]:
    """Look of the first claim by each rule, shape (seasons, varieties - 1)."""
    each = alpha_each(garden.varieties, True)
    dunnett = alpha_each(garden.varieties, True, how="dunnett", df=garden.df)
    z = seasons.z
    clock = np.arange(1, LOOKS + 1) / LOOKS
    by_count = boundaries(np.arange(1, LOOKS + 1), clock, each).z[None, :, None]
    planned = first_crossing(z, planned_edges(seasons, each))
    return {
        "naive": first_crossing(z, np.full((1, LOOKS, 1), norm.isf(0.025))),
        "shared": first_crossing(z, np.full((1, LOOKS, 1), norm.isf(each / 2))),
        "planned": planned,
        "planned, by count": first_crossing(z, by_count),
        "planned, Dunnett": first_crossing(z, planned_edges(seasons, dunnett))
        if garden.varieties > 2
        else planned,
        "anytime": first_crossing(z, anytime_edges(seasons, each)),
        "end": np.where(np.abs(z[:, -1]) >= norm.isf(each / 2), LOOKS, 0),
    }


def any_claim(claims: np.ndarray) -> float:
    return float((claims > 0).any(axis=1).mean())


def false_winners(seasons: int) -> None:
    """No true difference: share of seasons in which any variety is called different."""
    print("\nFalse winners, % of seasons (no true difference, 20 looks)\n")
    names = ["naive", "shared", "planned", "planned, by count", "planned, Dunnett", "anytime"]
    head = ["blocks", "varieties", "plot sd", "pick sd", "carry", "pods", "df", *names]
    print("| " + " | ".join(head) + " |")
    print("|" + "---|" * (7 + len(names)))
    gardens = [
        Garden(blocks, varieties, plot, 0.4)
        for blocks in (3, 4)
        for varieties in (2, 4)
        for plot in (0.0, 0.1, 0.3)
    ]
    gardens += [Garden(4, 6, 0.1, 0.4), Garden(4, 4, 0.1, 0.4, carry=0.5)]
    gardens += [Garden(3, 4, 0.1, 0.3, pods=6.0), Garden(4, 4, 0.1, 0.3, pods=6.0)]
    for number, garden in enumerate(gardens):
        found = rules(grow(garden, seasons, np.random.default_rng([SEED, number])), garden)
        row = [garden.blocks, garden.varieties, garden.plot_sd, garden.pick_sd, garden.carry]
        row += [garden.pods or "", garden.df]
        row += [f"{100 * any_claim(found[name]):.1f}" for name in names]
        print("| " + " | ".join(str(one) for one in row) + " |", flush=True)


def sooner(seasons: int) -> None:
    """One variety truly 1.5 times the check: how often and how soon it is settled."""
    print("\nOne variety 1.5 times the check: settled by look 20 (%), and when\n")
    print(
        "| blocks | varieties | plot sd | pick sd | pods | one test at the end | planned: settled "
        "| median look | picks sooner | anytime: settled | median look | picks sooner |"
    )
    print("|" + "---|" * 12)
    gardens = [
        Garden(blocks, varieties, plot, 0.4, 1.5)
        for blocks in (3, 4)
        for varieties in (2, 4)
        for plot in (0.0, 0.1, 0.2)
    ]
    gardens += [Garden(3, 4, 0.1, 0.3, 1.5, pods=6.0), Garden(4, 4, 0.1, 0.3, 1.5, pods=6.0)]
    for number, garden in enumerate(gardens):
        drawn = grow(garden, seasons, np.random.default_rng([SEED, 100 + number]))
        found = rules(drawn, garden)
        sign = drawn.estimate[..., 0]
        row = [garden.blocks, garden.varieties, garden.plot_sd, garden.pick_sd, garden.pods or ""]
        row.append(f"{100 * (found['end'][:, 0] > 0).mean():.0f}")
        for name in ("planned", "anytime"):
            when = found[name][:, 0]
            right = when > 0
            right &= sign[np.arange(when.size), np.maximum(when, 1) - 1] > 0
            row.append(f"{100 * right.mean():.0f}")
            row.append(f"{np.median(when[right]):.0f}" if right.any() else "")
            row.append(f"{LOOKS - when[right].mean():.1f}" if right.any() else "")
        print("| " + " | ".join(str(one) for one in row) + " |", flush=True)


def giving_up(seasons: int) -> None:
    """How often "will not be settled" is said of a season that the full run would settle."""
    print("\nGiving up: % of seasons (95 % interval) in which it was said before look 20, and in")
    print("which that was wrong (the rule would have settled it at a later look)\n")
    print("| blocks | varieties | ratio | plan | seasons | said | median look | wrongly |")
    print("|---|---|---|---|---|---|---|---|")
    kinds = [(3, 4, 1.5, LOOKS), (4, 4, 1.5, LOOKS), (3, 2, 1.5, LOOKS), (4, 4, 1.0, LOOKS),
             (3, 2, 1.0, LOOKS), (4, 4, 1.5, None), (4, 4, 1.0, None)]
    for number, (blocks, varieties, ratio, planned) in enumerate(kinds):
        garden = Garden(blocks, varieties, 0.1, 0.4, ratio)
        some = seasons if ratio > 1.0 else seasons // 3
        drawn = grow(garden, some, np.random.default_rng([SEED, 400 + number]))
        told = [
            gave_up(Seasons(drawn.estimate[one, :, :1], drawn.se[one], garden.df), planned,
                    alpha_each(varieties, True))
            for one in range(some)
        ]
        look, wrong = np.array(told).T
        row = [blocks, varieties, ratio, planned or "none", some, percent(look > 0)]
        row += [f"{np.median(look[look > 0]):.0f}" if look.any() else "", percent(wrong > 0)]
        print("| " + " | ".join(str(one) for one in row) + " |", flush=True)


def gave_up(season: Seasons, planned: int | None, alpha: float) -> tuple[int, bool]:
    """Look at which the first comparison was given up (0: never), and whether wrongly.

    As `evaluate_looks` would say look by look (test_anytime.py), with every boundary and chance
    worked out once.
    """
    start = date(2024, 6, 1)
    looks = [
        Look(start + timedelta(days=3 * k), season.estimate[k, 0], season.se[k], season.df)
        for k in range(LOOKS)
    ]
    final = evaluate_looks(looks, planned, alpha)
    history, worthwhile = final.history, float(np.log(WORTHWHILE_RATIO))
    before = LOOKS - 1 if final.settled_on is None else (final.settled_on - start).days // 3
    running = 0
    for k in range(1, before + 1):
        now = history.iloc[k - 1]
        if max(-now["low"], now["high"]) < worthwhile:
            return k, final.state == "settled"
        known = [one for one in chances(history.iloc[:k], planned, alpha, worthwhile)
                 if one is not None]
        running = running + 1 if known and max(known) < HOPELESS else 0
        if running == IN_A_ROW:
            return k, final.state == "settled"
    return 0, False


def percent(some: np.ndarray) -> str:
    """Share, and its 95 % interval (Wilson)."""
    ends = binomtest(int(some.sum()), some.size).proportion_ci(method="wilson")
    return f"{100 * some.mean():.1f} ({100 * ends.low:.1f} to {100 * ends.high:.1f})"


if __name__ == "__main__":
    share = 10 if "--quick" in sys.argv else 1
    if "--giving-up" not in sys.argv:
        false_winners(4000 // share)
        sooner(1000 // share)
    giving_up(150 // share)
