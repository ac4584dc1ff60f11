// Texts of the page and numbers as they are typed: kept with a point, shown with the language's sign.
const data = JSON.parse(document.getElementById("data").textContent);
const words = data.words;
const say = (name, values = {}) =>
  words[name].replace(/\{(\w+)\}/g, (all, key) => (key in values ? String(values[key]) : all));

const inches = field => field.kind === "number" && field.unit === "in"; // read on a tape: 1 3/8
const TAPE = /^(?:(\d+) )?(\d+)\/(\d+)$/;
// "1 3/8" as a number; NaN for what is none.
function numberOf(text) {
  const [, whole = "0", part, parts] = TAPE.exec(text) || [];
  return parts ? Number(whole) + Number(part) / Number(parts) : Number(text);
}
const numeric = field => field.kind === "number" || field.kind === "count";
const shown = (field, text) => {
  if (numeric(field)) return text.replace(".", data.decimal);
  if (field.kind === "choice") return (field.levels.find(level => level[0] === text) || [0, text])[1];
  return text;
};
const rounded = value => String(Number(value.toPrecision(4))).replace(".", data.decimal);

// "007" is 7, ".5" is 0.5, "3." is 3; what is no number stays as it is.
function tidied(field, text) {
  text = text.trim();
  if (!numeric(field) || !/^(\d+\.?\d*|\.\d+)$/.test(text)) return text;
  const [whole, part = ""] = text.split(".");
  return (whole.replace(/^0+(?=\d)/, "") || "0") + (part ? "." + part : "");
}

// What is wrong with a value, in words; empty where nothing is.
function wrong(field, text) {
  if (text === "" || !numeric(field)) return "";
  const label = field.label, value = numberOf(text);
  if (!/^\d+(\.\d+)?$/.test(text) && !(inches(field) && TAPE.test(text))) return say("not_a_number", {label, value: text});
  if (field.kind === "count" && text.includes(".")) return say("whole", {label});
  const low = "low" in field ? field.low : -Infinity, high = "high" in field ? field.high : Infinity;
  if (value >= low && value <= high) return "";
  if (high === Infinity) return say("at_least", {label, low: rounded(low)});
  return say("between", {label, low: rounded(low === -Infinity ? 0 : low), high: rounded(high)});
}

// Local time with its offset from UTC: 2026-10-03T14:30:05+02:00.
function localTime(now = new Date()) {
  const two = n => String(Math.abs(n)).padStart(2, "0");
  const away = -now.getTimezoneOffset(), sign = away < 0 ? "-" : "+";
  const day = [now.getFullYear(), two(now.getMonth() + 1), two(now.getDate())].join("-");
  const time = [now.getHours(), now.getMinutes(), now.getSeconds()].map(two).join(":");
  return `${day}T${time}${sign}${two(Math.trunc(away / 60))}:${two(away % 60)}`;
}
