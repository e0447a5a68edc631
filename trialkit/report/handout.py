"""What goes out of the house: one sheet to pin up, pictures for a chat, and what a club's pages are
made of.

All from the very facts of the report; the words are those of its first screen.  `sheet` gives a PDF
of one page, `card` a PNG, `alt_text` the same in words, `handed_on` plain facts for a club.
"""

from __future__ import annotations

import base64
import io
import warnings
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import asdict
from math import nan
from textwrap import wrap
from typing import Any, Literal, NamedTuple, cast

import matplotlib as mpl
import numpy as np
import pandas as pd
from matplotlib.figure import Figure
from matplotlib.path import Path as Outline

from trialkit import cautions, plots, wording
from trialkit.design.bed import variety_letters
from trialkit.design.paper import text_width, wrapped
from trialkit.gardens.stage_one import Failed, TrialMeans, means_of
from trialkit.models.results import ALPHA
from trialkit.models.window import EarlyResult
from trialkit.report import answer
from trialkit.report.answer import day_of, leader, table_rows
from trialkit.report.blocks import Block
from trialkit.report.figures import bed_plants, compared_picture, compared_rows
from trialkit.report.opentrial import CellStop, OpenTrial, told
from trialkit.trial import EARLY, QUESTIONS

Paper = Literal["A4", "Letter"]
PAPERS: dict[str, tuple[float, float]] = {"A4": (8.27, 11.69), "Letter": (8.5, 11.0)}
"""Inches (ISO 216; ANSI/ASME Y14.1)."""

CARDS: dict[str, tuple[int, int]] = {"square": (1080, 1080), "wide": (1200, 630)}
"""Pixels across and down."""

SMALLEST = 24.0
"""Points at 100 dots an inch: shown at a third of its size a card's letters are still 11 pixels."""

DPI = 100
MM = 25.4
"""In an inch."""
LEAF = "#1e5b3c"

_TWO_BARS = Outline(
    [(-1, 0.15), (1, 0.15), (1, 0.75), (-1, 0.75), (-1, 0.15),
     (-1, -0.75), (1, -0.75), (1, -0.15), (-1, -0.15), (-1, -0.75)],
    [Outline.MOVETO, *[Outline.LINETO] * 3, Outline.CLOSEPOLY] * 2)
SHAPES: dict[str, dict[str, Any]] = {
    "Firm": {"marker": "o"}, "Leaning": {"marker": "o", "fillstyle": "left"},
    "Too close": {"marker": "D", "fillstyle": "left"},
    "Level": {"marker": _TWO_BARS}, "Too soon": {"marker": "o", "fillstyle": "none"},
    "No comparison": {"marker": "x", "markeredgewidth": 3},
}


class Front(NamedTuple):
    """The first screen of the report.  rows: variety, estimate, low, high; None without any."""

    title: str
    under: str
    leader: str
    mark: str
    means: str
    sentence: str
    next: str
    rows: pd.DataFrame | None
    label: str
    check: str | None
    invented: bool


def front(trial: OpenTrial) -> Front:
    """The facts of the first screen."""
    about, verdict = trial.records.trial, trial.conclusion.verdict
    leads, means = leader(trial)
    shown = compared_rows(trial)
    under = f"{wording.capital(about.crop)}, {day_of(trial)}"
    return Front(about.title, under, leads, verdict.mark, means, verdict.sentence,
                 verdict.next_step, None if shown is None else shown[0],
                 "" if shown is None else shown[1], about.check, about.invented)


def alt_text(summary: Front) -> str:
    """A card in words, for who cannot see it."""
    said = [f"{summary.title}. {summary.under}.",
            f"{summary.leader}. {summary.mark}: {summary.means}.", summary.sentence]
    if summary.rows is not None:
        figures = "; ".join(
            f"{row.variety} {wording.rounded(row.estimate)}" for row in
            plots.Estimate.of(summary.rows))
        said.append(f"{wording.capital(summary.label)}: {figures}.")
    if summary.invented:
        said.append(answer.INVENTED)
    return " ".join(said)


