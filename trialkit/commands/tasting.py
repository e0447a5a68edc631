"""The commands `tasting` and `triangle`: a tasting laid out, and what came of it.

Heavy libraries are imported inside, so that `--help` answers at once.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from trialkit.commands.terminal import Exit, Folder, command, say, stop, the_trial


def tasting(
    folder: Folder,
    tasters: Annotated[
        int | None, typer.Option(min=1, help="How many will taste: lays the tasting out.")
    ] = None,
    each: Annotated[
        int | None, typer.Option(min=2, help="Varieties a taster gets; else all of them.")
    ] = None,
    trait: Annotated[
        list[str] | None, typer.Option("--trait", help="What is scored; once for each.")
    ] = None,
    seed: Annotated[int | None, typer.Option(help="The same seed draws the same tasting.")] = None,
    paper_name: Annotated[str, typer.Option("--paper", help="A4 or Letter.")] = "A4",
) -> None:
    """Lay out a blind tasting of the trial's varieties, or say what came of it.

    With --tasters: a sheet a taster, a phone page, an empty table of scores and
    the key, in FOLDER/tasting. Without: what the scores written there say,
    and FOLDER/tasting/result.html with a picture.
    """
    from trialkit.records.tastings import PLACE

    folder = the_trial(folder)
    if tasters is None:
        _tell(folder, folder / PLACE)
    else:
        _lay_out(folder, folder / PLACE, tasters, each, trait or ["liking"], seed, paper_name)


def _lay_out(
    folder: Path, place: Path, tasters: int, each: int | None, traits: list[str],
    seed: int | None, paper_name: str,
) -> None:
    from trialkit.records.tastings import CODED, COLUMNS, KEY, SCORES, TRIANGLE, TRIANGLES

    if (place / KEY).exists() or (place / SCORES).exists():
        stop(Exit.NOT_WRITTEN, f"{place} holds a tasting already. Move it away first; nothing was "
                               "changed.")
    from trialkit.design import paper
    from trialkit.design.tasting_plan import TastingError, plan_tasting, tasting_sheets
    from trialkit.recording.offline import tasting_page
    from trialkit.records.files import csv_text, write_bytes
    from trialkit.trial import TrialProblems, parse_trial

    traits = list(dict.fromkeys(traits))
    try:
        trial = parse_trial((folder / "trial.toml").read_text(encoding="utf-8"))
        made = plan_tasting(trial.variety_names, tasters, each, seed)
        sheet = paper.paper(paper_name)
    except TrialProblems as problems:
        stop(Exit.RECORDS, str(problems))
    except (TastingError, ValueError) as error:
        raise typer.BadParameter(str(error)) from None
    title = f"Tasting: {trial.title}"
    try:
        place.mkdir(exist_ok=True)
        paper.save_pdf(tasting_sheets(made, traits, title, sheet), place / "sheets.pdf", title)
        write_bytes(place / "tasting.html", tasting_page(made, traits, title).encode("utf-8"))
        write_bytes(place / SCORES, csv_text(COLUMNS, []).encode())
        write_bytes(place / TRIANGLES, csv_text(TRIANGLE, []).encode())
        write_bytes(place / KEY, csv_text(CODED, [
            [code, name] for name, code in made.codes.items()]).encode("utf-8"))
    except OSError as error:
        stop(Exit.NOT_WRITTEN, f"Could not write the tasting: {error}")
    say(f"{len(made.orders)} tasters, {made.each} of {len(made.codes)} varieties each: {made.text}")
    say(f"Print {place / 'sheets.pdf'}, or send {place / 'tasting.html'} to the phones.")
    say(f"Keep {place / KEY} apart until all have tasted.")
    say("Ask about allergies; cook what must not be eaten raw; wash. Food-safety advice where you "
        "live comes first.")
    say(f"Write scores into {place / SCORES}, or put each phone's file into {place}; then: "
        f"{command('tasting', folder)}")


def _tell(folder: Path, place: Path) -> None:
    from trialkit.records import RecordsError
    from trialkit.records.files import write_bytes
    from trialkit.records.tastings import KEY, RESULT, SCORES, read_tasting
    from trialkit.report.tasting import tasting_page
    from trialkit.trial import TrialProblems, parse_trial

    if not (place / KEY).is_file():
        stop(Exit.NO_TRIAL, f"No tasting is laid out in {place}. Begin with: "
                            f"{command('tasting', folder, '--tasters', '12')}")
    try:
        trial = parse_trial((folder / "trial.toml").read_text(encoding="utf-8"))
        tasted = read_tasting(place, trial.variety_names)
    except (RecordsError, TrialProblems) as problems:
        stop(Exit.RECORDS, str(problems))
    if tasted.empty:
        say(f"{place / SCORES} holds no score yet.")
        return
    page = tasting_page(tasted, trial.title, trial.check)
    try:
        write_bytes(place / RESULT, page.html.encode("utf-8"))
    except OSError as error:
        stop(Exit.NOT_WRITTEN, f"Could not write the page: {error}")
    say(page.plain)
    say(f"Page: {place / RESULT}")


def triangle(
    right: Annotated[int, typer.Argument(min=0, help="Who named the odd cup.", metavar="RIGHT")],
    tasted: Annotated[
        int, typer.Argument(min=1, max=1_000_000, help="Who tasted.", metavar="TASTED")
    ],
) -> None:
    """Can tasters tell two apart? Of three cups two are alike; each taster names the odd one."""
    from trialkit.records.tastings import Triangle
    from trialkit.report.tasting import triangle_words

    if right > tasted:
        raise typer.BadParameter(f"{right} right of {tasted} cannot be. Write: 0 to {tasted}.")
    say(triangle_words(Triangle("", "", right, tasted)))
