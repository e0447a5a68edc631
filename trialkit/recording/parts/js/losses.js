// A plant that is lost, and a plant that was topped.

import { $, onTap, say, show } from "./page.js";
import { dayInWords } from "./stamp.js";

export function lossPad(app, tell) {
  const topped = () => app.pick().plants.get(app.plant.id)?.topped?.state === "value";

  function draw() {
    const lost = app.lost(app.plant);
    const markedNow = lost?.here && lost.date === app.date;
    say("more-head", app.plant.id);
    show("more-lost", !lost);
    show("more-back", Boolean(markedNow));
    show("more-fixed", Boolean(lost) && !markedNow);
    if (lost) {
      const where = lost.here && !lost.cleared
        ? "in an earlier pick on this phone" : "in the trial's records";
      say("more-fixed", `Lost ${dayInWords(lost.date)} ${where}. Change it there.`);
    }
    say("more-topped", topped() ? "Not topped after all" : "Topped today");
  }

  for (const button of document.querySelectorAll("[data-reason]")) {
    button.addEventListener("click", () => {
      app.change("set", "lost", { value: button.dataset.reason });
      $("more").close();
      tell(`${app.plant.id} lost: ${button.dataset.reason}`);
    });
  }
  onTap("more-back", () => {
    app.change("clear", "lost");
    $("more").close();
    tell(`${app.plant.id} is not lost`);
  });
  onTap("more-topped", () => {
    const now = topped();
    if (now) app.change("clear", "topped");
    else app.change("set", "topped", { value: "" });
    $("more").close();
    tell(now ? `${app.plant.id} not topped` : `${app.plant.id} topped`);
  });
  onTap("more-close", () => $("more").close());

  return {
    open() {
      draw();
      $("more").showModal();
    },
  };
}
