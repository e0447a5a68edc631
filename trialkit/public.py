"""What a notebook or a script of one's own uses: `import trialkit as tk`.

    trial = tk.read("my-beans")      # tidy frames: trial.plants, trial.picks, trial.heights
    trial.looks()                    # one row a look at a plant, with plot, block, variety, days
    a = tk.analyse(trial)            # a.answer; a["pods"].means, .against_check, .pairs, .plot()
    tk.season(["garden-a", "garden-b"]).overall
    tk.mixed.fit_lmm("weight_g ~ variety", frame, groups=["block"])
    tk.plan(["Alder", "Birch"], blocks=4, folder="next-year")
    tk.write_report("my-beans")

Every result is shown by Jupyter as a table or a sentence, and plainly by `print`.  All errors
raised on purpose are `tk.TrialkitError`.  The heavy libraries are loaded by the first call.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date
from functools import cached_property
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from trialkit.decide import Conclusion, conclude
from trialkit.models import Missing, TraitResult
from trialkit.models.results import MethodNote
from trialkit.records import Records, read_records
from trialkit.trial import Trial as Description

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from trialkit.engine.publish import Published
    from trialkit.gardens.answer import SeasonAnswer
    from trialkit.report.planning import Plan


@dataclass(frozen=True, repr=False)
class Trial:
    """The records of one trial.

    records: the checked records, of which the frames below are parts; lengths are in cm, weights
    in g, days datetime64.  A blank count is NaN (not looked at), 0 is a look that found nothing.
    """

    records: Records

    @property
    def about(self) -> Description:
        """What trial.toml says: title, crop, planted, varieties, check, layout."""
        return self.records.trial

    @property
    def plants(self) -> pd.DataFrame:
        """plant, variety, block, plot, row, column, treatment, lost, lost_reason."""
        return self.records.plants.copy()

    @property
    def picks(self) -> pd.DataFrame:
        """date, plant, count, weight_g."""
        return self.records.picks.copy()

    @property
    def heights(self) -> pd.DataFrame:
        """date, plant, height_cm."""
        return self.records.heights.copy()

    @property
    def weather(self) -> pd.DataFrame:
        """date, low_c, high_c, rain_mm."""
        return self.records.weather.copy()

    @property
    def events(self) -> pd.DataFrame:
        """date, plant, plot, event, note."""
        return self.records.events.copy()

    @property
    def harvest(self) -> pd.DataFrame:
        """date, plant, weight_g, count, grade: of a crop dug or cut once."""
        return self.records.harvest.copy()

    @property
    def doubts(self) -> pd.DataFrame:
        """Records that look odd and are used all the same: file, line, column, value, doubt; and
        table and row, as in trial.picks.iloc[row] (NA: it is of no row)."""
        return self.records.doubts.copy()

    def looks(self) -> pd.DataFrame:
        """One row a look at a plant: date, plant, variety, block, plot, row, column, treatment,
        pods, days since the plant's own last look, first (bool: no look before)."""
        from trialkit.models.totals import counted_looks

        return counted_looks(self.records)

    def __repr__(self) -> str:
        about = self.about
        return (f"{about.title}: {about.crop}, {len(about.varieties)} varieties, "
                f"{self.records.plants['plant'].nunique()} plants, "
                f"{self.records.picks['date'].nunique()} picks, {len(self.records.doubts)} doubts")

    def _repr_html_(self) -> str:
        plants = self.records.plants.drop_duplicates("plant")
        table = plants.groupby("variety").agg(
            plants=("plant", "size"), plots=("plot", "nunique"), lost=("lost", "count"))
        return f"<p>{escape(repr(self))}</p>{table.to_html(escape=True)}"


