// All events this page has seen, from storage, from its own taps and from other tabs.

import { foldPick } from "./fold.js";

export class Journal {
  constructor() {
    this.events = new Map();
    this.byDate = new Map();
    this.folded = new Map();
    this.clears = new Map();
    this.losses = null;
    this.highest = 0;
    this.lastAt = 0;
  }

  // True when the event is new here. The same event may come by storage and by another tab.
  add(event) {
    if (!event || !event.id || !event.date || this.events.has(event.id)) return false;
    if (this.isCleared(event)) return false;
    if (event.op === "cleared") this.clearBefore(event);
    this.events.set(event.id, event);
    if (!this.byDate.has(event.date)) this.byDate.set(event.date, []);
    this.byDate.get(event.date).push(event);
    this.folded.delete(event.date);
    this.losses = null;
    if (event.seq >= this.highest) {
      this.highest = Number(event.seq) || 0;
      this.lastAt = Number(event.at) || 0;
    }
    return true;
  }

  // A pick that was sent and cleared leaves one event that says how far each tab had got.
  isCleared(event) {
    const clears = this.clears.get(event.date) ?? [];
    return event.op !== "cleared" && clears.some(({ upto }) => event.seq <= (upto[event.page ?? ""] ?? -1));
  }

  clearBefore(event) {
    this.clears.set(event.date, [...(this.clears.get(event.date) ?? []), event]);
    const all = this.byDate.get(event.date) ?? [];
    const gone = all.filter((one) => this.isCleared(one));
    for (const one of gone) this.events.delete(one.id);
    this.byDate.set(event.date, all.filter((one) => !gone.includes(one)));
  }

  nextSeq() {
    return this.highest + 1;
  }

  pick(date) {
    if (!this.folded.has(date)) this.folded.set(date, foldPick(this.byDate.get(date) ?? []));
    return this.folded.get(date);
  }

  // Days with a pick that was opened on this phone, newest first.
  dates() {
    const here = (pick) => pick.choices && !pick.aside && (pick.opened || pick.taps > 0);
    return [...this.byDate.keys()].filter((date) => here(this.pick(date))).sort().reverse();
  }

  // Days with a pick that was sent and is set aside to be cleared, newest first.
  datesAside() {
    return [...this.byDate.keys()].filter((date) => this.pick(date).aside).sort().reverse();
  }

  // Plants marked lost on this phone: plant -> {date, reason} of the earliest day.
  lost() {
    if (this.losses) return this.losses;
    this.losses = new Map();
    for (const date of [...this.byDate.keys()].sort()) {
      for (const [plant, reason] of Object.entries(this.pick(date).cleared?.lost ?? {})) {
        if (!this.losses.has(plant)) this.losses.set(plant, { date, reason, cleared: true });
      }
      for (const [plant, cells] of this.pick(date).plants) {
        if (cells.lost?.state !== "value" || this.losses.has(plant)) continue;
        this.losses.set(plant, { date, reason: String(cells.lost.value) });
      }
    }
    return this.losses;
  }

  // The choices made last on this phone, whichever pick they were made for.
  lastChoices() {
    let last = null;
    for (const event of this.events.values()) {
      if (["open", "cleared"].includes(event.op) && (!last || event.seq > last.seq)) last = event;
    }
    return last;
  }
}
