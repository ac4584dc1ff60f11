// One frame, row or sample on a screen: fields, the drawing of where, keys for gloves.
// {job, step, active, pictures; fresh: the next key begins the active field anew; anew: heads of fields
// that were asked about or refused; seen: heads of choices that were come to}
let typing = null;

// A glove taps twice: the large key waits a while on a new screen or field, unless a key was typed.
const BOUNCE = 700;
let since = -Infinity;

function stepScreen(job, step, asked) {
  const i = job.steps.indexOf(step);
  top(headOf(job, step), () => go(at(job)), say("menu"), "\u2261");
  const fields = fieldsOf(step), numbers = fields.filter(numeric);
  const typed = typedOn(job, step);
  const left = fields.find(field => inLine(field) && field.head === draftOf(job, step).at);
  const first = left || numbers.find(field => !typed[field.head]) || numbers[0] || null;
  const active = numbers.find(field => field.head === asked) || first;
  const pictures = (step.pictures || (step.zone ? ["zones"] : [])).map(name => drawing(name));
  typing = {job, step, active, pictures, fresh: true, anew: new Set(), seen: new Set()};
  since = performance.now();
  const where = step.zone ? say("zone_of", {number: data.zones[step.zone].number, where: data.zones[step.zone].where}) : "";
  show(
    pictures.length ? make("div", {tabindex: pictures.length > 1 ? "0" : null,
      class: `drawings ${step.pictures ? "of_parts" : ""} ${pictures.length > 1 ? "many" : ""}`}, pictures) : "",
    where ? make("p", {class: "where"}, where, step.area ? make("span", {}, `, ${say("area", {area: step.area})}`,
      step.along ? make("strong", {}, `, ${say("along", {length: step.along})}`) : "") : "") : "",
    make("div", {class: `fields ${numbers.length > 2 ? "many" : "few"}`},
      fields.filter(field => field.name !== "note").map(field => fieldBox(field))),
    make("p", {class: "sum"}, sumOf(job, step)),
    fields.filter(field => field.name === "note").map(field => fieldBox(field)),
    step.how ? folded(say("how"), data.how[step.how].map(text => make("p", {}, text))) : "",
    job.kind === "header" ? folded(say("safety"), data.safety.header.map(text => make("p", {}, text))) : "");
  keypad(i);
  warn();
  activate(active);
}

function headOf(job, step) {
  if (job.kind === "ground") return `${nameOf(job)}: ${step.name}`;
  return `${nameOf(job)}: ${titleOf(step)}`;
}
function sumOf(job, step) {
  const zero = job.kind === "strip" && !answered(step) ? `${say("none_zero")} ` : "";
  if (step.table === "frames") {
    return `${zero}${totalOf(job, step)}. ${say("strip_so_far", {done: doneOf(job), all: countedOf(job).length})}`;
  }
  if (!step.counted) return "";
  return zero + say("taken_so_far", {done: doneOf(job), all: countedOf(job).length});
}

// What the large key goes on to: numbers, and choices that nothing is taken for where none is made.
const inLine = field => numeric(field) || field.kind === "choice" && !field.blank;
const valueOf = field => typedOn(typing.job, typing.step)[field.head];
function set(field, text) {
  keepDraft(typing.job, typing.step, field.head, text);
  refresh();
}

function fieldBox(field) {
  const label = `${field.label}${field.unit ? ` (${field.unit})` : ""}`;
  if (numeric(field)) {
    return button([make("span", {class: "label"}, label), make("span", {class: "value"})],
      () => activate(field), {class: "number", "data-head": field.head});
  }
  if (field.kind === "choice") return choiceBox(field, label);
  const type = {date: "date", datetime: "datetime-local"}[field.kind];
  const input = make("input", {type: type || "text", "data-head": field.head, autocomplete: "off",
    autocapitalize: field.name === "note" || field.name === "reason" ? "sentences" : "characters",
    enterkeyhint: "done", maxlength: type ? null : 400});
  const value = valueOf(field);
  input.value = type ? value.replace(" ", "T") : value;
  input.addEventListener("input", () => set(field, type ? input.value.replace("T", " ") : input.value));
  // The phone's own keys need the room.
  input.addEventListener("focus", () => { if (!type) keys.classList.add("aside"); });
  input.addEventListener("blur", () => keys.classList.remove("aside"));
  const now = type ? button(say("now"), () => {
    input.value = localTime().slice(0, type === "date" ? 10 : 16);
    input.dispatchEvent(new Event("input"));
  }, {class: "plain now"}) : null;
  const box = make("div", {class: "text", "data-field": field.name}, make("label", {}, label, input), now);
  if (field.name !== "note" || value || typing.step.last) return box;
  return folded(label, box);
}
function choiceBox(field, label) {
  const buttons = field.levels.map(([level, called]) => button(called, () =>
    set(field, valueOf(field) === level ? "" : level),
  {class: "choice", "data-level": level}));
  return make("div", {class: "choices", role: "group", "aria-label": label, "data-head": field.head},
    make("span", {class: "label"}, label), make("div", {class: "options"}, buttons));
}

