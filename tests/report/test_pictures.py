"""The drawings: what they show, what stands in for them, and names that could break them."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import numpy as np
import pandas as pd
import pytest
from hostile import NAMES
from markupsafe import Markup

from trialkit import plots, shipped
from trialkit.plots import style
from trialkit.report import cells, figures
from trialkit.report.blocks import TEMPLATES, show
from trialkit.wording import short_day

DAYS = pd.date_range("2025-07-01", periods=12, freq="4D")


def _curve(names=NAMES, banded=True) -> pd.DataFrame:
    rows = []
    for place, name in enumerate(names):
        for step, day in enumerate(DAYS):
            y = (1.5 + place) * step
            low, high = (y * 0.9, y * 1.1) if banded else (np.nan, np.nan)
            rows.append((name, day, y, low, high))
    return pd.DataFrame(rows, columns=["variety", "date", "estimate", "low", "high"])


def _bed(names=NAMES) -> pd.DataFrame:
    rng = np.random.default_rng(7)
    rows = [
        (names[plot % len(names)], f"p{plot}", plot % 6 * 100.0, plot // 6 * 80.0 + n * 30,
         float(rng.lognormal(0, 0.4)), plot == 3 and n == 0)
        for plot in range(18) for n in range(2)
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=["variety", "plot", "x", "y", "ratio", "lost"])


def _seen(names=NAMES, plants=6) -> pd.DataFrame:
    curve = _curve(names)
    many = pd.concat([curve.assign(height=curve["estimate"] + n) for n in range(plants)])
    return many[["variety", "date", "height"]]


def _ratios() -> pd.DataFrame:
    return pd.DataFrame({"variety": NAMES[1:], "estimate": [1.2, 1.5, 0.8, 2.3, 1.0],
                         "low": [0.9, 1.2, 0.6, 1.7, np.nan], "high": [1.6, 1.9, 1.1, 3.0, np.nan]})


DRAWINGS = {
    "totals": lambda: plots.totals(_curve(), "pods a plant", "Band: 95 % interval.", NAMES[0]),
    "rates": lambda: plots.rates(
        _curve(), "pods a plant a week", "", NAMES[0], hot=[(DAYS[3], DAYS[5])], enough=2
    ),
    "heights": lambda: plots.heights(_curve(), _seen(), "feet", "", reach=20, check=NAMES[0]),
    "compared": lambda: plots.compared(_ratios(), f"pods, beside {NAMES[0]}", "Dots.", NAMES[1]),
    "bed": lambda: plots.bed(_bed(), "pods a plant", "Sun from the south."),
}


@pytest.fixture(params=sorted(DRAWINGS))
def picture(request):
    return request.param, DRAWINGS[request.param]()


def test_the_drawing_is_well_formed_and_nothing_in_it_runs(picture):
    name, drawn = picture
    svg = style.vector(drawn, name)
    root = ElementTree.fromstring(svg.replace("xlink:href", "href").replace(" xmlns", " data"))
    assert {element.tag for element in root.iter()} <= {
        "svg", "g", "path", "defs", "style", "text", "tspan", "use", "clipPath", "rect",
    }  # fmt: skip
    assert not [key for element in root.iter() for key in element.attrib if key.startswith("on")]
    assert root.attrib["role"] == "img"
    assert root.attrib["aria-label"] == drawn.alt
    assert "http" not in svg.replace("http://www.w3.org/", "")


def test_every_variety_is_named_in_the_words_that_stand_in_for_the_drawing(picture):
    name, drawn = picture
    said = drawn.alt + drawn.caption
    assert [variety for variety in NAMES if variety not in said] == []


def test_a_dollar_in_a_name_stays_a_dollar():
    svg = style.vector(DRAWINGS["totals"](), "totals")
    assert r"$\alpha$ &amp; co" in svg


def test_ink_and_colours_come_from_the_page_and_fall_back_to_their_own(picture):
    name, drawn = picture
    svg = style.vector(drawn, name)
    bare = re.findall(r"(?:fill|stroke): (#[0-9a-f]{6})", svg)
    assert set(bare) <= {"#000000", "#ffffff"}
    assert f"var(--ink, {plots.INK})" in svg


def test_ids_of_two_drawings_on_a_page_never_meet():
    both = [set(re.findall(r' id="([^"]+)"', style.vector(DRAWINGS[n](), n)))
            for n in ("totals", "heights")]  # fmt: skip
    assert both[0]
    assert not both[0] & both[1]


def test_the_same_figures_give_the_same_bytes():
    once, again = (style.vector(DRAWINGS["heights"](), "h") for _ in range(2))
    assert once == again


def test_a_drawing_too_large_for_vectors_becomes_a_picture_with_the_same_words(monkeypatch):
    monkeypatch.setattr(style, "LARGEST_VECTOR", 1000)
    drawn = DRAWINGS["totals"]()
    html = show(drawn, "totals", NAMES).html
    assert "<svg" not in html
    assert 'src="data:image/png;base64,' in html
    assert f'alt="{Markup.escape(drawn.alt)}"' in html


def test_no_band_is_drawn_or_told_where_there_is_no_interval():
    names = ["North", "South"]
    with_band = style.vector(plots.totals(_curve(names), "pods a plant", ""), "t")
    drawn = plots.totals(_curve(names, banded=False), "pods a plant", "")
    without = style.vector(drawn, "t")
    assert "fill-opacity: 0.22" in with_band or "opacity: 0.22" in with_band
    assert "opacity: 0.22" not in without
    assert " to " not in drawn.alt


def test_thirty_varieties_draw_the_leading_ones_and_say_so():
    names = [f"Row {n}" for n in range(30)]
    drawn = plots.totals(_curve(names), "pods a plant", "")
    assert f"leading {plots.PANELS} varieties" in drawn.caption
    assert "Row 29" in drawn.alt
    assert len(style.vector(drawn, "t")) < style.LARGEST_VECTOR


@pytest.mark.parametrize("most", [plots.PANELS, plots.PRINTED])
def test_the_check_is_drawn_however_far_down_it_comes(most):
    names = [f"Row {n}" for n in range(30)]
    drawn = plots.totals(_curve(names), "pods a plant", "", "Row 20", most)
    titles = [axes.get_title(loc="left") for axes in drawn.figure.axes]
    assert [title for title in titles if title] == [
        *(f"Row {n}" for n in range(most - 1)), "Row 20 (check)"]
    assert f"leading {most - 1} and the check are drawn; the other {30 - most}" in drawn.caption


@pytest.mark.parametrize("n", [1, 2, 3, 4])
def test_few_varieties_and_a_single_day(n):
    curve = _curve(NAMES[:n])
    first = curve[curve["date"] == DAYS[0]]
    for frame in (curve, first):
        assert plots.totals(frame, "pods a plant", "").alt.count(NAMES[0]) == 1


def test_bars_start_at_nothing_and_end_at_the_estimate_with_the_checks_line_through_all():
    rows = _ratios()
    axes = plots.compared(rows, "pods", "", NAMES[2]).figure.axes[0]
    bars = [patch for patch in axes.patches if patch.get_width() > 0]
    assert [bar.get_x() for bar in bars] == [0] * len(rows)
    assert [bar.get_width() for bar in bars] == list(rows["estimate"])
    check = float(rows.loc[rows["variety"] == NAMES[2], "estimate"].iloc[0])
    line = [one for one in axes.lines if list(one.get_xdata()) == [check, check]]
    assert len(line) == 1
    assert list(line[0].get_ydata()) == [0, 1]


def test_of_thirty_varieties_the_leading_ones_and_the_check_are_drawn():
    names = [f"V{k:02d}" for k in range(30)]
    rows = pd.DataFrame({"variety": names, "estimate": np.arange(30.0, 0, -1), "low": np.nan,
                         "high": np.nan})
    drawn = plots.compared(rows, "pods", "", "V20")
    shown = [label.get_text() for label in drawn.figure.axes[0].get_yticklabels()]
    assert shown == [*names[:11], "V20"]
    assert "the other 18 are in the table" in drawn.caption
    assert all(name in drawn.alt for name in names)


def test_short_names_stay_apart():
    names = ["A very long name of a bean, first", "A very long name of a bean, second", "B"]
    cut = plots.short(names, 12)
    assert len(set(cut.values())) == 3
    assert all(len(label) <= 12 for label in cut.values())
    assert cut["B"] == "B"
    assert [label[-5:] for label in cut.values()][:1] == ["first"]
    walls = [f"Climbing bean, selection of the upper meadow, garden wall {k}"
             for k in range(10, 40)]
    for width in (12, 16, 20, 22):
        cut = plots.short([*walls, "Climbing bean, selection of somebody else altogether"], width)
        assert len(set(cut.values())) == 31
        assert all(len(label) <= width for label in cut.values())
        assert all(cut[wall].startswith("Cl") and cut[wall].endswith(wall[-2:]) for wall in walls)
    # What differs early in two long rests is what is seen.
    cut = plots.short(["Grandmother's tall bean red with many speckles and a late habit",
                       "Grandmother's tall bean white with many speckles, a late habit"], 20)
    assert ["red" in label or "white" in label for label in cut.values()] == [True, True]


def test_what_stands_in_brackets_after_a_long_name_is_seen_whole():
    garden = "Lantern Bank allotments, Hollow Lane"
    names = [f"{garden} (upper bed)", f"{garden} (lower bed)", garden]
    assert list(plots.short(names, 24).values()) == [
        "Lantern… (upper bed)", "Lantern… (lower bed)", "Lantern Ban…Hollow Lane"]
    # A name that another only goes on from has nothing after what they share.
    assert len(set(plots.short(["A" * 40, "A" * 40 + "(1)"], 20).values())) == 2


def test_panels_name_the_check_so_that_it_is_told_from_the_others():
    names = [f"Climbing bean, selection {k}" for k in (1, 2, 3)]
    made = plots.totals(_curve(names), "pods a plant", "", names[1])
    titles = [axes.get_title(loc="left") for axes in made.figure.axes]
    assert [t.removesuffix(" (check)")[-1] for t in titles[:3]] == ["1", "2", "3"]


def _luminance(colour: str) -> float:
    """Relative luminance, WCAG 2.1, definition of that term."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.03928 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def _contrast(one: str, other: str) -> float:
    light, dark = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_lines_and_markers_stand_out_from_the_page_in_the_light_and_in_the_dark():
    """WCAG 2.1, success criterion 1.4.11: 3 to 1 for what a reader must see."""
    style = (TEMPLATES / "style.css").read_text()
    light, dark = style.split("prefers-color-scheme: dark", 1)
    for name in [*(f"c{n}" for n in range(6)), "fewer", "more", "most", "about", "ink", "muted"]:
        for theme in (light, dark):
            colours = dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6})", theme.split("}")[0]))
            least = 4.5 if name in ("ink", "muted") else 3
            assert _contrast(colours[name], colours["paper"]) >= least, (name, colours[name])
    for colour in plots.COLOURS:
        assert _contrast(colour, "#ffffff") >= 3, colour


