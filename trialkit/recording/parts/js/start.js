// The first screen: which day, what to record, and whether this phone can keep it.

import { tally } from "./bed.js";
import { clearBox } from "./clear.js";
import { $, make, plural, say, show } from "./page.js";
import { dayInShort, dayInWords, localDay } from "./stamp.js";

const DAY_MS = 86400000;
const KEEPING = {
  database: ["", "Every tap is kept on this phone at once, without a network."],
  small: [
    "This browser gives the page its small store only.",
    "Taps are kept there, but a phone that dies may lose the last seconds. Send the pick as soon " +
    "as it is done.",
  ],
  none: [
    "This browser keeps nothing for this page: closing it loses every tap.",
    "On an iPhone this can happen to a page opened from Files. You can count here, but send or " +
    "copy the text often, and before you leave the page. Better: open the file in another " +
    "browser, or from a web address, or use the paper sheet.",
  ],
};

export function startScreen(app) {
  const today = localDay(Date.now());
  const measures = app.trial.measures;
  // A clock that is behind the day this page was made is wrong; then no day is filled in for you.
  const clockWrong = Date.now() < Date.parse(app.trial.made) - DAY_MS;

  function offered() {
    return app.journal.dates().slice(0, 3);
  }

  function drawResume() {
    const rows = offered().map((date, at) => {
      const { choices } = app.journal.pick(date);
      const sums = tally(app.bedOf(choices), date, app.journal, choices);
      const button = make("button", "", at === 0 ? "go" : "");
      button.type = "button";
      button.dataset.date = date;
      button.append(
        make("b", `Go on with ${dayInShort(date)}`),
        make("span", `${sums.done} of ${sums.all} done${date === today ? ", today" : ""}`),
      );
      button.addEventListener("click", () => {
        app.enter(date);
        app.go("plant");
      });
      return button;
    });
    $("resume").replaceChildren(...rows);
    say("open-head", rows.length ? "Or start another pick" : "Start a pick");
    $("begin").classList.toggle("go", rows.length === 0);
  }

  function dateNotes(date) {
    const notes = [];
    if (clockWrong) {
      notes.push(
        `This phone's clock says ${dayInWords(today)}, which is before this page was made. ` +
        "Set the date of the pick yourself.",
      );
    }
    if (!date) return notes;
    if (date > today && !clockWrong) notes.push("That day is still to come by this phone's clock.");
    if (date < app.trial.planted) notes.push("That day is before the plants were planted.");
    if (app.trial.picked.includes(date)) {
      notes.push("The trial's folder already holds a pick for that day.");
    }
    if (app.journal.dates().includes(date)) {
      notes.push("That pick is on this phone already: you will go on with it.");
    } else if (app.journal.pick(date).aside) {
      notes.push("That pick is set aside on this phone: to start brings it back.");
    } else if (app.journal.pick(date).cleared) {
      notes.push(
        "That pick was sent and cleared from this phone. What you enter now takes the place of " +
        "what was sent, plant by plant.",
      );
    }
    return notes;
  }

  function drawDate() {
    const date = $("date").value;
    say("date-words", date ? dayInWords(date) : "Choose the day");
    say("date-note", dateNotes(date).join(" "));
  }

  function asks() {
    return measures.filter((one) => $(`ask-${one.id}`).checked).map((one) => one.name);
  }

  function begin(event) {
    event.preventDefault();
    const date = $("date").value;
    if (!date || asks().length === 0) {
      say("date-note", date ? "Choose at least one thing to record." : "Choose the date of the pick.");
      $(date ? `ask-${measures[0].id}` : "date").focus();
      return;
    }
    app.open(date, {
      asks: asks(), who: $("who").value.trim(), backwards: $("backwards").checked,
      hide: $("hide").checked, buzz: $("buzz").checked, whole: $("whole")?.checked ?? false,
    });
    navigator.storage?.persist?.().catch(() => {});
    app.go("plant");
  }

  const clearing = clearBox(app);
  $("date").value = clockWrong ? "" : today;
  const last = app.journal.lastChoices()?.choices;
  if (last) {
    for (const one of measures) $(`ask-${one.id}`).checked = last.asks.includes(one.name);
    for (const name of ["backwards", "hide", "buzz"]) $(name).checked = last[name];
    $("who").value = last.who;
    if ($("whole")) $("whole").checked = last.whole ?? false;
  }
  $("date").addEventListener("input", drawDate);
  $("open").addEventListener("submit", begin);

  return {
    enter() {
      drawResume();
      drawDate();
    },
    render() {
      const [head, text] = KEEPING[app.store.place];
      say("storage-head", head);
      say("storage-text", text);
      $("storage").classList.toggle("warn", app.store.place !== "database");
      show("resume", offered().length > 0);
      clearing.render();
    },
  };
}

// What the top of a screen says about the pick: "Mon 14 Jul 2031", "37 of 120 done".
export function pickWords(app) {
  const sums = tally(app.bed, app.date, app.journal, app.choices);
  return { day: dayInShort(app.date), done: `${sums.done} of ${sums.all} done`, sums };
}

export function blanksInWords(count, thing) {
  return `${plural(count, thing)} with nothing entered`;
}
