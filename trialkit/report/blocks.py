"""What a notebook cell shows: HTML for the page and the browser, plain text for a terminal."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from markupsafe import Markup, escape

from trialkit.wording import unbroken

if TYPE_CHECKING:
    from jinja2 import Environment

    from trialkit.plots import Picture

FACTS = "application/vnd.trialkit.facts+json"
"""Media type under which a cell hands small facts (title, answer) to whoever runs the notebook."""

TEMPLATES = Path(__file__).parent / "template"


class Block:
    """One piece of a report: displayed by JupyterLab, laid out by `page`, read by the commands."""

    def __init__(self, html: str, plain: str, facts: Mapping[str, Any] | None = None) -> None:
        self.html = html
        self.plain = plain
        self.facts = dict(facts or {})

    def __repr__(self) -> str:
        return self.plain

    def _repr_mimebundle_(self, include: Any = None, exclude: Any = None) -> dict[str, Any]:
        bundle: dict[str, Any] = {"text/html": self.html, "text/plain": self.plain}
        if self.facts:
            bundle[FACTS] = self.facts
        return bundle


@cache
def _parts() -> Environment:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    return Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def part(name: str, /, **values: Any) -> str:
    """Render the part `name` of the template folder; every value is escaped unless Markup."""
    return _parts().get_template(f"part-{name}.html.j2").render(**values).strip()


def whole(name: str, /, **values: Any) -> str:
    """Render the whole page `name` of the template folder, escaped likewise."""
    return unbroken(_parts().get_template(f"{name}.html.j2").render(**values))


def isolate(text: str, names: Iterable[str]) -> Markup:
    """`text` escaped, with each variety's name fenced off in <bdi>.

    A name written from right to left would otherwise pull the words beside it out of order.
    """
    known = sorted({name for name in names if name}, key=len, reverse=True)
    if not known:
        return escape(text)
    pattern = re.compile(r"(?<!\w)(" + "|".join(map(re.escape, known)) + r")(?!\w)")
    pieces = pattern.split(text)
    return Markup("").join(
        Markup("<bdi>{}</bdi>").format(piece) if odd % 2 else escape(piece)
        for odd, piece in enumerate(pieces)
    )


def paragraphs(texts: Sequence[str], names: Iterable[str] = (), kind: str = "") -> Block:
    """One paragraph a text, variety names fenced off."""
    known = list(names)
    html = part("paragraphs", paragraphs=[isolate(text, known) for text in texts], kind=kind)
    return Block(html, "\n".join(texts))


def bullets(items: Sequence[str], names: Iterable[str] = ()) -> Block:
    """A list; nothing at all without items."""
    if not items:
        return Block("", "")
    known = list(names)
    html = part("list", items=[isolate(item, known) for item in items])
    return Block(html, "\n".join(f"- {item}" for item in items))


def titled(title: str, texts: Sequence[str], names: Iterable[str] = ()) -> Block:
    """Paragraphs under a small heading."""
    body = paragraphs(texts, names)
    html = Markup("<h3>{}</h3>\n").format(escape(title)) + Markup(body.html)
    return Block(str(html), "\n".join([title, *texts]))


def tabled(
    caption: str, heads: Sequence[str], rows: Sequence[Sequence[str]], called: str = ""
) -> Block:
    """A plain table, the first cell of a row its name.

    called : what a screen reader calls it, where a heading above spares the caption the words.
    """
    import pandas as pd

    html = part("table", caption=caption, heads=heads, rows=rows, called=called or caption)
    frame = pd.DataFrame([list(row) for row in rows], columns=list(heads))
    return Block(html, f"{caption}\n{frame.to_string(index=False)}")


def show(
    picture: Picture, name: str, varieties: Iterable[str] = (), remarks: Sequence[str] = (),
    printed: Picture | None = None,
) -> Block:
    """The block that shows `picture`; `name` must differ from picture to picture on a page.

    remarks : sentences to stand under the caption.  printed : what paper shows in its place.
    """
    from trialkit import plots  # here, as whoever lays out a page draws nothing

    varieties = list(varieties)
    on_paper = None if printed is None else {
        "drawn": Markup(plots.on_page(printed, f"{name}-printed")),
        "caption": isolate(printed.caption, varieties)}
    html = part(
        "figure",
        name=name,
        drawn=Markup(plots.on_page(picture, name)),
        title=isolate(picture.title, varieties),
        caption=isolate(picture.caption, varieties),
        remarks=[isolate(remark, varieties) for remark in remarks],
        printed=on_paper,
    )
    said = [picture.title, f"[{picture.alt}]", picture.caption, *remarks]
    return Block(html, "\n".join(filter(None, said)))
