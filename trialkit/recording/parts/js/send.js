// The pick leaves the phone: as a shared file, as a saved file, or as text to copy.

import { csvText, rowsOfPick } from "./rows.js";
import { $, make, onTap, plural, say, show } from "./page.js";
import { dayInWords, isoWithOffset } from "./stamp.js";
import { blanksInWords, pickWords } from "./start.js";

export function sendScreen(app) {
  const dates = () => ($("all").checked ? app.journal.dates().reverse() : [app.date]);

  // Rows are written into the journal before anyone can take them away: whatever way they leave
  // the phone, a later change can name what it takes back.
  function rows() {
    return dates().flatMap((date) => {
      const pick = app.journal.pick(date);
      const now = rowsOfPick(pick, date, app.bed.plants);
      const known = new Set(pick.shown.map((row) => row.record_id));
      const fresh = now.filter((row) => !known.has(row.record_id));
      if (fresh.length) app.note({ op: "shown", rows: fresh }, date);
      return now;
    });
  }

  function fileName() {
    const part = (text) => text.toLowerCase().replace(/[^a-z0-9]+/g, "-").replace(/^-|-$/g, "").slice(0, 40);
    const days = dates();
    const span = days.length > 1 ? `${days[0]}-to-${days.at(-1)}` : days[0];
    return [part(app.trial.title) || "trial", span, part(app.device)].filter(Boolean).join("_") + ".csv";
  }

  function file(text) {
    return new File([text], fileName(), { type: "text/csv" });
  }

  function canShare() {
    try {
      return Boolean(navigator.canShare?.({ files: [file("record_id\r\n")] }));
    } catch {
      return false;
    }
  }

  function left(how) {
    for (const date of dates()) {
      const sent = rowsOfPick(app.journal.pick(date), date, app.bed.plants).length;
      app.note({ op: "sent", how, rows: sent }, date);
    }
  }

  async function share() {
    try {
      await navigator.share({ files: [file(csvText(rows()))], title: fileName() });
      left("share sheet");
      say("sent-said", "Handed to the app you chose. Check there that it went.");
    } catch (trouble) {
      const closed = trouble?.name === "AbortError";
      say("sent-said", closed ? "Not shared." : "Sharing failed. Save the file or copy the text instead.");
    }
  }

  function save() {
    const link = make("a");
    link.href = URL.createObjectURL(file(csvText(rows())));
    link.download = fileName();
    document.body.append(link);
    link.click();
    link.remove();
    setTimeout(() => URL.revokeObjectURL(link.href), 60000);
    left("file");
    say("sent-said", `Asked the phone to save ${fileName()}. Look for it among the downloads; ` +
      "if it is not there, copy the text.");
  }

  onTap("share", share);
  onTap("save", save);
  onTap("copy", () => copyText(app, "sent-said", csvText(rows()), () => left("text")));
  onTap("send-back", () => app.go("plant"));
  onTap("send-list", () => app.go("list"));
  onTap("to-blanks", () => {
    $("blanks").checked = true;
    $("find").value = "";
    app.go("list");
  });
  $("all").addEventListener("change", () => app.render());

  function drawTally(sums) {
    const counting = app.choices.asks.includes("count");
    const lines = counting
      ? [["Counted", sums.counted], ["Looked, none (0)", sums.zero]]
      : [["Measured", sums.done - sums.skipped]];
    lines.push(["Not looked at", sums.skipped], ["Nothing entered", sums.blank]);
    if (sums.lost) lines.push(["Lost", sums.lost]);
    if (counting) lines.push([`All ${app.trial.counted}`, sums.total]);
    $("tally").replaceChildren(
      ...lines.map(([name, number]) => {
        const line = make("div");
        line.append(make("dt", name), make("dd", String(number)));
        return line;
      }),
    );
  }

  function lastSent(pick) {
    if (!pick.sent) return "Not sent yet.";
    const when = isoWithOffset(pick.sent.at, pick.sent.offset);
    const since = pick.changedSinceSent ? ` ${plural(pick.changedSinceSent, "tap")} since then.` : "";
    return `Last sent ${dayInWords(when.slice(0, 10))} at ${when.slice(11, 16)} (${pick.sent.how}).${since}`;
  }

  return {
    enter() {
      say("sent-said", "");
      $("send-head").focus({ preventScroll: true });
    },
    render() {
      const { day, sums } = pickWords(app);
      say("send-day", day);
      drawTally(sums);
      say("left", sums.blank
        ? `${blanksInWords(sums.blank, app.thing)}. They go out as blanks, not as zeros: a blank means nobody looked.`
        : "Every plant has something entered.");
      show("to-blanks", sums.blank > 0);
      say("last-sent", lastSent(app.pick()));
      show("all-row", app.journal.dates().length > 1);
      show("share", canShare());
      $("save").classList.toggle("go", !canShare());
      const text = csvText(rows());
      if ($("text").value !== text) $("text").value = text;
    },
  };
}

// The clipboard first; where it is refused, the text is laid open and selected for the fingers.
export async function copyText(app, spot, text, done) {
  try {
    await navigator.clipboard.writeText(text);
    say(spot, "Copied. Paste it into a message to yourself.");
    done();
    return;
  } catch {
    $("text").value = text;
  }
  $("text-box").open = true;
  $("text").focus();
  $("text").select();
  let copied = false;
  try {
    copied = document.execCommand("copy");
  } catch {
    copied = false;
  }
  if (copied) done();
  say(spot, copied
    ? "Copied. Paste it into a message to yourself."
    : "This browser does not let the page copy. The text is selected below: hold a finger on it and copy.");
}
