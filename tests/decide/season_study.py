"""How often what is claimed after a pick is false, in seasons whose varieties differ in timing.

    python tests/decide/season_study.py [SEASONS] [--only WORD] [--power] [--before]

prints the tables of tests/decide/README.md. A generator of its own, apart from the demo's: pods
ripen day by day along each variety's own curve (a bell over the season), plant by plant, and stay
on the plant until somebody looks. Plots and plants differ on the log scale, drift from day to day
(first-order autoregression), may lie on a gradient, may be spoilt.

Every look is judged as the newest: a claim is false where the variety said to be ahead had not
given more by that day, in expectation over the chance of plots, plants and days. Held at once:
share of seasons in which every comparison's interval holds, at every look, the true ratio up to
that look's day: of this 95 % are promised. One by one: share of intervals that hold it.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass, field
from itertools import combinations

import numpy as np
from scipy.stats import norm

from trialkit.decide.looks import Look, evaluate_looks
from trialkit.decide.ratio import FEW_PODS, LEAST_SHARE, layout_of
from trialkit.decide.series import BEYOND_REACH, needed_to_turn
from trialkit.decide.spending import (
    alpha_each,
    alpha_for_few_df,
    on_normal_scale,
    sharing,
    spent,
)
from trialkit.models.totals import Sightings, totals_at_looks

FIRST, LENGTH = 45, 60
"""Day of the first pick and days of picking."""


@dataclass(frozen=True)
class Setting:
    """One kind of season. late: days by variety; ratio: season totals by variety; the check is
    the first. every: days between picks by variety, offset: day of the first. spread: sd of plots
    by variety (log scale). lost: share of plants by variety lost between days 10 and 40 of
    picking. tails: degrees of freedom of plots' t distribution."""

    name: str
    late: tuple[float, ...] = (0.0, 0.0, 0.0)
    ratio: tuple[float, ...] = (1.0, 1.0, 1.0)
    blocks: int = 4
    plants: int = 4
    looks: int = 20
    planned: int | None = 20
    every: tuple[int, ...] | None = None
    offset: tuple[int, ...] = (0, 0, 0)
    spread: tuple[float, ...] = (0.15, 0.15, 0.15)
    lost: tuple[float, ...] = (0.0, 0.0, 0.0)
    skipped_empty: bool = False
    zeros: str = "written"
    missed: float = 0.0
    drift: float = 0.0
    gradient: float = 0.0
    tails: float = np.inf
    spoilt: bool = False
    pods: float = 40.0
    check: bool = True


