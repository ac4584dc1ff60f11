// Safety first, the strips in the order of work, one strip, the copy.
const today = () => localTime().slice(0, 10);
const strips = data.jobs.filter(job => job.kind === "strip");
const at = (job, step) => `#/${data.jobs.indexOf(job)}${step ? `/${job.steps.indexOf(step)}` : ""}`;
const countedOf = job => job.steps.filter(step => step.counted && step.group === 0);
const zoneWords = zone => say("zone", {number: data.zones[zone].number, zone: data.zones[zone].called});
const nameOf = job =>
  job.kind === "strip" ? job.name
    : job.kind === "header" ? (job.name ? say("header", {name: job.name}) : say("header_check"))
    : say("in_field", {table: job.called, field: job.name});

function titleOf(step) {
  if (step.title === "frame") return say("frame", {name: step.name});
  if (step.title === "sample") return `${step.heading}: ${step.name}`;
  if (step.title === "row") return `${say("row", {name: step.name})}, ${step.heading}`;
  if (step.title === "number") return say("number", {n: step.name});
  if (step.title === "ears" && step.zone) return `${say("ears")}, ${data.zones[step.zone].called}`;
  return say(step.title);
}

// A strip whose status leaves it out, by the level the file has for it.
function leftOut(job) {
  const field = data.fields["strips.status"], entry = live(`strips|${job.name}`);
  const status = job.kind === "strip" && field && entry ? entry.cells[field.head] : "";
  return status && status !== field.blank ? shown(field, status) : "";
}
// What is to be counted and was not; a screen that was left empty is among it. All that is said of
// how far a strip, a header or a field is comes from here.
const lackOf = job => (leftOut(job) ? [] : countedOf(job).filter(step => !answered(step)));
const doneOf = job => countedOf(job).filter(answered).length;
const isDone = job => lackOf(job).length === 0;
const isSeen = job => lackOf(job).every(step => settled(job, step)); // every screen was passed
const nextStrip = () => strips.find(job => !isSeen(job)) || strips.find(job => !isDone(job));
const lackWords = steps => ["frames", "ears", "header_check", "stalks", "ear_butts"]
  .map(table => [table, steps.filter(step => step.table === table).length])
  .filter(([, n]) => n > 0).map(([table, n]) => say(`lack_${table}`, {n})).join("; ");
function stateOf(job) {
  const out = leftOut(job), done = doneOf(job), all = countedOf(job).length;
  if (out) return say("left_out", {status: out});
  if (done === all) return `\u2713 ${say("done")}`;
  if (isSeen(job)) return lackWords(lackOf(job));
  return done || job.steps.some(answered) ? say("begun", {done, all}) : say("open");
}
// What nothing was typed for on this phone, a line each: counts, samples, header, ground.
function openLines() {
  const out = [];
  for (const job of data.jobs) {
    const lack = lackWords(lackOf(job));
    if (lack) out.push(`${nameOf(job)}: ${lack}`);
    const taken = leftOut(job) ? [] : job.steps.filter(step => step.group === 1 && !answered(step));
    if (taken.length) out.push(`${nameOf(job)}: ${say("lack_taken", {n: taken.length})}`);
  }
  return out;
}

// ---------------------------------------------------------------- safety
function safetyScreen() {
  top(say("safety"));
  show(
    make("p", {class: "kept"}, kept() ? `${say("kept")} ${say("kept_private")}` : say("kept_not")),
    make("div", {class: "cautions"},
      make("p", {class: "strong"}, say("safety_told")), list("ol", data.safety.cautions),
      make("p", {class: "strong"}, data.safety.defer)),
    words.unchecked ? make("p", {class: "quiet print"}, say("unchecked")) : "");
  // All of it is seen before it can be confirmed, and a tap too many confirms nothing.
  let since = Infinity;
  const large = button("", () => {
    if (since === Infinity) {
      main.scrollBy(0, main.clientHeight * 0.8);
      return label();
    }
    if (performance.now() - since < 400) return undefined;
    main.onscroll = null;
    put("safety", today());
    try { navigator.storage.persist().catch(() => {}); } catch (error) { /* it has no such thing */ }
    return route();
  }, {class: "main wide"});
  const label = () => {
    const end = main.scrollTop + main.clientHeight > main.scrollHeight - 8;
    if (end && since === Infinity) since = performance.now();
    large.textContent = since === Infinity ? `${say("read_on")} \u2193` : say("safety_yes");
  };
  keys.replaceChildren(large);
  keys.hidden = false;
  main.onscroll = label;
  label();
}

