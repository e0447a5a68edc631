"""A tasting told: what was liked better, by how much, and what that cannot show.

On a page of its own beside the tasting (`tasting/result.html`), with no script and no network, and
in short in the trial's report.
"""

from __future__ import annotations

import math

import pandas as pd

import trialkit
from trialkit import plots
from trialkit.cautions import TASTING, deferring_food
from trialkit.models.own import (
    TASTING_NOTE,
    TastingResult,
    fewest_right,
    tasting_result,
    triangle_test,
)
from trialkit.records import RecordsError
from trialkit.records.tastings import (
    HIGHEST,
    LOWEST,
    PLACE,
    RESULT,
    Tasted,
    Triangle,
)
from trialkit.report.blocks import Block, bullets, paragraphs, part, show, tabled, whole
from trialkit.report.measures import joined
from trialkit.report.opentrial import OpenTrial, told
from trialkit.wording import chance, few, number

SCALE = f"{LOWEST} to {HIGHEST} points"


def tasting_page(tasted: Tasted, title: str, check: str | None = None) -> Block:
    """The page, and the same in plain words for a terminal."""
    sections: list[tuple[str, Block, list[str]]] = []
    method: list[str] = []
    for trait in dict.fromkeys(tasted.scores["trait"]):
        scores = tasted.scores[tasted.scores["trait"] == trait]
        try:
            result = tasting_result(scores, str(trait))
        except ValueError as error:
            sections.append((str(trait), paragraphs([str(error)]), [str(error)]))
            continue
        sections.append(_section(result, scores, len(sections), check))
        method.append(_method(result))
    if tasted.triangles:
        said = [triangle_words(test) for test in tasted.triangles]
        names = [name for test in tasted.triangles for name in (test.first, test.second)]
        sections.append(("Can tasters tell them apart?", paragraphs(said, names), said))
        method.append("Triangle test: the exact chance of so many right by guessing one in three "
                      "(binomial).")
    cautions = [f"{about}: {text}." for about, text in TASTING]
    html = whole(
        "tasting",
        title=f"How they taste: {title}",
        sections=[(heading, block.html) for heading, block, _ in sections],
        note=TASTING_NOTE,
        method=method,
        cautions=bullets([*cautions, deferring_food("this page")]).html,
        footer=f"Made with trialkit {trialkit.__version__}.",
    )
    lines = [line for _, _, said in sections for line in said]
    return Block(html, "\n".join([*lines, TASTING_NOTE] if lines else []))


def _section(
    result: TastingResult, scores: pd.DataFrame, at: int, check: str | None
) -> tuple[str, Block, list[str]]:
    names = result.means["variety"].tolist()
    best, *others = answers(result)
    answer = joined([paragraphs([best], names, kind="answer"), bullets(others, names)])
    picture = show(
        plots.compared(
            result.means, f"{result.trait}, {SCALE}",
            "The line is the likely range: other tasters like these would probably put it there.",
            check,
        ),
        f"tasting-{at}", names,
    )  # fmt: skip
    shares = _who_gave_which(result, scores, at, check)
    figures = result.means[["estimate", "low", "high", "tasters"]].to_numpy(dtype=float)
    rows = [
        [str(name), f"{points:.1f}", f"{low:.1f} to {high:.1f}", f"{tasters:.0f}"]
        for name, (points, low, high, tasters) in zip(names, figures, strict=True)
    ]
    table = tabled(f"{result.trait.capitalize()}, {SCALE}",
                   ["Variety", "Points", "Likely range", "Tasters"], rows)
    html = "\n".join((answer.html, picture.html, shares.html, table.html))
    return result.trait, Block(html, answer.plain), result.text.splitlines()


def _who_gave_which(
    result: TastingResult, scores: pd.DataFrame, at: int, check: str | None
) -> Block:
    """The scores as ordered categories: of each variety the share of tasters who gave each."""
    names = result.means["variety"].tolist()
    counts = pd.crosstab(scores["variety"], scores["score"].astype(int)).reindex(
        index=names, columns=range(LOWEST, HIGHEST + 1), fill_value=0)
    return show(plots.scores(
        counts, result.trait, f"Each bar: all who scored it, parted by score, {LOWEST} to "
        f"{HIGHEST}; the darker the higher.", check), f"tasting-scores-{at}", names)