def card(summary: Front, kind: str) -> bytes:
    """The picture as PNG, CARDS[kind] pixels."""
    across, down = CARDS[kind]
    with _style(SMALLEST):
        figure = Figure(figsize=(across / DPI, down / DPI), dpi=DPI, facecolor=plots.PAPER)
        page = _Page(figure, 0.45)
        page.floor = 0.6
        if kind == "wide":
            page.right = across / DPI * 0.54
        page.text(summary.under, SMALLEST, colour=plots.MUTED, most=2)
        page.text(summary.leader, 46 if kind == "square" else 40, bold=True, most=3, colour=LEAF)
        page.mark(summary.mark, summary.means, 28 if kind == "square" else SMALLEST)
        page.text(summary.sentence, SMALLEST, most=5 if kind == "square" else 7)
        note = "trialkit" + (f" · {answer.INVENTED.rstrip('.')}" if summary.invented else "")
        if summary.rows is not None:
            if kind == "square":
                page.chart(summary, page.left, page.down, across / DPI - 0.4, 0.75, 8)
            else:
                page.chart(summary, across / DPI * 0.56, down / DPI - 0.35, across / DPI - 0.35,
                           0.7, 8)
        figure.text(0.45 / (across / DPI), 0.2 / (down / DPI), note, fontsize=SMALLEST * 0.85,
                    color=plots.MUTED, va="bottom")
        out = io.BytesIO()
        figure.savefig(out, format="png", dpi=DPI, facecolor=plots.PAPER,
                       metadata={"Software": None, "Title": summary.title})
    return out.getvalue()


def files(trial: OpenTrial, paper: Paper = "A4", address: str = "") -> dict[str, bytes]:
    """The sheet, the pictures and their words: the end of each file's name, and what is in it."""
    first = front(trial)
    made = {".pdf": sheet(trial, paper, address)}
    for kind in CARDS:
        made[f"-{kind}.png"] = card(first, kind)
        made[f"-{kind}.txt"] = f"{alt_text(first)}\n".encode()
    return made


@told
def for_handout(trial: OpenTrial, paper: str, address: str = "") -> Block:
    """Nothing to see: the sheet and the pictures, handed to whoever runs the notebook.

    paper : A4 or Letter; "" for none.
    """
    if not paper:
        return Block("", "")
    if paper not in PAPERS:
        raise CellStop(f"handout is {paper!r}. Write: {' or '.join(PAPERS)}, or leave it empty.")
    made = files(trial, cast(Paper, paper), address)
    coded = {ending: base64.b64encode(content).decode() for ending, content in made.items()}
    return Block("", "", {"handout": coded})


def sheet(trial: OpenTrial, paper: Paper = "A4", address: str = "") -> bytes:
    """One page as PDF: answer, chart, bed, how it was done in three lines, care.

    address : of the report on the web, as a code to scan; "" for none.
    """
    summary = front(trial)
    across, down = PAPERS[paper]
    with _style(10.5):
        figure = Figure(figsize=(across, down), facecolor="white")
        page = _Page(figure, 0.7)
        if address:
            _code(figure, address, across - 0.7 - 1.05, down - 0.65 - 1.05, 1.05)
            page.right = across - 2.0
        page.text(summary.title, 20, bold=True, most=2)
        page.text(summary.under, 11, colour=plots.MUTED, most=1)
        if summary.invented:
            page.text(answer.INVENTED, 10, colour=plots.MUTED)
        page.gap(0.12)
        page.text(summary.leader, 30, bold=True, most=2, colour=LEAF)
        page.right = across - 0.7
        page.mark(summary.mark, summary.means, 14)
        page.text(summary.sentence, 14, most=3)
        page.text(answer.NEXT.format(step=summary.next), 11, most=4)
        if summary.rows is not None:
            page.gap(0.05)
            page.text(wording.capital(summary.label), 11, bold=True, most=2)
            tall = 0.5 + 0.23 * min(len(summary.rows), 12)
            page.chart(summary, page.left, page.down, page.right, page.down - tall, 12, False)
            page.down -= tall
        page.gap(0.15)
        _bed(trial, page)
        page.text("How it was done", 11, bold=True)
        for line in _how(trial):
            page.text(f"• {line}", 10, most=3)
        care = _care(trial)
        if care:
            page.gap(0.06)
            page.text("Take care", 11, bold=True)
            for line in care:
                page.text(f"• {line}", 9, most=2)
        if address:
            page.text(answer.WHOLE.format(address=address), 9, colour=plots.MUTED, most=2)
        out = io.BytesIO()
        figure.savefig(out, format="pdf", metadata={
            "Title": summary.title, "Subject": summary.sentence, "CreationDate": None})
    return out.getvalue()


@contextmanager
def _style(points: float) -> Iterator[None]:
    names = ("font.size", "axes.labelsize", "xtick.labelsize", "ytick.labelsize")
    # As outlines of the letters used: to cut a whole font down takes longer than to draw the sheet.
    style: Any = plots.STYLE | dict.fromkeys(names, points) | {"pdf.fonttype": 3}
    with mpl.rc_context(style), warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing from")
        yield


