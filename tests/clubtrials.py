"""Small invented trials for the tests of a club's pages, one with a secret in every free text."""

from __future__ import annotations

import csv
from pathlib import Path

from openpyxl import Workbook

from trialkit.records.incoming.add import add_files

SECRETS = {
    "title": "Zq1Title", "garden": "Zq2Garden", "source": "Zq3Source", "notes": "Zq4Notes 51.4779",
    "design": "Zq5Design", "sun": "Zq6Sun", "shade": "Zq7Shade", "variety note": "Zq8Variety",
    "plant": "Zq9Plant", "plot": "Zq10Plot", "block": "Zq11Block", "reason": "Zq12Reason",
    "event": "Zq13Event", "event note": "Zq14EventNote", "author": "Zq15Author",
    "sender": "Zq16Sender", "folder": "Zq17Folder",
}  # fmt: skip
# A name that must be shown, and can break a page, a path, a spreadsheet or a feed.
VARIETIES = ("<script>alert(1)</script>", '=HYPERLINK("x")', "../../Ambrel & 'Co'")
ALWAYS = "Zq0Crop"

DESCRIPTION = """\
title = "{title}"
garden = "{garden}"
crop = "{crop}"
planted = 2026-05-10
counted = "pods"
reach = "200 cm"
source = "{source}"
notes = "{notes}"

[layout]
design = "randomised complete blocks, {design}"
row_spacing = "90 cm"
plant_spacing = "45 cm"
sun = "{sun}"
shade = "{shade}"
"""
WEIGH = {0: 3, 1: 6, 2: 4}


def secret_trial(place: Path) -> Path:
    """A trial in which every free text holds a secret, its picks from a workbook and the log."""
    s = SECRETS
    folder = place / s["folder"]
    folder.mkdir(parents=True)
    toml = DESCRIPTION.format(crop=f"{ALWAYS} bean", **{k: v for k, v in s.items() if " " not in k})
    for at, name in enumerate(VARIETIES):
        quoted = name.replace("\\", "\\\\").replace('"', '\\"')
        toml += f'\n[[varieties]]\nname = "{quoted}"\nnote = "{s["variety note"]}"\n'
        toml += "check = true\n" if at == 0 else ""
    (folder / "trial.toml").write_text(toml, encoding="utf-8")
    plants = [
        (f"{s['plant']}{block}{at}{n}", name, f"{s['block']}{block}", f"{s['plot']}{block}{at}",
         block, 2 * at + n)
        for block in (1, 2, 3) for at, name in enumerate(VARIETIES) for n in (1, 2)
    ]  # fmt: skip
    lost = {0: ("2026-07-02", s["reason"])}
    _csv(folder / "plants.csv", "plant variety block plot row column lost lost_reason", [
        (*row, *lost.get(at, ("", ""))) for at, row in enumerate(plants)])  # fmt: skip
    picks = [
        (f"2026-06-{10 + 3 * day:02d}", row[0],
         WEIGH[VARIETIES.index(row[1])] + (day * 7 + at * 5) % 4)
        for day in range(5) for at, row in enumerate(plants)
    ]  # fmt: skip
    book = Workbook()
    book.properties.creator = book.properties.lastModifiedBy = s["author"]
    book.properties.title = s["author"]
    book.active.append(["date", "plant", "count"])
    for row in [*picks, ("2026-06-22", plants[1][0], 400)]:
        book.active.append(list(row))
    book.save(folder / "picks.xlsx")
    heights = [(f"2026-06-{d}", row[0], 60 + 2 * d + at)
               for d in (12, 18, 24) for at, row in enumerate(plants)]  # fmt: skip
    heights.append(("2026-06-26", plants[3][0], 20))
    _csv(folder / "heights.csv", "date plant height_cm", heights)
    _csv(folder / "events.csv", "date plant plot event note", [
        ("2026-06-20", plants[2][0], "", "topped", s["event note"]),
        ("2026-06-21", "", plants[4][3], s["event"], s["event note"])])  # fmt: skip
    sent = place / f"{s['sender']}.csv"
    _csv(sent, "date plant count", [("2026-06-25", row[0], 5) for row in plants[1:]] + [
        ("2026-06-22", plants[1][0], 7)])  # fmt: skip
    add_files(folder, [sent])
    return folder


def _csv(path: Path, heads: str, rows: list[tuple[object, ...]]) -> None:
    with open(path, "w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(heads.split())
        writer.writerows(rows)


def plain_trial(folder: Path, garden: str = "Elder Lane", extra: int = 0) -> Path:
    """A trial of two varieties without picks; `extra` makes its planting differ."""
    folder.mkdir(parents=True)
    (folder / "trial.toml").write_text(
        f'title = "{folder.name}"\ngarden = "{garden}"\ncrop = "bean"\nplanted = 2026-05-10\n\n'
        '[[varieties]]\nname = "Ambrel"\ncheck = true\n\n[[varieties]]\nname = "Costry"\n',
        encoding="utf-8",
    )
    _csv(folder / "plants.csv", "plant variety block plot row column", [
        (f"{name[0]}{block}", name, block, f"{block}{name[0]}", block + extra, at)
        for block in (1, 2) for at, name in enumerate(("Ambrel", "Costry"), start=1)])  # fmt: skip
    return folder