@told
def tasting(trial: OpenTrial) -> Block:
    """What the club's tasting says, where one was held; nothing where none was."""
    tasted = trial.tasted
    if tasted is None or isinstance(tasted, RecordsError):
        return Block("", "") if tasted is None else paragraphs([
            f"The tasting can't be read: {len(tasted.problems)} problems in its files. trialkit "
            "tasting names them."])
    blocks: list[Block] = []
    for at, trait in enumerate(dict.fromkeys(tasted.scores["trait"])):
        scores = tasted.scores[tasted.scores["trait"] == trait]
        try:
            result = tasting_result(scores, str(trait))
        except ValueError as error:
            blocks.append(paragraphs([str(error)], trial.names))
            continue
        blocks += [paragraphs(answers(result), result.means["variety"]),
                   _who_gave_which(result, scores, at, trial.records.trial.check)]
    if tasted.triangles:
        names = [name for test in tasted.triangles for name in (test.first, test.second)]
        blocks.append(paragraphs([triangle_words(test) for test in tasted.triangles], names))
    blocks.append(paragraphs([TASTING_NOTE]))
    blocks.append(bullets([*(f"{about}: {text}." for about, text in TASTING),
                           deferring_food("this page")]))
    if not trial.shared and (trial.records.folder / PLACE / RESULT).is_file():
        html = part("link", place=f"../{PLACE}/{RESULT}", text="The whole page of the tasting")
        blocks.append(Block(html, f"The whole page: {PLACE}/{RESULT}"))
    return joined(blocks)


def answers(result: TastingResult) -> list[str]:
    """Which scored highest and what is too close to it, which scored above which and by how much,
    who scored; first of all that nothing can be told, where that is so."""
    best = plots.Estimate.of(result.means.head(1))[0]
    lead = (f"{best.variety} scored highest for {result.trait}: {best.estimate:.1f} of {HIGHEST} "
            f"points (likely range {best.low:.1f} to {best.high:.1f}).")
    scored = f"{result.tasters} tasters scored {result.trait} from {LOWEST} to {HIGHEST}."
    out = []
    ordered = result.pairs.sort_values("estimate", key=abs, ascending=False)
    for pair in ordered.itertuples():
        by, low, high = (float(str(v)) for v in (pair.estimate, pair.low, pair.high))
        if low > 0 or high < 0:
            better, other = (pair.left, pair.right) if by > 0 else (pair.right, pair.left)
            least, most = sorted((abs(low), abs(high)))
            from_ = "just above 0" if least < 0.05 else f"{least:.1f}"
            out.append(f"{better} scored {abs(by):.1f} points above {other} (likely range "
                       f"{from_} to {most:.1f}).")  # fmt: skip
    if not out:
        return ["These tasters can't separate the varieties. That doesn't make them equal.", lead,
                scored]
    close = [other for left, right, low, high in result.pairs[["left", "right", "low", "high"]]
             .itertuples(index=False, name=None) if best.variety in (left, right)
             and low <= 0 <= high for other in (left, right) if other != best.variety]
    if close:
        lead += f" {few([best.variety, *close])} are too close to call."
    if len(out) < len(result.pairs) - len(close):
        out.append("The other pairs are too close to call.")
    return [lead, *out, scored]


def _method(result: TastingResult) -> str:
    said = (f"{result.trait}: a linear mixed model with tasters random, means with 95 % intervals, "
            "pairs by Tukey and Kramer, all held at once at 95 %.")  # fmt: skip
    if math.isfinite(result.p):
        return said + (f" As ordered categories (cumulative logit, tasters random), all alike: "
                       f"chi-squared {number(result.statistic, 3)}, {result.df} df, p "
                       f"{chance(result.p)}.")  # fmt: skip
    return f"{said} As ordered categories it could not be fitted: {result.ordered_why}"


def triangle_words(test: Triangle) -> str:
    """What a triangle test of two varieties says."""
    both = f"{test.first} from {test.second}" if test.first else "the two apart"
    lead = f"{test.right} of {test.tasted} tasters named the odd cup of three."
    if triangle_test(test.right, test.tasted) <= 0.05:
        return (f"Tasters can tell {both}: {lead} Guessing gives so many at most 1 time in 20.")
    needed = fewest_right(test.tasted)
    if needed is None:
        return f"{test.tasted} tasters are too few to show anything. Ask at least 3."
    return (f"These tasters could not tell {both}: {lead} That could be guessing; {needed} would "
            "be needed. It doesn't make them alike.")  # fmt: skip