def _looks() -> pd.DataFrame:
    ratio = np.linspace(1.0, 2.0, 12)
    low, high = ratio / np.linspace(9, 1.3, 12), ratio * np.linspace(9, 1.3, 12)
    return pd.DataFrame({"date": DAYS, "ratio": ratio, "low": low, "high": high,
                         "clear": (low > 1) | (high < 1)})


def test_how_the_answer_grew_has_a_range_for_every_pick_and_a_full_dot_for_each_clear_one():
    looks = _looks()
    drawn = plots.history(looks, "North", "South", "pods", "South")
    axes = drawn.figure.axes[0]
    assert len(axes.collections[0].get_segments()) == 12
    dots = {line.get_markerfacecolor(): len(line.get_xdata())
            for line in axes.lines if line.get_marker() == "o"}
    clear = int(looks["clear"].sum())
    assert sorted(dots.values()) == sorted([clear, len(looks) - clear])
    first = DAYS[int(looks["clear"].to_numpy().argmax())]
    assert f"Clear since {first.day} {first:%b}" in drawn.alt
    open_still = plots.history(looks.assign(clear=False), "N", "S", "pods")
    assert "a tie is still within the range" in open_still.alt


def test_the_calendar_adds_up_to_what_was_picked():
    """Twenty picks share columns; what stands in them is the sum of the picks, by hand."""
    days = pd.date_range("2025-07-01", periods=20, freq="4D")
    each = pd.DataFrame({"North": np.arange(20.0), "South": 1.0}, index=days)
    axes = plots.calendar(each, "pods").figure.axes[0]
    shown = [text.get_text() for text in axes.texts]
    sums = [sum(range(k, min(k + 3, 20))) for k in range(0, 20, 3)]
    assert shown[:7] == [f"{n}" for n in sums]
    assert shown[7:14] == ["3"] * 6 + ["2"]