@dataclass(frozen=True, repr=False)
class TraitView:
    """One trait of every variety, or why there is none.

    Where it is missing the frames are empty; where the layout supports no comparison their
    limits are NaN.  `why_not` says so in words.
    """

    name: str
    result: TraitResult | Missing

    @property
    def supported(self) -> bool:
        """Whether the layout supports a comparison of varieties."""
        return self.result.supported

    @property
    def why_not(self) -> str:
        """Why there is no figure or no comparison; empty where there is one."""
        result = self.result
        return result.reason if isinstance(result, Missing) else result.why_not

    @property
    def unit(self) -> str:
        """Of `means`."""
        return "" if isinstance(self.result, Missing) else self.result.unit

    @property
    def scale(self) -> str:
        """Of `against_check` and `pairs`: "ratio" or "difference"; "" where there is none."""
        return "" if isinstance(self.result, Missing) else self.result.scale

    @property
    def means(self) -> pd.DataFrame:
        """variety, estimate, se, df, low, high, plots, plants, records."""
        return self._frame("means")

    @property
    def against_check(self) -> pd.DataFrame:
        """variety, check, estimate, low, high, p, df: simultaneous over the varieties."""
        return self._frame("against_check")

    @property
    def pairs(self) -> pd.DataFrame:
        """left, right, estimate, low, high, p, df: simultaneous over all pairs."""
        return self._frame("pairs")

    @property
    def method(self) -> MethodNote:
        """How it was worked out: plain, full, formula, groups, df_method, figures."""
        return MethodNote(self.why_not, self.why_not) if isinstance(self.result, Missing) else (
            self.result.method)

    def _frame(self, name: str) -> pd.DataFrame:
        if isinstance(self.result, Missing):
            return pd.DataFrame()
        return pd.DataFrame(getattr(self.result, name)).copy()

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw the means with their 95 % intervals, best at the top; returns the axes.

        ax: axes to draw on, new ones if None.  Raises TrialkitError where there is no figure.
        """
        from trialkit.errors import TrialkitError

        if isinstance(self.result, Missing):
            raise TrialkitError(f"There is nothing to draw of {self.name}: {self.why_not}.")
        import matplotlib.pyplot as plt

        axes = ax or plt.subplots(figsize=(6, 0.5 * len(self.means) + 1))[1]
        rows = self.means.dropna(subset=["estimate"]).sort_values("estimate")
        at = range(len(rows))
        axes.hlines(at, rows["low"], rows["high"], color="0.4")
        axes.plot(rows["estimate"], list(at), "o", color="black")
        axes.set_yticks(list(at), [str(name) for name in rows["variety"]])
        axes.set_xlabel(f"{self.unit} (95 % interval)" if self.supported else self.unit)
        return axes

    def __repr__(self) -> str:
        if isinstance(self.result, Missing):
            return f"{self.name}: {self.why_not}"
        unit = "" if self.unit == self.result.label else f", {self.unit}"
        head = f"{self.result.label}{unit}" + f" ({self.why_not})" * (not self.supported)
        return f"{head}\n{self.means.to_string(index=False)}"

    def _repr_html_(self) -> str:
        if isinstance(self.result, Missing):
            return f"<p>{escape(repr(self))}</p>"
        return (f"<p>{escape(repr(self).splitlines()[0])}</p>"
                f"{self.means.to_html(index=False, escape=True)}")


@dataclass(frozen=True, repr=False)
class TrialAnswer:
    """What a trial shows: its answer, and each trait by name, as in `a["pods"]`."""

    trial: Trial
    conclusion: Conclusion = field(repr=False)

    @property
    def answer(self) -> str:
        """The report's answer."""
        return self.conclusion.verdict.answer

    @property
    def how_sure(self) -> str:
        """How sure the answer is, in words."""
        return self.conclusion.verdict.how_sure

    @property
    def next_step(self) -> str:
        """What to do next: keep picking, or decide."""
        return self.conclusion.verdict.next_step

    @property
    def cannot_tell(self) -> tuple[str, ...]:
        """What these records cannot tell, a sentence each."""
        return self.conclusion.cannot_tell

    @property
    def state(self) -> str:
        """Where the trial stands, as in `trialkit.decide.verdict.Verdict`."""
        return self.conclusion.verdict.state

    @property
    def table(self) -> pd.DataFrame:
        """The report's table, one row a variety, best first."""
        return self.conclusion.table.copy()

    @cached_property
    def traits(self) -> dict[str, TraitView]:
        """Every trait by name, those without a figure too."""
        analysis = self.conclusion.analysis
        missing = {gap.trait: gap for gap in analysis.missing}
        return {name: TraitView(name, result) for name, result in
                {**missing, **analysis.traits}.items()}

    def __getitem__(self, name: str) -> TraitView:
        try:
            return self.traits[name]
        except KeyError:
            raise KeyError(f"{name!r} is not one of: {', '.join(self.traits)}") from None

    def __iter__(self) -> Iterator[str]:
        return iter(self.traits)

    def __repr__(self) -> str:
        return f"{self.answer}\n{self.how_sure}"

    def _repr_html_(self) -> str:
        return (f"<p><b>{escape(self.answer)}</b></p><p>{escape(self.how_sure)}</p>"
                f"{self.table.to_html(index=False, escape=True)}")


def read(folder: str | Path, until: date | None = None) -> Trial:
    """Read and check the trial in `folder`; until: leave out what was recorded later.

    Raises TrialkitError with every problem at once: file, line, column, value, what to write.
    """
    return Trial(read_records(folder, until=until))


def analyse(trial: Trial | str | Path) -> TrialAnswer:
    """Work out a trial (or the one in a folder): the report's own answer and every trait.

    Never raises for what was recorded; a folder raises what `read` does.
    """
    known = trial if isinstance(trial, Trial) else read(trial)
    return TrialAnswer(known, conclude(known.records))


def season(folders: Sequence[str | Path], until: date | None = None) -> SeasonAnswer:
    """Put several gardens or years together; a folder that fails is in `.failed`.

    Returns what `trialkit season` shows: answer, how_sure, overall, by_garden, flips, variances.
    """
    from trialkit.gardens.season import season as work_out

    return work_out([Path(folder) for folder in folders], until)


def plan(
    varieties: Sequence[str] = (), *, folder: str | Path = "", **asked: Any
) -> Plan:
    """Lay out a trial of `varieties`, the check first; written to `folder` if one is named.

    asked: what `trialkit plan` asks, such as blocks, plants, layout, planted, seed, crop, title,
    looks.  Returns the plan: `.planting` holds the plots, in a frame by `.planting.plants`.
    Raises TrialkitError with what cannot be laid out and what can, and where `folder` holds what a
    plan would write over; nothing is written then.
    """
    from trialkit.errors import TrialkitError
    from trialkit.report import planning

    laid = planning.lay_out(folder=folder, varieties=varieties, **asked)
    if str(folder):
        try:
            planning.written(laid, Path(folder))
        except FileExistsError as error:
            raise TrialkitError(planning.REFUSED.format(error)) from None
    return laid


def write_report(
    folder: str | Path, out: str | Path | None = None, until: date | None = None
) -> Published:
    """Make the report of the trial in `folder`, as `trialkit report` does.

    out: the HTML file, or a folder for it; below the trial if None.  Returns where the page and
    its notebook are.  Raises TrialkitError where it stopped, OSError where it cannot be written;
    the last good report then stays.
    """
    from trialkit.engine.publish import publish

    return publish(Path(folder), None if out is None else Path(out), until)
