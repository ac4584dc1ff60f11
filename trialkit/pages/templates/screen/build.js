// Elements of the page; every text goes in as text.
function make(tag, given = {}, ...inside) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(given)) {
    if (value === null || value === undefined || value === false) continue;
    if (name === "onclick") element.addEventListener("click", value);
    else element.setAttribute(name, value === true ? "" : value);
  }
  element.append(...inside.flat().filter(each => each !== null && each !== ""));
  return element;
}
const button = (text, onclick, given = {}) => make("button", {type: "button", onclick, ...given}, text);
const list = (tag, texts) => make(tag, {}, texts.map(text => make("li", {}, text)));
const folded = (title, ...inside) => make("details", {}, make("summary", {}, title), ...inside);

const main = document.getElementById("main"), keys = document.getElementById("keys");
const said = document.getElementById("said");
let unsaid = 0;
function tell(text) {
  said.textContent = text;
  clearTimeout(unsaid);
  unsaid = setTimeout(() => { said.textContent = ""; }, 6000);
}

// A drawing, made once: one screen at a time shows it.
const drawn = new Map();
function drawing(name) {
  if (!drawn.has(name)) {
    const held = document.getElementById(`picture-${name}`);
    drawn.set(name, make("div", {class: `drawing ${name}`}, held.content.cloneNode(true)));
  }
  return drawn.get(name);
}
// Lights up the part that is measured, or the zone that is counted.
function light(box, part) {
  for (const each of box.querySelectorAll("[data-part]")) {
    each.classList.toggle("lit", Boolean(part) && each.dataset.part === part);
  }
}

function top(title, back, backLabel, mark = "\u2039") {
  const bar = document.getElementById("top");
  bar.replaceChildren(
    ...(back ? [button(mark, back, {class: "back", "aria-label": backLabel || say("back")})] : []),
    make("h1", {}, make("bdi", {}, title)));
}
function show(...inside) {
  keys.hidden = true;
  keys.replaceChildren();
  main.scrollTop = 0;
  main.replaceChildren(...inside.flat().filter(each => each !== null && each !== ""));
}

// A question in the way of everything else: true for yes.
function ask(text, rule) {
  const dialog = document.getElementById("ask");
  return new Promise(done => {
    const end = answer => { dialog.close(); done(answer); };
    dialog.oncancel = event => { event.preventDefault(); end(false); };
    dialog.replaceChildren(
      make("h2", {id: "ask-title"}, say("sure")), make("p", {class: "large"}, text),
      make("div", {class: "two"}, button(say("no"), () => end(false), {class: "plain"}),
        button(say("yes"), () => end(true), {class: "main"})),
      rule ? make("p", {class: "quiet"}, rule) : "");
    dialog.showModal();
  });
}
const go = where => { location.hash = where; };