const isDraft = field => field.head in (draftOf(typing.job, typing.step).cells || {});
function activate(field) {
  typing.active = field;
  // A kept value gives way to the first key; what was typed and not kept yet goes on.
  typing.fresh = Boolean(field) && (typing.anew.has(field.head) || !isDraft(field));
  if (field) keepPlace(typing.job, typing.step, field.head);
  if (field && field.kind === "choice") typing.seen.add(field.head);
  const part = typing.step.zone ? `zone ${typing.step.zone}` : field ? field.part : "";
  for (const box of typing.pictures) light(box, part);
  const shows = typing.pictures.find(box => box.querySelector(".lit"));
  if (shows && typing.pictures.length > 1) shows.parentElement.scrollLeft = shows.offsetLeft - 4;
  refresh();
}
// What is typed is seen, however little room warning, drawing and keys leave.
function inSight() {
  const writing = main.querySelector("input:focus, textarea:focus");
  const box = writing || main.querySelector(`button.number[aria-pressed="true"], .choices.here`);
  if (box) box.scrollIntoView({block: "nearest"});
}
new ResizeObserver(inSight).observe(main);

// What changes with a key: values, which field is typed in, what the large key does.
function refresh() {
  const fields = fieldsOf(typing.step), typed = typedOn(typing.job, typing.step);
  for (const field of fields) {
    const text = typed[field.head];
    const box = main.querySelector(`[data-head="${CSS.escape(field.head)}"]`);
    if (!box) continue;
    if (numeric(field)) {
      const label = `${field.label}${field.unit ? ` (${field.unit})` : ""}`;
      const was = keptOn(typing.step)[field.head];
      box.firstElementChild.textContent = was && was !== text ? `${label}, ${say("was", {value: shown(field, was)})}` : label;
      box.lastElementChild.textContent = text ? shown(field, text) : "\u2013";
      box.lastElementChild.classList.toggle("long", text.length > 5);
      box.setAttribute("aria-pressed", String(field === typing.active));
      box.setAttribute("aria-label", text ? say("typed", {label, value: shown(field, text)})
        : say("nothing_typed", {label}));
    } else if (field.kind === "choice") {
      box.classList.toggle("here", field === typing.active);
      for (const each of box.querySelectorAll("button")) {
        each.setAttribute("aria-pressed", String(each.dataset.level === text));
      }
    }
  }
  // Why a strip is left out is asked for where it is.
  const reason = typing.step.last && main.querySelector("[data-field=reason]");
  if (reason) {
    const status = fields.find(field => field.name === "status");
    const out = typed[status.head] && typed[status.head] !== status.blank;
    reason.hidden = !out && !typed[data.fields["strips.reason"].head];
  }
  const further = nextField(), something = Object.values(typed).some(Boolean);
  const large = document.getElementById("large");
  const on = further && typed[typing.active.head] || unseen();
  large.textContent = `${say(on ? "next" : something ? "keep" : "leave_empty")} \u203a`;
  const point = document.getElementById("point"), tape = document.getElementById("tape");
  if (point) point.disabled = !typing.active || typing.active.kind !== "number";
  if (tape) tape.disabled = !typing.active || !inches(typing.active);
  fractions(false);
  inSight();
}
function nextField() {
  const line = fieldsOf(typing.step).filter(inLine);
  const typed = typedOn(typing.job, typing.step);
  return line.slice(line.indexOf(typing.active) + 1).find(field => !typed[field.head]) || null;
}
// A choice that lies under the keys is come to before the screen is kept without it.
function unseen() {
  const typed = typedOn(typing.job, typing.step);
  return fieldsOf(typing.step).filter(inLine).find(field =>
    field.kind === "choice" && !typed[field.head] && !typing.seen.has(field.head)) || null;
}

