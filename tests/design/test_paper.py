"""Printed pages: the right size, readable back, nothing outside the paper."""

import re
import xml.etree.ElementTree as ET
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import matplotlib as mpl
import pytest
from matplotlib.figure import Figure

from trialkit.cautions import PICKING, in_a_line
from trialkit.design.bed import Bed, bed_of, letter
from trialkit.design.bedmap import bed_map, bed_map_svg, bed_map_words, print_bed_map
from trialkit.design.labels import LabelSize, labels_on, stake_labels
from trialkit.design.layouts import lay_out
from trialkit.design.paper import (
    A4,
    LETTER,
    Paper,
    paper,
    shortened,
    text_width,
    unprintable,
    wrapped,
)
from trialkit.design.request import INCOMPLETE_BLOCKS, SPLIT_PLOT, PlanRequest
from trialkit.design.sheets import form_sheets, height_form, pick_form, print_sheets

FIVE = ("Blue Lantern", "Copper Bell", "Dawn Fiddle", "Evening Kite", "Frost Drum")
# ISO 216 and ANSI Y14.1, in points of 1/72 inch.
# Letter is wider and less tall: with every change where it costs little.
BOTH = [A4, pytest.param(LETTER, marks=pytest.mark.slow)]
POINTS = {"A4": (595.28, 841.89), "Letter": (612.0, 792.0)}


def pick_sheets(bed: Bed, sheet: Paper = A4, **how: Any) -> list[Figure]:
    return form_sheets(bed, pick_form(bed, **how), sheet)


def height_sheets(bed: Bed, sheet: Paper = A4, **how: Any) -> list[Figure]:
    return form_sheets(bed, height_form(bed, **how), sheet)


def bed(**changes: object) -> Bed:
    asked = {"blocks": 2, "seed": 4, "aisle_cm": 60, **changes}
    request = PlanRequest(FIVE, **asked)  # type: ignore[arg-type]
    return bed_of(lay_out(request), title="Crossing Road beans", crop="beans", weight_unit="oz")


@pytest.fixture(scope="module")
def printed(tmp_path_factory) -> Callable[[str, Paper], Path]:
    """The PDF of that bed, each kind and paper printed once."""
    place = tmp_path_factory.mktemp("printed")
    prints = {
        "labels": lambda path, sheet: print_sheets(
            stake_labels(bed(plants=2), sheet), path, "labels"
        ),
        "pick": lambda path, sheet: print_sheets(pick_sheets(bed(), sheet), path, "pick"),
        "heights": lambda path, sheet: print_sheets(height_sheets(bed(), sheet), path, "heights"),
        "map": lambda path, sheet: print_bed_map(bed(), path, sheet),
    }

    def pdf(kind: str, sheet: Paper = A4) -> Path:
        path = place / f"{kind}-{sheet.name}.pdf"
        if not path.exists():
            prints[kind](path, sheet)
        return path

    return pdf


def pages_of(path: Path) -> list[tuple[float, float]]:
    pdfium = pytest.importorskip("pypdfium2", reason="pypdfium2 reads the PDF back")
    document = pdfium.PdfDocument(path)
    return [document.get_page_size(number) for number in range(len(document))]


def words_of(path: Path) -> list[str]:
    pdfium = pytest.importorskip("pypdfium2", reason="pypdfium2 reads the PDF back")
    document = pdfium.PdfDocument(path)
    return [document[number].get_textpage().get_text_bounded() for number in range(len(document))]


