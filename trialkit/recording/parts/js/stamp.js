// Names and times for records.

// A new unique name. Pages opened without https have no randomUUID, and very old phones have no
// random numbers fit for keys; the clock in the last form keeps two phones apart all the same.
export function newId() {
  const source = globalThis.crypto;
  if (source && source.randomUUID) return source.randomUUID();
  const bytes = new Uint8Array(16);
  if (source && source.getRandomValues) source.getRandomValues(bytes);
  else bytes.forEach((_, at) => (bytes[at] = Math.floor(Math.random() * 256)));
  bytes[6] = (bytes[6] & 0x0f) | 0x40;
  bytes[8] = (bytes[8] & 0x3f) | 0x80;
  const hex = [...bytes].map((byte) => byte.toString(16).padStart(2, "0")).join("");
  const cut = [0, 8, 12, 16, 20].map((from, at, all) => hex.slice(from, all[at + 1]));
  return source ? cut.join("-") : `${cut.join("-")}-${Date.now().toString(36)}`;
}

const two = (number) => String(number).padStart(2, "0");

// Minutes east of Greenwich on this phone at that moment.
export function offsetAt(at) {
  return -new Date(at).getTimezoneOffset();
}

// The day on this phone's own calendar, as 2031-07-14: never the day in Greenwich.
export function localDay(at) {
  const time = new Date(at);
  return `${String(time.getFullYear()).padStart(4, "0")}-${two(time.getMonth() + 1)}-${two(time.getDate())}`;
}

// ISO 8601 with the offset the phone had when the tap was made.
export function isoWithOffset(at, offset) {
  const local = new Date(at + offset * 60000).toISOString().replace("Z", "");
  const size = Math.abs(offset);
  return `${local}${offset < 0 ? "-" : "+"}${two(Math.floor(size / 60))}:${two(size % 60)}`;
}

const DAYS = ["Sun", "Mon", "Tue", "Wed", "Thu", "Fri", "Sat"];
const MONTHS = [
  "January", "February", "March", "April", "May", "June",
  "July", "August", "September", "October", "November", "December",
];

// "Mon 14 July 2031": the month in letters, so that nobody reads 7/8 the wrong way round.
export function dayInWords(day) {
  const { weekday, date, month, year } = partsOf(day);
  return `${weekday} ${date} ${month} ${year}`;
}

// "Mon 14 Jul 2031", for narrow places.
export function dayInShort(day) {
  const { weekday, date, month, year } = partsOf(day);
  return `${weekday} ${date} ${month.slice(0, 3)} ${year}`;
}

function partsOf(day) {
  const [year, month, date] = day.split("-").map(Number);
  const weekday = DAYS[new Date(year, month - 1, date).getDay()];
  return { weekday, date, month: MONTHS[month - 1], year };
}
