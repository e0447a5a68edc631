// From a pick to the rows and the text that leave the phone.

import { crc32 } from "./check.js";
import { WORDS } from "./fold.js";
import { isoWithOffset } from "./stamp.js";

export const COLUMNS = [
  "record_id", "recorded_at", "date", "plant", "kind", "value", "unit", "note", "device",
];

// Rows of one pick. What left the phone before is repeated word for word, and what has changed
// since is taken back by an "undo" row that names the record: the file only ever grows, and
// reading an old one and a new one gives the same as reading the new one alone.
export function rowsOfPick(pick, date, plants) {
  const earlier = new Map();
  for (const row of pick.shown) if (!earlier.has(row.record_id)) earlier.set(row.record_id, row);
  const takenBack = new Set();
  for (const row of earlier.values()) if (row.kind === "undo") takenBack.add(row.value);
  const current = currentRows(pick, date, plants).map((row) => freshName(row, earlier, takenBack));
  const stands = new Set(current.map((row) => row.record_id));
  const rows = [...earlier.values()];
  for (const row of earlier.values()) {
    if (row.kind === "undo" || stands.has(row.record_id) || takenBack.has(row.record_id)) continue;
    rows.push(undoOf(row, pick));
  }
  return rows.concat(current.filter((row) => !earlier.has(row.record_id)));
}

// Another tab's late tap can slip in before the last one and change a value under the same name.
function freshName(row, earlier, takenBack) {
  const name = row.record_id;
  for (let again = 2; ; again += 1) {
    const before = earlier.get(row.record_id);
    const same = before && COLUMNS.every((column) => before[column] === row[column]);
    if (!takenBack.has(row.record_id) && (!before || same)) return row;
    row = { ...row, record_id: `${name}.${again}` };
  }
}

function undoOf(row, pick) {
  const by = touchedBy(row, pick);
  return {
    ...row,
    record_id: `undo-${row.record_id}`,
    recorded_at: by ? isoWithOffset(by.at, by.offset) : row.recorded_at,
    kind: "undo", value: row.record_id, unit: "", note: "",
  };
}

function touchedBy(row, pick) {
  const cell = row.kind === "not-looked" ? "count" : row.kind;
  return pick.plants.get(row.plant)?.[cell]?.touched;
}

function currentRows(pick, date, plants) {
  const known = plants.map((plant) => plant.id);
  const order = known.concat([...pick.plants.keys()].filter((plant) => !known.includes(plant)));
  const rows = [];
  for (const plant of order) {
    const cells = pick.plants.get(plant) ?? {};
    const measured = Object.keys(cells).filter((name) => !WORDS.includes(name));
    for (const name of [...measured.sort(), ...WORDS]) {
      if (cells[name] && cells[name].state !== "empty") rows.push(rowOf(cells[name], name, plant, date));
    }
  }
  return rows;
}

function rowOf(cell, name, plant, date) {
  const number = !WORDS.includes(name);
  const value = number && cell.state === "value" ? String(cell.value) : "";
  return {
    record_id: cell.touched.id,
    recorded_at: isoWithOffset(cell.touched.at, cell.touched.offset),
    date,
    plant,
    kind: cell.state === "skipped" ? "not-looked" : name,
    value,
    unit: value ? cell.unit : "",
    note: number ? "" : String(cell.value ?? ""),
    device: cell.touched.device,
  };
}

// RFC 4180: CRLF line ends, quotes doubled. Each line ends with a check of itself and of the one
// before, so that a cut or changed file is noticed where it is read (trialkit/records/incoming/entries.py).
export function csvText(rows) {
  const lines = [[...COLUMNS, "check"].join(",")];
  let before = "";
  rows.forEach((row, at) => {
    const cells = COLUMNS.map((column) => String(row[column] ?? ""));
    const head = `${at + 1}/${rows.length}-`;
    before = head + crc32([head, before, ...cells].join("\x1f"));
    lines.push([...cells.map(field), before].join(","));
  });
  return lines.map((line) => `${line}\r\n`).join("");
}

function field(value) {
  const text = harmless(String(value ?? ""));
  return /[",\r\n]/.test(text) || text !== text.trim() ? `"${text.replaceAll('"', '""')}"` : text;
}

// A spreadsheet would run a text that begins like a formula; an apostrophe in front stops it. One
// more goes before apostrophes that stand there already, so that taking one away gives the text.
// What counts as blank is the same as where the file is read (trialkit/records/files.py).
export function harmless(text) {
  return /^'*[\s\x1c-\x1f\x85]*[=+\-@\t\r＝＋－＠]/.test(text) ? `'${text}` : text;
}
