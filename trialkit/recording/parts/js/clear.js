// Making room on the phone, in two steps that a hurried thumb cannot take by mistake.
//
// First the picks that left the phone whole are set aside: nothing is gone, and they can be
// brought back. Then, and only when the grower says that they are on the computer, they are
// cleared. What was not sent, or has changed since, is never offered and never cleared.

import { $, onTap, plural, say, show } from "./page.js";
import { rowsOfPick } from "./rows.js";
import { dayInShort } from "./stamp.js";

// Has every record of the pick left this phone, and has nothing changed since?
export function leftWhole(app, date) {
  const { journal, bed } = app;
  const pick = journal.pick(date);
  if (!pick.sent || pick.changedSinceSent) return false;
  return rowsOfPick(pick, date, bed.plants).length === pick.sent.rows;
}

// What stays of a cleared pick: its choices and losses, and for each page (a tab) that wrote into
// it how far it had got. A tap made elsewhere at the same moment is beyond that, and is kept.
export function markOfCleared(events, pick) {
  const upto = {};
  for (const event of events) {
    const page = event.page ?? "";
    upto[page] = Math.max(upto[page] ?? -1, event.seq);
  }
  const lost = {};
  for (const [plant, cells] of pick.plants) {
    if (cells.lost?.state === "value") lost[plant] = String(cells.lost.value);
  }
  return { op: "cleared", upto, lost, choices: pick.choices };
}

export function clearBox(app) {
  const sentPicks = () => app.journal.dates().filter((date) => leftWhole(app, date));
  const aside = () => app.journal.datesAside();
  const records = (dates) => dates.reduce((sum, date) => sum + (app.journal.pick(date).sent?.rows ?? 0), 0);
  const sizes = (dates) => `${plural(dates.length, "pick")}, ${plural(records(dates), "record")}`;

  function drawSent() {
    const sent = sentPicks();
    const others = app.journal.dates().length - sent.length;
    const it = sent.length === 1 ? "It is" : "They are";
    const rest = others ? ` ${plural(others, "other pick")} not sent, or changed since, will stay.` : "";
    say("clear-text", sent.length
      ? `${sizes(sent)}: sent, and not changed since. ${it} still on this phone.${rest}`
      : "");
    show("clear-text", sent.length > 0);
    show("aside", sent.length > 0);
  }

  function drawAside() {
    const dates = aside();
    say("aside-text", dates.length ? `Set aside: ${sizes(dates)}. Nothing is gone yet.` : "");
    for (const id of ["aside-text", "aside-back", "aside-clear"]) show(id, dates.length > 0);
  }

  function tellAbout(text) {
    say("clear-said", text);
    app.screens.start.enter();
    app.render();
  }

  onTap("aside", () => {
    const dates = sentPicks();
    for (const date of dates) app.note({ op: "aside" }, date);
    tellAbout(`Set aside: ${plural(dates.length, "pick")}. Bring them back, or clear them.`);
    $("aside-back").focus();
  });
  onTap("aside-back", () => {
    const dates = aside();
    for (const date of dates) app.note({ op: "back" }, date);
    tellAbout(`Brought back: ${plural(dates.length, "pick")}.`);
    $("clear-head").focus();
  });
  onTap("aside-clear", () => {
    const dates = aside();
    say("gone-head", `Clear ${sizes(dates)} from this phone?`);
    const days = dates.map((date) => dayInShort(date)).join(", ");
    say("gone-text", `${days}. Once cleared they are not on this phone any more, and nothing on it ` +
      "brings them back. The file you sent is then the only copy.");
    $("gone-seen").checked = false;
    $("gone-clear").disabled = true;
    $("gone").showModal();
    $("gone-head").focus({ preventScroll: true });
  });
  $("gone-seen").addEventListener("change", () => ($("gone-clear").disabled = !$("gone-seen").checked));
  onTap("gone-keep", () => {
    $("gone").close();
    $("aside-clear").focus();
  });
  onTap("gone-clear", async () => {
    $("gone-clear").disabled = true;
    const asked = aside().length;
    const cleared = await app.clear();
    $("gone").close();
    const stayed = asked - cleared;
    tellAbout(
      `Cleared: ${plural(cleared, "pick")}.` +
      (stayed ? ` ${plural(stayed, "pick")} stayed: changed since, or the phone refused.` : ""),
    );
    $("title").focus();
  });

  return {
    render() {
      drawSent();
      drawAside();
      show("clear", sentPicks().length + aside().length > 0);
    },
  };
}
