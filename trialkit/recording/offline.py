"""The offline pages: a trial's phone page, to record a pick plant by plant, and a tasting's.

Each is one HTML file: markup, style and scripts inlined, nothing fetched.  The scripts are
ECMAScript modules in their own files; a page opened from storage may not load modules from beside
it, so they are joined, in the order of their imports, into one script.  The page's content security
policy (W3C CSP 3) allows that script and that style by their SHA-256 hashes and nothing else: no
network, no other script.
"""

from __future__ import annotations

import base64
import hashlib
import json
import re
from collections.abc import Hashable, Mapping, Sequence
from datetime import date
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd
from jinja2 import Environment, StrictUndefined
from markupsafe import Markup

from trialkit.cautions import ON_THE_PHONE, TASTING
from trialkit.design.layouts import walking_order
from trialkit.records.plots import basket_names, basket_plots
from trialkit.records.schema import LOGGED, OWN_KIND, own_unit
from trialkit.records.tastings import HIGHEST, LOWEST
from trialkit.wording import capital

if TYPE_CHECKING:
    from trialkit.design.tasting_plan import Tasting
    from trialkit.records import Records
    from trialkit.trial import OwnTrait, Trial

NAME = "phone.html"
Cell = str | float | pd.Timestamp | None
"""What a cell of plants.csv may hold."""

MOST_BUTTONS = 12
"""Scores up to so many have a button each; of more the number is typed."""


def write_phone_page(
    folder: Path | str, out: Path | str | None = None, blind: bool = False
) -> Path:
    """Write the page for the trial in `folder` and return where it lies.

    out : the file to write, or a folder for it; None means `phone.html` in the trial's folder.
    blind : the names of varieties are not in it.
    The page holds the plants and what is needed to name them, no earlier counts.
    Raises RecordsError when the records have errors, OSError when the file cannot be written.
    """
    from trialkit.records import read_records
    from trialkit.records.files import write_bytes

    target = Path(folder) if out is None else Path(out)
    if target.is_dir():
        target = target / NAME
    write_bytes(target, phone_page(read_records(folder), date.today(), blind).encode("utf-8"))
    return target


def phone_page(records: Records, made: date, blind: bool = False) -> str:
    """The page as text. made : the day it is made; a phone whose clock is behind it is wrong.
    blind : no name of a variety is in it."""
    planted = records.trial.planted
    trial = page_facts(records, made, blind)
    return _page("page.html.j2", _joined("boot"), _part("style.css"), trial, trial=trial,
                 planted=f"{planted.day} {planted:%B %Y}", cautions=ON_THE_PHONE)


def page_facts(records: Records, made: date, blind: bool = False) -> dict[str, object]:
    """What the page knows of the trial, ready for JSON: plants in walking order, units, days."""
    trial = records.trial
    topped = _topped(records.events)
    plants = [_plant(row, topped) for row in walking_order(records.plants).to_dict("records")]
    plots = _plots(records)
    if blind:
        plants, plots = ([{**place, "variety": ""} for place in places]
                         for places in (plants, plots))
    return {
        "key": _key(trial),
        "title": trial.title,
        "garden": trial.garden,
        "crop": trial.crop,
        "counted": trial.counted,
        "measures": [*_measures(trial), *_own_traits(trial)],
        "planted": trial.planted.isoformat(),
        "made": made.isoformat(),
        "invented": trial.invented,
        "picked": sorted({day.date().isoformat() for day in records.picks["date"]}),
        "plants": plants,
        "plots": plots,
        "blind": blind,
        "plots_first": bool(len(records.plants)) and bool((records.plants["plants"] > 1).all()),
    }


def _measures(trial: Trial) -> list[dict[str, object]]:
    """What every trial may record.  name : the kind in the file.  how : "whole" or "measure" here,
    "number", "share" or "choice" besides of traits of one's own."""
    return [
        {"id": name, "name": name, "called": name, "head": capital(name), "own": False,
         "how": "whole" if name == "count" else "measure", "choices": [],
         "unit": own_unit(name, trial), "about": own_unit(name, trial) or trial.counted}
        for name in LOGGED
    ]


def _own_traits(trial: Trial) -> list[dict[str, object]]:
    """The traits of the gardener's own: a button for each score, or a number."""
    out = []
    for place, trait in enumerate(trial.traits):
        choices = choices_of(trait)
        how = {"count": "whole", "share": "share"}.get(trait.kind, "number")
        unit = trait.unit if trait.kind == "measure" else ""
        about = "how many of how many" if trait.kind == "share" else unit
        out.append({
            "id": f"own{place}", "name": f"{OWN_KIND}{trait.name}", "called": trait.name,
            "head": capital(trait.name), "own": True, "how": "choice" if choices else how,
            "choices": [{"value": value, "text": text} for value, text in choices],
            "unit": unit, "about": about})
    return out


def choices_of(trait: OwnTrait) -> list[tuple[str, str]]:
    """The values to choose from and the words on their buttons; none where a number is typed."""
    if trait.kind in ("yes or no", "day"):
        return [("yes", "seen" if trait.kind == "day" else "yes"),
                ("no", "not yet" if trait.kind == "day" else "no")]
    if trait.kind != "score" or trait.high - trait.low >= MOST_BUTTONS:
        return []
    if trait.words:
        return [(word, word) for word in trait.words]
    ends = dict(zip((trait.low, trait.high), trait.ends, strict=False))
    return [(str(n), f"{n} {ends.get(n, '')}".strip()) for n in range(trait.low, trait.high + 1)]


