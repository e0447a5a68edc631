// The page's one state and the ways to change it. Screens read it and call it.

import { Bed, lostOn } from "./bed.js";
import { leftWhole, markOfCleared } from "./clear.js";
import { Journal } from "./journal.js";
import { Keeper } from "./keeper.js";
import { Neighbours, Store } from "./store.js";
import { newId, offsetAt } from "./stamp.js";

const SCREENS = ["start", "plant", "list", "send"];

export class App {
  constructor(trial) {
    this.trial = trial;
    this.plants = new Bed(trial.plants);
    this.plots = new Bed(trial.plots);
    this.journal = new Journal();
    this.date = null;
    this.choices = null;
    this.plant = null;
    this.cell = "count";
    this.screens = {};
    this.page = newId();
    this.otherPage = false;
    this.clockWentBack = false;
    this.unread = false;
  }

  async begin() {
    const name = `trialkit-${this.trial.key}`;
    this.store = new Store(name);
    await this.store.open();
    try {
      const events = await this.store.read();
      this.hear(events);
      const left = events.filter((event) => event && this.journal.isCleared(event));
      if (left.length) await this.store.forget(left.map((event) => event.id));
    } catch (trouble) {
      this.store.troubles.push(String(trouble));
      this.unread = true;
    }
    this.neighbours = new Neighbours(name, this.store, (events) => this.hear(events, true));
    this.keeper = new Keeper(this.store, {
      onChange: () => this.render(),
      onKept: (event) => this.neighbours.tell(event),
    });
  }

  // Events from storage or from another tab. Nothing is redrawn but texts, so a finger that is
  // on a button stays on it.
  hear(events, later = false) {
    let news = false;
    for (const event of events) news = this.journal.add(event) || news;
    if (!news || !later) return;
    this.otherPage ||= events.some((event) => event.page && event.page !== this.page);
    // Another tab cleared or set aside the pick that is on the screen here.
    const elsewhere = location.hash.length > 1 && !location.hash.startsWith("#start");
    if (elsewhere && this.date && this.screen() === "start") this.go("start");
    this.render();
  }

  // Adds one event to the journal and hands it to storage at once.
  note(fields, date = this.date) {
    const event = this.eventOf(fields, date);
    this.journal.add(event);
    this.keeper.keep(event);
    return event;
  }

  eventOf(fields, date) {
    const at = Date.now();
    // Phones set their clocks by the network: under two minutes is no surprise.
    if (at < this.journal.lastAt - 120000) this.clockWentBack = true;
    return {
      id: newId(), seq: this.journal.nextSeq(), at, offset: offsetAt(at), date,
      device: this.device ?? "phone", page: this.page, ...fields,
    };
  }

  // Clears the picks that are set aside; returns how many. What is kept on the phone is read again
  // first, for another tab may have changed a pick meanwhile; and a pick goes only once the event
  // that says so is kept.
  async clear() {
    let cleared = 0;
    try {
      this.hear(await this.store.read(), true);
    } catch (trouble) {
      this.store.troubles.push(String(trouble));
      return cleared;
    }
    for (const date of this.journal.datesAside().reverse()) {
      if (!leftWhole(this, date)) continue;
      const events = [...this.journal.byDate.get(date)];
      const event = this.eventOf(markOfCleared(events, this.journal.pick(date)), date);
      await this.keeper.keep(event);
      if (this.keeper.refused.has(event.id)) {
        this.keeper.refused.delete(event.id);
        continue;
      }
      this.journal.add(event);
      await this.store.forget(events.map((one) => one.id));
      cleared += 1;
    }
    return cleared;
  }

  change(op, cell, fields = {}) {
    return this.note({ op, plant: this.plant.id, cell, ...fields });
  }

  // Takes back the last change of this pick and goes to the plant it was on. Returns the change.
  undo() {
    const last = this.pick().last;
    if (!last) return null;
    this.note({ op: "undo", target: last.id, plant: last.plant, cell: last.cell });
    const plant = this.bed.byId.get(last.plant);
    if (plant && plant !== this.plant) this.look(plant);
    if (this.choices.asks.includes(last.cell)) this.cell = last.cell;
    return last;
  }

  open(date, choices) {
    const before = this.journal.lastChoices();
    const mark = before?.choices.mark ?? newId().replaceAll("-", "").slice(0, 4);
    this.date = date;
    this.device = `${choices.who || "phone"} ${mark}`;
    this.note({ op: "open", choices: { ...choices, mark } });
    this.enter(date);
  }

  // Goes on with a pick that is in the journal, at the plant that was on the screen last.
  enter(date) {
    const pick = this.journal.pick(date);
    this.date = date;
    this.choices = pick.choices;
    this.device = `${pick.choices.who || "phone"} ${pick.choices.mark}`;
    this.cell = this.choices.asks[0];
    const there = this.bed.byId.get(pick.at);
    this.plant = there ?? this.firstPlant();
    if (!there && this.plant) this.note({ op: "look", plant: this.plant.id });
  }

  // What is walked past: the plants, or the plots where each goes into one basket.
  get bed() {
    return this.bedOf(this.choices);
  }

  bedOf(choices) {
    return choices?.whole && this.plots.plants.length ? this.plots : this.plants;
  }

  get thing() {
    return this.bed === this.plots ? "plot" : "plant";
  }

  firstPlant() {
    const walk = this.bed.walk(this.choices.backwards);
    return walk.find((plant) => !this.lost(plant)) ?? walk[0];
  }

  look(plant) {
    this.plant = plant;
    this.cell = this.choices.asks[0];
    this.note({ op: "look", plant: plant.id });
  }

  nextPlant(step) {
    const before = (plant) => (this.lost(plant)?.date ?? "9999") < this.date;
    return this.bed.step(this.plant.id, step, this.choices, before);
  }

  lost(plant) {
    return lostOn(plant, this.date, this.journal);
  }

  pick() {
    return this.journal.pick(this.date);
  }

  unit(cell) {
    return this.measure(cell)?.unit ?? "";
  }

  head(cell) {
    return this.measure(cell)?.head ?? cell;
  }

  // What a cell is called in a sentence: "weight", or the gardener's own "mildew".
  called(cell) {
    return this.measure(cell)?.called ?? cell;
  }

  measure(cell) {
    return this.trial.measures.find((measure) => measure.name === cell);
  }

  buzz() {
    if (this.choices?.buzz) navigator.vibrate?.(25);
  }

  // Screens are places in the browser's history, so that a phone's back key stays in the page.
  // The day of the pick is in the address too: a reload comes back to the same pick.
  go(name) {
    const place = name === "start" ? "#start" : `#${name}/${this.date}`;
    if (location.hash === place) this.arrive();
    else location.hash = place;
  }

  screen() {
    const [name, date] = location.hash.slice(1).split("/");
    if (!SCREENS.includes(name) || name === "start") return "start";
    return date === this.date && this.journal.dates().includes(date) ? name : "start";
  }

  arrive() {
    const date = location.hash.split("/")[1];
    if (date && date !== this.date && this.journal.dates().includes(date)) this.enter(date);
    const now = this.screen();
    for (const name of SCREENS) document.getElementById(name).hidden = name !== now;
    for (const box of document.querySelectorAll("dialog[open]")) box.close();
    this.screens[now].enter?.();
    this.render();
    scrollTo(0, 0);
  }

  render() {
    this.alarm?.();
    if (this.screens[this.screen()]) this.screens[this.screen()].render();
  }
}
