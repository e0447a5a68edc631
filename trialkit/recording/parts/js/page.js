// Small helpers to reach the page. Text is only ever set as text, never as markup.

export const $ = (id) => document.getElementById(id);

// Writing the same text again would make a screen reader repeat it.
export function say(id, text) {
  const spot = $(id);
  if (spot.textContent !== text) spot.textContent = text;
}

export function show(id, wanted) {
  $(id).hidden = !wanted;
}

export function make(tag, text = "", name = "") {
  const made = document.createElement(tag);
  if (text) made.textContent = text;
  if (name) made.className = name;
  return made;
}

export function onTap(id, act) {
  $(id).addEventListener("click", act);
}

export function plural(number, one, many = `${one}s`) {
  return `${number} ${number === 1 ? one : many}`;
}
