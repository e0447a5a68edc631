// All events this page has seen, from storage, from its own taps and from other tabs.

import { foldPick } from "./fold.js";

export class Journal {
  constructor() {
    this.events = new Map();
    this.byDate = new Map();
    this.folded = new Map();
    this.losses = null;
    this.highest = 0;
    this.lastAt = 0;
  }

  // True when the event is new here. The same event may come by storage and by another tab.
  add(event) {
    if (!event || !event.id || !event.date || this.events.has(event.id)) return false;
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

  nextSeq() {
    return this.highest + 1;
  }

  pick(date) {
    if (!this.folded.has(date)) this.folded.set(date, foldPick(this.byDate.get(date) ?? []));
    return this.folded.get(date);
  }

  // Days with a pick that was opened on this phone, newest first.
  dates() {
    return [...this.byDate.keys()].filter((date) => this.pick(date).choices).sort().reverse();
  }

  // Plants marked lost on this phone: plant -> {date, reason} of the earliest day.
  lost() {
    if (this.losses) return this.losses;
    this.losses = new Map();
    for (const date of [...this.byDate.keys()].sort()) {
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
      if (event.op === "open" && (!last || event.seq > last.seq)) last = event;
    }
    return last;
  }
}