// ---------------------------------------------------------------- keys
function keypad(i) {
  const numbers = fieldsOf(typing.step).some(numeric);
  const key = (text, given = {}) => button(text, () => press(text), {class: "key", ...given});
  const tape = fieldsOf(typing.step).some(inches);
  const back = button("\u232b", () => press("back"), {class: "key erase", "aria-label": say("delete")});
  const pad = make("div", {class: tape ? "pad tape" : "pad"},
    [..."789456123"].map(digit => key(digit)),
    button(data.decimal, () => press("."), {class: "key", id: "point", "aria-label": say("point")}),
    key("0", {class: "key zero"}), back,
    tape ? button("1/16 \u2026 7/8", () => fractions(true), {class: "key small", id: "tape", "aria-label": say("fraction")}) : "");
  const parts = tape ? make("div", {class: "parts", hidden: true}, FRACTIONS.map(part => key(part)),
    button("\u2039", () => fractions(false), {class: "key", "aria-label": say("digits")})) : "";
  const before = typing.job.steps[i - 1];
  keys.replaceChildren(numbers ? pad : "", parts, make("div", {class: "actions"},
    button("\u2039", () => go(before ? at(typing.job, before) : at(typing.job)),
      {class: "plain", "aria-label": say("previous")}),
    button(say("undo_key"), takeBack, {class: "plain small", "aria-label": say("undo")}),
    button("", enter, {class: "main", id: "large"})));
  keys.hidden = false;
}
// As a tape is read: sixteenths in their lowest terms, in place of the digits.
const FRACTIONS = Array.from({length: 15}, (_, i) => i + 1).map(n => {
  const by = n % 8 === 0 ? 8 : n % 4 === 0 ? 4 : n % 2 === 0 ? 2 : 1;
  return `${n / by}/${16 / by}`;
});
function fractions(open) {
  const pad = keys.querySelector(".pad"), parts = keys.querySelector(".parts");
  if (!parts) return;
  pad.hidden = open;
  parts.hidden = !open;
}
const LONGEST = 9;
function press(what) {
  const field = typing && typing.active;
  if (!field) return;
  if (!numeric(field)) return;
  let text = valueOf(field);
  since = -Infinity;
  // As on a pocket calculator: the first key takes the place of what stood there.
  const first = typing.fresh;
  typing.fresh = false;
  typing.anew.delete(field.head);
  const [, part = ""] = /(?:^| )(\d+\/\d+)$/.exec(text) || [];
  if (what === "back") return set(field, part ? text.slice(0, -part.length).trim() : text.slice(0, -1));
  if (first) text = "";
  const whole = first ? "" : text.slice(0, text.length - part.length).trim();
  if (what.includes("/")) return set(field, `${whole.split(".")[0]} ${what}`.trim());
  if (what === "." && (field.kind !== "number" || text.includes(".") || !first && part)) return;
  if (whole.length < LONGEST) set(field, first || !part ? text + what : `${whole}${what} ${part}`);
}

// The large key: to the next field that is empty, else all of this screen is kept.
async function enter() {
  if (performance.now() - since < BOUNCE) return undefined;
  const {job, step, active} = typing;
  const typed = typedOn(job, step);
  for (const field of fieldsOf(step)) {
    const fault = wrong(field, tidied(field, typed[field.head]));
    if (fault) return again(field, fault);
  }
  const further = active && typed[active.head] && nextField() || unseen();
  const cannot = impossible(step, typed, !further);
  if (cannot) return again(cannot[1], cannot[0]);
  if (further) {
    since = performance.now();
    return activate(further);
  }
  const fields = fieldsOf(step);
  const needed = fields.find(field => field.required && !typed[field.head]);
  if (needed && fields.some(field => field !== needed && field.kind !== "text" && typed[field.head])) {
    tell(say("needed", {label: needed.label}));
    return activate(needed);
  }
  const status = data.fields["strips.status"];
  if (status && typed[status.head] && typed[status.head] !== status.blank
    && !typed[data.fields["strips.reason"].head]) return tell(say("reason_needed"));
  for (const [why, rule] of doubtful(job, step, typed)) if (!await ask(why, rule)) return again(typing.active);
  commit(job, step);
  onward(job, step);
}
// To be typed again: the next key begins each number of the screen anew.
function again(field, why) {
  typing.anew = new Set(fieldsOf(typing.step).filter(numeric).map(each => each.head));
  if (field && inLine(field)) activate(field);
  if (why) tell(why);
}
function onward(job, step) {
  const next = job.steps[job.steps.indexOf(step) + 1];
  if (next && next.group === step.group && !leftOut(job)) return go(at(job, next));
  go(kept() ? at(job) : "#/copy");
}
function takeBack() {
  const back = undo();
  if (!back) return tell(say("nothing_to_undo"));
  const {job, step} = back;
  later = say("undone", {what: job ? `${nameOf(job)}, ${titleOf(step)}` : ""});
  if (!job) return route();
  if (location.hash === at(job, step)) route();
  else go(at(job, step));
}
addEventListener("keydown", event => {
  const writing = event.target instanceof HTMLElement && event.target.matches("input, textarea");
  if (!typing || writing || event.ctrlKey || event.metaKey || event.altKey
    || document.getElementById("ask").open) return;
  if (/^\d$/.test(event.key)) press(event.key);
  else if (event.key === "." || event.key === ",") press(".");
  else if (event.key === "Backspace") press("back");
  else if (event.key === "Enter" && !event.target.matches("button, summary")) enter();
});