def overflows(figure: mpl.figure.Figure, sheet: Paper) -> list[str]:
    """Text that reaches outside the printable page."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    figure.set_dpi(300)  # at screen resolution hinting widens small letters
    canvas = FigureCanvasAgg(figure)
    drawer = canvas.get_renderer()
    per_mm = figure.dpi / 25.4
    bad = []
    for text in figure.axes[0].texts:
        if not text.get_text():
            continue
        extent = text.get_window_extent(drawer)
        inside = (
            extent.x0 >= 5 * per_mm
            and extent.y0 >= 5 * per_mm
            and extent.x1 <= figure.bbox.width - 5 * per_mm
            and extent.y1 <= figure.bbox.height - 5 * per_mm
        )
        if not inside:
            bad.append(text.get_text())
    return bad


# Each kind on A4 and one on Letter with every change; the other kinds on Letter with the slow ones.
@pytest.mark.parametrize(("kind", "sheet"), [
    pytest.param(kind, sheet, id=f"{kind}-{sheet.name}",
                 marks=() if sheet is A4 or kind == "pick" else pytest.mark.slow)
    for kind in ("labels", "pick", "heights", "map") for sheet in (A4, LETTER)])
def test_pages_have_the_size_of_the_paper(kind, sheet, printed):
    pages = pages_of(printed(kind, sheet))
    assert pages
    for page in pages:
        assert sorted(page) == pytest.approx(sorted(POINTS[sheet.name]), abs=0.5)


LONG = "An endless name of a trial " * 8


@pytest.mark.parametrize("sheet", [A4, LETTER], ids=lambda sheet: sheet.name)
@pytest.mark.parametrize("sun", [None, "south-east sun", "shade from the west " * 6, "north"])
def test_nothing_runs_off_the_map(sheet, sun):
    crowded = replace(bed(sun=sun, guards="all round"), title=LONG)
    assert overflows(bed_map(crowded, sheet), sheet) == []


@pytest.mark.parametrize("sheet", BOTH, ids=lambda sheet: sheet.name)
def test_nothing_runs_off_labels_and_sheets(sheet):
    crowded = replace(bed(), title=LONG)
    for figure in (
        *stake_labels(crowded, sheet)[:1],
        *pick_sheets(crowded, sheet)[:2],
        *height_sheets(crowded, sheet)[:2],
    ):
        assert overflows(figure, sheet) == []


@pytest.mark.parametrize("sheet", [A4, LETTER], ids=lambda sheet: sheet.name)
def test_the_lines_at_the_head_of_the_map_do_not_overlap(sheet):
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    asked = bed(guards="all round", sun="afternoon shade from the west")
    crowded = replace(asked, planted="2031-03-04", note="spacing not given, drawn at 60 x 30 cm")
    figure = bed_map(crowded, sheet)
    drawer = FigureCanvasAgg(figure).get_renderer()
    top = figure.bbox.height * 0.85
    boxes = [
        (text.get_text(), text.get_window_extent(drawer))
        for text in figure.axes[0].texts
        if text.get_text() and text.get_window_extent(drawer).y0 > top
    ]
    assert len(boxes) >= 4
    for at, (one, here) in enumerate(boxes):
        for other, there in boxes[at + 1 :]:
            assert not here.overlaps(there), (one, other)


def test_codes_on_labels_read_back_as_the_plants(printed):
    reader = pytest.importorskip("zxingcpp", reason="zxing-cpp reads QR codes independently")
    pdfium = pytest.importorskip("pypdfium2", reason="pypdfium2 turns the PDF into an image")
    found = []
    document = pdfium.PdfDocument(printed("labels"))
    for page in document:
        image = page.render(scale=300 / 72).to_pil()
        found += [code.text for code in reader.read_barcodes(image)]
    assert sorted(found) == sorted(bed(plants=2).plants["plant"])


def test_codes_survive_mud(printed):
    # Level H restores about 30 % of a code (ISO/IEC 18004); a blot over a tenth must not matter.
    reader = pytest.importorskip("zxingcpp", reason="zxing-cpp reads QR codes independently")
    pdfium = pytest.importorskip("pypdfium2", reason="pypdfium2 turns the PDF into an image")
    from PIL import ImageDraw

    image = pdfium.PdfDocument(printed("labels"))[0].render(scale=300 / 72).to_pil()
    codes = reader.read_barcodes(image)
    pen = ImageDraw.Draw(image)
    for code in codes:
        x, y = code.position.bottom_right.x, code.position.bottom_right.y
        side = x - code.position.bottom_left.x
        blot = side * 0.32
        pen.rectangle((x - blot * 1.2, y - blot * 1.2, x - blot * 0.2, y - blot * 0.2), fill="gray")
    again = reader.read_barcodes(image)
    assert len(codes) >= 20
    assert {code.text for code in again} == {code.text for code in codes}


def test_sheets_hold_every_plant_once_in_walking_order(printed):
    words = " ".join(words_of(printed("pick")))
    assert re.findall(r"\b\d{3}[a-z]\b", words) == bed().plants["plant"].tolist()


def test_every_page_of_a_sheet_carries_the_zero_rule_and_the_first_the_cautions(printed):
    pages = words_of(printed("pick"))
    assert len(pages) > 1
    assert "LOOKED and found nothing: write 0." in pages[0]
    assert all("0 = looked, nothing there." in page for page in pages[1:])
    flat = " ".join(pages[0].split())
    assert " ".join(in_a_line(PICKING, "this sheet").split()) in flat
    for word in ("Knife", "Heat", "Ladder", "spray", "label", "extension service"):
        assert word in flat


def test_blind_prints_name_no_variety(tmp_path):
    path = tmp_path / "blind.pdf"
    hidden = bed(blocks=1).nameless()
    print_sheets(stake_labels(hidden), path, "labels")
    assert not any(name in page for page in words_of(path) for name in FIVE)
    print_sheets([*pick_sheets(hidden), *height_sheets(hidden)], path, "pick")
    assert not any(name in page for page in words_of(path) for name in FIVE)
    svg = bed_map_svg(hidden)
    assert not any(name in svg + bed_map_words(hidden) for name in FIVE)
    drawn = [text.get_text() for text in bed_map(hidden).axes[0].texts]
    assert {"101", "105"} <= set(drawn)
    assert not {"A", "B", "C", "D", "E"} & set(drawn)


def test_lost_plants_are_marked_on_the_sheet(tmp_path):
    path = tmp_path / "sheet.pdf"
    print_sheets(pick_sheets(replace(bed(), lost=frozenset(["101b"]))), path, "pick")
    assert " ".join(words_of(path)).count("LOST") == 1


def test_the_map_is_to_scale():
    trial = bed()
    svg = ET.fromstring(bed_map_svg(trial))
    figure = bed_map(trial)
    scale = next(
        int(found.group(1))
        for text in figure.axes[0].texts
        if (found := re.match(r"Scale 1 : (\d+)", text.get_text()))
    )
    plants = figure.axes[0].lines[0]
    x = sorted(set(plants.get_xdata()))
    # Plants 1 and 2 are 45 cm apart on the ground: 450 / scale mm on paper.
    assert x[1] - x[0] == pytest.approx(450 / scale)
    y = sorted({round(float(one), 6) for one in plants.get_ydata()})
    assert y[1] - y[0] == pytest.approx(900 / scale)
    assert svg.get("width", "").endswith("pt")


def test_the_same_bed_gives_the_same_svg_and_pdf(printed, tmp_path):
    assert bed_map_svg(bed()) == bed_map_svg(bed())
    again = tmp_path / "again.pdf"
    print_bed_map(bed(), again)
    assert again.read_bytes() == printed("map").read_bytes()


def test_the_map_needs_no_colour():
    svg = bed_map_svg(bed())
    colours = set(re.findall(r"#([0-9a-f]{6})\b", svg))
    assert len(colours) > 1
    for colour in colours:
        assert colour[:2] == colour[2:4] == colour[4:], colour


def test_the_map_in_words_names_every_plot():
    words = bed_map_words(bed(sun="shade from the west"))
    for plot in bed().plants["plot"].unique():
        assert str(plot) in words
    assert "shade from the west" in words


def test_odd_names_are_printed_as_they_are_and_never_run(tmp_path):
    odd = ("$x^2$", "<script>alert(1)</script>", "a\nb\x00c", "M & S", "番茄")
    plain = bed_of(lay_out(PlanRequest(FIVE, seed=1, blocks=2)), title=odd[1])
    named = replace(plain, plants=plain.plants.replace({
        "variety": dict(zip(FIVE, odd, strict=True))}))  # fmt: skip
    svg = bed_map_svg(named)
    ET.fromstring(svg)
    assert "<script" not in svg
    print_sheets(stake_labels(named), tmp_path / "l.pdf", "labels")
    words = " ".join(" ".join(words_of(tmp_path / "l.pdf")).split())
    for name in ("$x^2$", "<script>", "M & S"):
        assert name in words, name
    for title in odd:
        ET.fromstring(bed_map_svg(replace(named, title=title)))
    print_sheets(pick_sheets(named), tmp_path / "s.pdf", "x")


def test_letters_no_font_has_are_named():
    assert unprintable("Blue Lantern é ñ →") == ""
    assert unprintable("a\U0001f34d\U0001f34da") == "\U0001f34d"


def test_plants_without_a_place_cannot_be_mapped():
    trial = bed()
    nowhere = replace(trial, plants=trial.plants.assign(row=float("nan")))
    with pytest.raises(ValueError, match="row and a column"):
        bed_map(nowhere)


@pytest.mark.parametrize("size", [LabelSize(300, 25), LabelSize(30, 25), LabelSize(60, 5)])
def test_labels_that_cannot_work_are_refused(size):
    with pytest.raises(ValueError, match="twice as wide as tall"):
        labels_on(A4, size)


def test_a_plant_id_too_long_for_its_code_is_refused():
    trial = bed()
    long = replace(trial, plants=trial.plants.assign(plant="x" * 80))
    with pytest.raises(ValueError, match="too long for a QR code"):
        stake_labels(long)


def test_many_varieties_and_split_plots_fit():
    many = PlanRequest(
        tuple(f"Line {n}" for n in range(40)),
        design=INCOMPLETE_BLOCKS,
        block_size=6,
        blocks=3,
        plants=2,
        seed=2,
    )
    assert overflows(bed_map(bed_of(lay_out(many), title="Many")), A4) == []
    split = bed(design=SPLIT_PLOT)
    assert "not topped" in " ".join(text.get_text() for text in bed_map(split).axes[0].texts)


def test_letters_skip_those_that_look_like_figures():
    assert [letter(n) for n in (0, 7, 8, 23, 24)] == ["A", "H", "J", "Z", "AA"]


def test_text_is_measured_cut_and_broken():
    assert text_width("mmmm", 10) > text_width("iiii", 10)
    assert shortened("a long line of words", 10, 10).endswith("…")
    assert all(text_width(line, 10) <= 40 for line in wrapped("a long line of words " * 4, 40, 10))
    with pytest.raises(ValueError, match="A4 or Letter"):
        paper("A5")