SETTINGS = [
    Setting("plain"),
    Setting("plain, 3 blocks", blocks=3),
    Setting("plain, 10 looks", looks=10, planned=10),
    Setting("plain, no plan", planned=None),
    Setting("one 7 days late", late=(0, 7, 0)),
    Setting("one 14 days late", late=(0, 14, 0)),
    Setting("one 14 days late, 3 blocks", late=(0, 14, 0), blocks=3),
    Setting("one 14 days late, no plan", late=(0, 14, 0), planned=None),
    Setting("check 14 days late", late=(14, 0, 0)),
    Setting("own picking days", every=(3, 4, 6), offset=(0, 1, 2), late=(0, 7, 0)),
    Setting("skipped because empty, zeros written", skipped_empty=True, late=(0, 7, 0)),
    Setting("skipped because empty, zeros left out", skipped_empty=True, zeros="left out",
            late=(0, 7, 0)),
    Setting("one look in six missed", missed=1 / 6, late=(0, 7, 0)),
    Setting("days drift, AR(1) 0.8", drift=0.5),
    Setting("gradient along the row", gradient=0.6),
    Setting("heavy tails, t on 3", tails=3.0),
    Setting("one plot spoilt", spoilt=True),
    Setting("check's plots three times as uneven", spread=(0.36, 0.12, 0.12)),
    Setting("check three times as uneven, 3 blocks", spread=(0.36, 0.12, 0.12), blocks=3),
    Setting("check's plots five times as uneven", spread=(0.5, 0.1, 0.1)),
    Setting("another's plots three times as uneven", spread=(0.12, 0.36, 0.12)),
    Setting("five varieties, check three times as uneven", late=(0,) * 5, ratio=(1,) * 5,
            spread=(0.36, 0.12, 0.12, 0.12, 0.12), lost=(0,) * 5, offset=(0,) * 5),
    Setting("eight varieties, 3 blocks", late=(0,) * 8, ratio=(1,) * 8, blocks=3,
            spread=(0.15,) * 8, lost=(0,) * 8, offset=(0,) * 8),
    Setting("one 21 days late", late=(0, 21, 0)),
    Setting("one 14 days late, 1.3 times", late=(0, 14, 0), ratio=(1.0, 1.3, 1.0)),
    Setting("all pairs, one 14 days late", late=(0, 14, 0), check=False),
    Setting("all pairs, one three times as uneven", spread=(0.12, 0.36, 0.12), check=False),
    Setting("half of one variety lost", lost=(0.0, 0.5, 0.0)),
    Setting("few pods, 5 a plant", pods=5.0),
]
POWER = [
    Setting("plain", ratio=(1.0, 1.5, 1.0)),
    Setting("plain, 3 blocks", ratio=(1.0, 1.5, 1.0), blocks=3),
]


BOUNDS = (1.25, 1.5, BEYOND_REACH, 3.0)
"""Of R, from which a lead is called the season's (`decide.series`)."""


@dataclass
class Tally:
    seasons: int = 0
    false: int = 0
    false_end: int = 0
    false_season: dict[float, int] = field(default_factory=lambda: dict.fromkeys(BOUNDS, 0))
    season_said: dict[float, int] = field(default_factory=lambda: dict.fromkeys(BOUNDS, 0))
    right_end: int = 0
    held: int = 0
    held_end: int = 0
    covered: list[float] = field(default_factory=list)


