// One plant at a time: the screen used between the rows.

import { stateOf } from "./bed.js";
import { choicePad, notePad, numberPad } from "./dialogs.js";
import { lossPad } from "./losses.js";
import { $, onTap, plural, say, show } from "./page.js";
import { dayInShort } from "./stamp.js";
import { pickWords } from "./start.js";

export function plantScreen(app) {
  let said = "";
  const cells = () => app.pick().plants.get(app.plant.id) ?? {};

  // What was just done, for the eye on the screen and for the ear through the live region.
  function tell(text) {
    said = text;
    $("live").textContent = text;
    app.buzz();
    app.render();
  }

  function shown(cell) {
    const now = cells()[cell];
    if (now?.state !== "value") return emptyWords();
    return `${now.value} ${now.unit}`.trim();
  }

  function emptyWords() {
    return cells().count?.state === "skipped" ? "not looked at" : "nothing yet";
  }

  const isChosen = (cell) => Boolean(app.measure(cell)?.choices.length);

  function enterValue() {
    if (isChosen(app.cell)) choices.open(app.cell);
    else numbers.open(app.cell);
  }

  const numbers = numberPad(app, tell, shown);
  const choices = choicePad(app, tell, shown);
  const notes = notePad(app, tell);
  const losses = lossPad(app, tell);

  function move(step) {
    const left = app.plant;
    const blank = stateOf(left, app.pick(), app.choices).kind === "blank" && !app.lost(left);
    const next = app.nextPlant(step);
    if (!next) {
      app.go(step > 0 ? "send" : "list");
      return;
    }
    app.look(next);
    const hint = blank && step > 0 ? `${left.id}: nothing entered. ` : "";
    tell(`${hint}${next.id}. ${shown(app.cell)}`);
    said = hint.trim();
    app.render();
  }

  function undo() {
    const last = app.undo();
    if (!last) return;
    const what = {
      add: "+1", set: `${app.called(last.cell)} ${last.value}`, skip: "not looked at",
      clear: `${app.called(last.cell)} taken away`,
    }[last.op];
    tell(`Undone on ${last.plant}: ${what}. Now ${shown(app.cell)}`);
  }

  onTap("plus", () => {
    app.change("add", "count", { value: 1 });
    tell(`${app.plant.id}: ${shown("count")}`);
  });
  onTap("zero", () => {
    app.change("set", "count", { value: 0 });
    tell(`${app.plant.id}: 0, none`);
  });
  onTap("skip", () => {
    app.change("skip", "count");
    tell(`${app.plant.id}: not looked at`);
  });
  onTap("type", () => numbers.open(app.cell));
  onTap("measure", enterValue);
  onTap("to-note", () => notes.open());
  onTap("to-more", () => losses.open());
  onTap("undo", undo);
  onTap("back", () => move(-1));
  onTap("next", () => move(1));
  onTap("to-list", () => app.go("list"));
  onTap("to-send", () => app.go("send"));
  for (const button of $("asks").children) {
    button.addEventListener("click", () => {
      app.cell = button.dataset.cell;
      tell(`${button.textContent}: ${shown(app.cell)}`);
    });
  }
  addEventListener("keydown", (event) => {
    if (app.screen() !== "plant" || document.querySelector("dialog[open]")) return;
    if (event.key === "ArrowRight") move(1);
    else if (event.key === "ArrowLeft") move(-1);
    else if (event.key === "z" && (event.ctrlKey || event.metaKey)) undo();
    else return;
    event.preventDefault();
  });

  function marks() {
    const found = [];
    const lost = app.lost(app.plant);
    if (lost) found.push(`Lost ${dayInShort(lost.date)}: ${lost.reason || "no reason given"}`);
    if (cells().topped?.state === "value") found.push("Topped today");
    else if (app.plant.topped) found.push(`Topped ${dayInShort(app.plant.topped)}`);
    if (cells().note?.state === "value") found.push(`Note: ${cells().note.value}`);
    return found.join(" · ");
  }

  function keptWords() {
    const losing = app.keeper.lostIfClosed();
    if (losing) return `${plural(losing, "tap")} NOT saved`;
    if (app.keeper.busy()) return "Saving…";
    if (app.store.place === "none") return "Nothing is saved";
    return app.keeper.smallUsed ? "✓ Saved (small store)" : "✓ Saved";
  }

  function drawValue() {
    const now = cells()[app.cell];
    const value = now?.state === "value";
    say("number", value ? String(now.value) : emptyWords());
    say("unit", value ? (app.cell === "count" ? app.trial.counted : now.unit) : "");
    $("value").classList.toggle("words", !value);
  }

  return {
    enter() {
      said = "";
      $("plant-name").focus({ preventScroll: true });
      const draft = app.pick().draft;
      if (draft && draft.plant === app.plant.id) {
        if (draft.cell === "note") notes.open(draft.value);
        else if (app.measure(draft.cell)) numbers.open(draft.cell, draft.value);
      }
    },
    render() {
      const words = pickWords(app);
      say("day", words.day);
      say("done", words.done);
      $("progress").max = Math.max(words.sums.all, 1);
      $("progress").value = words.sums.done;
      say("said", said);
      say("where-kept", keptWords());
      say("plant-name", app.plant.id);
      say("variety", app.choices.hide ? "" : app.plant.variety);
      say("place", app.bed.place(app.plant));
      say("marks", marks());
      drawValue();
      show("asks", app.choices.asks.length > 1);
      for (const button of $("asks").children) {
        button.hidden = !app.choices.asks.includes(button.dataset.cell);
        button.setAttribute("aria-pressed", String(button.dataset.cell === app.cell));
      }
      const counting = app.cell === "count";
      for (const id of ["plus", "zero", "type"]) show(id, counting);
      show("measure", !counting);
      const [how, what] = [isChosen(app.cell) ? "Choose" : "Type", app.called(app.cell)];
      say("measure", app.measure(app.cell)?.own ? `${how}: ${what}` : `${how} the ${what}`);
      $("undo").disabled = !app.pick().last;
      say("next", app.nextPlant(1) ? `Next ${app.thing}` : "Finish");
      show("to-more", app.thing === "plant");
    },
  };
}