// ---------------------------------------------------------------- all strips
function homeScreen() {
  top(data.title);
  const done = strips.filter(isDone).length, next = nextStrip(), open = openLines();
  const rows = data.order.map(step => {
    const day = step.day ? [make("li", {class: "day"}, step.day)] : [];
    if (step.change) return [...day, make("li", {class: "change"}, `${step.begins} ${step.words}`)];
    return [...day, jobRow(strips.find(job => job.name === step.strip), step, next)];
  });
  const others = data.jobs.filter(job => job.kind !== "strip").map(job => jobRow(job));
  show(
    data.crew ? make("p", {class: "strong"}, data.crew) : "",
    make("p", {id: "progress"}, say("progress", {done, all: strips.length})),
    make("progress", {max: strips.length, value: done, "aria-labelledby": "progress"}),
    next ? button(say("go_on", {name: next.name}), () => go(at(next)), {class: "main wide"})
      : make("div", {}, make("p", {class: "strong"}, say(open.length ? "strips_done" : "all_done")),
        list("ul", open)),
    make("ul", {class: "rows"}, rows.flat()),
    data.note ? make("p", {class: "quiet"}, data.note) : "",
    make("h2", {}, `${say("header_check")}, ${say("ground")}`),
    make("ul", {class: "rows"}, others), data.given.map(text => make("p", {}, text)),
    folded(say("rules"), list("ol", data.rules), make("p", {class: "quiet"}, data.sources)),
    folded(say("safety"), list("ol", data.safety.cautions), make("p", {}, data.safety.defer)),
    make("p", {class: "quiet"}, `${say("phone", {phone: phone()})} ${kept() ? say("kept") : ""}`));
  keys.replaceChildren(make("div", {class: "two"},
    button(say("undo"), takeBack, {class: "plain"}),
    button(say("export"), () => go("#/copy"), {class: done === strips.length ? "main" : "plain"})));
  keys.hidden = false;
}
function jobRow(job, step, next) {
  const when = step && step.begins ? `${say("begins", {time: step.begins})}, ` : "";
  const place = job.kind === "strip" ? make("span", {class: "quiet"}, `${when}${job.place}`) : "";
  return make("li", {}, button(
    [make("span", {class: "name"}, step && step.run ? `${step.run} ` : "", make("bdi", {}, nameOf(job))),
      make("span", {class: "state"}, stateOf(job)), place].filter(each => each !== ""),
    () => go(at(job)),
    {class: `row ${isDone(job) ? "done" : ""} ${job === next ? "next" : ""}`}));
}

// ---------------------------------------------------------------- one strip, header or field
function jobScreen(job) {
  top(nameOf(job), () => go("#/"), say("home"));
  const first = job.steps.filter(step => step.group === 0);
  const open = isSeen(job) ? null : first.find(step => !settled(job, step));
  const begun = job.steps.some(step => settled(job, step));
  const stop = job.kind === "header" ? data.safety.header : [data.safety.stop];
  const cautions = make("div", {class: "cautions"}, stop.map(text => make("p", {class: "strong"}, text)));
  // What is read and taken of a strip comes before the next strip, which may be gone on to all the same.
  const counted = isDone(job) || isSeen(job);
  const taken = counted && !leftOut(job) ? job.steps.filter(step => step.group === 1 && !settled(job, step)) : [];
  const next = nextStrip();
  const go_on = isDone(job) || isSeen(job) && next !== job
    ? next ? button(`${say("next_strip")}: ${next.name}`, () => go(at(next)), {class: "main wide"})
      : button(say("export"), () => go("#/copy"), {class: "main wide"})
    : button(say({strip: "count_strip", header: "measure", ground: "take"}[job.kind]),
      () => go(at(job, open || lackOf(job)[0])), {class: "main wide"});
  const take = taken.length ? [button(`${say("readings_and_samples")}: ${taken.length}`,
    () => go(at(job, taken[0])), {class: "main wide"})] : [];
  if (take.length) go_on.className = "plain wide";
  show(
    job.place ? make("p", {}, job.place) : "", (job.drive || []).map(line => make("p", {class: "strong"}, line)),
    job.kind !== "strip" ? "" : data.blind ? make("p", {class: "quiet"}, say("blind"))
      : make("p", {class: "strong"}, `${say("setup")}: ${job.setup}`),
    begun ? "" : cautions,
    begun ? make("p", {class: "strong"}, `${stateOf(job)}${isSeen(job) ? "" : emptyOf(job)}${
      taken.length ? `; ${say("lack_taken", {n: taken.length})}` : ""}`) : "",
    job.lengths ? folded(job.lengths.title, table(job.lengths)) : "",
    totals(job), stepRows(job), begun ? cautions : "");
  keys.replaceChildren(...take, go_on);
  keys.hidden = false;
}
function emptyOf(job) {
  const empty = lackWords(lackOf(job).filter(step => settled(job, step)));
  return empty ? `; ${empty}` : "";
}
const table = given => make("table", {},
  make("thead", {}, make("tr", {}, given.headers.map(head => make("th", {scope: "col"}, head)))),
  make("tbody", {}, given.rows.map(row => make("tr", {}, row.map(cell => make("td", {}, cell))))));

