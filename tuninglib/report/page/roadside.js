"use strict";
// Rows of runs.csv typed on a phone. Here is mechanism only: every sentence, limit and pattern comes with
// the page's data, which tuninglib.report.roadside takes from where the program itself has them.
window.roadside = (data) => {
  const { says, longest, limits, wind } = data;
  const prints = { ...data.gauge.prints, high: data.gauge.prints.high ?? Infinity };
  const fieldOf = Object.fromEntries(data.fields.map((field) => [field.key, field]));
  const pattern = (name, flags = "") => new RegExp(data.patterns[name], flags);
  const is = (name, text) => new RegExp(`^(?:${data.patterns[name]})$`).test(text);
  const isThere = (value) => value !== undefined && !Number.isNaN(value);
  const readable = (name) => name.replaceAll("_", " ");
  const sign = data.decimal_comma ? "," : ".", two = ["range", "plus minus"];
  class Wrong extends Error {}

  // As Python writes a text between quotes, and a number in so many digits.
  const quoted = (text) => {
    const mark = text.includes("'") && !text.includes('"') ? '"' : "'";
    return mark + text.replace(/\\/g, "\\\\").replaceAll(mark, `${mark === "'" ? "\\" : ""}${mark}`) + mark;
  };
  const printed = (value, digits, kind) => {
    if (kind === "f") return value.toFixed(digits);
    if (value === Infinity) return "inf";
    const [mantissa, power] = value.toExponential((digits ?? 6) - 1).split("e");
    if (value !== 0 && (power < -data.longest.zeros || power >= (digits ?? 6))) {
      return `${Number(mantissa)}e${power[0]}${power.slice(1).padStart(2, "0")}`;
    }
    return String(Number(value.toPrecision(digits ?? 6)));
  };
  // A sentence of Python's with its slots filled, as str.format fills them.
  const fill = (sentence, slots) => {
    return sentence.replace(/\{(\w+)(!r)?(?::(?:\.(\d+))?([fg]))?\}/g, (_, name, repr, digits, kind) => {
      return repr ? quoted(slots[name]) : kind ? printed(slots[name], digits, kind) : slots[name];
    });
  };
  const say = (sentence, slots) => fill(says[sentence], slots);
  const refuse = (sentence, slots) => { throw new Wrong(say(sentence, slots)); };
  const short = (text) => {
    const letters = [...text];
    return letters.length > longest.shown ? `${letters.slice(0, longest.shown).join("")}\u2026` : text;
  };

  // What a cell is in the file: one blank between words, the file's own decimal sign.
  function cellOf(field, text = "") {
    const cell = text.trim().split(/\s+/).join(" ");
    return field.numeric ? cell.replace(pattern("decimal_sign", "g"), `$1${sign}$2`) : cell;
  }
  // A number without the marks between its thousands, if it has them.
  function refuseMarks(text) {
    if (text.length > longest.number) return;
    for (const { 0: marked, index } of text.matchAll(pattern("marked", "g"))) {
      if (!is("grouped", marked)) continue;
      const both = marked.includes(".") && marked.includes(",");
      const at = both ? Math.max(marked.lastIndexOf("."), marked.lastIndexOf(",")) : marked.length;
      const bare = marked.slice(0, at).replace(/[.,]/g, "") + (both ? sign + marked.slice(at + 1) : "");
      refuse("grouped", { text, value: text.slice(0, index) + bare + text.slice(index + marked.length) });
    }
  }
  // What a cell has beside a number, and the numbers to say of it, as they stand in the file.
  function besideANumber(cell) {
    const text = cell.trim().toLowerCase().replaceAll("\u2212", "-").replace(pattern("comma", "g"), ".");
    for (const why of text.length > longest.number ? [] : ["about", ...two, "unit"]) {
      const [all, value, other] = new RegExp(`^(?:${data.beside[why]})$`).exec(text) ?? [];
      if (all === undefined) continue;
      if (!two.includes(why)) return { why, value: value.replace(".", sign) };
      const [one, half] = [Number(value), Number(other)], isRange = why === two[0];
      const [low, high] = isRange ? [one, half] : [one - half, one + half];
      if (!Number.isFinite(low) || !Number.isFinite(high)) return {};
      const [least, most, middle] = [low, high, (low + high) / 2].map((x) => printed(x).replace(".", sign));
      return { why, value: value.replace(".", sign), low: least, high: most, middle };
    }
    return {};
  }
  function parsed(cell) {
    const text = cell.trim().replaceAll("\u2212", "-");
    if (text.length > longest.number) refuse("too long", { beginning: text.slice(0, longest.beginning) });
    if (!is("number", text)) refuse("no number", { text: cell.trim() });
    if (!Number.isFinite(Number(text))) refuse("not finite", { text: cell.trim() });
    return Number(text);
  }
  const toSi = (field, number) => field.factor * number + field.offset;
  function numberIn(field, cell) {
    const isMarked = is("with_thousands", cell);
    const [whole, parts] = ["", sign].map((by) => cell.replace(/[.,]/g, by));
    if (field.whole && isMarked) refuse("two ways", { cell, whole, parts });
    refuseMarks(cell);
    const text = data.decimal_comma || field.whole ? cell.replace(pattern("comma", "g"), ".") : cell;
    const beside = besideANumber(text);
    if (beside.why) {
      const remedy = two.includes(beside.why) ? fill(field.of_two, beside) : "";
      refuse(beside.why, { ...beside, text: cell, remedy });
    }
    const number = parsed(text), fits = (value) => field.least <= value && value <= field.most;
    if (field.whole && !Number.isInteger(number)) refuse("in parts", { cell });
    if (fits(toSi(field, number))) return number;
    if (isMarked && fits(toSi(field, Number(whole)))) refuse("two ways", { cell, whole, parts });
    return refuse("outside", { ...field, cell });
  }
  function rangeIn(field, cell) {
    if (pattern("no_reading").test(cell)) refuse("no reading", { cell: short(cell) });
    const beside = besideANumber(cell);
    if (beside.why === "about") refuse("about a range", { ...beside, text: cell });
    const sure = cell.replace(pattern("roughly", "i"), ""), found = besideANumber(sure);
    const [low, ...rest] = found.why === two[1] ? [found.low, found.high]
      : sure.replace(pattern("from_to", "g"), "|").split("|");
    const ends = [low, rest.join("|") || low].map((end) => numberIn(field, end));
    if (ends[0] > ends[1]) refuse("goes down", { cell });
    return ends;
  }
  function valueIn(field, cell) {
    if (!cell && field.required) refuse("empty", field);
    if (field.kind === "range") return cell ? rangeIn(field, cell) : [NaN, NaN];
    if (field.numeric) return cell ? numberIn(field, cell) : NaN;
    const word = cell.toLowerCase(), slots = { ...field, cell: short(cell) };
    if (!cell) return field.kind === "choice" ? field.choices[0][1] : "";
    if (field.kind === "reason" && data.no_reason.includes(word)) return "";
    if (field.kind === "name" && !field.names.includes(cell)) refuse("unknown name", slots);
    if (field.kind !== "choice") return cell;
    const meant = field.synonyms[word] ?? word;
    if (!field.names.includes(meant)) refuse("no choice", slots);
    return meant;
  }
  // Values of one row as typed, and what is wrong with single cells.
  function read(values) {
    const row = {}, problems = {};
    for (const field of data.fields) {
      try {
        row[field.key] = valueIn(field, cellOf(field, values[field.key]));
      } catch (error) {
        if (!(error instanceof Wrong)) throw error;
        problems[field.key] = error.message;
      }
    }
    const si = (key) => (isThere(row[key]) ? toSi(fieldOf[key], row[key]) : NaN);
    const inOne = isThere(row.gauge?.[0]);
    const [low, high] = inOne ? row.gauge : [row.gauge_low, row.gauge_high];
    return { row, problems, si, inOne, low, high };
  }
  function add(problems, key, message) {
    problems[key] = problems[key] ? `${problems[key]}; ${message}` : message;
  }
  // What is wrong with a row by column, as tuninglib check says it; the pull it takes is not known here.
  function check(values, taken = []) {
    const found = read(values), { row, problems } = found;
    if (found.inOne && (isThere(row.gauge_low) || isThere(row.gauge_high))) problems.gauge = says["written twice"];
    if (Object.keys(problems).length === 0) together(found, (key, message) => add(problems, key, message));
    const run = (values.run ?? "").trim();
    if (run && taken.includes(run)) add(problems, "run", say("taken", { run, where: says.elsewhere }));
    return problems;
  }
  // What shows only in the whole row, if it counts.
  function together({ row, si, inOne, low, high }, wrong) {
    if (row.exclude) return;
    const { mixture } = data.gauge, where = "";
    const readings = low === high ? { gauge_low: low } : { gauge_low: low, gauge_high: high };
    for (const [key, reading] of Object.entries(readings)) {
      const at = inOne ? "gauge" : key, lambda_ = mixture.scale ? reading / mixture.scale : 1;
      if (reading < prints.low || reading > prints.high) wrong(at, say("beyond", { ...prints, reading, where }));
      if (lambda_ < mixture.low || lambda_ > mixture.high) {
        wrong(at, say("no mixture", { ...mixture, reading, where, lambda_ }));
      }
    }
    if (low > high) wrong("gauge_low", say("swapped", { low, high }));
    for (const pair of data.pairs) {
      const empty = pair.filter(([key]) => !isThere(row[key]));
      if (empty.length === 1) wrong(...empty[0]);
    }
    if ((row.state ?? data.full) !== data.full && isThere(row.exit_speed)) wrong("state", say("not full", row));
    const behind = -si("headwind"), slowest = Math.min(...["entry_speed", "exit_speed"].map(si).filter(isThere));
    if (behind >= wind.share * slowest) {
      const [air, speed] = [behind, slowest].map((one) => wind.factor * one);
      wrong("headwind", say("from behind", { behind: air, speed, unit: wind.unit }));
    }
  }
  // Why to stop after a row: a sentence for each reason, and the setups that end with it.
  function stops(values) {
    const { row, si, low, high } = read(values), { run } = values, found = [], shut = [];
    const setup = readable(row.setup ?? "");
    const ends = (why, some, none) => {
      const also = data.ends[row.setup]?.[why] ?? { setups: [] };
      shut.push(row.setup, ...also.setups);
      return also.setups.length ? say(some, { shut: also.names }) : none;
    };
    if (data.heard[row.knock]) {
      const heard = fill(data.heard[row.knock], { run });
      found.push(say("knock", { heard, setup }) + says["not again"] + ends("knock", "no safer", says["all leaner"]));
    }
    if ((row.state ?? data.full) === data.full && (low + high) / 2 > (limits.leanest ?? Infinity)) {
      const shown = low === high ? low : say("from to", { low, high });
      found.push(say("lean", { ...limits, run, setup, shown }) + ends("lean", "as lean", ""));
    }
    if (si("head_temperature") > limits.hottest_k) {
      const head = `${row.head_temperature} ${fieldOf.head_temperature.unit}`;
      found.push(say("heat", { ...limits, run, head }));
    }
    return { found: found.map((why) => say("stop", { why })), shut };
  }
  // A row that says something of its own; names, weather and what was carried over alone do not.
  const isFilled = (values, carried = {}) => data.fields.some(({ own, key }) => {
    const cell = (values[key] ?? "").trim();
    return own && cell !== "" && cell !== carried[key];
  });
  // Speeds far from those of the other runs, by column, with what is asked of them.
  function hints(values, others = []) {
    const { row } = read(values), found = {}, far = data.far;
    const rest = others.map((one) => read(one).row).filter((one) => !one.exclude);
    for (const { key, compared } of data.fields) {
      const speeds = compared ? [...far.known[key] ?? [], ...rest.map((one) => one[key]).filter(isThere)] : [];
      if (!compared || !isThere(row[key]) || speeds.length < far.fewest) continue;
      const sorted = speeds.toSorted((one, other) => one - other), half = sorted.length / 2;
      const middle = (sorted[Math.ceil(half) - 1] + sorted[Math.floor(half)]) / 2;
      const isNear = middle / far.factor <= row[key] && row[key] <= middle * far.factor;
      if (!isNear) found[key] = say("far", { cell: cellOf(fieldOf[key], values[key]), middle });
    }
    return found;
  }
  // Setups that a filled row of the day has ended, each with that run.
  function shutBy(rows) {
    const found = {};
    for (const values of rows) for (const setup of stops(values).shut) found[setup] ??= values.run;
    return found;
  }
  // What is to be done after the last row: stop, go on with what is left, or take it home.
  function standing(rows, planned = data.planned) {
    const last = rows.at(-1), isFull = (row) => (row.state ?? data.full) === data.full;
    const own = last && read(last).row, shut = { ...data.closed, ...shutBy(rows) };
    if (last && stops(last).found.length) return { code: "stop", word: says.halt, why: "" };
    if (last && isFull(own) && data.closed[own.setup]) {
      const slots = { setup: readable(own.setup), reason: data.closed[own.setup] };
      return { code: "stop", word: says.halt, why: say("ruled out", slots) };
    }
    const left = new Map();
    for (const row of planned) {
      if (!(row.setup in shut) && isFull(read(row).row)) left.set(row.setup, (left.get(row.setup) ?? 0) + 1);
    }
    const all = left.size;
    for (const { row } of rows.map((one) => read(one))) {
      if (isFull(row) && !row.exclude && left.has(row.setup)) left.set(row.setup, left.get(row.setup) - 1);
    }
    const to_ride = [...left].filter(([, runs]) => runs > 0);
    const rides = to_ride.map(([setup, runs]) => say("to ride", { setup: readable(setup), runs })).join(", ");
    if (to_ride.length) return { code: "go on", word: says.go, why: say("go on", { rides }), to_ride };
    return { code: "ridden", word: says.done, why: says[all ? "ridden" : "nothing left"], to_ride };
  }
  const inQuotes = (cell) => {
    const marks = [data.delimiter, '"', "\r", "\n"];
    return marks.some((mark) => cell.includes(mark)) ? `"${cell.replaceAll('"', '""')}"` : cell;
  };
  const line = (values) => {
    return data.keys.map((key) => (key ? inQuotes(cellOf(fieldOf[key], values[key])) : "")).join(data.delimiter);
  };
  // The file as it was, and the rows that were typed below it.
  function file(rows) {
    const before = data.text.endsWith("\n") || !data.text ? data.text : `${data.text}\n`;
    return before + rows.filter((one) => isFilled(one)).map((one) => `${line(one)}\n`).join("");
  }
  function cells(text) {
    const cell = new RegExp(`(?:"((?:[^"]|"")*)"?)?([^${data.delimiter}]*)(${data.delimiter}|$)`, "y");
    const found = [];
    for (let end = data.delimiter; end;) {
      const [, inside = "", rest, next] = cell.exec(text);
      found.push((inside.replaceAll('""', '"') + rest).trim());
      end = next;
    }
    return found;
  }
  // Rows of a saved file that this page does not have from before; null if its columns differ.
  function rowsOf(text) {
    const [head, ...lines] = text.replace(/^\uFEFF/, "").split(/\r\n|\r|\n/)
      .filter((one) => one.trim() && one.search(pattern("comment")) !== 0);
    if (JSON.stringify(cells(head ?? "")) !== JSON.stringify(data.headers)) return null;
    const before = new Set(data.text.split("\n"));
    return lines.filter((one) => !before.has(one)).map((one) => {
      const row = cells(one);
      return Object.fromEntries(data.keys.map((key, i) => [key, row[i] ?? ""]).filter(([key]) => key));
    });
  }
  // Rows put among the cards; what was typed here is never written over.
  function merge(cards, rows) {
    const differ = [];
    let added = 0;
    for (const values of rows) {
      const at = cards.findIndex((card) => card.values.run === values.run);
      const isNew = at < 0 || !isFilled(cards[at].values, cards[at].carried);
      if (data.taken.includes(values.run)) differ.push(values.run);
      else if (isNew) {
        cards.splice(at < 0 ? cards.length : at, 1, { values, left: true });
        added += 1;
      } else if (line(cards[at].values) !== line(values)) differ.push(values.run);
    }
    return { added, differ };
  }
  // The ends of a range as they stand in two boxes, and back; what is no range stands in the first.
  const endsOf = (text) => {
    const ends = text.split(pattern("from_to", "g"));
    const isNumber = (end) => is("number", end.trim().replace(pattern("comma", "g"), "."));
    return ends.length === two.length && ends.every(isNumber) ? ends : [text, ""];
  };
  const rangeOf = (low, high) => (low && high ? say("from to", { low, high }) : low || high);
  return {
    check, stops, hints, shutBy, standing, isFilled, line, file, cells, rowsOf, merge, readable, say, endsOf, rangeOf,
  };
};
(() => {
  const at = (id) => document.getElementById(id);
  const holder = at("data");
  if (!holder) return;
  const data = JSON.parse(holder.textContent), rules = roadside(data), { readable, say } = rules;
  const PREFIX = "roadside ", NOTE = "note", key = PREFIX + data.id;
  const fieldOf = new Map(data.fields.map((field) => [field.key, field]));
  const isFilled = (card) => rules.isFilled(card.values, card.carried);
  const typed = () => cards.filter(isFilled).map((card) => card.values);
  let cards = [], keeps = true;

  const fresh = (run, { setup = "", rider = "" }) => {
    return { values: { ...data.fresh, run: String(run), setup, rider }, left: false };
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
    const rows = typed(), count = rows.length;
    at("kept").textContent = say(keeps ? "kept" : "not kept", { count, all: cards.length });
    at("kept").className = keeps ? "" : "problem";
    at("text").value = rules.file(rows);
  }
  const othersOf = (card) => cards.filter((one) => one !== card && isFilled(one)).map((one) => one.values);
  const problemsOf = (card) => rules.check(card.values, [...data.taken, ...othersOf(card).map((one) => one.run)]);

  const boxesOf = (field) => [".lowest", ".highest"].map((end) => field.querySelector(end));
  function fieldValue(field) {
    const [lowest, highest] = boxesOf(field);
    if (lowest) return rules.rangeOf(lowest.value.trim(), highest.value.trim());
    const radio = field.querySelector("input[type=radio]:checked");
    return (radio ?? field.querySelector("select, input")).value;
  }
  function putValue(field, text) {
    const boxes = boxesOf(field);
    if (boxes[0]) {
      rules.endsOf(text).forEach((end, i) => { boxes[i].value = end; });
      return;
    }
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
  const isEnded = (card, shut) => !isFilled(card) && card.values.setup in { ...shut, ...data.closed };
  function summary(card) {
    const { values } = card, { gauge, gauge_low: low, gauge_high: high } = values, parts = [];
    const span = (from, to) => (from || to) && say("from to", { low: from || "?", high: to || "?" });
    const reading = gauge || (low === high ? low : span(low, high));
    parts.push(span(values.entry_speed, values.exit_speed));
    if (reading) parts.push(say("gauge", { reading }));
    if (values.knock) parts.push(say("knocked", values));
    if (values.exclude) parts.push(say("left out", values));
    return parts.filter(Boolean).join(", ");
  }
  // What a card says of itself; its fields are left alone while somebody types in them.
  function tell(card, item, shut) {
    const { values } = card, found = problemsOf(card), filled = isFilled(card);
    const box = item.querySelector(".card"), open = box.open, ended = !filled && values.setup in shut;
    const setup = readable(values.setup ?? ""), about = { setup, run: shut[values.setup] };
    const warnings = rules.stops(values).found, stopped = warnings.length > 0;
    const hints = filled ? rules.hints(values, othersOf(card)) : {};
    const more = values.state && values.state !== data.full ? `, ${values.state}` : "";
    item.querySelector(".which").textContent = [say("run", values), setup + more, readable(values.rider ?? "")]
      .filter(Boolean).join(" \u00b7 ");
    const wrong = filled && Object.keys(found).length > 0 && (card.left || !open);
    box.classList.toggle("wrong", wrong);
    box.classList.toggle("ended", isEnded(card, shut));
    box.classList.toggle("stopped", stopped);
    item.querySelector(".state").textContent = wrong ? say("to fix") : stopped ? say("stopped")
      : Object.keys(hints).length ? say("ask") : filled ? "\u2713" : ended ? say("ended by", about) : "";
    item.querySelector(".typed").textContent = filled ? summary(card) : "";
    for (const field of item.querySelectorAll(".field")) {
      const name = field.dataset.key, typed = (values[name] ?? "") !== "";
      const message = (typed || (card.left && filled)) && found[name] ? `${found[name]}.` : "";
      field.querySelector(".problem").textContent = message;
      for (const control of field.querySelectorAll("select, input:not([type=radio])")) {
        control.setAttribute("aria-invalid", String(message !== ""));
      }
      const hint = field.querySelector(".hint"), before = card.carried?.[name];
      field.classList.toggle("far", name in hints);
      if (hint) hint.textContent = hints[name] ?? (before && values[name] === before ? say("as before", { run: card.from }) : "");
    }
    if (ended) warnings.push(say("ended", about));
    const reason = data.closed[values.setup];
    if (reason) warnings.push(say("ruled out", { setup, reason }));
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
    const shut = rules.shutBy(cards.map((card) => card.values));
    let before;
    [...at("cards").children].forEach((item, i) => {
      const card = cards[i], setup = card.values.setup ?? "";
      tell(card, item, shut);
      const isNew = !isEnded(card, shut) && setup !== before;
      const fuel = data.fuels[setup] ? say("fuel", { fuel: readable(data.fuels[setup]) }) : "";
      const words = isNew ? say(before === undefined ? "start" : "change", { setup: readable(setup), fuel }) : "";
      item.querySelector(".swap").textContent = words;
      if (isNew) before = setup;
    });
    const rows = typed(), { code, word, why } = rules.standing(rows, cards.map((card) => card.values));
    at("word").textContent = rows.length ? word : "";
    at("word").className = code;
    const last = cards.findLast(isFilled);
    [...at("cards").children].forEach((item, i) => {
      item.querySelector(".standing").textContent = cards[i] === last ? why : "";
    });
    keep();
  }
  function fill(card, item) {
    for (const field of item.querySelectorAll(".field")) putValue(field, card.values[field.dataset.key] ?? "");
  }
  // What stays from run to run is taken from the card before, the first time a card is opened.
  function carry(card, item) {
    const before = cards.slice(0, cards.indexOf(card)).reverse().find(isFilled);
    if (!before || card.left || isFilled(card)) return;
    card.carried = {};
    card.from = before.values.run;
    for (const { key: name, stays, carried } of data.fields) {
      const value = before.values[name] ?? "";
      if (carried && value) card.carried[name] = value;
      if ((stays && !card.values[name]) || carried) card.values[name] = value;
    }
    fill(card, item);
  }
  // The time of day goes into the row's note when it is begun, and the clock for cooling starts.
  function stamp(card, item) {
    const note = [...item.querySelectorAll(".field")].find((one) => one.dataset.key === NOTE);
    const said = rules.isFilled({ ...card.values, [NOTE]: "" }, card.carried);
    // A row that came from a file was begun elsewhere.
    if (said === Boolean(card.clock) || (said && card.left)) return;
    const before = card.values[NOTE] ?? "", old = card.clock;
    card.clock = said ? new Date().toTimeString().split(":", 2).join(":") : "";
    if (said) startCooling();
    if (!note || !(said || before === old)) return;
    card.values[NOTE] = said ? `${card.clock} ${before}`.trim() : "";
    putValue(note, card.values[NOTE]);
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
        } else if (isFilled(card)) card.left = true;
        tellAll();
      });
      item.addEventListener("input", (event) => {
        const field = event.target.closest(".field");
        card.values[field.dataset.key] = fieldValue(field);
        stamp(card, item);
        tellAll();
      });
      item.querySelector(".next").addEventListener("click", () => {
        box.open = false;
        const next = [...at("cards").children].find((other, j) => j > i && !isFilled(cards[j])
          && !other.querySelector(".card").classList.contains("ended"));
        if (!next) { at("more").scrollIntoView({ block: "center" }); return; }
        next.querySelector(".card").open = true;
        next.scrollIntoView({ block: "start" });
      });
      item.querySelector(".drop").addEventListener("click", () => {
        cards.splice(i, 1);
        build(-1);
      });
      return item;
    }));
    tellAll();
  }
  const firstOpen = () => {
    const shut = rules.shutBy(cards.map((card) => card.values));
    return cards.findIndex((card) => !isFilled(card) && !isEnded(card, shut));
  };
  const tellBelow = (text) => { at("said").textContent = text; };
  const nextRun = () => {
    const used = [...data.taken, ...cards.map((card) => card.values.run)];
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
    const text = rules.file(typed());
    const link = document.createElement("a");
    link.href = URL.createObjectURL(new Blob([text], { type: "text/csv" }));
    link.download = data.file;
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 60000);
    const filled = cards.filter(isFilled);
    const wrong = filled.filter((card) => Object.keys(problemsOf(card)).length).map((card) => card.values.run);
    tellBelow(say("handed", { count: filled.length })
      + (wrong.length ? say("still wrong", { runs: wrong.join(", ") }) : ""));
  });
  function takeIn(rows, whence) {
    const { added, differ } = rules.merge(cards, rows);
    build(firstOpen());
    tellBelow(say("taken in", { count: added, whence })
      + (differ.length ? say("differs", { runs: differ.join(", ") }) : ""));
  }
  at("open").addEventListener("change", async () => {
    const [chosen] = at("open").files;
    if (!chosen) return;
    const { name, size } = chosen;
    if (size > data.largest_file) { tellBelow(say("too large", { name })); return; }
    const rows = rules.rowsOf(await chosen.text());
    at("open").value = "";
    if (rows === null) tellBelow(say("other columns", { name, headers: data.headers.join(", ") }));
    else takeIn(rows, name);
  });
  // Rows that an earlier page of the same outing left on this phone.
  function earlier() {
    try {
      return Object.keys(localStorage).filter((name) => name.startsWith(PREFIX) && !name.startsWith(key))
        .map(remembered).filter((one) => one?.title === data.title)
        .flatMap((one) => one.cards.filter(isFilled).map((card) => card.values));
    } catch { return []; }
  }
  const left = earlier();
  if (left.length) {
    at("take-over").hidden = false;
    at("take-over").textContent = say("take over", { count: left.length });
    at("take-over").addEventListener("click", () => {
      at("take-over").hidden = true;
      takeIn(left, say("earlier"));
    });
  }
  // A clock for cooling; it goes on while the page is shut.
  const cool = data.cool, COOL = `${key} cool`;
  let cooling = { minutes: cool.minutes, since: 0 };
  function keepCooling() {
    try { localStorage.setItem(COOL, JSON.stringify(cooling)); } catch { /* It is said where rows are kept. */ }
    tick();
  }
  function tick() {
    const minute = cool.minute_s * cool.second_ms, { minutes, since } = cooling;
    const left = Math.max(0, Math.ceil((since + minutes * minute - Date.now()) / cool.second_ms));
    const parts = [Math.floor(left / cool.minute_s), left % cool.minute_s].map((one) => String(one).padStart(2, "0"));
    at("timer").textContent = !since ? say("cool", { minutes })
      : left ? say("cooling", { left: parts.join(":") }) : say("cooled", { minutes });
  }
  function startCooling() {
    cooling.since = Date.now();
    keepCooling();
  }
  at("cool").addEventListener("click", startCooling);
  for (const [id, by] of [["less", -1], ["longer", 1]]) {
    at(id).addEventListener("click", () => {
      cooling.minutes = Math.max(1, cooling.minutes + by);
      keepCooling();
    });
  }
  try { cooling = { ...cooling, ...JSON.parse(localStorage.getItem(COOL)) }; } catch { /* As new. */ }
  tick();
  setInterval(tick, cool.second_ms);
  // The screen stays on where the browser lets it; where not, nothing is said.
  const wake = () => { navigator.wakeLock?.request("screen").catch(() => {}); };
  addEventListener("visibilitychange", () => { if (document.visibilityState === "visible") wake(); });
  wake();
  // The same page in another tab: the later key counts in both.
  addEventListener("storage", (event) => {
    if (event.key !== key) return;
    cards = remembered(key)?.cards ?? cards;
    build([...document.querySelectorAll(".card")].findIndex((box) => box.open));
  });
  cards = remembered(key)?.cards ?? planned();
  build(firstOpen());
})();
