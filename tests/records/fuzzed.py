"""Files spoilt in the ways files get spoilt, and some that were made to do harm."""

from __future__ import annotations

import io
import zipfile
from typing import Any

import openpyxl
from hypothesis import strategies as st

SOUND = {
    name: "\n".join(lines).encode() + b"\n"
    for name, lines in {
        "trial.toml": [
            'title = "T"', 'crop = "bean"', "planted = 2026-05-20", 'reach = "7 ft"',
            'price = "3.50 a kg"', 'covariates = ["shade"]',
            "[units]", 'height = "in"', "[[varieties]]", 'name = "Ambrel"', "check = true",
            "seed_cost = 0.12", "[[varieties]]", 'name = "Costry"', "seed_cost = 0.20",
            *(f"[[traits]]\nname = {name}\nkind = {kind}" for name, kind in (
                ('"mildew"', '"score"\nscale = ["none", "some", "much"]'),
                ('"vigour"', '"score"\nfrom = 1\nto = 9'), ('"width"', '"measure"\nunit = "mm"'),
                ('"flowers"', '"count"'), ('"curled"', '"yes or no"'), ('"first bloom"', '"day"'),
                ('"split"', '"share"\nof = "looked at"'),
            )),
        ],
        "plants.csv": [
            "plant,variety,block,plot,row,column,lost,lost_reason,shade",
            "A1,Ambrel,1,1A,1,1,,,2.5", "A2,Ambrel,2,2B,2,2,,,1", "C1,Costry,1,1B,1,2,,,0",
            "C2,Costry,2,2A,2,1,2026-07-20,slugs,3",
        ],
        "picks.csv": [
            "date,plant,plot,count,weight", "2026-07-01,A1,,3,30", "2026-07-01,C1,,0,",
            "2026-07-04,A1,,,", "2026-07-06,,1B,7,60", "2026-07-06,,2A,0,",
        ],
        "heights.csv": [
            "date,plant,plot,height", "2026-07-01,A1,,5'6\"", "2026-07-08,A1,,70",
            "2026-07-08,C1,,168 cm", "2026-07-15,,2A,70",
        ],
        "weather.csv": ["date,low,high", "2026-07-01,10,25", "2026-07-02,11,26"],
        "events.csv": [
            "date,plant,event,note", '2026-07-02,,storm,"gusts, all night"',
            "2026-07-03,A1,topped,",
        ],
        "harvest.csv": ["date,plant,plot,weight,count,grade", "2026-09-01,A1,,1 lb,4,good",
                        "2026-09-01,,2B,900 g,9,"],
        "traits.csv": [
            "date,plant,plot,trait,value", "2026-07-01,A1,,mildew,some", "2026-07-01,C1,,mildew,2",
            "2026-07-01,,2A,vigour,7", "2026-07-01,A1,,width,34.5", "2026-07-01,A1,,flowers,12",
            "2026-07-01,A1,,curled,no", "2026-07-02,A1,,first bloom,", "2026-07-02,A1,,split,3/20",
            "2026-07-02,C1,,split,15 %",
        ],
    }.items()
}  # fmt: skip
# The same bed with a line a plot, and so many plants in it.
PLOTS = {
    "plants.csv": b"plot,variety,plants,block,shade\n1A,Ambrel,6,1,2\n1B,Costry,5,1,0\n"
                  b"2B,Ambrel,6,2,1\n2A,Costry,6,2,3\n",
    "picks.csv": b"date,plot,count,weight\n2026-07-01,1A,30,300\n2026-07-01,1B,20,\n"
                 b"2026-07-01,2A,,\n",
    "heights.csv": b"date,plant,height\n2026-07-01,1A,90\n2026-07-01,1B.2,80\n",
    "harvest.csv": b"plot,weight\n1A,2 kg\n2B,2 lb\n",
    "traits.csv": b"date,plot,trait,value\n2026-07-01,1A,vigour,7\n2026-07-01,2A,mildew,none\n",
    "events.csv": b"date,plot,event\n2026-07-01,1A,topped\n",
}  # fmt: skip
# A tasting of both, with its key and a triangle test.
TASTING = {
    "key.csv": b"code,variety\n317,Ambrel\n804,Costry\n",
    "scores.csv": b"taster,code,trait,score\n1,317,liking,7\n1,804,liking,4\n2,317,liking,6\n"
                  b"2,804,liking,5\n3,317,liking,8\n3,804,liking,\n3,804,crunch,2\n"
                  b"ann,317,liking,3\nann,804,liking,4\n",
    "triangle.csv": b"first,second,right,tasted\nAmbrel,Costry,9,15\n",
}  # fmt: skip
PHONE = (
    b"record_id,recorded_at,date,plant,kind,value,unit,note,device\r\n"
    b"a1,2026-07-01T10:00:00+02:00,2026-07-01,A1,count,4,,,A\r\n"
    b"a2,2026-07-01T10:01:00+02:00,2026-07-01,C1,not-looked,,,,A\r\n"
    b'a3,2026-07-01T10:02:00+02:00,2026-07-02,A2,height,"5\'6""",,,A\r\n'
    b"a4,2026-07-01T10:03:00+02:00,2026-07-02,A2,weight,12.5,g,,A\r\n"
    b'a5,2026-07-01T10:04:00+02:00,2026-07-02,A2,note,,,"=1+1, wet",A\r\n'
    b"undo-a1,2026-07-01T10:05:00+02:00,2026-07-01,A1,undo,a1,,,A\r\n"
    b"a10,2026-07-01T10:06:00+02:00,2026-07-03,plot 2B,count,31,,,A\r\n"
    b"a6,2026-07-01T10:07:00+02:00,2026-07-03,plot 2B,trait:vigour,6,,,A\r\n"
    b"a7,2026-07-01T10:08:00+02:00,2026-07-03,A1,trait:mildew,much,,,A\r\n"
    b"a8,2026-07-01T10:09:00+02:00,2026-07-03,A1,trait:split,4/20,,,A\r\n"
    b"a9,2026-07-01T10:09:30+02:00,2026-07-03,C1,trait:first bloom,yes,,,A\r\n"
)
ADDED = {
    "phone.csv": PHONE,
    "table.csv": SOUND["picks.csv"],
    "heights 2026.csv": SOUND["heights.csv"],
    "sheet.csv": b"plant,variety,2026-07-01,4 Jul 2026,2026-07-04 height (in)\n"
                 b"A1,Ambrel,3,,60\nC1,,0,1,\n",
    "title.csv": b"Bean book,,,\n,,,\n,1 Jul,,4 Jul\nplant,count,notes,count\nA1,3,dry,0\nC1,0,,1\n"
                 b"Total,3,,1\n",
    "down.csv": b"date,A1,C1,Total\n2026-07-01,3,0,3\n13/07/2026,1,2,3\nsum,4,2,6\n",
    "stacked.csv": b"Counts,,\nplant,2026-07-01,2026-07-04\nA1,3,1\nC1,0,\n\nHeights (in),,\n"
                   b"plant,2026-07-01,2026-07-04\nA1,60,66\nC1,50,\n",
    "days.csv": b"plant,pods,g\n1 July 2026,,\nA1,3,30\nC1,0,\n4 July 2026,,\nA1,1,\nC1,,2\n",
    "picks 2026-07-09.csv": b"plant,count,weight,notes\nA1,3,12,\nC1,0,,dry\n",
    "baskets.csv": b"date,plot,count,weight (lb)\n2026-07-11,1A,30,1.5\n2026-07-11,2A,0,\n"
                   b"2026-07-11,2B,12,0.75\n",
    "own.csv": b"date,plant,mildew,width (mm),split,looked at,curled\n"
               b"2026-07-11,A1,some,31,3,20,no\n2026-07-11,C1,none,,0,20,yes\n",
    "traits.csv": SOUND["traits.csv"],
}  # fmt: skip

