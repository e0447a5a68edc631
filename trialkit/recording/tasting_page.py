"""The page for entering scores at a tasting: one file, no network, codes and no names.

A taster's number is chosen, then each code scored in the order of that taster.  The scores stay on
the phone (web storage) until they are cleared, and leave it as a CSV file: taster, code, trait,
score.
"""

from __future__ import annotations

from collections.abc import Sequence
from importlib.resources import files

from jinja2 import Environment, StrictUndefined
from markupsafe import Markup

from trialkit.cautions import TASTING
from trialkit.design.tasting_plan import Tasting
from trialkit.recording.one_file import json_for_html, module, policy_of
from trialkit.records.tastings import HIGHEST, LOWEST


def tasting_page(tasting: Tasting, traits: Sequence[str], title: str) -> str:
    """The page as text."""
    facts: dict[str, object] = {
        "key": f"tasting-{tasting.seed}-{len(tasting.orders)}", "title": title,
        "traits": list(traits), "lowest": LOWEST, "highest": HIGHEST,
        "orders": [[tasting.codes[name] for name in order] for order in tasting.orders],
    }
    parts = files("trialkit.recording").joinpath("parts", "tasting")
    script, style = (parts.joinpath(name).read_text(encoding="utf-8")
                     for name in ("tasting.js", "tasting.css"))
    strict = '"use strict";\n'
    script = strict + module("check") + script.removeprefix(strict)
    environment = Environment(autoescape=True, undefined=StrictUndefined)
    page = parts.joinpath("tasting.html.j2").read_text(encoding="utf-8")
    return environment.from_string(page).render(
        title=title, cautions=TASTING, policy=policy_of(script, style), script=Markup(script),
        style=Markup(style), data=Markup(json_for_html(facts)),
    )
