"use strict";
// Rows of runs.csv typed on a phone: the checks and the file of tuninglib.session, cell by cell.
window.roadside = (() => {
  const NUMBER = /^[-+\u2212]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][-+]?[0-9]+)?$/;
  const NUMBERS = ["quantity", "number", "range"];
  const LOUD = ["light", "heavy", "heard"];
  const general = (value) => String(Number(value.toPrecision(6)));
  const short = (text) => (text.length > 60 ? `${text.slice(0, 59)}\u2026` : text);
  const quoted = (text) => {
    const one = short(text), mark = one.includes("'") && !one.includes('"') ? '"' : "'";
    return mark + one.replace(/\\/g, "\\\\").replaceAll(mark, mark === "'" ? "\\'" : mark) + mark;
  };
  class Wrong extends Error {}
  const refuse = (message) => { throw new Wrong(message); };

  // What a cell is in the file: one blank between words, the file's own decimal sign.
  function cellOf(data, field, text) {
    const cell = text.trim().split(/\s+/).join(" ");
    if (!NUMBERS.includes(field.kind)) return cell;
    return cell.replace(/(?<=\d)[.,](?=\d)/g, data.decimal_comma ? "," : ".");
  }
  function parsed(cell) {
    const text = cell.trim().replaceAll("\u2212", "-");
    if (text.length > 80) refuse(`${quoted(text.slice(0, 20))}\u2026 is not a number`);
    if (/^[-+]?[0-9]+,[0-9]+$/.test(text)) {
      refuse(`${quoted(cell)} has a comma; write ${quoted(text.replace(",", "."))}`);
    }
    if (!NUMBER.test(text)) refuse(`${quoted(cell)} is not a number`);
    const number = Number(text);
    if (!Number.isFinite(number)) refuse(`${quoted(cell)} is not a finite number`);
    return number;
  }
  function numberIn(data, field, cell) {
    if (field.whole && /^\d{1,3}([.,]\d{3})+$/.test(cell)) {
      refuse(`${cell} could be read two ways; write it without a comma or a point`);
    }
    const comma = data.decimal_comma || field.whole;
    const number = parsed(comma ? cell.replaceAll(",", ".") : cell);
    if (field.whole && !Number.isInteger(number)) {
      refuse(`${cell} is not a whole number; write it without a comma or a point`);
    }
    // A limit that was brought to this unit is off by its last digit.
    const slack = 1e-12 * Math.max(Math.abs(field.low), Math.abs(field.high));
    if (!(number >= field.low - slack && number <= field.high + slack)) {
      const label = field.unit ? ` ${field.unit}` : "";
      refuse(`${cell}${label} is outside ${field.low_text} to ${field.high_text}${label}; `
        + "check the number and the header's unit");
    }
    return number;
  }
  function rangeIn(data, field, cell) {
    const parts = cell.replace(/(?<=\d)\s*(?:to|\u2013|\u2014|-)\s*(?=\d)/g, "|").split("|");
    const low = parts.shift(), high = parts.join("|") || low;
    const ends = [numberIn(data, field, low), numberIn(data, field, high)];
    if (ends[0] > ends[1]) refuse(`${cell} goes down; write the lower reading first`);
    return ends;
  }
  function valueIn(data, field, cell) {
    if (!cell) {
      if (field.required) refuse(`is empty; ${field.help}`);
      if (field.kind === "choice") return field.choices[0][1];
      return field.kind === "range" ? [NaN, NaN] : NUMBERS.includes(field.kind) ? NaN : "";
    }
    if (field.kind === "range") return rangeIn(data, field, cell);
    if (NUMBERS.includes(field.kind)) return numberIn(data, field, cell);
    if (field.kind === "reason") return data.no_reason.includes(cell.toLowerCase()) ? "" : cell;
    if (field.kind === "name" && !field.names.includes(cell)) {
      refuse(`${quoted(cell)} is not one of the ${field.key}s of session.toml`);
    }
    if (field.kind === "choice") {
      const word = field.synonyms[cell.toLowerCase()] ?? cell.toLowerCase();
      if (!field.choices.some(([, value]) => value === word)) {
        const known = field.choices.map(([, value]) => value).filter(Boolean);
        refuse(`${quoted(cell)} is not one of ${known.map(quoted).join(", ")}`);
      }
      return word;
    }
    return cell;
  }
  const toSi = (field, value) => field.si_offset + field.si_factor * value;
  // Values of one row, and what is wrong with single cells.
  function read(data, values) {
    const row = {}, problems = {};
    for (const field of data.fields) {
      try {
        row[field.key] = valueIn(data, field, cellOf(data, field, values[field.key] ?? ""));
      } catch (error) {
        if (!(error instanceof Wrong)) throw error;
        problems[field.key] = error.message;
      }
    }
    return { row, problems };
  }
  const isThere = (value) => value !== undefined && !Number.isNaN(value);
  function add(problems, key, message) {
    problems[key] = problems[key] ? `${problems[key]}; ${message}` : message;
  }
  // What is wrong with a row by column, as tuninglib check says it; the pull it takes is not known here.
  function check(data, values, taken = []) {
    const { row, problems } = read(data, values);
    if (Object.keys(problems).length === 0) together(data, row, problems);
    const run = cellOf(data, { kind: "number" }, values.run ?? "");
    if (run && taken.includes(run)) {
      add(problems, "run", `run ${run} stands in another row already; give each run a number`);
    }
    return problems;
  }
  function together(data, row, problems) {
    const one = Array.isArray(row.gauge) && isThere(row.gauge[0]);
    if (one && (isThere(row.gauge_low) || isThere(row.gauge_high))) {
      add(problems, "gauge", "stands beside gauge_low or gauge_high; write the reading once");
      return;
    }
    if (row.exclude) return;
    const low = one ? row.gauge[0] : row.gauge_low, high = one ? row.gauge[1] : row.gauge_high;
    const at = (key) => (one ? "gauge" : key), gauge = data.gauge;
    const readings = [["gauge_low", low], ...(low === high ? [] : [["gauge_high", high]])];
    for (const [key, value] of readings) {
      if (!isThere(value)) continue;
      if (value < gauge.lowest || (gauge.highest !== null && value > gauge.highest)) {
        const highest = gauge.highest === null ? "inf" : general(gauge.highest);
        add(problems, at(key), `${general(value)} is beyond what the gauge can print `
          + `(${general(gauge.lowest)} to ${highest}); check the reading`);
      }
      const lambda = gauge.scale ? value / gauge.scale : 1;
      if (lambda < gauge.lowest_lambda || lambda > gauge.highest_lambda) {
        add(problems, at(key), `${general(value)} is lambda ${lambda.toFixed(2)} on a scale of `
          + `${general(gauge.scale)}, outside ${general(gauge.lowest_lambda)} to `
          + `${general(gauge.highest_lambda)}; check the reading and the gauge's scale`);
      }
    }
    if (low > high) {
      add(problems, "gauge_low",
        `${general(low)} is above gauge_high ${general(high)}; swap the two`);
    }
    const lacks = (a, b, message) => {
      const missing = [a, b].filter((key) => !isThere(row[key]));
      if (missing.length === 1) add(problems, missing[0], message);
    };
    if (!one && "gauge_low" in row) {
      lacks("gauge_low", "gauge_high",
        "is empty while its partner is not; write the same number in both if it stood");
    }
    for (const way of ["", "down_"]) {
      if (`${way}exit_speed` in row && `${way}entry_speed` in row) {
        const once = way || isThere(row.entry_speed) ? "" : " (or once for all runs, under [hill])";
        lacks(`${way}entry_speed`, `${way}exit_speed`,
          `is empty while its partner is not; write it${once}, or a reason in exclude`);
      }
    }
    if (row.state && row.state !== "full" && isThere(row.exit_speed)) {
      add(problems, "state", `speeds belong to full-throttle runs; this row says ${row.state}`);
    }
    wind(data, row, problems);
  }
  function wind(data, row, problems) {
    if (!isThere(row.headwind)) return;
    const si = (key) => toSi(data.fields.find((field) => field.key === key), row[key]);
    const ends = ["entry_speed", "exit_speed"].filter((key) => isThere(row[key])).map(si);
    const behind = -si("headwind"), slowest = Math.min(...ends);
    if (behind >= data.wind.share * slowest) {
      const [air, speed] = [behind, slowest].map((one) => {
        return `${Number((one * data.wind.per_m_s).toPrecision(3))} ${data.wind.label}`;
      });
      add(problems, "headwind", `a wind of ${air} from behind is as fast as the bike at ${speed}; `
        + "check it (against the rider is positive)");
    }
  }
  const readable = (name) => name.replaceAll("_", " ");
  // Why to stop after a row: a sentence for each reason, and the setups that end with it.
  function stops(data, values) {
    const { row } = read(data, values), { limits } = data, found = [], shut = [];
    const ends = data.ends[row.setup] ?? { knock: [], lean: [] };
    const names = (list) => list.map(readable).join(", ");
    const setup = readable(row.setup ?? ""), run = values.run;
    if (LOUD.includes(row.knock)) {
      shut.push(row.setup, ...ends.knock);
      const level = row.knock === "heard" ? "" : `${row.knock} `;
      found.push(`Stop: ${level}knock was heard on run ${run} with ${setup}. Do not ride it `
        + "again until it runs richer, cooler or on fuel of a higher octane number. "
        + (ends.knock.length ? `No safer, and ended with it: ${names(ends.knock)}.`
          : "That ends all leaner setups on this engine, too."));
    }
    const range = Array.isArray(row.gauge) && isThere(row.gauge[0]) ? row.gauge
      : [row.gauge_low, row.gauge_high];
    const full = (row.state || "full") === "full";
    if (full && limits.reading !== null && (range[0] + range[1]) / 2 > limits.reading + 1e-9) {
      shut.push(row.setup, ...ends.lean);
      const shown = range[0] === range[1] ? range[0] : `${range[0]} to ${range[1]}`;
      found.push(`Stop: run ${run} with ${setup} showed ${shown}, leaner than ${limits.edge}. Look `
        + "for a leak in intake and exhaust, and at the fuel pressure; if there is none, ride "
        + "nothing as lean as this."
        + (ends.lean.length ? ` As lean or leaner, as far as is known: ${names(ends.lean)}.` : ""));
    }
    const head = data.fields.find((field) => field.key === "head_temperature");
    if (head && isThere(row.head_temperature)
      && toSi(head, row.head_temperature) > limits.hottest_k + 1e-9) {
      found.push(`Stop: the head reached ${row.head_temperature} ${head.unit} on run ${run}, above `
        + `${limits.whose_hottest} ${limits.hottest}. Let it cool, and find out why before you `
        + "ride on.");
    }
    return { found, shut };
  }
  // A row that says something of its own; names and weather alone do not.
  const isFilled = (data, values) => {
    return data.fields.some((field) => field.own && (values[field.key] ?? "").trim() !== "");
  };
  const quotedCell = (data, cell) => {
    const marks = [data.delimiter, '"', "\r", "\n"];
    return marks.some((mark) => cell.includes(mark)) ? `"${cell.replaceAll('"', '""')}"` : cell;
  };
  function line(data, values) {
    const fields = Object.fromEntries(data.fields.map((field) => [field.key, field]));
    return data.keys.map((key) => {
      return quotedCell(data, key ? cellOf(data, fields[key], values[key] ?? "") : "");
    }).join(data.delimiter);
  }
  // The file as it was, and the rows that were typed below it.
  function file(data, rows) {
    const before = data.text.endsWith("\n") || !data.text ? data.text : `${data.text}\n`;
    return before + rows.filter((one) => isFilled(data, one)).map((one) => `${line(data, one)}\n`).join("");
  }
  function cells(data, text) {
    const found = [];
    let at = 0;
    while (at <= text.length) {
      let cell = "";
      if (text[at] === '"') {
        for (at += 1; at < text.length; at += 1) {
          if (text[at] !== '"') cell += text[at];
          else if (text[at + 1] === '"') { cell += '"'; at += 1; } else break;
        }
        at += 1;
      }
      const end = text.indexOf(data.delimiter, at), stop = end < 0 ? text.length : end;
      cell += text.slice(at, stop);
      found.push(cell.trim());
      at = stop + data.delimiter.length;
    }
    return found;
  }
  // Rows of a saved file that this page does not have from before; null if its columns differ.
  function rowsOf(data, text) {
    const lines = text.replace(/^\uFEFF/, "").split(/\r\n|\r|\n/).filter((one) => {
      return one.trim() && !one.startsWith("#");
    });
    const head = cells(data, lines[0] ?? "");
    const same = head.length === data.headers.length && head.every((one, i) => one === data.headers[i]);
    if (!same) return null;
    const before = new Set(data.text.split("\n"));
    return lines.slice(1).filter((one) => !before.has(one)).map((one) => {
      const row = cells(data, one);
      return Object.fromEntries(data.keys.map((key, i) => [key, row[i] ?? ""]).filter(([key]) => key));
    });
  }
  // Rows put among the cards; what was typed here is never written over.
  function merge(data, cards, rows) {
    const before = new Set(rowsBefore(data)), differ = [];
    let added = 0;
    for (const values of rows) {
      const at = cards.findIndex((card) => card.values.run === values.run);
      if (before.has(values.run)) differ.push(values.run);
      else if (at < 0) { cards.push({ values, left: true }); added += 1; }
      else if (!isFilled(data, cards[at].values)) {
        cards[at] = { values, left: true };
        added += 1;
      } else if (line(data, cards[at].values) !== line(data, values)) differ.push(values.run);
    }
    return { added, differ };
  }
  function rowsBefore(data) {
    const at = data.keys.indexOf("run");
    const lines = data.text.split("\n").filter((one) => one.trim() && !one.startsWith("#"));
    return at < 0 ? [] : lines.slice(1).map((one) => cells(data, one)[at]);
  }
  return { check, stops, isFilled, line, file, rowsOf, merge, rowsBefore, readable };
})();
(() => {
  const at = (id) => document.getElementById(id);
  const holder = at("data");
  if (!holder) return;
  const data = JSON.parse(holder.textContent), PREFIX = "roadside ";
  const key = PREFIX + data.id;
  const fieldOf = new Map(data.fields.map((field) => [field.key, field]));
  let cards = [], keeps = true;

  const fresh = (run, { setup = "", rider = "" }) => {
    const state = fieldOf.has("state") ? { state: "full" } : {};
    return { values: { run: String(run), setup, rider, ...state }, left: false };
  };
  const planned = () => data.planned.map((one, i) => fresh(data.next_run + i, one));
  // A browser may refuse its memory altogether; then that is said, and typing goes on.
  function remembered(name) {
    try {
      const found = JSON.parse(localStorage.getItem(name));
      return Array.isArray(found?.cards) ? found : null;
    } catch { return null; }
  }
  function keep() {
    try {
      localStorage.setItem(key, JSON.stringify({ title: data.title, cards }));
      keeps = true;
    } catch { keeps = false; }
    const count = cards.filter((card) => roadside.isFilled(data, card.values)).length;
    at("kept").textContent = keeps
      ? `${count} of ${cards.length} runs filled in; kept on this phone at every key.`
      : "This browser keeps nothing: save the file after each run, before you close this page.";
    at("kept").className = keeps ? "" : "problem";
    at("text").value = roadside.file(data, cards.map((card) => card.values));
  }
  const others = (card) => [
    ...roadside.rowsBefore(data),
    ...cards.filter((one) => one !== card && roadside.isFilled(data, one.values))
      .map((one) => one.values.run),
  ];
  const problemsOf = (card) => roadside.check(data, card.values, others(card));

  function fieldValue(field) {
    const radio = field.querySelector("input[type=radio]:checked");
    return (radio ?? field.querySelector("select, input")).value;
  }
  function putValue(field, text) {
    const radios = [...field.querySelectorAll("input[type=radio]")];
    if (radios.length) {
      const word = text.toLowerCase();
      const meant = fieldOf.get(field.dataset.key).synonyms[word] ?? word;
      radios.forEach((radio) => { radio.checked = radio.value === meant; });
      return;
    }
    const control = field.querySelector("select, input");
    if (control.tagName === "SELECT" && ![...control.options].some((one) => one.value === text)) {
      if (!text) { control.selectedIndex = 0; return; }
      control.add(new Option(text, text));
    }
    control.value = text;
  }
  const shutBy = () => {
    const found = new Map();
    for (const card of cards) {
      const { shut } = roadside.stops(data, card.values);
      for (const setup of shut) if (!found.has(setup)) found.set(setup, card.values.run);
    }
    return found;
  };
  function summary(card) {
    const { values } = card, { entry_speed: entry, exit_speed: exit } = values;
    const parts = [];
    if (entry || exit) parts.push(`${entry || "?"} to ${exit || "?"}`);
    const low = values.gauge_low, high = values.gauge_high;
    if (values.gauge || low || high) {
      parts.push(`gauge ${values.gauge || (low === high ? low : `${low || "?"} to ${high || "?"}`)}`);
    }
    if (values.knock) parts.push(`knock ${values.knock}`);
    if (values.exclude) parts.push(`left out: ${values.exclude}`);
    return parts.join(", ");
  }
  // What a card says of itself; its fields are left alone while somebody types in them.
  function tell(card, item, shut) {
    const found = problemsOf(card), filled = roadside.isFilled(data, card.values);
    const box = item.querySelector(".card"), open = box.open;
    const { values } = card, more = values.state && values.state !== "full" ? `, ${values.state}` : "";
    item.querySelector(".which").textContent = [`Run ${values.run}`,
      roadside.readable(values.setup ?? "") + more, roadside.readable(values.rider ?? "")]
      .filter(Boolean).join(" \u00b7 ");
    const wrong = filled ? Object.keys(found) : [];
    const ended = !filled && shut.has(values.setup);
    box.classList.toggle("wrong", wrong.length > 0 && (card.left || !open));
    box.classList.toggle("ended", ended);
    item.querySelector(".state").textContent = wrong.length && (card.left || !open)
      ? "\u26a0 to fix" : filled ? "\u2713" : ended ? `ended by run ${shut.get(values.setup)}` : "";
    item.querySelector(".typed").textContent = summary(card);
    for (const field of item.querySelectorAll(".field")) {
      const name = field.dataset.key, typed = (values[name] ?? "") !== "";
      const message = (typed || (card.left && filled)) && found[name] ? `${found[name]}.` : "";
      field.querySelector(".problem").textContent = message;
      const control = field.querySelector("select, input:not([type=radio])");
      if (control) control.setAttribute("aria-invalid", String(message !== ""));
    }
    const warnings = [...roadside.stops(data, values).found];
    if (ended) {
      warnings.push(`Do not ride this: run ${shut.get(values.setup)} ended ${roadside.readable(values.setup)}.`);
    }
    if (data.closed[values.setup]) {
      const name = roadside.readable(values.setup);
      warnings.push(`Do not ride this: ${name} is ruled out: ${data.closed[values.setup]}.`);
    }
    const place = item.querySelector(".warnings");
    if (place.textContent !== warnings.join("")) {
      place.replaceChildren(...warnings.map((text) => {
        const line = document.createElement("p");
        line.textContent = text;
        return line;
      }));
    }
    item.querySelector(".drop").hidden = filled;
  }
  function tellAll() {
    const shut = shutBy();
    [...at("cards").children].forEach((item, i) => tell(cards[i], item, shut));
    keep();
  }
  function fill(card, item) {
    for (const field of item.querySelectorAll(".field")) putValue(field, card.values[field.dataset.key] ?? "");
  }
  // What stays from run to run is taken from the card before, the first time a card is opened.
  function carry(card, item) {
    const before = cards.slice(0, cards.indexOf(card)).reverse()
      .find((one) => roadside.isFilled(data, one.values));
    if (!before || card.left || roadside.isFilled(data, card.values)) return;
    for (const { key: name, own } of data.fields) {
      if (!own && !["run", "setup", "rider", "state"].includes(name) && !card.values[name]) {
        card.values[name] = before.values[name] ?? "";
      }
    }
    fill(card, item);
  }
  function build(open) {
    at("cards").replaceChildren(...cards.map((card, i) => {
      const item = at("card").content.firstElementChild.cloneNode(true);
      for (const radio of item.querySelectorAll("input[type=radio]")) radio.name = `knock-${i}`;
      fill(card, item);
      const box = item.querySelector(".card");
      box.open = i === open;
      box.addEventListener("toggle", () => {
        if (box.open) {
          carry(card, item);
          for (const other of document.querySelectorAll(".card[open]")) if (other !== box) other.open = false;
        } else if (roadside.isFilled(data, card.values)) card.left = true;
        tellAll();
      });
      item.addEventListener("input", (event) => {
        const field = event.target.closest(".field");
        card.values[field.dataset.key] = fieldValue(field);
        tellAll();
      });
      item.querySelector(".next").addEventListener("click", () => {
        box.open = false;
        const next = [...at("cards").children].find((other, j) => j > i && !roadside.isFilled(data, cards[j].values)
          && !other.querySelector(".card").classList.contains("ended"));
        if (!next) { at("more").scrollIntoView({ block: "center" }); return; }
        next.querySelector(".card").open = true;
        next.scrollIntoView({ block: "start" });
      });
      item.querySelector(".drop").addEventListener("click", () => {
        cards.splice(i, 1);
        build(-1);
      });
      if (i === 0 || cards[i - 1].values.setup !== card.values.setup) {
        const swap = document.createElement("p"), setup = card.values.setup ?? "";
        const fuel = data.fuels[setup];
        swap.className = "swap";
        swap.textContent = `${i ? "Change to" : "Start with"} ${roadside.readable(setup)}`
          + `${fuel ? `, fuel: ${roadside.readable(fuel)}` : ""}`
          + `${i ? "; warm up, and check again from the top" : ""}`;
        item.prepend(swap);
      }
      return item;
    }));
    tellAll();
  }
  const firstOpen = () => {
    const shut = shutBy();
    return cards.findIndex((card) => !roadside.isFilled(data, card.values) && !shut.has(card.values.setup));
  };
  function say(text) { at("said").textContent = text; }
  const nextRun = () => {
    const used = [...roadside.rowsBefore(data), ...cards.map((card) => card.values.run)];
    return String(Math.max(data.next_run - 1, ...used.filter((one) => /^\d+$/.test(one)).map(Number)) + 1);
  };
  at("more").addEventListener("click", () => {
    const last = cards.at(-1)?.values ?? data.planned[0] ?? {};
    cards.push(fresh(nextRun(), last));
    build(cards.length - 1);
    at("cards").lastElementChild.querySelector(".behind").open = true;
    at("cards").lastElementChild.scrollIntoView({ block: "start" });
  });
  at("save").addEventListener("click", () => {
    const text = roadside.file(data, cards.map((card) => card.values));
    const link = document.createElement("a");
    link.href = URL.createObjectURL(new Blob([text], { type: "text/csv" }));
    link.download = data.file;
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 60000);
    const filled = cards.filter((card) => roadside.isFilled(data, card.values));
    const wrong = filled.filter((card) => Object.keys(problemsOf(card)).length).map((card) => card.values.run);
    say(`Handed to this phone's downloads with ${filled.length} new rows.`
      + (wrong.length ? ` Still to fix: run ${wrong.join(", ")}.` : ""));
  });
  function takeIn(rows, whence) {
    const { added, differ } = roadside.merge(data, cards, rows);
    build(firstOpen());
    say(`${added} runs taken from ${whence}.`
      + (differ.length ? ` Run ${differ.join(", ")} differs there; what stands here was kept.` : ""));
  }
  at("open").addEventListener("change", async () => {
    const [chosen] = at("open").files;
    if (!chosen) return;
    if (chosen.size > 5e6) { say(`${chosen.name} is too large for a day's runs.`); return; }
    const rows = roadside.rowsOf(data, await chosen.text());
    at("open").value = "";
    if (rows === null) say(`${chosen.name} has other columns than this page (${data.headers.join(", ")}).`);
    else takeIn(rows, chosen.name);
  });
  // Rows that an earlier page of the same outing left on this phone.
  function earlier() {
    try {
      return Object.keys(localStorage).filter((name) => name.startsWith(PREFIX) && name !== key)
        .map(remembered).filter((one) => one?.title === data.title)
        .flatMap((one) => one.cards.map((card) => card.values))
        .filter((values) => roadside.isFilled(data, values));
    } catch { return []; }
  }
  const left = earlier();
  if (left.length) {
    at("take-over").hidden = false;
    at("take-over").textContent = `Take over ${left.length} runs from an earlier page of this outing`;
    at("take-over").addEventListener("click", () => {
      at("take-over").hidden = true;
      takeIn(left, "the earlier page");
    });
  }
  // The same page in another tab: the later key counts in both.
  addEventListener("storage", (event) => {
    if (event.key !== key) return;
    cards = remembered(key)?.cards ?? cards;
    build([...document.querySelectorAll(".card")].findIndex((box) => box.open));
  });
  cards = remembered(key)?.cards ?? planned();
  build(firstOpen());
})();
