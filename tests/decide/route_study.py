"""Simulation study: looking after every pick through the report's own route.

    python tests/decide/route_study.py             # about four minutes of processor time
    python tests/decide/route_study.py --model     # the model of every record, about five
    python tests/decide/route_study.py --quick     # either with a tenth of the seasons

Seasons are records, plants x picks (looks_records.py), judged as `conclude` judges them: looks at
plants, layout, plot totals after every pick, boundaries; where nothing is missed or lost by a
short way that gives the same numbers (test_route.py). With --model the model of every record is
fitted after every pick, to say what would happen if that decided.

Tables printed here are kept in tests/decide/README.md.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator

import numpy as np
from looks_records import LOOKS, Bed, looks_of_whole_seasons, plot_looks, season, until
from scipy.stats import binomtest, norm
from scipy.stats import t as student_t

from trialkit.decide.families import alpha_each
from trialkit.decide.outlook import always_z, boundary_z
from trialkit.decide.spending import alpha_for_few_df, on_normal_scale, spent
from trialkit.models.analysis import Analysis

SEED = 20261
NUMBER = np.arange(1.0, LOOKS + 1)
RULES = ("naive", "planned", "anytime", "end")


def by_totals(whole: Analysis, kind: Bed) -> np.ndarray:
    """estimate, se and df of every comparison at every look, shape (varieties - 1, looks, 3)."""
    found = plot_looks(whole)
    return np.array([
        [(one.estimate, one.se, one.df) for one in found[name, "A"]] for name in kind.names[1:]
    ])


def by_model(whole: Analysis, kind: Bed) -> np.ndarray:
    """The same from the model of every record, fitted after every pick."""
    out = np.full((kind.varieties - 1, LOOKS, 3), np.nan)
    for look in range(1, LOOKS + 1):
        pods = until(whole, look).pods
        where = {name: at for at, name in enumerate(pods.varieties)}
        check = where["A"]
        for row, name in enumerate(kind.names[1:]):
            at, c = where[name], pods.covariance
            se = np.sqrt(c[at, at] + c[check, check] - 2.0 * c[at, check])
            out[row, look - 1] = pods.log_rate[at] - pods.log_rate[check], se, pods.df
    return out


def first_claims(looks: np.ndarray, kind: Bed) -> dict[str, np.ndarray]:
    """Look of the first claim (0: never) and its sign, by rule; shape (varieties - 1, 2)."""
    each = alpha_each(kind.varieties, True)
    out = {name: np.zeros((len(looks), 2)) for name in RULES}
    for row, (estimate, se, df) in enumerate(np.moveaxis(looks, 2, 1)):
        z = on_normal_scale(estimate / se, df)
        p = 2.0 * student_t.sf(np.abs(estimate / se), df)
        information = 1.0 / se**2
        edges = {"naive": np.where(p < 0.05, 0.0, np.inf)}
        edges["end"] = np.where((p < each) & (NUMBER == LOOKS), 0.0, np.inf)
        edges["anytime"] = always_z(information, each)
        # Whoever crosses at a look has |Z| past the quantile of all alpha spent by then.
        least = norm.isf(spent(NUMBER / LOOKS, alpha_for_few_df(each, df[0])) / 2.0)
        near = (np.abs(z) >= least).any()
        edges["planned"] = (
            boundary_z(information, NUMBER, df[0], LOOKS, each) if near else np.full(LOOKS, np.inf)
        )
        for name, edge in edges.items():
            crossed = np.flatnonzero(np.abs(z) >= edge)
            if crossed.size:
                out[name][row] = crossed[0] + 1, np.sign(z[crossed[0]])
    return out


def lots(number: int, seasons: int) -> list[np.random.Generator]:
    return [np.random.default_rng([SEED, number, one]) for one in range(seasons)]


def study(kind: Bed, seasons: int, number: int, model: bool = False) -> dict[str, np.ndarray]:
    """First claims of every season by rule, (seasons, varieties - 1, 2); by totals or the model."""
    drawn = lots(number, seasons)
    if model:
        every = (by_model(season(kind, lot), kind) for lot in drawn)
    elif kind.lost or kind.missed:
        every = (by_totals(season(kind, lot), kind) for lot in drawn)
    else:
        every = short_way(kind, drawn)
    claims = [first_claims(looks, kind) for looks in every]
    return {name: np.array([one[name] for one in claims]) for name in RULES}


def short_way(kind: Bed, lots: list[np.random.Generator]) -> Iterator[np.ndarray]:
    """As `by_totals`, for many seasons at once."""
    estimate, se = looks_of_whole_seasons(kind, lots)
    df = np.full(LOOKS, (kind.blocks - 1.0) * (kind.varieties - 1.0))
    for one, errors in zip(estimate, se, strict=True):
        yield np.array([
            np.column_stack([column, error, df])
            for column, error in zip(one.T, errors.T, strict=True)
        ])


def percent(claims: np.ndarray) -> str:
    """Share of seasons with a claim, and its 95 % interval (Wilson)."""
    some = (claims[:, :, 0] > 0).any(axis=1)
    ends = binomtest(int(some.sum()), some.size).proportion_ci(method="wilson")
    return f"{100 * some.mean():.1f} ({100 * ends.low:.1f} to {100 * ends.high:.1f})"


def setting(kind: Bed, seasons: int) -> list[str]:
    gone = f"{100 * kind.lost:.0f} and {100 * kind.missed:.0f}" if kind.lost else ""
    return [str(kind.blocks), str(kind.varieties), str(kind.plot_sd), gone, str(seasons)]


def heading(*names: str) -> None:
    head = ["blocks", "varieties", "plot sd", "lost, missed %", "seasons", *names]
    print("| " + " | ".join(head) + " |\n" + "|---" * len(head) + "|")


def false_winners(share: int) -> None:
    print("\nFalse winners, % of seasons (95 % interval); no true difference, 20 looks\n")
    heading("naive", "planned", "anytime")
    kinds = [(Bed(b, 2, sd), 1500) for b in (3, 4) for sd in (0.0, 0.1, 0.3)]
    kinds += [(Bed(b, 5, 0.1), 500) for b in (3, 4)]
    kinds += [(Bed(4, 2, 0.1, lost=0.2, missed=0.15), 200)]
    for number, (kind, seasons) in enumerate(kinds):
        found = study(kind, seasons // share, number)
        row = setting(kind, seasons // share)
        row += [percent(found[name]) for name in ("naive", "planned", "anytime")]
        print("| " + " | ".join(row) + " |", flush=True)


def sooner(share: int) -> None:
    print("\nOne variety 1.5 times the check: settled rightly by look 20 (%), and how soon\n")
    one = ("settled", "median look", "picks sooner")
    heading("one test at the end", *(f"{name}: {what}" for name in ("planned", "anytime")
                                    for what in one))
    kinds = [(Bed(b, 2, sd, 1.5), 300) for b in (3, 4) for sd in (0.0, 0.1, 0.2)]
    kinds += [(Bed(b, 5, 0.1, 1.5), 150) for b in (3, 4)]
    kinds += [(Bed(4, 2, 0.1, 1.5, lost=0.2, missed=0.15), 100)]
    for number, (kind, seasons) in enumerate(kinds):
        found = study(kind, seasons // share, 100 + number)
        row = setting(kind, seasons // share)
        for name in ("end", "planned", "anytime"):
            look, sign = found[name][:, -1].T
            right = look[sign > 0]
            row.append(f"{100 * right.size / look.size:.0f}")
            if name != "end":
                row.append(f"{np.median(right):.0f}" if right.size else "")
                row.append(f"{LOOKS - right.mean():.1f}" if right.size else "")
        print("| " + " | ".join(row) + " |", flush=True)


def by_every_record(share: int) -> None:
    print("\nIf the model of every record decided: % of seasons (95 % interval) with a claim\n")
    heading("ratio", "naive", "planned", "naive, totals", "planned, totals")
    for number, kind in enumerate([Bed(3, 2, 0.0), Bed(3, 2, 0.1), Bed(4, 2, 0.1, 1.5)]):
        seasons = 40 // share
        model = study(kind, seasons, 200 + number, model=True)
        totals = study(kind, seasons, 200 + number)
        row = [*setting(kind, seasons), str(kind.ratio)]
        row += [percent(one[name]) for one in (model, totals) for name in ("naive", "planned")]
        print("| " + " | ".join(row) + " |", flush=True)


if __name__ == "__main__":
    part = 10 if "--quick" in sys.argv else 1
    if "--model" in sys.argv:
        by_every_record(part)
    else:
        false_winners(part)
        sooner(part)
