"use strict";
(() => {
  const facts = JSON.parse(document.getElementById("tasting").textContent);
  const element = (id) => document.getElementById(id);
  let scores = {};
  let kept = true;
  try {
    scores = JSON.parse(localStorage.getItem(facts.key) || "{}");
  } catch {
    kept = false;
  }

  // RFC 4180, and nothing that a spreadsheet would run.
  const cell = (text) => {
    const safe = /^[=+\-@\t\r]/.test(text) ? `'${text}` : text;
    return /[",\r\n]/.test(safe) ? `"${safe.replaceAll('"', '""')}"` : safe;
  };

  function csv() {
    const rows = [];
    for (const [taster, own] of Object.entries(scores)) {
      for (const code of facts.orders[taster - 1] || []) {
        for (const trait of facts.traits) {
          const score = (own[code] || {})[trait];
          if (score !== undefined) {
            rows.push([taster, code, trait, String(score)]);
          }
        }
      }
    }
    // Each line ends with a check of itself and of the one before, so that a cut or changed file
    // is noticed where it is read.
    let before = "";
    const lines = rows.map((cells, at) => {
      const head = `${at + 1}/${rows.length}-`;
      before = head + crc32([head, before, ...cells].join("\x1f"));
      return [...cells, before].map(cell).join(",");
    });
    return ["taster,code,trait,score,check", ...lines].join("\r\n") + "\r\n";
  }

  function keep() {
    try {
      localStorage.setItem(facts.key, JSON.stringify(scores));
    } catch {
      kept = false;
    }
    element("text").value = csv();
    const taster = element("taster").value;
    const own = scores[taster] || {};
    const done = facts.orders[taster - 1].filter(
      (code) => facts.traits.every((trait) => (own[code] || {})[trait] !== undefined)).length;
    element("where").textContent = `${done} of ${facts.orders[taster - 1].length} scored. ` + (kept
      ? "Kept on this phone." : "This phone keeps nothing: save the file before you close it.");
  }

  function set(taster, code, trait, score) {
    const own = (scores[taster] = scores[taster] || {});
    const of = (own[code] = own[code] || {});
    if (of[trait] === score) {
      delete of[trait]; // tapped again: not tasted after all
    } else {
      of[trait] = score;
    }
    keep();
  }

  function show() {
    const taster = element("taster").value;
    const place = element("codes");
    place.replaceChildren();
    for (const code of facts.orders[taster - 1]) {
      const box = document.createElement("fieldset");
      const head = document.createElement("legend");
      head.textContent = code;
      box.append(head);
      for (const trait of facts.traits) {
        const name = document.createElement("div");
        name.textContent = `${trait}: ${facts.lowest} = dislike very much, ${facts.highest} = like `
          + "very much";
        const row = document.createElement("div");
        row.className = "scores";
        row.setAttribute("role", "group");
        row.setAttribute("aria-label", `${code}, ${trait}`);
        for (let score = facts.lowest; score <= facts.highest; score += 1) {
          const button = document.createElement("button");
          button.type = "button";
          button.textContent = String(score);
          const mark = () => button.setAttribute("aria-pressed",
            String(((scores[taster] || {})[code] || {})[trait] === score));
          button.addEventListener("click", () => {
            set(taster, code, trait, score);
            for (const other of row.children) {
              other.dispatchEvent(new Event("mark"));
            }
          });
          button.addEventListener("mark", mark);
          mark();
          row.append(button);
        }
        box.append(name, row);
      }
      place.append(box);
    }
    keep();
  }

  facts.orders.forEach((_, at) => {
    const option = document.createElement("option");
    option.value = String(at + 1);
    option.textContent = `Taster ${at + 1}`;
    element("taster").append(option);
  });
  element("taster").addEventListener("change", show);
  element("save").addEventListener("click", () => {
    const link = document.createElement("a");
    link.href = URL.createObjectURL(new Blob([csv()], { type: "text/csv" }));
    link.download = "tasting scores.csv";
    link.click();
    element("said").textContent = "Saved as tasting scores.csv.";
  });
  element("copy").addEventListener("click", async () => {
    try {
      await navigator.clipboard.writeText(csv());
      element("said").textContent = "Copied.";
    } catch {
      element("text").select();
      element("said").textContent = "Select the text below and copy it.";
    }
  });
  show();
})();