def _lines(said: str, room: float, points: float, bold: bool) -> list[str]:
    """The words in lines no wider than `room` inches; a word too long for one is broken."""
    parts = []
    for word in said.split():
        part = word
        while text_width(part, points, bold) > room * MM and len(part) > 1:
            fits = max(int(len(part) * room * MM / text_width(part, points, bold)), 1)
            while fits > 1 and text_width(part[:fits], points, bold) > room * MM:
                fits -= 1
            parts.append(part[:fits])
            part = part[fits:]
        parts.append(part)
    return wrapped(" ".join(parts), room * MM, points, bold)


class _Page:
    """Words set from the top of a page down, in inches."""

    def __init__(self, figure: Figure, edge: float) -> None:
        self.figure = figure
        self.across, self.tall = (float(inches) for inches in figure.get_size_inches())
        self.left, self.right = edge, self.across - edge
        self.down = self.tall - edge
        self.floor = 0.3
        """Nothing is written below this, inches from the foot."""

    def gap(self, inches: float) -> None:
        self.down -= inches

    def text(
        self, said: str, points: float, *, bold: bool = False, colour: str = plots.INK,
        most: int = 9,
    ) -> None:
        """A paragraph; what does not fit into `most` lines ends in dots."""
        lines = _lines(said, self.right - self.left, points, bold)
        most = max(min(most, int((self.down - self.floor) / (points / 72 * 1.28))), 1)
        if len(lines) > most:
            lines = [*lines[:most - 1], f"{lines[most - 1][:-1].rstrip()}…"]
        for line in lines:
            self.down -= points / 72 * 1.28
            self.figure.text(self.left / self.across, self.down / self.tall, line,
                             fontsize=points, color=colour, va="baseline",
                             fontweight="bold" if bold else "normal")
        self.down -= points / 72 * 0.3

    def mark(self, mark: str, means: str, points: float) -> None:
        """How sure: a shape and its words."""
        self.down -= points / 72 * 1.3
        at = (self.left + points / 144, self.down + points / 72 * 0.36)
        self.figure.add_artist(mpl.lines.Line2D(
            [at[0] / self.across], [at[1] / self.tall], color=LEAF, markersize=points * 0.95,
            markerfacecoloralt=plots.PAPER, **SHAPES[mark]))
        room = int((self.right - self.left - points / 50) / (points / 72 * 0.6))
        said = f"{mark}: {means}"
        self.figure.text((self.left + points / 50) / self.across, self.down / self.tall,
                         said if len(said) <= room else mark, fontsize=points, va="baseline",
                         fontweight="bold")
        self.down -= points / 72 * 0.35

    def chart(
        self, summary: Front, left: float, top: float, right: float, bottom: float, most: int,
        titled: bool = True,
    ) -> None:
        """The bars, between these edges in inches."""
        assert summary.rows is not None
        points = mpl.rcParams["font.size"]
        if titled:
            room = max(int((right - left) / (points / 72 * 0.56)), 8)
            for line in wrap(wording.capital(summary.label), room)[:2]:
                top -= points / 72 * 1.25
                self.figure.text(left / self.across, top / self.tall, line, fontweight="bold")
        fits = int((top - bottom) / (points / 72 * 1.35)) - 2
        rows = plots.leading(summary.rows, summary.check, max(min(most, fits), 2))
        letters = max(min(max(map(len, rows["variety"])), 14), 3)
        names = letters * points / 72 * 0.6 + 0.12
        figures = 4.2 * points / 72 * 0.6
        low = bottom + points / 72 * 1.5
        axes = self.figure.add_axes((
            (left + names) / self.across, low / self.tall,
            (right - figures - left - names) / self.across,
            max(top - points / 72 * 1.5 - low, 0.3) / self.tall))
        plots.bars(axes, rows, summary.check, letters, figures * 72)
        axes.locator_params(axis="x", nbins=5 if right - left > 7 else 2)


def _bed(trial: OpenTrial, page: _Page) -> None:
    """The bed as far as it fits above the last lines."""
    plants = bed_plants(trial)
    room = page.down - (3.5 if _care(trial) else 2.0)
    if plants is None or room < 0.8:
        return
    page.text("The bed from above", 11, bold=True)
    width = page.right - page.left
    tall = plots.bed_on(page.figure, plants, variety_letters(trial.records), width,
                        min(room, 2.6), (page.left, page.down))
    page.down -= tall + 0.05
    letters = {name: letter for name, letter in variety_letters(trial.records).items()
               if name in set(plants["variety"].astype(str))}
    page.text("; ".join(f"{letter} {name}" for name, letter in letters.items()) + ".", 9,
              colour=plots.MUTED, most=3)


