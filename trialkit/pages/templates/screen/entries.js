// Entries: a row of a table each, numbered on this phone; corrected, undone, and written as CSV.
const entries = new Map(); // by record

function readEntries() {
  for (const [key, {v}] of values) if (key.startsWith("entry/") && v) entries.set(v.record, v);
}
const live = record => { const entry = entries.get(record); return entry && !entry.void ? entry : null; };
const fieldsOf = step => step.fields.map(name => data.fields[name]);
const idOf = (job, step) => `draft/${step.record || `common/${job.name}`}/${step.fields[0]}`;
const draftOf = (job, step) => got(idOf(job, step)) || {};
const commonOf = job => got(`common/${job.kind}/${job.name}`) || {};

function write(record, table, cells, isVoid) {
  const old = entries.get(record);
  let entry = old ? old.entry : 0;
  if (!old) for (const each of entries.values()) entry = Math.max(entry, each.entry);
  const made = {
    entry: old ? entry : entry + 1, revision: old ? old.revision + 1 : 1, void: isVoid,
    entered: localTime(), table, cells, record,
  };
  entries.set(record, made);
  put(`entry/${made.entry}`, made);
}

// What stands on a screen: what was typed and not kept yet, else what was kept.
function typedOn(job, step) {
  const {cells = {}, passed} = draftOf(job, step);
  const entry = step.common ? {cells: commonOf(job)} : live(step.record);
  const again = passed ? {} : got("again") || {};
  const out = {};
  for (const field of fieldsOf(step)) {
    const head = field.head;
    out[head] = head in cells ? cells[head]
      : entry && entry.cells[head] !== undefined ? entry.cells[head]
      : field.again ? again[head] || "" : "";
  }
  return out;
}

// What was kept on a screen, whatever was typed since.
const keptOn = step => (live(step.record) || {cells: {}}).cells;

function keepDraft(job, step, head, text) {
  const draft = draftOf(job, step);
  put(idOf(job, step), {...draft, at: head, cells: {...draft.cells, [head]: text}});
}
// Where typing stopped: a draft goes on there.
function keepPlace(job, step, head) {
  const draft = draftOf(job, step);
  if (draft.cells && draft.at !== head) put(idOf(job, step), {...draft, at: head});
}

const answered = step => {
  const entry = live(step.record);
  return Boolean(entry) && fieldsOf(step).some(field => entry.cells[field.head]);
};
const settled = (job, step) =>
  (step.common ? Object.keys(commonOf(job)).length > 0 : answered(step))
  || Boolean(draftOf(job, step).passed);

const without = cells => Object.fromEntries(Object.entries(cells).filter(([, text]) => text !== ""));
const same = (one, other) => {
  const heads = Object.keys(one);
  return heads.length === Object.keys(other).length && heads.every(head => one[head] === other[head]);
};

// Keeps what stands on a screen as an entry; says whether anything changed.
function commit(job, step) {
  const fields = fieldsOf(step), typed = {};
  for (const [head, text] of Object.entries(typedOn(job, step))) {
    typed[head] = tidied(fields.find(field => field.head === head), text);
  }
  put(idOf(job, step), {passed: true});
  const again = Object.fromEntries(
    fields.filter(field => field.again).map(field => [field.head, typed[field.head]]));
  if (Object.keys(again).length) put("again", {...got("again"), ...again});
  if (step.common) return keepCommon(job, typed);
  const old = live(step.record);
  const cells = without({...(old ? old.cells : {}), ...commonOf(job), ...step.key, ...typed});
  const aside = {...commonOf(job), ...step.key};
  const measured = Object.keys(cells).some(head => !(head in aside));
  if (!old && !measured || old && same(cells, old.cells)) return false;
  const before = old ? {cells: old.cells, void: false} : null;
  remember({job: data.jobs.indexOf(job), step: job.steps.indexOf(step), record: step.record, before});
  write(step.record, step.table, measured ? cells : old.cells, !measured);
  return true;
}

// Who measured a header, and when, goes into each of its rows.
function keepCommon(job, typed) {
  const was = commonOf(job);
  put(`common/${job.kind}/${job.name}`, without(typed));
  for (const record of new Set(job.steps.map(step => step.record))) {
    const entry = live(record);
    if (!entry) continue;
    const rest = Object.entries(entry.cells).filter(([head]) => !(head in was));
    const cells = {...Object.fromEntries(rest), ...without(typed)};
    if (!same(cells, entry.cells)) write(record, entry.table, cells, false);
  }
  return true;
}

const MOST_UNDONE = 20;
function remember(change) {
  put("undo", [...(got("undo") || []), change].slice(-MOST_UNDONE));
}

// Takes the last change back; the job and the screen it was on, or null where there is none.
function undo() {
  const changes = got("undo") || [];
  const last = changes[changes.length - 1];
  if (!last) return null;
  put("undo", changes.slice(0, -1));
  const now = entries.get(last.record), before = last.before;
  if (now) write(last.record, now.table, before ? before.cells : now.cells, !before || before.void);
  const job = data.jobs[last.job], step = job && job.steps[last.step];
  if (!step || step.record !== last.record) return {};
  put(idOf(job, step), null);
  return {job, step};
}

// ---------------------------------------------------------------- asked again
const LEAST_AWAY = 10, TIMES = 3, LEAST_FRAMES = 3, MANY_TIMES = 10;