def season(kind: Setting, rng: np.random.Generator):
    """Sightings of a season, the true totals a plant planted by variety and day, and each plant's
    block and its plot's place in it."""
    v, b, p = len(kind.late), kind.blocks, kind.plants
    n = v * b * p
    variety = np.tile(np.repeat(np.arange(v), p), b)
    plot = np.repeat(np.arange(v * b), p)
    block = np.repeat(np.arange(b), v * p)
    place = np.argsort(rng.random((b, v)), axis=1).ravel()[plot]
    days = np.arange(FIRST - 10, FIRST + LENGTH + 1)
    middle = FIRST + LENGTH / 2 + np.asarray(kind.late, dtype=float)
    curve = np.exp(-0.5 * ((days - middle[:, None]) / 15.0) ** 2)
    curve = curve / curve.sum(axis=1, keepdims=True) * kind.pods * np.asarray(kind.ratio)[:, None]
    noise = (rng.normal(size=v * b) if np.isinf(kind.tails) else
             rng.standard_t(kind.tails, v * b) / np.sqrt(3.0))
    spread = np.tile(kind.spread, b)
    # Plots of one variety give as much in the mean as those of another, however uneven they are.
    noise = noise * spread - (spread**2 / 2.0 if np.isinf(kind.tails) else 0.0)
    level = noise[plot] + rng.normal(0, 0.2, n)
    level += rng.normal(0, 0.2, b)[block] + kind.gradient * (place / max(v - 1, 1) - 0.5)
    if kind.spoilt:
        level[plot == rng.integers(v * b)] -= 1.2
    wave = np.zeros((n, len(days)))
    if kind.drift:
        for size, who in ((kind.drift, np.arange(n)), (0.6 * kind.drift, plot)):
            shock = rng.normal(size=(who.max() + 1, len(days)))
            for t in range(1, len(days)):
                shock[:, t] = 0.8 * shock[:, t - 1] + 0.6 * shock[:, t]
            wave += size * shock[who]
    mean = curve[variety] * np.exp(level[:, None] + wave)
    ripe = rng.poisson(mean * rng.gamma(4.0, 0.25, mean.shape)).astype(float)
    gone = np.full(n, np.inf)
    dies = rng.random(n) < np.asarray(kind.lost)[variety]
    gone[dies] = rng.integers(FIRST + 10, FIRST + 40, dies.sum())
    ripe[days[None, :] >= gone[:, None]] = 0.0
    gap = LENGTH // kind.looks
    looked = np.zeros((n, len(days)), dtype=bool)
    for k in range(v):
        step = gap if kind.every is None else kind.every[k]
        mine = np.isin(days, FIRST + kind.offset[k] + step * np.arange(LENGTH // step + 1))
        looked[variety == k] = mine
    looked[:, days > FIRST + gap * (kind.looks - 1) + 2] = False
    looked &= rng.random(looked.shape) >= kind.missed
    looked &= days[None, :] < gone[:, None]
    total = ripe.cumsum(axis=1)
    count = np.full(looked.shape, np.nan)
    for i in range(n):
        at = np.flatnonzero(looked[i])
        if kind.skipped_empty:
            # Glanced at, nothing seen: passed over, and half of the time no zero written.
            fresh = np.diff(total[i, at], prepend=0.0)
            at = at[(fresh > 0) | (rng.random(at.size) < (0.0 if kind.zeros != "written" else 0.5))]
        count[i, at] = np.diff(total[i, at], prepend=0.0)
    there = np.isfinite(count).any(axis=0)
    lost_share = np.asarray(kind.lost)[:, None] * np.clip((days - FIRST - 10) / 30.0, 0, 1)
    truth = np.cumsum(curve * (1 - lost_share), axis=1)
    seen = Sightings(count[:, there], days[there].astype(float), variety, plot, gone)
    return seen, truth[:, there], block, place


def compared(kind: Setting, totals: np.ndarray, variety: np.ndarray, block: np.ndarray,
             pairs: list[tuple[int, int]], place: np.ndarray):
    """Of each pair: log ratio, standard error and df at every look, (looks, 3), by the rule in use.

    totals: (plots, looks) of whole blocks, for which the fit is the product of the margins; that
    this is what the report does is checked in test_season_study.py."""
    some = np.isfinite(totals).all(axis=0)
    z = np.eye(kind.blocks)[block]
    layout = layout_of(variety, z[:, 1:] - z[:, :1])
    pods = np.zeros((int(some.sum()), len(kind.late), kind.blocks))
    pods[:, variety, block] = totals[:, some].T
    y = pods + 0.5 / kind.blocks
    of_variety, of_block = y.sum(axis=2), y.sum(axis=1)
    away = y * y.sum(axis=(1, 2))[:, None, None] / (
        of_variety[:, :, None] * of_block[:, None, :]) - 1.0
    away = away[:, variety, block] @ layout.rest.T
    squared = away**2 @ np.eye(len(kind.late))[variety]
    sloped = layout.on_slope(place[:, None].astype(float), away)
    heavy = ((of_block / of_block.sum(axis=1, keepdims=True)) ** 2).sum(axis=1)
    gave, out = pods.sum(axis=2), {}
    for left, right in pairs:
        found = np.full((totals.shape[1], 3), np.nan)
        both = gave[:, [left, right]]
        squares = np.isin(np.arange(len(kind.late)), (left, right)) / 1.0
        variance, df = layout.pair_error(left, right, squares, squared, in_all=kind.check)
        df = np.where(sloped, layout.cut(df), df)
        least = (np.where(both < FEW_PODS, 1.0, LEAST_SHARE) / (both + 0.5)).sum(axis=1)
        found[some] = np.column_stack([
            np.log(of_variety[:, left] / of_variety[:, right]),
            np.sqrt(np.maximum(variance * heavy, least)), np.broadcast_to(df, least.shape)])
        found[np.flatnonzero(some)[both.sum(axis=1) < FEW_PODS]] = np.nan
        out[left, right] = found
    return out


def compared_before(kind: Setting, totals: np.ndarray, variety: np.ndarray, block: np.ndarray,
                    pairs: list[tuple[int, int]], place: np.ndarray):
    """The same by the rule before: logarithms of totals, one error for all varieties."""
    now, out = compared(kind, totals, variety, block, pairs, place), {}
    logs = np.full((totals.shape[1], len(kind.late), kind.blocks), np.nan)
    logs[:, variety, block] = np.log(totals.T + 0.5)
    away = (logs - logs.mean(axis=1, keepdims=True) - logs.mean(axis=2, keepdims=True)
            + logs.mean(axis=(1, 2), keepdims=True))
    df = (len(kind.late) - 1.0) * (kind.blocks - 1)
    se = np.sqrt(2.0 * (away**2).sum(axis=(1, 2)) / df / kind.blocks)
    mean = logs.mean(axis=2)
    for left, right in pairs:
        found = np.column_stack([mean[:, left] - mean[:, right], se, np.full(len(se), df)])
        found[np.isnan(now[left, right][:, 0])] = np.nan
        out[left, right] = found
    return out


def judged(kind: Setting, rng: np.random.Generator, before: bool = False, *,
           whole: bool = True):
    """Of each comparison with the check: claims by look (-1, 0, 1), truth, low, high. whole: limits
    are worked out even where nothing can be claimed and every interval covers (then infinite)."""
    seen, truth, block, place = season(kind, rng)
    totals, common, _ = totals_at_looks(seen, kind.zeros, True)
    plots = totals.shape[0]
    variety = np.array([seen.variety[seen.plot == k][0] for k in range(plots)])
    of_block, of_place = (np.array([one[seen.plot == k][0] for k in range(plots)])
                          for one in (block, place))
    v = len(kind.late)
    pairs = [(k, 0) for k in range(1, v)] if kind.check else list(combinations(range(v), 2))
    found = (compared_before if before else compared)(
        kind, totals, variety, of_block, pairs, of_place)
    plots_df = (kind.blocks - 1.0) * (v - 1)
    series = {pair: [Look(ORIGIN[j], *map(float, row), plots_df) for j, row in enumerate(rows)]
              for pair, rows in found.items()}
    how = "bonferroni" if before else sharing(v, kind.check)
    each = alpha_each(v, kind.check, 0.05, how, plots_df)
    day = seen.day[common]
    gap = np.median(np.diff(day)) if len(day) > 1 else 1.0
    out = []
    for (left, right), looks in series.items():
        if not any(one.usable for one in looks):
            continue
        true = np.log(truth[left, common] / truth[right, common])
        season_true = float(np.log(truth[left, -1] / truth[right, -1]))
        if not whole:
            got = np.array([(one.estimate, one.se, one.df) for one in looks]).T
            beside = np.abs(on_normal_scale(np.stack([got[0], got[0] - true]) / got[1], got[2]))
            clock = np.arange(1.0, len(looks) + 1) / (kind.planned or np.nan)
            clock[-1] = 1.0
            by_then = np.where(clock <= 1.0, spent(clock, alpha_for_few_df(each, plots_df)), each)
            if not (beside > norm.isf(by_then / 2.0) - 0.01).any():
                # No boundary is below this: nothing is claimed, and every interval covers.
                known = np.where(np.isfinite(got[0]), np.inf, np.nan)
                none = np.zeros(len(looks))
                out.append((none, true, -known, known, none + np.nan, season_true))
                continue
        h = evaluate_looks(looks, kind.planned, each, last=True).history
        zs, edge = h["z"].to_numpy(float), h["z_boundary"].to_numpy(float)
        said = np.where(np.abs(zs) >= edge, np.sign(zs), 0.0)
        low, high = h["low"].to_numpy(float), h["high"].to_numpy(float)
        needed = np.full(len(day), np.nan)
        if kind.planned:
            for j in np.flatnonzero(said[:-1]):
                to_come = (kind.planned - j - 1) * gap
                least = np.exp(low[j] if said[j] > 0 else -high[j])
                needed[j] = (needed_to_turn(max(least, 1.0), day[j] - day[0] + gap, to_come)
                             if to_come > 0 else np.nan)
        out.append((said, true, low, high, needed, season_true))
    return out


from datetime import date, timedelta  # noqa: E402

ORIGIN = [date(2025, 6, 1) + timedelta(days=k) for k in range(400)]


def tally(kind: Setting, seasons: int, seed: int = 1, before: bool = False,
          start: int = 0) -> Tally:
    """start: number of the first season, of those with this seed."""
    out = Tally()
    for rng in np.random.default_rng([seed, len(kind.name)]).spawn(start + seasons)[start:]:
        found = judged(kind, rng, before, whole=False)
        out.seasons += 1
        wrong = wrong_end = right = missed = missed_end = False
        season_wrong, season_said = dict.fromkeys(BOUNDS, False), dict.fromkeys(BOUNDS, False)
        for said, true, low, high, needed, season_true in found:
            bad = (said != 0) & (said * true <= 1e-9)
            wrong |= bool(bad.any())
            wrong_end |= bool(bad[-1])
            right |= bool(said[-1] * true[-1] > 1e-9)
            known = ~np.isnan(low)
            outside = (true < low) | (true > high)
            missed |= bool(outside.any())
            missed_end |= bool(outside[-1])
            out.covered.append(1.0 - float(outside[known].mean()))
            for bound in BOUNDS:
                claim = needed >= bound
                season_said[bound] |= bool(claim.any())
                season_wrong[bound] |= bool((claim & (said * season_true <= 1e-9)).any())
        out.false += wrong
        out.false_end += wrong_end
        out.right_end += right
        out.held += not missed
        out.held_end += not missed_end
        for bound in BOUNDS:
            out.false_season[bound] += season_wrong[bound]
            out.season_said[bound] += season_said[bound]
    return out


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__)
    arguments.add_argument("seasons", nargs="?", type=int, default=1000)
    arguments.add_argument("--only", default="")
    arguments.add_argument("--start", type=int, default=0, help="number of the first season")
    arguments.add_argument("--before", action="store_true",
                           help="logarithms of totals, one error for all, Bonferroni")
    arguments.add_argument("--power", action="store_true", help="only true leads of 1.5 times")
    given = arguments.parse_args()
    print("| season | seasons | false at any look % | at the end % | for the season, R 1.25 | "
          "R 1.5 | R 2 | R 3 | held at once % | at the end % | one by one % |\n"
          + "|---" * 11 + "|")
    for kind in [] if given.power else SETTINGS:
        if given.only in kind.name:
            t = tally(kind, given.seasons, before=given.before, start=given.start)
            shares = [t.false, t.false_end, *t.false_season.values(), t.held, t.held_end]
            print(f"| {kind.name} | {t.seasons} | "
                  + " | ".join(f"{100 * n / t.seasons:.1f}" for n in shares)
                  + f" | {100 * np.mean(t.covered):.1f} |", flush=True)
    print("\n| one variety 1.5 times | seasons | named at the end % | for the season before % |\n"
          "|---|---|---|---|")
    for kind in POWER:
        if given.only in kind.name:
            t = tally(kind, given.seasons, before=given.before, start=given.start)
            said = t.season_said[BEYOND_REACH]
            print(f"| {kind.name} | {t.seasons} | {100 * t.right_end / t.seasons:.1f} | "
                  f"{100 * said / t.seasons:.1f} |", flush=True)


if __name__ == "__main__":
    main()