def _how(trial: OpenTrial) -> list[str]:
    """Three lines."""
    records, analysis = trial.records, trial.conclusion.analysis
    plants = records.plants.drop_duplicates("plant")
    days = records.picks["date"].dropna().nunique()
    lines = [answer.PLANTED.format(
        plants=wording.counted(len(plants), "plant"),
        varieties=wording.counted(plants["variety"].nunique(), "variety", "varieties"),
        day=wording.day(records.trial.planted, year=True))]
    lines.append(analysis.audit.layout.rstrip(".") + ".")
    if days and trial.conclusion.own is None:
        lines.append(answer.PICKED.format(
            counted=analysis.counted, picks=wording.counted(days, "pick")))
    else:
        lines.append(trial.conclusion.verdict.how_sure)
    return lines[:3]


def _care(trial: OpenTrial) -> list[str]:
    about = trial.records.trial
    if about.source and not about.invented:
        return []
    which = [rule for rule in cautions.ALL if about.reach_cm or rule is not cautions.LADDER]
    return [*(f"{rule.about}: {rule.text}." for rule in which), cautions.deferring("this sheet")]


def _code(figure: Figure, address: str, left: float, bottom: float, side: float) -> None:
    """The address to scan, with the quiet zone of four modules (ISO/IEC 18004)."""
    import segno

    across, tall = (float(inches) for inches in figure.get_size_inches())
    axes = figure.add_axes((left / across, bottom / tall, side / across, side / tall))
    matrix = np.array([list(row) for row in segno.make_qr(address).matrix_iter(border=4)])
    axes.imshow(matrix, cmap="gray_r", interpolation="nearest", vmin=0, vmax=1)
    axes.set_axis_off()


# ------------------------------------------------------------------------------------------------
# What a club's pages are made of: the answer, the results, a small picture, the trial's means.
# ------------------------------------------------------------------------------------------------

HOME = "../index.html"


def handed_on(trial: OpenTrial) -> dict[str, object]:
    """Facts of plain JSON: see `results` for the rows, one a variety, best first.

    front : the first screen, to be drawn as a picture (`handout.Front`).
    picture : SVG for the middle of an HTML page, "" where there is nothing to compare.
    means : the trial's means for the season's answer, of its own question first, then of those
    that other gardens may ask; empty where it has none.
    updated : the day of the last record, the planting day before there is any.
    """
    about, verdict = trial.records.trial, trial.conclusion.verdict
    bars = compared_picture(trial)
    return {
        "home": HOME,
        "unlisted": True,
        "garden": about.garden,
        "crop": about.crop,
        "planted": about.planted.isoformat(),
        "updated": last_day(trial),
        "invented": about.invented,
        "fingerprint": trial.records.fingerprint,
        "answer": verdict.answer,
        "sure": verdict.how_sure,
        "state": verdict.state,
        "names": list(trial.names),
        "results": results(trial),
        "means": [plain for asked in dict.fromkeys((about.question, *QUESTIONS))
                  if (plain := to_json(means_of(trial.conclusion.analysis, about.garden, asked)))],
        "front": _plain_front(trial),
        "picture": "" if bars is None else plots.vector(bars, "small"),
    }


@told
def for_club(trial: OpenTrial) -> Block:
    """Nothing to see: what the club's pages need of this report, where it goes onto them."""
    return Block("", "", handed_on(trial) if trial.shared else {})


def _plain_front(trial: OpenTrial) -> dict[str, object]:
    screen = front(trial)
    rows = None if screen.rows is None else _without_nan(screen.rows.to_dict("records"))
    return {**screen._asdict(), "rows": rows}


def last_day(trial: OpenTrial) -> str:
    """The day of the newest record of any kind but the weather's, year first."""
    records = trial.records
    frames = (records.picks, records.heights, records.harvest, records.events)
    days = [frame["date"].max() for frame in frames if frame["date"].notna().any()]
    days += [records.plants["lost"].max()] if records.plants["lost"].notna().any() else []
    return max(days).date().isoformat() if days else records.trial.planted.isoformat()


