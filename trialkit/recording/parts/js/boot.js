// Starts the page.

import { App } from "./app.js";
import { listScreen } from "./list.js";
import { $, onTap, plural, say, show } from "./page.js";
import { plantScreen } from "./plant.js";
import { sendScreen, copyText } from "./send.js";
import { csvText, rowsOfPick } from "./rows.js";
import { startScreen } from "./start.js";

function alarm(app) {
  const losing = app.keeper.lostIfClosed();
  const notes = [];
  if (app.clockWentBack) {
    notes.push("This phone's clock went back while you worked. The order of your taps is kept all the same.");
  }
  if (app.unread) {
    notes.push("What is kept on this phone could not be read just now. Load the page again before you go on.");
  }
  if (app.otherPage) notes.push("This trial is open in another tab too. Taps from both are kept.");
  show("alarm", losing > 0 || notes.length > 0);
  show("alarm-again", losing > 0);
  show("alarm-copy", losing > 0);
  show("alarm-close", losing === 0);
  $("alarm").classList.toggle("bad", losing > 0);
  if (losing) {
    say("alarm-head", `NOT SAVED: ${plural(losing, "tap")}.`);
    const none = app.store.place === "none";
    say("alarm-text", none
      ? "This browser keeps nothing for this page. Copy or send the text before you close it."
      : "The phone is full or refuses to write. These taps are on this screen only. Copy the text " +
        "now, or free space and try again.");
  } else {
    say("alarm-head", "");
    say("alarm-text", notes.join(" "));
  }
}

async function boot() {
  const app = new App(JSON.parse($("trial").textContent));
  await app.begin();
  app.screens = {
    start: startScreen(app), plant: plantScreen(app), list: listScreen(app), send: sendScreen(app),
  };
  app.alarm = () => alarm(app);
  onTap("alarm-close", () => {
    app.clockWentBack = app.otherPage = app.unread = false;
    app.render();
  });
  onTap("alarm-again", () => app.keeper.tryAgain());
  onTap("alarm-copy", () => {
    const dates = app.journal.dates();
    const rows = dates.flatMap((date) => rowsOfPick(app.journal.pick(date), date, app.bed.plants));
    app.go("send");
    copyText(app, "sent-said", csvText(rows), () => {});
  });
  addEventListener("hashchange", () => app.arrive());
  addEventListener("beforeunload", (event) => {
    if (app.keeper.lostIfClosed() || app.keeper.busy()) event.preventDefault();
  });
  show("stopped", false);
  app.arrive();
}

boot().catch((trouble) => {
  show("stopped", true);
  say("stopped-why", `What went wrong: ${trouble}`);
});