function framesOf(job, step) {
  return job.steps.filter(each => each.table === "frames" && each.zone === step.zone);
}
const kernelsOf = step => fieldsOf(step).find(field => field.kind === "count" && field.required);
const countOf = step => {
  const entry = live(step.record), field = kernelsOf(step);
  const text = entry && field ? entry.cells[field.head] : "";
  return text ? Number(text) : null;
};

// More than any crop holds on such an area, or of a sample than all of it, at the end a part of no
// sample too: the tables refuse it. Words, and the field to type again.
function impossible(step, typed, end) {
  for (const part of fieldsOf(step)) {
    const whole = part.of && typed[part.head] ? data.fields[`${step.table}.${part.of}`] : null;
    if (!whole) continue;
    if (end && !typed[whole.head]) return [say("needed", {label: whole.label}), whole];
    if (typed[whole.head] && Number(typed[part.head]) > Number(typed[whole.head])) {
      return [say("more_than", {value: shown(part, typed[part.head]), label: part.label,
        most: shown(whole, typed[whole.head]), whole: whole.label}), part];
    }
  }
  const full = fieldsOf(step).map(field => [field, Math.floor(field.densest * data.square * step.size)])
    .find(([field, most]) => most > 0 && Number(typed[field.head]) > most);
  return full ? [say("too_dense", {label: full[0].label, most: full[1]}), full[0]] : null;
}

// Why a screen should be looked at again: questions, each with the rule behind it.
function doubtful(job, step, typed) {
  const cell = name => (fieldsOf(step).some(field => field.name === name)
    ? typed[data.fields[`${step.table}.${name}`].head] : "");
  if (step.counted && job.kind === "strip" && !Object.values(typed).some(Boolean)) {
    return [[`${say("empty_sure", {what: titleOf(step)})} ${say("none_zero")}`, ""]];
  }
  const grain = cell("kernel_mass_per_ear") || cell("kernels_per_ear");
  if (cell("ears") && Number(cell("ears")) === 0 && grain) return [[say("no_ears", {value: grain}), ""]];
  const far = step.table === "frames" ? farFrom(job, step, typed) : "";
  if (far) return [[far, words.far_rule]];
  const field = step.table === "ears" ? data.fields["ears.ears"] : kernelsOf(step);
  const most = field && typed[field.head] ? mostOf(step, field) : 0;
  const value = field ? Number(typed[field.head]) : 0;
  if (most > 0 && value > MANY_TIMES * most && value - most >= LEAST_AWAY) {
    return [[say("most_far", {value, label: field.label, most}), words.far_rule]];
  }
  return [];
}
// The highest value of this column in this zone, over all strips counted on this phone.
function mostOf(step, field) {
  let most = 0;
  for (const job of strips) {
    for (const other of job.steps) {
      const entry = other.table === step.table && other.zone === step.zone && other.record !== step.record
        ? live(other.record) : null;
      if (entry && entry.cells[field.head]) most = Math.max(most, Number(entry.cells[field.head]));
    }
  }
  return most;
}

// The median: one frame unlike the rest, asked about and kept, does not make the next be asked about.
// Of two in the middle the one nearer to the value.
function middle(values, value) {
  const sorted = [...values].sort((one, other) => one - other), half = sorted.length / 2;
  const two = [sorted[Math.ceil(half) - 1], sorted[Math.floor(half)]];
  return two.sort((one, other) => Math.abs(one - value) - Math.abs(other - value))[0];
}

function farFrom(job, step, typed) {
  const field = kernelsOf(step);
  if (!field || !typed[field.head]) return "";
  const value = Number(typed[field.head]), frames = framesOf(job, step);
  const others = frames.filter(each => each !== step && countOf(each) !== null);
  const sum = others.reduce((all, each) => all + countOf(each), 0);
  if (others.length && step.size > 0 && others.every(each => each.size > 0)) {
    const usual = middle(others.map(each => countOf(each) / each.size * step.size), value);
    const apart = value > TIMES * usual || value < usual / TIMES;
    if (apart && Math.abs(value - usual) >= LEAST_AWAY) {
      return say("far", {value, name: step.name, usual: rounded(Math.round(usual))});
    }
  }
  if (frames.length >= LEAST_FRAMES && others.length === frames.length - 1 && sum + value === 0) {
    const zone = data.zones[step.zone];
    return say("zeros", {n: frames.length, number: zone.number, zone: zone.called});
  }
  return "";
}

// ---------------------------------------------------------------- the file
// A length is written in decimals: a spreadsheet would take 3/8 for a day.
const tapes = new Set(Object.values(data.fields).filter(inches).map(field => field.head));
const inFile = (head, text) => (tapes.has(head) && TAPE.test(text) ? String(numberOf(text)) : text);
const quoted = text => (/[",\r\n]/.test(text) ? `"${text.replaceAll('"', '""')}"` : text);

function asCsv() {
  const rows = [...entries.values()].sort((one, other) => one.entry - other.entry);
  const heads = [...data.heads];
  for (const row of rows) {
    for (const head of Object.keys(row.cells)) if (!heads.includes(head)) heads.push(head);
  }
  const lines = [[...data.first, ...heads]];
  for (const row of rows) {
    lines.push([
      data.trial, phone(), row.entry, row.revision, row.void ? "yes" : "", row.entered, row.table,
      ...heads.map(head => inFile(head, row.cells[head] || "")),
    ]);
  }
  return lines.map(line => line.map(cell => quoted(String(cell))).join(",") + "\r\n").join("");
}
const fileName = () => `counts_${data.trial}_${phone()}_${localTime().slice(0, 16).replace(/[-:]/g, "")}.csv`;