def test_when_each_bore_is_told_alike_in_picture_and_table(tmp_path):
    """First pick and half-way day are the table's; without a half-way day none is drawn."""
    shipped.copy_trial(shipped.demo(), tmp_path / "beans")
    about = tmp_path / "beans" / "trial.toml"
    about.write_text("ended = 2025-12-01\n" + about.read_text())
    beans = cells.open_trial(str(tmp_path / "beans"))
    table = beans.conclusion.table.set_index("variety")
    told = figures.when_bore(beans).plain
    assert table["halfway"].notna().all()
    for _, row in table.iterrows():
        assert f"from {short_day(row['first_pick'])} to" in told
        assert f"half by {short_day(row['halfway'])}" in told
    days = pd.DataFrame({"variety": ["North"], "first": DAYS[:1], "half": [pd.NaT],
                         "last": DAYS[4:5]})
    drawn = plots.bearing(days)
    assert "half by" not in drawn.alt
    assert "once the season is over" in drawn.caption


def test_weather_and_events_share_the_days_of_the_rate():
    events = pd.DataFrame({"date": [DAYS[0] - pd.Timedelta(days=9), DAYS[4]],
                           "event": ["fed", "storm"]})
    rain = pd.DataFrame({"date": DAYS[:3], "rain": [4.0, 0.0, 9.0]})
    drawn = plots.along(_curve(["North", "South"]), "pods a plant a week", events, rain, "mm",
                        [(DAYS[2], DAYS[3])])
    limits = {tuple(axes.get_xlim()) for axes in drawn.figure.axes}
    assert len(drawn.figure.axes) == 3
    assert len(limits) == 1
    for words in ("fed 1 time", "storm 1 time", "hot from 9 Jul to 13 Jul", "most rain on 9 Jul"):
        assert words in drawn.alt.replace("Hot", "hot")


