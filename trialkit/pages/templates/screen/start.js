// Which screen is shown: by what follows # in the address, so that "back" goes back a screen.
let stopped = false;
let later = ""; // told on the screen that comes next

function route() {
  if (stopped) return;
  typing = null;
  said.textContent = "";
  if (later) tell(later);
  later = "";
  warn();
  if (got("safety") !== today()) return safetyScreen();
  const [, first = "", second = ""] = location.hash.split("/");
  if (first === "copy") return copyScreen();
  const job = first === "" ? null : data.jobs[Number(first)];
  if (!job) return homeScreen();
  const step = second === "" ? null : job.steps[Number(second)];
  if (step) stepScreen(job, step);
  else jobScreen(job);
}

function stop() {
  stopped = true;
  top(data.title);
  show(make("p", {class: "strong"}, say("elsewhere")),
    button(say("go_on_here"), () => location.reload(), {class: "main wide"}));
}

async function start() {
  await openKept();
  readEntries();
  phone();
  onlyHere(stop);
  addEventListener("hashchange", route);
  addEventListener("beforeunload", event => { if (!kept() && entries.size) event.preventDefault(); });
  route();
  document.documentElement.dataset.ready = "yes";
}
start();