def results(trial: OpenTrial) -> list[dict[str, object]]:
    """One row a variety: the headline trait, how it stands to the check, reach and losses.

    None where a number is not known or the layout cannot support it.
    """
    days = trial.conclusion.analysis.earliness
    if trial.conclusion.question == EARLY and isinstance(days, EarlyResult):
        return _days(trial, days)
    conclusion, main = trial.conclusion, trial.conclusion.quantity
    label, unit, supported = "", "", False
    if main is not None:
        label, unit, supported = main.label, main.unit, main.supported
    rows = []
    for row in table_rows(conclusion.table):
        rows.append(
            {
                "variety": row.variety,
                "check": bool(row.check),
                "trait": label,
                "unit": unit,
                "estimate": _number(row.gave),
                "low": _number(row.gave_low),
                "high": _number(row.gave_high),
                "against": conclusion.ratio_is if _number(row.ratio) is not None else "",
                "against_check": _number(row.ratio),
                "against_low": _number(row.ratio_low),
                "against_high": _number(row.ratio_high),
                "finding": row.state,
                "out_of_reach": _day(row.out_of_reach),
                "out_earliest": _day(row.out_low),
                "out_latest": _day(row.out_high),
                "plants": int(row.planted),
                "lost": int(row.lost),
                "compared": supported,
            }
        )
    return rows


def _days(trial: OpenTrial, days: EarlyResult) -> list[dict[str, object]]:
    """The rows of a trial that asks which variety is early: days, the fewest first."""
    table = trial.conclusion.table[["variety", "check", "out_of_reach", "out_low", "out_high",
                                    "planted", "lost"]]
    gaps = plots.Estimate.by_variety(days.against_check)
    means = plots.Estimate.by_variety(days.means)
    firm = set(days.against_check.loc[days.against_check["p"] < ALPHA, "variety"])
    nothing = plots.Estimate("", nan, nan, nan)
    rows: list[dict[str, object]] = []
    for row in table_rows(table):
        own, gap = means.get(row.variety, nothing), gaps.get(row.variety)
        against: dict[str, object] = {"against_check": 0.0 if row.check else None,
                                      "against_low": None, "against_high": None}
        if gap is not None:
            against = {"against_check": _number(gap.estimate), "against_low": _number(gap.low),
                       "against_high": _number(gap.high)}
        rows.append({
            "variety": row.variety, "check": bool(row.check), "trait": days.label, "unit": "days",
            "estimate": _number(own.estimate), "low": _number(own.low), "high": _number(own.high),
            "against": "" if against["against_check"] is None else "difference", **against,
            "finding": "settled" if row.variety in firm else "",
            "out_of_reach": _day(row.out_of_reach), "out_earliest": _day(row.out_low),
            "out_latest": _day(row.out_high), "plants": int(row.planted), "lost": int(row.lost),
            "compared": days.supported,
        })
    return rows


def _number(value: float) -> float | None:
    """To six figures, as plain JSON; None for NaN and for an end without limit."""
    if wording.missing(value) or value in (float("inf"), float("-inf")):
        return None
    return float(f"{float(value):.6g}")


def _day(value: pd.Timestamp) -> str | None:
    return None if wording.missing(value) else pd.Timestamp(value).date().isoformat()


def to_json(first: TrialMeans | Failed) -> dict[str, object] | None:
    """A trial's means as plain JSON, NaN as None; None for a trial without any."""
    if isinstance(first, Failed):
        return None
    plain = asdict(first)
    plain["estimates"] = first.estimates.tolist()
    plain["covariance"] = None if first.covariance is None else first.covariance.tolist()
    return {key: _without_nan(value) for key, value in plain.items()}


def from_json(plain: Mapping[str, Any]) -> TrialMeans:
    """Back from `to_json`.  Raises TypeError, ValueError or LookupError for anything else."""
    values: dict[str, Any] = {name: tuple(value) if isinstance(value, list) else value
                              for name, value in plain.items()}  # fmt: skip
    joint = values["covariance"]
    values["covariance"] = None if joint is None else np.array(joint, dtype=np.float64)
    values["estimates"] = np.array(values["estimates"], dtype=np.float64)
    values["df"] = _nan(values["df"])
    return TrialMeans(**values)


def _nan(value: float | None) -> float:
    return float("nan") if value is None else float(value)


def _without_nan(value: object) -> object:
    if isinstance(value, dict):
        return {key: _without_nan(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_without_nan(item) for item in value]
    return None if isinstance(value, float) and not np.isfinite(value) else value


__all__ = [
    "CARDS",
    "HOME",
    "PAPERS",
    "Front",
    "alt_text",
    "card",
    "files",
    "for_club",
    "for_handout",
    "from_json",
    "front",
    "handed_on",
    "results",
    "sheet",
    "to_json",
]
