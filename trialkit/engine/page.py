"""An executed notebook becomes one HTML file: nbconvert, with this package's own template.

The page carries everything in itself (style, figures) and no script; it asks the network for
nothing.  A notebook says how it wants to be laid out by its cells alone:

* a Markdown cell that starts with `## ` begins a section of the page;
* the tag `front` on that cell makes it the first screen: its heading is for screen readers, and
  on a wide page its picture stands beside its words;
* the tag `fold` folds the section away under its heading;
* the tag `lab-only` keeps a cell (a note to whoever opens the notebook) off the page;
* of a code cell the page shows what it displayed, never its code.
"""

from __future__ import annotations

import html
import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import groupby
from typing import TYPE_CHECKING

from markupsafe import Markup

from trialkit.report.blocks import FACTS, TEMPLATES
from trialkit.wording import unbroken

if TYPE_CHECKING:
    from nbformat import NotebookNode

REGION = re.compile(r'(role="region" aria-label=")([^"]*)(")')
HEADING = re.compile(r"^##\s+(?P<title>.+?)\s*$", re.MULTILINE)


@dataclass
class Section:
    """A part of the page under one heading (none for what comes before the first)."""

    title: str = ""
    fold: bool = False
    front: bool = False
    parts: list[Markup] = field(default_factory=list)

    @property
    def anchor(self) -> str:
        """The section's id on the page."""
        return re.sub(r"[^a-z0-9]+", "-", self.title.lower()).strip("-") or "top"


def load() -> None:
    """Import what lays a page out, where it was not imported before; it takes about a second."""
    from nbconvert.exporters.templateexporter import TemplateExporter  # noqa: F401
    from nbconvert.filters.markdown_mistune import markdown2html_mistune  # noqa: F401


def render(notebook: NotebookNode, full: bool = False) -> str:
    """The page of an executed notebook, as one string of HTML.

    full : what is folded stands open, so that it is printed too.
    """
    from nbconvert.exporters.templateexporter import TemplateExporter

    exporter = TemplateExporter(
        template_paths=[str(TEMPLATES)],
        template_file="index.html.j2",
        filters={"sections": sections, "facts": facts},
        enabled=True,
    )
    body, _ = exporter.from_notebook_node(notebook, resources={"full": full})
    return unbroken(_regions_apart(str(body)))


def _regions_apart(body: str) -> str:
    """Regions of one name are numbered: a screen reader lists them by name alone."""
    seen: Counter[str] = Counter()

    def numbered(match: re.Match[str]) -> str:
        seen[match[2]] += 1
        more = f", {seen[match[2]]}" if seen[match[2]] > 1 else ""
        return f"{match[1]}{match[2]}{more}{match[3]}"

    return REGION.sub(numbered, body)


def facts(notebook: NotebookNode) -> dict[str, object]:
    """Everything the cells handed over under the media type `blocks.FACTS`, later over earlier."""
    values: dict[str, object] = {}
    for output in _outputs(notebook):
        values.update(output.get("data", {}).get(FACTS, {}))
    return values


def take(notebook: NotebookNode, name: str) -> object:
    """A fact that is for whoever runs the notebook alone: taken out of it; None where no cell
    handed it over."""
    taken = None
    for output in _outputs(notebook):
        taken = output.get("data", {}).get(FACTS, {}).pop(name, taken)
    return taken


def sections(notebook: NotebookNode) -> list[Section]:
    """The notebook's cells gathered under the headings of its Markdown cells.

    A heading under which no cell had anything to show is left out.
    """
    page_sections = [Section()]
    for cell in notebook.cells:
        tags = cell.metadata.get("tags", [])
        if "lab-only" in tags:
            continue
        if cell.cell_type == "markdown":
            text = cell.source
            heading = HEADING.match(text)
            if heading:
                page_sections.append(Section(heading["title"], "fold" in tags, "front" in tags))
                text = text[heading.end() :]
            if text.strip():
                page_sections[-1].parts.append(_markdown(text))
        elif cell.cell_type == "code":
            page_sections[-1].parts.extend(_shown(output) for output in cell.outputs)
    for section in page_sections:
        section.parts = _figures_together([part for part in section.parts if part.strip()])
    return [section for section in page_sections if section.parts]


def _figures_together(parts: list[Markup]) -> list[Markup]:
    """Figures that follow one another share one box, which a wide page shows two abreast."""
    together: list[Markup] = []
    for figures, group in groupby(parts, key=lambda part: part.lstrip().startswith("<figure")):
        if figures:
            together.append(Markup('<div class="pictures">\n{}\n</div>').format(
                Markup("\n").join(group)
            ))
        else:
            together.extend(group)
    return together


def _outputs(notebook: NotebookNode) -> Iterator[NotebookNode]:
    for cell in notebook.cells:
        if cell.cell_type == "code":
            yield from cell.outputs


def _markdown(text: str) -> Markup:
    from nbconvert.filters.markdown_mistune import markdown2html_mistune

    return Markup(markdown2html_mistune(text))


def _shown(output: NotebookNode) -> Markup:
    """One output of a cell as HTML: what the cell offered first, plain text escaped otherwise."""
    data = output.get("data", {})
    if "text/html" in data:
        return Markup("".join(data["text/html"]))
    if "image/png" in data:
        picture = "".join(data["image/png"]).strip()
        alt = output.get("metadata", {}).get("image/png", {}).get("alt", "A picture")
        return Markup('<img class="card" src="data:image/png;base64,{}" alt="{}">').format(
            picture, alt)
    text = data.get("text/plain") or output.get("text") or output.get("evalue", "")
    return Markup(f'<pre tabindex="0">{html.escape("".join(text))}</pre>')
