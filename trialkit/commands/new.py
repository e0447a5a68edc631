"""The command `new`: begin a trial, from nothing or from what earlier ones showed.

Heavy libraries are imported inside, so that `--help` answers at once.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import typer

from trialkit.commands.terminal import Exit, command, say, stop, the_trial


def new(
    folder: Annotated[
        Path, typer.Argument(help="The new trial's folder, which is made.", metavar="FOLDER")
    ],
    earlier: Annotated[
        list[Path] | None,
        typer.Option("--from", help="An earlier trial to carry over from; may be given again.",
                     metavar="OLD"),
    ] = None,
) -> None:
    """Begin a trial: a folder with a trial.toml and empty tables to fill in.

    With --from the new trial keeps the check and the settings of the earlier one, lists its
    varieties with the reason each might stay or go, and keeps what it taught of how much plots,
    plants and picks differ, for the question how many blocks the next trial needs.
    """
    from trialkit.records.start import start_trial

    try:
        made = _carried(folder, earlier) if earlier else start_trial(folder)
    except FileExistsError:
        stop(Exit.NOT_WRITTEN, f"{folder} holds a trial already; nothing was changed.")
    except OSError as error:
        stop(Exit.NOT_WRITTEN, f"Could not write {folder}: {error}")
    say(f"Began a trial in {folder}:")
    for path in made:
        say(f"  {path.name}")
    if earlier:
        say("Delete the varieties that go from trial.toml, and write the day of planting there.")
    else:
        say("Describe it in trial.toml: the varieties, the day of planting, what you count.")
    learned = any(path.name == "spread.toml" for path in made)
    seen = ", and say what it can show by what was learned" if learned else ""
    say(f"Then have the bed laid out at random for you{seen}: {command('plan', folder)}")
    say(f"Or list the plants in plants.csv yourself, then: {command('check', folder)}")


def _carried(folder: Path, earlier: Sequence[Path]) -> Sequence[Path]:
    """Carry over, and say what was learned and proposed."""
    from trialkit.gardens.carryover import carry_over
    from trialkit.records import RecordsError
    from trialkit.trial import TrialProblems

    try:
        done = carry_over(folder, [the_trial(path) for path in earlier])
    except (RecordsError, TrialProblems) as problems:
        stop(Exit.RECORDS, str(problems))
    except ValueError as error:
        stop(Exit.USAGE, str(error))
    say("Spreads learned, as standard deviations with 95 % limits:")
    for line in done.told:
        say(f"  {line}")
    say("Varieties, for you to decide:")
    for proposal in done.proposals:
        verdict = "stays" if proposal.keep else "might go"
        say(f"  {proposal.variety} {verdict}: {'; '.join(proposal.reasons)}")
    return done.made
