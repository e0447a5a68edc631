// All plants at once, in walking order, to find one or to see what is still blank.

import { stateOf } from "./bed.js";
import { $, make, onTap, plural, say } from "./page.js";
import { blanksInWords, pickWords } from "./start.js";

export function listScreen(app) {
  let buttons = [];

  function words(plant) {
    const state = stateOf(plant, app.pick(), app.choices);
    if (state.kind === "skipped") return "not looked at";
    const parts = app.choices.asks
      .filter((name) => state.cells[name]?.state === "value")
      .map((name) => {
        const cell = state.cells[name];
        return `${cell.value} ${cell.unit}`.trim();
      });
    if (app.lost(plant)) parts.unshift("lost");
    return parts.join(", ") || "blank";
  }

  function build() {
    buttons = [];
    const groups = new Map();
    for (const plant of app.bed.walk(app.choices.backwards)) {
      const head = plant.row === null ? "Plants without a row" : `Row ${plant.row}`;
      if (!groups.has(head)) groups.set(head, []);
      const button = make("button");
      button.type = "button";
      const state = make("span");
      button.append(make("b", plant.id), state);
      button.addEventListener("click", () => {
        app.look(plant);
        app.go("plant");
      });
      buttons.push({ plant, button, state });
      groups.get(head).push(button);
    }
    $("rows").replaceChildren(
      ...[...groups].map(([head, members]) => {
        const group = make("section");
        group.setAttribute("aria-label", head);
        const grid = make("div", "", "grid");
        grid.append(...members);
        group.append(make("h2", head), grid);
        return group;
      }),
    );
  }

  function filter() {
    const wanted = $("find").value.trim().toLowerCase();
    let found = 0;
    for (const { plant, button, state } of buttons) {
      const text = words(plant);
      if (state.textContent !== text) state.textContent = text;
      const { kind, done } = stateOf(plant, app.pick(), app.choices);
      const blank = kind === "blank" && !app.lost(plant);
      button.dataset.kind = app.lost(plant) ? "lost" : kind === "value" && !done ? "part" : kind;
      button.hidden =
        (wanted !== "" && !plant.id.toLowerCase().includes(wanted)) || ($("blanks").checked && !blank);
      found += button.hidden ? 0 : 1;
    }
    for (const group of $("rows").children) {
      group.hidden = [...group.querySelectorAll("button")].every((button) => button.hidden);
    }
    say("found", $("blanks").checked ? blanksInWords(found, app.thing) : plural(found, app.thing));
  }

  onTap("list-back", () => app.go("plant"));
  onTap("list-send", () => app.go("send"));
  onTap("list-home", () => app.go("start"));
  $("find").addEventListener("input", filter);
  $("blanks").addEventListener("change", filter);

  return {
    enter() {
      build();
      $("list-head").focus({ preventScroll: true });
    },
    render() {
      say("list-done", pickWords(app).done);
      filter();
    },
  };
}
