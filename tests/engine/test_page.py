"""The page a notebook becomes: what goes where, what is escaped, that it stands alone."""

from __future__ import annotations

from html.parser import HTMLParser

from nbformat.v4 import new_code_cell, new_markdown_cell, new_notebook, new_output

from trialkit.engine import page
from trialkit.report.blocks import FACTS, Block, isolate, part


def _cell(*outputs):
    return new_code_cell("secret = 'code is not shown'", outputs=list(outputs))


def _shown(block: Block):
    return new_output("display_data", data=block._repr_mimebundle_())


class Outline(HTMLParser):
    """Tags, ids and addresses of a page."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.ids: list[str] = []
        self.addresses: list[str] = []
        self.feed(html)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        for key, value in attrs:
            if key == "id":
                self.ids.append(value)
            if key in ("src", "href", "data", "action", "srcset"):
                self.addresses.append(value)


def _book():
    return new_notebook(
        cells=[
            new_markdown_cell("# For the notebook alone", metadata={"tags": ["lab-only"]}),
            _cell(
                _shown(
                    Block(
                        part("heading", title="Beans <b>", under="here", notes=[]),
                        "Beans",
                        {"title": "Beans <b>", "answer": 'A "quoted" answer'},
                    )
                )
            ),
            new_markdown_cell("## The answer"),
            _cell(_shown(Block(part("answer", sentence="A & B", sure="quite"), "A & B"))),
            new_markdown_cell("## Pictures"),
            *[_cell(_shown(Block(f"<figure>{n}</figure>", ""))) for n in range(3)],
            new_markdown_cell("## How it was done\n\nIn *steps*.", metadata={"tags": ["fold"]}),
            _cell(new_output("stream", name="stdout", text="<i>printed</i>")),
            _cell(new_output("execute_result", data={"text/plain": "<Thing 3>"})),
        ]
    )  # fmt: skip


def test_sections_follow_the_headings_of_the_notebook():
    found = page.sections(_book())
    assert [(s.title, s.fold) for s in found] == [
        ("", False), ("The answer", False), ("Pictures", False), ("How it was done", True),
    ]  # fmt: skip
    assert found[2].parts[0].count("<figure>") == 3
    assert len(found[2].parts) == 1


def test_the_page_has_one_h1_a_title_landmarks_and_a_way_past_them():
    html = page.render(_book())
    outline = Outline(html)
    assert outline.tags.count("h1") == 1
    assert outline.tags.count("main") == 1
    assert outline.tags.count("footer") == 1
    assert outline.tags.count("details") == 1
    assert "<title>Beans &lt;b&gt;</title>" in html
    assert '<html lang="en">' in html
    assert len(outline.ids) == len(set(outline.ids))
    assert "#main" in outline.addresses
    assert "main" in outline.ids


def test_code_and_notes_for_the_notebook_stay_out():
    html = page.render(_book())
    assert "code is not shown" not in html
    assert "For the notebook alone" not in html


def test_text_is_escaped_and_nothing_is_fetched_or_run():
    html = page.render(_book())
    assert "Beans &lt;b&gt;" in html
    assert "A &amp; B" in html
    assert "&lt;i&gt;printed&lt;/i&gt;" in html
    assert "&lt;Thing 3&gt;" in html
    outline = Outline(html)
    assert not {"script", "iframe", "object", "embed", "base"} & set(outline.tags)
    assert all(a.startswith(("#", "data:")) for a in outline.addresses)


def test_facts_of_later_cells_come_over_earlier_ones():
    book = new_notebook(cells=[_cell(_shown(Block("", "", {"a": 1, "b": 1}))),
                               _cell(_shown(Block("", "", {"b": 2})))])  # fmt: skip
    assert page.facts(book) == {"a": 1, "b": 2}


def test_a_block_without_facts_hands_none_over():
    assert FACTS not in Block("<p>x</p>", "x")._repr_mimebundle_()


def test_names_are_fenced_off_whole_longest_first_and_escaped():
    fenced = isolate("Ann beats Ann Marie & Anna", ["Ann", "Ann Marie", ""])
    assert fenced == "<bdi>Ann</bdi> beats <bdi>Ann Marie</bdi> &amp; Anna"
    assert isolate("<b> wins", ["<b>"]) == "<bdi>&lt;b&gt;</bdi> wins"
    assert isolate("a < b", []) == "a &lt; b"


def test_the_method_stands_open_where_it_was_asked_for():
    assert "<details open>" not in page.render(_book())
    assert "<details open>" in page.render(_book(), full=True)


def test_a_picture_of_a_cell_keeps_its_words():
    output = new_output("display_data", data={"image/png": "AAAA"},
                        metadata={"image/png": {"alt": 'Six "batches" & a line'}})
    html = page.render(new_notebook(cells=[_cell(output)]))
    assert 'src="data:image/png;base64,AAAA" alt="Six &#34;batches&#34; &amp; a line"' in html
    bare = page.render(new_notebook(cells=[_cell(new_output(
        "display_data", data={"image/png": "AAAA"}))]))
    assert 'alt="A picture"' in bare
