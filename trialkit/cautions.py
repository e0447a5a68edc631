"""The usual cautions of work in a bed, in one place, for whatever is printed or shown.

Common practice, no source.  They are short reminders: the label, and those who know the place and
the trade, come first, and every list of them ends by saying so.
"""

from __future__ import annotations

from typing import NamedTuple


class Caution(NamedTuple):
    """about : what may hurt.  text : what to do, without a full stop."""

    about: str
    text: str


KNIFE = Caution("Knife", "cut away from your hand and carry it closed")
HEAT = Caution("Heat", "water and shade first, stop if dizzy")
LADDER = Caution("Ladder", "firm level ground, never against canes, do not lean out")
SPRAY = Caution("After a spray", "wait the days to harvest that the label gives")
LIME = Caution("Lime and feed", "only as a soil test says")

PICKING = (KNIFE, HEAT, LADDER, SPRAY)
ALL = (*PICKING, LIME)


def deferring(to_what: str) -> str:
    """Who comes before `to_what`: "this sheet", "this report"."""
    return f"The label, your local extension service and licensed advice come before {to_what}."


def in_a_line(which: tuple[Caution, ...], to_what: str) -> str:
    """Cautions one after the other, and who comes before them."""
    return " ".join((*(f"{about}: {text}." for about, text in which), deferring(to_what)))