# What people and programs put where something else should stand.
CELLS = st.one_of(
    st.sampled_from([
        "", " ", "-", "NA", "0", "00", "-1", "3.5", "3,5", "1,234", "1.234,5", "1e400", "inf",
        "none", "zero", "½", "5'6\"", "5'13\"", "66 in", "1 m 85", "168,5 cm", "9 m", "1 lb 3 oz",
        "2026-07-01", "03/07/2026", "31/12/2026", "2026-02-30", "45841", "3 Jul 26", "0000-00-00",
        "A1", "a1", " C1 ", "P9", "../../etc/passwd", "=1+1", "@SUM(1)", "'=1", "<script>",
        "\u202e", "\x00", "\x1b[2J",
        "\ud7ff", "9" * 400, "x" * 10_000, '"', '""', '"\n"', "\r", "\t",
        ";", "TRUE", "#REF!", "1/2", "٣", "\ufeff", "𝟛", "1_000", "0x10", "+", "--",
    ]),
    st.text(max_size=12),
    st.integers().map(str),
    st.floats().map(str),
    st.dates().map(str),
)  # fmt: skip


@st.composite
def spoilt(draw: Any, content: bytes) -> bytes:
    """A file with cells changed, lines cut, doubled or shuffled, and marks changed throughout."""
    text = content.decode()
    for _ in range(draw(st.integers(1, 4))):
        lines = text.split("\n")
        way = draw(st.integers(0, 9))
        at = draw(st.integers(0, max(0, len(lines) - 1)))
        if way <= 4:
            mark = draw(st.sampled_from([",", "=", '"']))
            cells = lines[at].split(mark)
            cells[draw(st.integers(0, len(cells) - 1))] = draw(CELLS)
            lines[at] = mark.join(cells)
        elif way == 5:
            lines.insert(at, draw(CELLS))
        elif way == 6:
            lines = lines[:at] + lines[at + 1 :] if draw(st.booleans()) else lines[: at + 1]
        elif way == 7:
            lines = lines + lines[1:]
        elif way == 8:
            old, new = draw(st.sampled_from([(",", ";"), (",", "\t"), ("\n", "\r"), ('"', ""),
                                             (",", ",,"), ("2026-", "2062-")]))  # fmt: skip
            lines = "\n".join(lines).replace(old, new).split("\n")
        else:
            cut = draw(st.integers(0, len(text)))
            lines = text[:cut].split("\n")
        text = "\n".join(lines)
    encoding = draw(st.sampled_from(["utf-8"] * 6 + ["utf-8-sig", "utf-16", "cp1252"]))
    data = text.encode(encoding, errors="replace")
    if draw(st.integers(0, 9)) == 0:
        at = draw(st.integers(0, len(data)))
        data = data[:at] + draw(st.binary(max_size=4)) + data[at:]
    return data


