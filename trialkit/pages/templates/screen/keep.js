// What is typed is kept twice: in local storage at once, and in the browser's database, which is
// written through to the disk. Each value has a running number; on opening the later one counts.
const PREFIX = `trialkit/${data.store}/`;
const STORE = "kept";
const values = new Map();
const places = {local: false, base: null, had: false};
const kept = () => places.local || places.base !== null;

function take(key, record) {
  const old = values.get(key);
  if (record && typeof record.n === "number" && (!old || record.n > old.n)) values.set(key, record);
}

function tryLocal() {
  try {
    localStorage.setItem(PREFIX + "probe", "1");
    places.local = localStorage.getItem(PREFIX + "probe") === "1";
    localStorage.removeItem(PREFIX + "probe");
  } catch (error) { // refused, or full: what it holds may still be read
    places.local = false;
  }
  try {
    for (let i = 0; i < localStorage.length; i++) {
      const key = localStorage.key(i);
      if (!key.startsWith(PREFIX)) continue;
      try { take(key.slice(PREFIX.length), JSON.parse(localStorage.getItem(key))); }
      catch (error) { /* not one of ours */ }
    }
  } catch (error) { /* nothing to be read */ }
}

function tryBase() {
  return new Promise(done => {
    const late = setTimeout(() => done(null), 3000);
    const end = base => { clearTimeout(late); done(base); };
    try {
      const asked = indexedDB.open(`trialkit-${data.store}`, 1);
      asked.onupgradeneeded = () => asked.result.createObjectStore(STORE);
      asked.onerror = asked.onblocked = () => end(null);
      asked.onsuccess = () => readBase(asked.result, end);
    } catch (error) {
      end(null);
    }
  });
}

function readBase(base, end) {
  try {
    const turn = base.transaction(STORE, "readonly").objectStore(STORE).openCursor();
    turn.onerror = () => end(null);
    turn.onsuccess = () => {
      const at = turn.result;
      if (!at) return end(base);
      take(at.key, at.value);
      at.continue();
    };
  } catch (error) {
    end(null);
  }
}

async function openKept() {
  tryLocal();
  places.base = await tryBase();
  // A place that missed something is given it, so that both hold all.
  for (const [key, record] of values) writeOut(key, record);
  places.had = kept();
}

function writeOut(key, record) {
  if (places.local) {
    try { localStorage.setItem(PREFIX + key, JSON.stringify(record)); }
    catch (error) { places.local = false; }
  }
  if (!places.base) return;
  if (waiting.size === 0) queueMicrotask(writeBase);
  waiting.set(key, record);
}

// All that one touch changed, in one turn of the database.
const waiting = new Map();
function writeBase() {
  const lost = () => { places.base = null; warn(); };
  try {
    const turn = places.base.transaction(STORE, "readwrite", {durability: "strict"});
    turn.onabort = turn.onerror = lost;
    for (const [key, record] of waiting) turn.objectStore(STORE).put(record, key);
  } catch (error) {
    lost();
  }
  waiting.clear();
}

function put(key, value) {
  const old = values.get(key);
  const record = {n: old ? old.n + 1 : 1, v: value};
  values.set(key, record);
  writeOut(key, record);
  warn();
}

const got = key => { const record = values.get(key); return record ? record.v : null; };

// Says at once when nothing can be kept, or no longer.
function warn() {
  const line = document.getElementById("warning");
  line.hidden = kept();
  const short = typing ? "_short" : ""; // where numbers are typed they need the room
  const text = kept() ? "" : say(`kept_${places.had ? "lost" : "not"}${short}`);
  if (line.textContent !== text) line.textContent = text;
}

// Four letters or digits that are told apart when read out.
function phone() {
  if (!got("phone")) {
    const letters = "ABCDEFGHJKLMNPQRSTUVWXYZ23456789"; // 32 of them: no letter is likelier
    const drawn = crypto.getRandomValues(new Uint8Array(4));
    put("phone", [...drawn].map(n => letters[n % letters.length]).join(""));
  }
  return got("phone");
}

// A second window on this phone would number its entries alike.
function onlyHere(stop) {
  const own = String(Math.random());
  try {
    localStorage.setItem(PREFIX + "window", own);
    addEventListener("storage", event => { if (event.key === PREFIX + "window") stop(); });
  } catch (error) { /* nothing is kept: no window knows of another */ }
}
