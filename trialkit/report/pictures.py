"""A drawn figure as part of the page: vector where small, a bitmap on a light card where not.

Vector figures take their ink and colours from the page (CSS variables), so that they follow it
into the dark; the letters stay letters, which keeps them small, sharp and in any script.
"""

from __future__ import annotations

import base64
import io
import re
import warnings
from collections.abc import Iterable, Sequence

import matplotlib as mpl
from markupsafe import Markup

from trialkit import plots
from trialkit.report.blocks import Block, isolate, part

LARGEST_VECTOR = 150_000
"""Bytes of SVG above which a figure goes in as a bitmap instead."""

VARIABLES = {
    plots.INK: "ink",
    plots.MUTED: "muted",
    plots.FAINT: "faint",
    plots.PAPER: "paper",
    plots.FEWER: "fewer",
    plots.LESS: "less",
    plots.ABOUT: "about",
    plots.MORE: "more",
    plots.MOST: "most",
    **{colour: f"c{i}" for i, colour in enumerate(plots.COLOURS)},
}
"""Colour as drawn -> CSS variable of the page (`--ink`); elsewhere the drawn colour holds."""


FONTS = re.compile(r"(font: [^'\";]*|font-family: )'[^\";]*")
"""The list of font names in the style of a letter, as one matplotlib or another writes it."""


def show(
    picture: plots.Picture, name: str, varieties: Iterable[str] = (), remarks: Sequence[str] = (),
    printed: plots.Picture | None = None,
) -> Block:
    """The block that shows `picture`; `name` must differ from picture to picture on a page.

    remarks : sentences to stand under the caption.  printed : what paper shows in its place.
    """
    varieties = list(varieties)
    drawn = _drawn(picture, name)
    on_paper = None if printed is None else {
        "drawn": Markup(_drawn(printed, f"{name}-printed")),
        "caption": isolate(printed.caption, varieties)}
    html = part(
        "figure",
        name=name,
        drawn=Markup(drawn),
        title=isolate(picture.title, varieties),
        caption=isolate(picture.caption, varieties),
        remarks=[isolate(remark, varieties) for remark in remarks],
        printed=on_paper,
    )
    said = [picture.title, f"[{picture.alt}]", picture.caption, *remarks]
    return Block(html, "\n".join(filter(None, said)))


def _drawn(picture: plots.Picture, name: str) -> str:
    drawn = vector(picture, name)
    return drawn if len(drawn.encode()) <= LARGEST_VECTOR else bitmap(picture)


def vector(picture: plots.Picture, name: str) -> str:
    """The figure as SVG for the middle of an HTML page."""
    buffer = io.StringIO()
    with mpl.rc_context({**plots.STYLE, "svg.hashsalt": name}), warnings.catch_warnings():
        # A name in a script matplotlib has no letters for is drawn by the browser, which has.
        warnings.filterwarnings("ignore", message="Glyph .* missing from")
        picture.figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None})
    svg = buffer.getvalue()
    svg = svg[svg.index("<svg") :]
    svg = re.sub(r"<metadata>.*?</metadata>", "", svg, flags=re.DOTALL)
    svg = re.sub(r"<!--.*?-->", "", svg, flags=re.DOTALL)
    head, rest = svg.split(">", 1)
    box = re.search(r'viewBox="[^"]+"', head)
    assert box is not None
    alt = Markup.escape(picture.alt)
    opening = f'<svg {box[0]} role="img" aria-label="{alt}" focusable="false"'
    rest = _own_ids(rest, name)
    for colour, variable in VARIABLES.items():
        rest = rest.replace(f": {colour}", f": var(--{variable}, {colour})")
    rest = FONTS.sub(r"\1var(--letters, sans-serif)", rest)
    rest = re.sub(r"(\d+\.\d\d)\d+", r"\1", rest)
    rest = re.sub(r"\n\s*", "\n", rest)
    return f"{opening}>{rest}".strip()


def bitmap(picture: plots.Picture) -> str:
    """The figure as an <img> on light paper, three dots to a CSS pixel."""
    buffer = io.BytesIO()
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing from")
        picture.figure.savefig(buffer, format="png", dpi=220, facecolor=plots.PAPER)
    data = base64.b64encode(buffer.getvalue()).decode()
    alt = Markup.escape(picture.alt)
    return f'<img class="card" src="data:image/png;base64,{data}" alt="{alt}">'


def _own_ids(svg: str, name: str) -> str:
    """Drop the ids nothing refers to, and mark the others with the figure's name.

    Several figures share a page, and an id may stand on it once.
    """
    used = set(re.findall(r"(?:url\(#|href=\"#)([^\")]+)", svg))
    svg = re.sub(
        r' id="([^"]+)"', lambda m: f' id="{name}-{m[1]}"' if m[1] in used else "", svg
    )
    return re.sub(r"(url\(#|href=\"#)", rf"\g<1>{name}-", svg)