def _plots(records: Records) -> list[dict[str, str | None]]:
    """The plots to pick into a basket each, in the order of the walk; none where each holds one
    plant, or plants of several varieties."""
    plants = walking_order(records.plants)
    by = plants.dropna(subset=["plot"]).groupby("plot", sort=False)
    if not len(by) or by.size().max() < 2:
        return []
    mixed = by["variety"].nunique()
    baskets = {name: plot for name, plot in basket_names(plants).items() if mixed[plot] == 1}
    about = basket_plots(plants, baskets).assign(column=None, lost_reason="all of its plants")
    return [_plant(row, {}) for row in about.to_dict("records")]


def _key(trial: Trial) -> str:
    """Names the trial's journal on the phone: a page made anew goes on with the same journal."""
    name = "\n".join((trial.title, trial.garden, trial.planted.isoformat()))
    return hashlib.sha256(name.encode("utf-8")).hexdigest()[:12]


def _plant(row: Mapping[Hashable, Cell], topped: dict[str, str]) -> dict[str, str | None]:
    return {
        "id": str(row["plant"]),
        "variety": str(row["variety"]),
        "block": _text(row["block"]),
        "row": _text(row["row"]),
        "column": _text(row["column"]),
        "treatment": _text(row["treatment"]),
        "lost": _day(row["lost"]),
        "reason": _text(row["lost_reason"]),
        "topped": topped.get(str(row["plant"])),
    }


def _topped(events: pd.DataFrame) -> dict[str, str]:
    """The day each plant was first topped."""
    days: dict[str, str] = {}
    mine = events[(events["event"] == "topped") & events["plant"].notna()]
    for plant, day in mine.sort_values("date")[["plant", "date"]].itertuples(index=False):
        days.setdefault(str(plant), day.date().isoformat())
    return days


def _day(value: Cell) -> str | None:
    return None if pd.isna(value) else pd.Timestamp(value).date().isoformat()


def _text(value: Cell) -> str | None:
    """A number without a needless ".0", or the text; None where there is nothing."""
    if pd.isna(value):
        return None
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return str(value)


# ------------------------------------------------------------------------------------------------
# The page for entering scores at a tasting: codes and no names.
# ------------------------------------------------------------------------------------------------

def tasting_page(tasting: Tasting, traits: Sequence[str], title: str) -> str:
    """The page as text.

    A taster's number is chosen, then each code scored in the order of that taster.  The scores stay
    on the phone (web storage) until they are cleared, and leave it as a CSV file: taster, code,
    trait, score.
    """
    facts: dict[str, object] = {
        "key": f"tasting-{tasting.seed}-{len(tasting.orders)}", "title": title,
        "traits": list(traits), "lowest": LOWEST, "highest": HIGHEST,
        "orders": [[tasting.codes[name] for name in order] for order in tasting.orders],
    }
    strict = '"use strict";\n'
    script = strict + _module("check") + _part("tasting", "tasting.js").removeprefix(strict)
    return _page("tasting/tasting.html.j2", script, _part("tasting", "tasting.css"), facts,
                 title=title, cautions=TASTING)


# ------------------------------------------------------------------------------------------------
# One HTML file out of the parts.
# ------------------------------------------------------------------------------------------------

_IMPORT = re.compile(r'^import \{[^}]*\} from "\./(?P<name>[a-z]+)\.js";\n', re.MULTILINE)
_EXPORT = re.compile(r"^export (?=(async function|function|class|const|let) )", re.MULTILINE)


def _page(
    template: str, script: str, style: str, data: Mapping[str, object], **shown: object
) -> str:
    """The page as text.  data : what the script works on; must turn into JSON.  shown : what the
    template names besides."""
    environment = Environment(autoescape=True, undefined=StrictUndefined)
    return environment.from_string(_part(template)).render(
        policy=_policy(script, style), script=Markup(script), style=Markup(style),
        data=Markup(json_for_html(data)), **shown)


def _policy(script: str, style: str) -> str:
    """A content security policy that allows this script and this style and nothing else."""
    return "; ".join(
        (
            "default-src 'none'",
            f"script-src {_hash(script)}",
            f"style-src {_hash(style)}",
            "img-src data:",
            "base-uri 'none'",
            "form-action 'none'",
        )
    )


def _part(*path: str) -> str:
    return files("trialkit.recording").joinpath("parts", *path).read_text(encoding="utf-8")


def _module(name: str) -> str:
    """A module as a part of one script: what it declares, without imports and exports."""
    return _EXPORT.sub("", _IMPORT.sub("", _part("js", f"{name}.js")))


def _joined(first: str) -> str:
    """The module `first` and all it imports as one script, each module once, imports before."""
    done: dict[str, str] = {}

    def add(name: str) -> None:
        if name in done:
            return
        text = _part("js", f"{name}.js")
        for match in _IMPORT.finditer(text):
            add(match["name"])
        done[name] = _module(name)

    add(first)
    body = "\n".join(done.values())
    return f'(() => {{\n"use strict";\n{body}}})();\n'


def _hash(text: str) -> str:
    digest = hashlib.sha256(text.encode("utf-8")).digest()
    return f"'sha256-{base64.b64encode(digest).decode('ascii')}'"


def json_for_html(value: object) -> str:
    """JSON that cannot end the element it stands in, whatever the names in it are.

    See the HTML standard, "Restrictions for contents of script elements".
    """
    text = json.dumps(value, ensure_ascii=True, allow_nan=False)
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")
