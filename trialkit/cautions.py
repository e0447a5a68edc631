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
SPRAY = Caution("After a spray", "wait out the label's harvest interval")
LIME = Caution("Lime and feed", "only if a soil test says so")

ON_THE_PHONE = (
    Caution("Knife", "Cut away from your hand. Sheathe it while you walk and while you tap"),
    Caution("Heat", "Pick in the cool of the day, drink water, rest in shade. If you feel faint, "
            "sick or confused, stop and get help at once"),
    Caution("Out of reach", 'Do not climb or lean for a plant: mark it "not looked at"'),
    Caution("Sprayed?", "Keep to the waiting days on the label before you pick"),
)
"""Before a walk along the plants with a phone in one hand: no ladder at all."""

TASTING = (
    Caution("Allergies", "ask before anybody tastes, and say what is served"),
    Caution("Raw", "some beans and other crops are poisonous raw: cook what must be cooked"),
    Caution("Clean", "wash hands, knives and produce; serve nothing within a spray's waiting days"),
)
"""Before a tasting; food-safety advice where you live comes first."""

FORK = Caution("Fork and spade", "firm stand, keep feet clear, lift with bent knees")

PICKING = (KNIFE, HEAT, LADDER, SPRAY)
DIGGING = (FORK, KNIFE, HEAT, SPRAY)
ALL = (*PICKING, LIME)


def deferring(to_what: str) -> str:
    """Who comes before `to_what`: "this sheet", "this report"."""
    return f"The label, your local extension service and licensed advice come before {to_what}."


def deferring_food(to_what: str) -> str:
    """Who comes before `to_what` where something is eaten."""
    return f"Food-safety advice where you live comes before {to_what}."


def in_a_line(which: tuple[Caution, ...], to_what: str) -> str:
    """Cautions one after the other, and who comes before them."""
    last = deferring_food(to_what) if which is TASTING else deferring(to_what)
    return " ".join((*(f"{about}: {text}." for about, text in which), last))
