// The figures of "Put in your own numbers", worked out again from what the reader types.
// Nothing is sent anywhere. trialkit.decide.what_if has the same arithmetic in Python.
(function () {
  "use strict";
  const MINUS = "\u2212";

  function amount(value, places) {
    if (!Number.isFinite(value)) return value > 0 ? "no limit" : "not known";
    const step = places < 0 ? 10 ** -places : 1;
    let text = (Math.round(Math.abs(value) / step * 1e9) / 1e9).toFixed(Math.max(places, 0));
    if (step > 1) text = String(Number(text) * step);
    const sign = value < 0 && Number(text) !== 0 ? MINUS : "";
    const parts = text.split(".");
    parts[0] = parts[0].replace(/\B(?=(\d{3})+$)/g, ",");
    return sign + parts.join(".");
  }

  // Places of a sum or an area: one more than its interval allows, none behind the point.
  function wholePlaces(value, low, high) {
    const reach = Number.isFinite(high) ? (high - low) / 2 : value - low;
    if (!Number.isFinite(reach) || reach <= 0) return 0;
    let exponent = Math.floor(Math.log10(reach));
    let lead = Math.round(reach / 10 ** exponent * 100);
    if (lead >= 950) {
      exponent += 1;
      lead = 100;
    }
    return Math.min(0, (lead < 355 ? 2 : 1) - exponent);
  }

  function percent(share) {
    if (share < 0.01) return "less than 1 %";
    if (share > 0.99) return "more than 99 %";
    return (100 * share).toFixed(0) + " %";
  }

  // Payment a year that repays a price with interest (capital recovery).
  function annualCost(price, years, interest) {
    if (interest === 0) return price / years;
    return price * interest / -Math.expm1(-years * Math.log1p(interest));
  }

  // Share of the distribution below x: the polygon through its quantiles.
  function below(x, quantiles, probabilities) {
    const last = quantiles.length - 1;
    if (x < quantiles[0]) return 0;
    if (x > quantiles[last]) return 1;
    let low = 0;
    let high = last;
    while (high - low > 1) {
      const middle = (low + high) >> 1;
      if (quantiles[middle] <= x) low = middle; else high = middle;
    }
    const width = quantiles[high] - quantiles[low];
    const share = width > 0 ? (x - quantiles[low]) / width : 1;
    return probabilities[low] + share * (probabilities[high] - probabilities[low]);
  }

  function figures(data, scenario, given) {
    const cost = annualCost(given.cost, given.years, given.interest / 100);
    const value = scenario.saved.map(saved => saved * given.price);
    const net = value.map(each => each * given.area - cost);
    const even = value.map(each => each > 0 ? cost / each : Infinity);
    const chance = 1 - below(cost / given.area / given.price, scenario.quantiles,
                             data.probabilities);
    let area;
    let reach;
    if (cost === 0) {
      area = value[0] >= 0 ? "no cost to cover" : "never: it loses grain";
      reach = "";
    } else if (even[0] === Infinity) {
      area = "none at this estimate";
      reach = even[2] === Infinity ? ""
        : data.interval + " from " + amount(even[2], 0) + " " + data.unit + " up";
    } else {
      const places = wholePlaces(even[0], even[2], even[1]);
      area = amount(even[0], places) + " " + data.unit + " a year";
      reach = data.interval + " " + amount(even[2], places) + " to " + amount(even[1], places);
    }
    const range = (values, places) =>
      data.interval + " " + amount(values[1], places) + " to " + amount(values[2], places);
    const lost = value[0] < 0;
    const worth = lost ? [-value[0], -value[2], -value[1]] : value;
    const whole = wholePlaces(...net);
    return {
      value: [(lost ? "Grain lost, per " : "Grain saved, per ") + data.unit,
              data.currency + " " + amount(worth[0], 2), range(worth, 2)],
      net: ["Left in a year, cost paid", data.currency + " " + amount(net[0], whole),
            range(net, whole)],
      even: ["Pays for itself from", area, reach],
      chance: [cost ? "Chance that it pays" : "Chance that it saves grain", percent(chance),
               "cost of a year " + data.currency + " " + amount(cost, 0)],
    };
  }

  function start(form) {
    const data = JSON.parse(form.querySelector("script").textContent);
    const output = form.querySelector("output");
    const level = form.elements.level;
    const speed = form.elements.speed;
    const first = data.scenarios[0].level;
    let note = null;

    function offerSpeeds() {
      if (!speed) return;
      const chosen = speed.value;
      const own = data.scenarios.filter(each => each.level === (level ? level.value : first));
      speed.replaceChildren(...own.map(each => new Option(each.label, each.speed)));
      speed.value = own.some(each => each.speed === chosen) ? chosen : "";
    }

    function read() {
      const given = {};
      const wrong = [];
      for (const input of form.querySelectorAll("input")) {
        const value = input.valueAsNumber;
        const bad = !Number.isFinite(value) || value < 0
          || (input.dataset.least === "any" && value === 0);
        input.setAttribute("aria-invalid", String(bad));
        if (bad) {
          wrong.push(form.querySelector('label[for="' + input.id + '"]').textContent
            + (input.dataset.least === "any" ? ": give a number above zero."
                                             : ": give zero or a number above it."));
        }
        given[input.name] = value;
      }
      return [given, wrong];
    }

    function show() {
      const [given, wrong] = read();
      if (note) note.remove();
      note = null;
      output.classList.toggle("stale", wrong.length > 0);
      if (wrong.length) {
        note = document.createElement("strong");
        note.className = "wrong";
        note.textContent = wrong.join(" ");
        output.prepend(note);
        return;
      }
      const which = data.scenarios.find(each =>
        each.level === (level ? level.value : first) && each.speed === (speed ? speed.value : ""));
      const found = figures(data, which, given);
      for (const name of Object.keys(found)) {
        const item = output.querySelector('[data-figure="' + name + '"]');
        ["name", "amount", "range"].forEach((part, i) => {
          item.querySelector("." + part).textContent = found[name][i];
        });
      }
    }

    form.addEventListener("submit", event => event.preventDefault());
    form.addEventListener("input", event => {
      if (event.target === level) offerSpeeds();
      show();
    });
    form.addEventListener("reset", () => setTimeout(() => { offerSpeeds(); show(); }, 0));
    form.querySelector(".controls").hidden = false;
  }

  if (typeof document === "undefined") {
    module.exports = { amount, wholePlaces, percent, annualCost, below, figures };
  } else {
    document.querySelectorAll("form.what-if").forEach(start);
  }
})();