@st.composite
def spoilt_trial(draw: Any) -> dict[str, bytes]:
    """A sound trial, of plants or of plots, with one or two of its files spoilt."""
    files = SOUND | (PLOTS if draw(st.booleans()) else {})
    names = draw(st.lists(st.sampled_from(sorted(files)), min_size=1, max_size=2, unique=True))
    for name in names:
        files[name] = draw(spoilt(files[name]))
    return files


@st.composite
def spoilt_tasting(draw: Any) -> dict[str, bytes]:
    """A sound tasting with one to three of its files spoilt."""
    files = dict(TASTING)
    for name in draw(st.sets(st.sampled_from(sorted(files)), min_size=1)):
        files[name] = draw(spoilt(files[name]))
    return files


@st.composite
def added_file(draw: Any) -> tuple[str, bytes]:
    """A file to bring in, spoilt or not."""
    name = draw(st.sampled_from(sorted(ADDED)))
    return name, draw(spoilt(ADDED[name])) if draw(st.integers(0, 4)) else ADDED[name]


VALUES = st.one_of(
    CELLS.filter(lambda t: t.isprintable()), st.none(), st.booleans(), st.integers(-(2**40), 2**40),
    st.floats(allow_nan=False, allow_infinity=False), st.datetimes(), st.dates(), st.times(),
    st.timedeltas(),
)  # fmt: skip


@st.composite
def workbook_bytes(draw: Any) -> bytes:
    """A workbook with odd cells, and now and then with a part of its archive damaged."""
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = draw(st.sampled_from(["picks", "Sheet1", "heights"]))
    headings = [["date", "plant", "count", "weight"], ["date", "plant", None], ["plant"], []]
    sheet.append(draw(st.sampled_from(headings)))
    for _ in range(draw(st.integers(0, 4))):
        row = draw(st.lists(VALUES, max_size=5))
        try:
            sheet.append(row)
        except (ValueError, OverflowError, openpyxl.utils.exceptions.IllegalCharacterError):
            continue
    out = io.BytesIO()
    try:
        book.save(out)
    except (ValueError, OverflowError):
        return b""
    content = out.getvalue()
    # Shares of the whole, for two archives of the same cells differ in length by a byte or so.
    way, share = draw(st.integers(0, 9)), draw(st.floats(0, 1))
    damage = draw(st.binary(min_size=1, max_size=60))
    at = int(share * len(content))
    if way == 0:
        return content[:at]
    if way == 1:
        return content[:at] + damage[:8] + content[at + 4 :]
    if way in (2, 3):
        return _with_part(content, int(20 * share), damage)
    return content


def _with_part(content: bytes, which: int, damage: bytes) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as old, zipfile.ZipFile(out, "w") as new:
        entries = old.infolist()
        for i, entry in enumerate(entries):
            data = old.read(entry)
            if i == which % len(entries):
                middle = len(data) // 2
                data = data[:middle] + damage + data[middle + len(damage) :]
            new.writestr(entry.filename, data)
    return out.getvalue()
