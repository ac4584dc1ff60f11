// The figures of the panel for a reader's own numbers, worked out again from what is typed.
// Nothing is sent anywhere. trialkit.decide.balance has the same arithmetic in Python, and
// trialkit.words.what_if the texts, which travel with the page's data.
(function () {
  "use strict";
  const MINUS = "\u2212";

  // A text with its slots filled, as str.format does.
  function say(text, values) {
    return text.replace(/\{(\w+)\}/g, (slot, name) => values[name]);
  }

  function amount(value, places, texts) {
    if (!Number.isFinite(value)) {
      const known = texts || { no_limit: "no limit", not_known: "not known" };
      return value > 0 ? known.no_limit : known.not_known;
    }
    const step = places < 0 ? 10 ** -places : 1;
    const digits = Math.max(places, 0);
    let steps = Math.round(Math.abs(value) / step * 1e9) / 1e9;
    // Exactly half-way, the even digit as in Python; toFixed takes the larger.
    const units = steps * 10 ** digits;
    if (units % 1 === 0.5 && steps * 2 ** (digits + 1) % 1 === 0) {
      steps = 2 * Math.round(units / 2) / 10 ** digits;
    }
    let text = steps.toFixed(digits);
    if (step > 1) text = String(Number(text) * step);
    const sign = value < 0 && Number(text) !== 0 ? MINUS : "";
    const parts = text.split(".");
    parts[0] = parts[0].replace(/\B(?=(\d{3})+$)/g, ",");
    return sign + parts.join(".");
  }

  // Places of a sum or an area: one more than its interval allows, none behind the point, tens at
  // the coarsest.
  function wholePlaces(value, low, high) {
    const reach = Number.isFinite(high) ? (high - low) / 2 : value - low;
    if (!Number.isFinite(reach) || reach <= 0) return 0;
    let exponent = Math.floor(Math.log10(reach));
    let lead = Math.round(reach / 10 ** exponent * 100);
    if (lead >= 950) {
      exponent += 1;
      lead = 100;
    }
    return Math.max(-1, Math.min(0, (lead < 355 ? 2 : 1) - exponent));
  }

  function percent(share, texts) {
    if (share < 0.01) return texts.below_one;
    if (share > 0.99) return texts.above_most;
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

  // What an option costs on an area a year; it lasts its years or its area, whichever ends first.
  function balance(data, given) {
    const interest = given.interest / 100;
    const outlay = given.cost + (data.changes ? 0 : given.change);
    const life = given.life > 0 ? given.life : Infinity;
    const years = area => Math.min(given.years, life / area);
    const still = data.running + data.changes * given.change + data.salvage * interest;
    const cost = area => annualCost(outlay - data.salvage, years(area), interest) + still
      + given.repair * area;
    const rate = interest === 0 ? 1 : interest / Math.log1p(interest);
    const wear = (outlay - data.salvage) * rate / life + given.repair;

    // The one area from which a saving per area covers the cost; infinite for none.
    function even(saving) {
      if (!(saving > wear)) return Infinity;
      const turn = life / given.years;
      const ageing = annualCost(outlay - data.salvage, given.years, interest) + still;
      const found = ageing / (saving - given.repair);
      if (found <= turn) return found;
      let low = 0;
      let high = 1 / turn;
      for (let i = 0; i < 200; i += 1) {
        const middle = (low + high) / 2;
        if (saving > cost(1 / middle) * middle) low = middle; else high = middle;
      }
      return 1 / low;
    }
    const worn = life / given.area < given.years * (1 - 1e-9);
    return { cost, even, years: years(given.area), worn };
  }

  function figures(data, scenario, given) {
    const own = balance(data, given);
    const cost = own.cost(given.area);
    const value = scenario.saved.map(saved => saved * given.price);
    const year = value.map(each => each * given.area);
    const left = value.map(each => each - cost / given.area);
    const net = year.map(each => each - cost);
    const even = value.map(own.even);
    const chance = 1 - below(cost / given.area / given.price, scenario.quantiles,
                             data.probabilities);
    const texts = data.texts;
    const unit = data.unit;
    const sum = (number, places) => amount(number, places, texts);
    const money = (number, places) => data.currency + " " + sum(number, places);
    const range = (low, high, places) =>
      say(texts.range, { interval: data.interval, low: sum(low, places), high: sum(high, places) });
    const told = (values, places = wholePlaces(...values)) =>
      [money(values[0], places), range(values[1], values[2], places)];
    let pays;
    if (cost === 0) {
      pays = [value[0] >= 0 ? texts.no_cost : texts.never, ""];
    } else if (even[0] === Infinity) {
      const up = { interval: data.interval, low: sum(even[2], 0), unit };
      pays = [texts.none, even[2] === Infinity ? "" : say(texts.up, up)];
    } else {
      const places = wholePlaces(even[0], even[2], even[1]);
      pays = [say(texts.area, { area: sum(even[0], places), unit }),
              range(even[2], even[1], places)];
    }
    const lost = value[0] < 0;
    const worth = values => lost ? [-values[0], -values[2], -values[1]] : values;
    const name = lost ? texts.lost : texts.saved;
    const side = lost ? texts.loss : texts.gain;  // where nothing is paid
    const n = sum(own.years, 1).replace(/\.0$/, "");
    let life = say(n === "1" ? texts.year : texts.years, { n });
    if (own.worn) life = say(texts.worn, { life, area: sum(given.life, 0), unit });
    const [grain, times, places] = data.grain;
    const needed = sum(cost / given.area / given.price * times, places) + " " + grain;
    return {
      value: [say(texts.per_area, { name, unit }), ...told(worth(value), 2)],
      cost: [say(texts.cost, { unit }), ...(cost === 0 ? [texts.nothing, ""] : [
        money(cost / given.area, 2),
        say(texts.cost_of_year, { cost: money(cost, 0), life, needed })])],
      left: cost === 0 ? [say(texts.side, { side, unit }), ...told(worth(left), 2)]
        : [say(texts.left, { unit }), ...told(left, 2)],
      year: [say(texts.per_year, { name }), ...told(worth(year))],
      net: cost === 0 ? [say(texts.side_of_year, { side }), ...told(worth(net))]
        : [texts.left_of_year, ...told(net)],
      even: [texts.even, ...pays],
      chance: [cost ? texts.pays : texts.saves, percent(chance, texts),
               say(texts.on_area, { area: sum(given.area, 0), unit })],
    };
  }

  function start(form) {
    const data = JSON.parse(form.querySelector("script").textContent);
    const output = form.querySelector("output");
    const level = form.elements.level;
    const speed = form.elements.speed;
    const first = data.scenarios[0].level;
    const paper = form.nextElementSibling;  // the figures as a table, where the page is printed
    const caption = paper.querySelector("caption");
    const printed = [...paper.querySelectorAll("tbody tr")].map(row => [...row.children]);
    const before = caption.textContent;
    const warnings = warn();
    let note = null;

    // That other parts of the page keep the first numbers: on top, and where a reader has typed.
    function warn() {
      const section = form.closest("section");
      const title = section ? section.querySelector("h2, h3").textContent : "";
      const head = document.querySelector("header.headline");
      return [head && (at => head.append(at)), at => form.before(at)].filter(Boolean).map(put => {
        const told = document.createElement("p");
        told.className = "own-numbers";
        told.hidden = true;
        told.textContent = say(data.texts.own_numbers, { title });
        put(told);
        return told;
      });
    }

    function changed() {
      return [...form.querySelectorAll("input")].some(each => each.value !== each.defaultValue)
        || Boolean(level && level.value !== first) || Boolean(speed && speed.value !== "");
    }

    // What was typed and chosen, in words.
    function numbers() {
      return [...form.querySelectorAll("select, input")].map(each => {
        const label = form.querySelector('label[for="' + each.id + '"]').textContent;
        const value = each.selectedOptions ? each.selectedOptions[0].textContent : each.value;
        return label + " " + value;
      }).join("; ");
    }

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
          const label = form.querySelector('label[for="' + input.id + '"]').textContent;
          const text = input.dataset.least === "any" ? "above_zero" : "from_zero";
          wrong.push(say(data.texts[text], { label }));
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
      Object.keys(found).forEach((name, row) => {
        const item = output.querySelector('[data-figure="' + name + '"]');
        ["name", "amount", "range"].forEach((part, i) => {
          item.querySelector("." + part).textContent = found[name][i];
          printed[row][i].textContent = found[name][i];
        });
      });
      const own = changed();
      for (const told of warnings) told.hidden = !own;
      caption.textContent = own ? say(data.texts.own_caption, { numbers: numbers() }) : before;
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
    module.exports = { amount, wholePlaces, percent, annualCost, balance, below, figures };
  } else {
    document.querySelectorAll("form.what-if").forEach(start);
  }
})();
