// The number pad and the note. What is half typed is in the journal too, apart from the records.

import { $, make, onTap, say } from "./page.js";

const WHOLE = /^\d{1,4}$/;
const DECIMAL = /^\d{1,6}(\.\d{1,3})?$/;
const FEET = /^\d{1,2}'(\d{1,2}(\.\d{1,2})?)?$/;
const SHARE = /^(\d{1,4})\/(\d{1,4})$/;

// Where heights are in feet or inches, both may be given.
function feetToo(unit) {
  return unit === "in" || unit === "ft";
}

// Feet and inches are typed as 5'6 and kept as 5'6". how : what kind of number it is (see
// trialkit/recording/offline.py).
function kept(text, how, unit) {
  if (how === "whole") return WHOLE.test(text) ? String(Number(text)) : null;
  if (how === "share") {
    const [, some, all] = SHARE.exec(text) ?? [];
    return Number(all) > 0 && Number(some) <= Number(all) ? text : null;
  }
  if (how === "number") return DECIMAL.test(text) ? text : null;
  if (feetToo(unit) && text.includes("'")) {
    if (!FEET.test(text)) return null;
    return text.endsWith("'") ? text : `${text}"`;
  }
  return DECIMAL.test(text) && Number(text) > 0 ? text : null;
}

export function numberPad(app, tell, shown) {
  let cell = "count";
  let text = "";
  const how = () => app.measure(cell)?.how;
  const mark = () => ({ whole: "", share: "/" })[how()] ?? ".";

  function draw() {
    const unit = cell === "count" ? app.trial.counted : app.unit(cell);
    say("pad-shown", `${text || "–"} ${text.includes("'") ? "" : unit}`.trim());
    $("pad-keep").disabled = kept(text, how(), app.unit(cell)) === null;
  }

  function type(key) {
    const next = key === "Delete" ? text.slice(0, -1) : text + key;
    if (next.length > 8) return;
    text = next;
    app.note({ op: "typing", plant: app.plant.id, cell, value: text });
    app.buzz();
    draw();
  }

  function drawKeys() {
    const both = how() === "measure" && feetToo(app.unit(cell));
    const keys = [..."123456789", mark(), "0", ...(both ? ["'"] : []), "Delete"];
    $("keys").replaceChildren(
      ...keys.map((key) => {
        const names = { ".": "point", "'": "feet", "/": "of" };
        const button = make("button", key === "'" ? "ft" : key);
        button.type = "button";
        if (names[key]) button.setAttribute("aria-label", names[key]);
        button.disabled = key === "";
        if (key === "") button.className = "gap";
        if (key === "Delete" && both) button.className = "long";
        button.addEventListener("click", () => type(key));
        return button;
      }),
    );
  }

  function keep() {
    const value = kept(text, how(), app.unit(cell));
    if (value === null) return;
    const number = cell === "count" ? Number(value) : value;
    // 5'6" says its own units.
    app.change("set", cell, { value: number, unit: value.includes("'") ? "" : app.unit(cell) });
    close();
    tell(`${app.plant.id}: ${app.called(cell)} ${shown(cell)}`);
  }

  // Closing leaves the record as it was; what was half typed is let go.
  function close() {
    if (text) app.note({ op: "typing", plant: app.plant.id, cell, value: "" });
    text = "";
    $("pad").close();
  }

  $("pad").addEventListener("cancel", (event) => {
    event.preventDefault();
    close();
  });
  $("pad").addEventListener("keydown", (event) => {
    if (/^[0-9]$/.test(event.key) || (mark() && event.key === mark())) type(event.key);
    else if (event.key === "'" && how() === "measure" && feetToo(app.unit(cell))) type("'");
    else if (event.key === "Backspace") type("Delete");
    else if (event.key === "Enter" && event.target.tagName !== "BUTTON") keep();
    else return;
    event.preventDefault();
  });
  onTap("pad-close", close);
  onTap("pad-keep", keep);

  return {
    open(which, draft = "") {
      cell = which;
      text = draft;
      say("pad-head", `${app.head(cell)} for ${app.plant.id}`);
      drawKeys();
      draw();
      $("pad").showModal();
      $("pad-head").focus({ preventScroll: true });
    },
  };
}

// A score or yes and no: a button for each.
export function choicePad(app, tell, shown) {
  let cell = "";

  function set(value) {
    if (value === null) app.change("clear", cell);
    else app.change("set", cell, { value, unit: "" });
    $("choice").close();
    tell(`${app.plant.id}: ${app.called(cell)} ${shown(cell)}`);
  }

  onTap("choice-close", () => $("choice").close());
  onTap("choice-none", () => set(null));

  return {
    open(which) {
      cell = which;
      const now = app.pick().plants.get(app.plant.id)?.[cell];
      say("choice-head", `${app.head(cell)} of ${app.plant.id}`);
      $("choices").replaceChildren(
        ...app.measure(cell).choices.map(({ value, text }) => {
          const button = make("button", text);
          button.type = "button";
          button.setAttribute("aria-pressed", String(now?.state === "value" && now.value === value));
          button.addEventListener("click", () => set(value));
          return button;
        }),
      );
      $("choice-none").disabled = now?.state !== "value";
      $("choice").showModal();
      $("choice-head").focus({ preventScroll: true });
    },
  };
}

export function notePad(app, tell) {
  const PAUSE_MS = 300;
  let timer = null;

  function draft(value) {
    clearTimeout(timer);
    app.note({ op: "typing", plant: app.plant.id, cell: "note", value });
  }

  function close() {
    if (app.pick().draft?.cell === "note" || $("note-text").value) draft("");
    $("note").close();
  }

  $("note-text").addEventListener("input", () => {
    clearTimeout(timer);
    timer = setTimeout(() => draft($("note-text").value), PAUSE_MS);
  });
  $("note").addEventListener("cancel", (event) => {
    event.preventDefault();
    close();
  });
  onTap("note-close", close);
  onTap("note-keep", () => {
    const text = $("note-text").value.trim();
    const before = app.pick().plants.get(app.plant.id)?.note;
    if (text) app.change("set", "note", { value: text });
    else if (before?.state === "value") app.change("clear", "note");
    close();
    tell(text ? `Note kept on ${app.plant.id}` : `No note on ${app.plant.id}`);
  });

  return {
    open(typed = null) {
      const now = app.pick().plants.get(app.plant.id)?.note;
      say("note-head", `Note on ${app.plant.id}`);
      $("note-text").value = typed ?? (now?.state === "value" ? now.value : "");
      $("note").showModal();
      $("note-text").focus({ preventScroll: true });
    },
  };
}
