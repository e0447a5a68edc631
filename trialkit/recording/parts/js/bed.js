// The plants in walking order, and what is known about each on the day of the pick.

export class Bed {
  constructor(plants) {
    this.plants = plants;
    this.byId = new Map(plants.map((plant) => [plant.id, plant]));
  }

  // The same walk from its other end.
  walk(backwards) {
    return backwards ? [...this.plants].reverse() : this.plants;
  }

  // The plant after this one (or before it, step -1), passing over plants lost on earlier days.
  step(from, step, choices, lostBefore) {
    const walk = this.walk(choices.backwards);
    let at = walk.findIndex((plant) => plant.id === from) + step;
    while (walk[at] && lostBefore(walk[at])) at += step;
    return walk[at] ?? null;
  }

  place(plant) {
    const parts = [];
    if (plant.row !== null) parts.push(`Row ${plant.row}`);
    if (plant.column !== null) parts.push(`place ${plant.column}`);
    if (plant.block !== null) parts.push(`block ${plant.block}`);
    if (plant.treatment !== null) parts.push(plant.treatment);
    return parts.join(" · ");
  }
}

// {date, reason, here}: lost by the folder's records, or marked on this phone up to this day.
export function lostOn(plant, date, journal) {
  if (plant.lost && plant.lost <= date) {
    return { date: plant.lost, reason: plant.reason ?? "", here: false };
  }
  const marked = journal.lost().get(plant.id);
  return marked && marked.date <= date ? { ...marked, here: true } : null;
}

// "blank" is not "zero", and neither is "skipped": three different things a grower may mean.
export function stateOf(plant, pick, choices) {
  const cells = pick.plants.get(plant.id) ?? {};
  const asked = choices.asks;
  const skipped = cells.count?.state === "skipped";
  const filled = asked.filter((name) => cells[name]?.state === "value");
  const done = skipped || (asked.length > 0 && filled.length === asked.length);
  const kind = filled.length ? "value" : skipped ? "skipped" : "blank";
  return { done, kind, cells };
}

export function tally(bed, date, journal, choices) {
  const pick = journal.pick(date);
  const sums = { all: 0, done: 0, counted: 0, zero: 0, skipped: 0, blank: 0, lost: 0, total: 0 };
  for (const plant of bed.plants) {
    const lost = lostOn(plant, date, journal);
    const state = stateOf(plant, pick, choices);
    const touched = state.kind !== "blank";
    if (state.cells.count?.state === "value") {
      const value = Number(state.cells.count.value);
      sums.total += value;
      sums[value === 0 ? "zero" : "counted"] += 1;
    }
    if (lost) sums.lost += 1;
    if (lost && !touched) continue;
    sums.all += 1;
    sums.done += state.done ? 1 : 0;
    sums.skipped += state.kind === "skipped" ? 1 : 0;
    sums.blank += state.kind === "blank" ? 1 : 0;
  }
  return sums;
}