const totalOf = (job, step) => {
  const frames = framesOf(job, step), counts = frames.map(countOf).filter(n => n !== null);
  const total = numbers => numbers.reduce((all, n) => all + n, 0);
  const cobs = data.fields["frames.kernels_on_cobs"];
  const onCobs = cobs && frames.some(each => fieldsOf(each).includes(cobs))
    ? say("on_cobs", {sum: total(frames.map(each => Number(keptOn(each)[cobs.head] || 0)))}) : "";
  return say("so_far", {
    number: data.zones[step.zone].number, done: counts.length, all: frames.length, sum: total(counts),
  }) + onCobs;
};
function totals(job) {
  const firsts = job.steps.filter((step, i) =>
    step.table === "frames" && job.steps.findIndex(each => each.table === "frames" && each.zone === step.zone) === i);
  return firsts.map(step => make("p", {}, totalOf(job, step)));
}
function stepRows(job) {
  const rows = [];
  let heading = "";
  for (const step of job.steps) {
    const title = step.group === 1 ? say("readings_and_samples") : step.zone ? zoneWords(step.zone)
      : step.heading || "";
    if (title !== heading && title) rows.push(make("li", {class: "day"}, title));
    heading = title;
    const entry = step.common ? {cells: commonOf(job)} : live(step.record);
    const cells = fieldsOf(step).filter(field => entry && entry.cells[field.head])
      .map(field => shown(field, entry.cells[field.head])).join(" \u00b7 ");
    rows.push(make("li", {}, button(
      [make("span", {class: "name"}, titleOf(step)),
        make("span", {class: "state"}, cells || (settled(job, step) ? say("empty") : "\u2013"))],
      () => go(at(job, step)), {class: "row"})));
  }
  return make("ul", {class: "rows tight"}, rows);
}

// ---------------------------------------------------------------- the copy
function copyScreen() {
  top(say("export"), () => go("#/"), say("home"));
  const text = asCsv(), name = fileName(), file = new File([text], name, {type: "text/csv"});
  const area = make("textarea", {readonly: true, rows: 6, "aria-label": say("text"), spellcheck: "false"});
  area.value = text;
  const shares = Boolean(navigator.canShare && navigator.canShare({files: [file]}));
  const open = [], lines = openLines();
  for (const job of data.jobs) {
    for (const step of job.steps) {
      const cells = draftOf(job, step).cells;
      if (cells && Object.values(cells).some(Boolean)) open.push(`${nameOf(job)}, ${titleOf(step)}`);
    }
  }
  show(
    kept() ? "" : make("p", {class: "strong"}, say("copy_now")),
    make("p", {}, entries.size ? say("export_about", {n: entries.size}) : say("export_none"),
      entries.size && kept() ? ` ${say("export_when")}` : ""),
    lines.length ? folded(say("still_open", {n: lines.length}), list("ul", lines)) : "",
    open.length ? make("p", {class: "strong"}, say("drafts", {names: open.join("; ")})) : "",
    shares ? button(say("share"), () => navigator.share({files: [file], title: name})
      .then(() => tell(say("shared")), () => tell(say("not_shared"))), {class: "main wide"}) : "",
    button(say("download"), () => {
      const link = make("a", {href: URL.createObjectURL(file), download: name});
      document.body.append(link);
      link.click();
      link.remove();
      tell(say("downloaded", {file: name}));
    }, {class: `${shares ? "plain" : "main"} wide`}),
    button(say("copy"), () => copyText(area), {class: "plain wide"}),
    make("label", {class: "quiet"}, say("text"), area),
    make("p", {class: "quiet"}, `${say("take_in")}. ${say("phone", {phone: phone()})}`));
}
function copyText(area) {
  const by_hand = () => {
    area.focus();
    area.select();
    let done = false;
    try { done = document.execCommand("copy"); } catch (error) { done = false; }
    tell(say(done ? "copied" : "not_copied"));
  };
  try { navigator.clipboard.writeText(area.value).then(() => tell(say("copied")), by_hand); }
  catch (error) { by_hand(); }
}
