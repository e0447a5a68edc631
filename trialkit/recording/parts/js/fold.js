// From the journal of one pick to what is known about each plant.
//
// The journal is only ever added to. An event is
//   {id, seq, at, offset, date, device, op, plant?, cell?, value?, unit?, target?, ...}
// seq is a Lamport clock (Lamport 1978, Commun ACM 21:558): one more than the highest seen, so
// that the order of taps does not hang on the phone's clock, and two tabs agree on one order.
// +1 is stored as "add one", not as the new total: taps from two tabs add up, none is lost.

// What is said of a plant in words; all else a plant has is measured.
export const WORDS = ["note", "topped", "lost"];
const CHANGES = new Set(["add", "set", "skip", "clear"]);

export function inOrder(left, right) {
  return left.seq - right.seq || (left.id < right.id ? -1 : left.id > right.id ? 1 : 0);
}

// Does losing this event lose something a person recorded?
export function isRecord(event) {
  return CHANGES.has(event.op) || event.op === "undo";
}

export function foldPick(events) {
  const ordered = [...events].sort(inOrder);
  const undone = new Set(ordered.filter((e) => e.op === "undo").map((e) => e.target));
  const byId = new Map(ordered.map((event) => [event.id, event]));
  const pick = {
    plants: new Map(), choices: null, last: null, at: null, draft: null, shown: [], sent: null,
    taps: 0, changedSinceSent: 0, opened: false, aside: null, cleared: null,
  };
  for (const event of ordered) {
    if (isRecord(event)) {
      pick.taps += 1;
      pick.changedSinceSent += 1;
      pick.aside = null;
    }
    if (event.op === "open") {
      pick.choices = event.choices;
      pick.opened = true;
      pick.aside = null;
    } else if (event.op === "cleared") {
      pick.cleared = event;
      pick.choices ??= event.choices;
    } else if (event.op === "aside") pick.aside = event;
    else if (event.op === "back") pick.aside = null;
    else if (event.op === "look") pick.at = event.plant;
    else if (event.op === "typing") pick.draft = event.value ? event : null;
    else if (event.op === "shown") pick.shown.push(...event.rows);
    else if (event.op === "sent") {
      pick.sent = event;
      pick.changedSinceSent = 0;
    } else if (event.op === "undo") {
      const target = byId.get(event.target);
      if (target) touch(cellOf(pick, target), event);
    } else if (CHANGES.has(event.op) && !undone.has(event.id)) {
      change(cellOf(pick, event), event);
      pick.last = event;
    }
  }
  return pick;
}

// A cell with nothing in it has state "empty": nothing was entered, which is not a zero.
function cellOf(pick, event) {
  if (!pick.plants.has(event.plant)) pick.plants.set(event.plant, {});
  const cells = pick.plants.get(event.plant);
  cells[event.cell] ??= { state: "empty", value: null, unit: "", touched: null };
  return cells[event.cell];
}

// The record's name is that of the last event on the cell, so every change makes a new record.
function touch(cell, event) {
  cell.touched = event;
}

function change(cell, event) {
  touch(cell, event);
  if (event.op === "add") {
    cell.value = (cell.state === "value" ? Number(cell.value) : 0) + event.value;
    cell.state = "value";
  } else if (event.op === "set") {
    cell.state = "value";
    cell.value = event.value;
    cell.unit = event.unit ?? "";
  } else if (event.op === "skip") {
    cell.state = "skipped";
    cell.value = null;
  } else {
    cell.state = "empty";
    cell.value = null;
  }
}