def test_days_are_ticked_often_enough_and_their_names_never_meet():
    curve = _curve(["A", "B", "C"])
    figures = [plots.totals(curve, "pods a plant", "").figure,
               plots.totals(curve[curve["variety"] == "A"], "pods a plant", "").figure]
    for figure in figures:
        figure.canvas.draw()
        for axes in figure.axes[:2]:
            assert len(axes.get_xticks()) >= 3
            assert len(axes.get_xticks(minor=True)) >= 6, "44 days: a small tick each week"
        boxes = sorted((label.get_window_extent() for axes in figure.axes
                        for label in axes.get_xticklabels() if label.get_visible()
                        and axes.axison), key=lambda box: (round(box.y0), box.x0))
        assert len(boxes) > 3
        for one, other in zip(boxes, boxes[1:], strict=False):
            assert round(one.y0) != round(other.y0) or one.x1 < other.x0


def test_names_at_the_ends_of_lines_keep_apart():
    from trialkit.plots.timeline import spread

    for ends in ([0.5, 0.5, 0.5], [0.0, 0.01, 0.02], [0.99, 1.0, 0.98], [0.2], [0.9, 0.1, 0.5]):
        placed = spread(ends, 0.12)
        gaps = np.diff(sorted(placed))
        assert (gaps >= 0.12 - 1e-9).all()
        assert max(placed) <= 1.0
        assert min(placed) > -0.01
        assert list(np.argsort(placed, kind="stable")) == list(np.argsort(ends, kind="stable"))


def test_the_bed_carries_the_plots_numbers_beside_the_letters():
    names = ["North", "South"]
    plants = _bed(names).assign(plot=lambda b: b["plot"].str.replace("p", "1"))
    drawn = plots.bed(plants, "pods", letters={"North": "A", "South": "B"})
    shown = [text.get_text() for text in drawn.figure.axes[0].texts]
    assert "A  10" in shown
    assert "B  11" in shown


def test_dots_of_plots_say_every_variety_and_how_many_plots() -> None:
    table = pd.DataFrame({"variety": NAMES, "estimate": range(1, len(NAMES) + 1),
                          "low": np.nan, "high": np.nan})
    each = pd.DataFrame({"variety": np.repeat(NAMES, 3),
                         "value": np.linspace(0, 9, 3 * len(NAMES))})
    made = plots.dots(table, each, "mildew, %", "No ranges.", NAMES[0])
    for name in NAMES:
        assert name in made.alt
    assert made.alt.count("3 plots") == len(NAMES)
    assert "<svg" in style.vector(made, "own-0")
    # A circle a plot: every one is drawn.
    circles = [line for line in made.figure.axes[0].lines if line.get_marker() == "o"]
    assert sum(len(line.get_xdata()) for line in circles) == 3 * len(NAMES)


def test_a_range_that_says_nothing_does_not_press_the_curves_flat():
    days = pd.date_range("2026-06-01", periods=4)
    curve = pd.DataFrame({
        "variety": ["A"] * 4 + ["B"] * 4, "date": [*days, *days], "estimate": [1.0, 2, 3, 4] * 2,
        "low": [0.0] * 8, "high": [2.0, 3, 4, 5, 2, 3, 4, 4633]})
    drawn = plots.rates(curve, "pods a plant a week", "")
    assert drawn.figure.axes[0].get_ylim()[1] <= 12
    assert "4,633" not in drawn.alt
    assert "A 4 (0 to 5); B 4." in drawn.alt
