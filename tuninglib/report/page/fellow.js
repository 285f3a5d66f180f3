"use strict";
// The fellow rider's own numbers: the sums of tuninglib.analysis.what_if, run by run.
window.fellow = (() => {
  // x / (1 - e^-x), 1 at x = 0.
  function growth(x) {
    const y = Math.abs(x) < 1e-12 ? 1e-12 : x;
    return -y / Math.expm1(-y);
  }
  // Speed after one even piece in wind: explicit in time, which Newton's method finds.
  function cross(v0, length, pull, k, m, w) {
    const a = pull / m, kappa = k === 0 ? 1e-300 : k / m, omega2 = a * kappa, z0 = v0 + w;
    const q = Math.max(Math.sqrt(Math.abs(omega2)) / 2, 1e-9), rising = omega2 > 0;
    const ahead = (a - kappa * z0 ** 2) * 2 * length / growth(2 * kappa * length);
    let time = 2 * length / (v0 + Math.sqrt(v0 ** 2 + Math.max(ahead, 0)));
    let speed, step;
    for (let i = 0; i < 60; i++) {
      const x = q * time, sine = rising ? Math.sinh(x) : Math.sin(x);
      const whole = rising ? Math.sqrt(1 + sine ** 2) : Math.cos(x), half = sine / q;
      const s = half * whole, c2 = half ** 2 / 2, gain = a * c2 + z0 * s, y = 1 + kappa * gain;
      speed = (a * s + z0 * (1 + omega2 * c2)) / y - w;
      const way = Math.log1p(kappa * gain) / kappa - w * time;
      step = speed > 0 && y > 0 ? (way - length) / speed : NaN;
      time -= step;
      if (!(Math.abs(step) > 1e-13 * Math.abs(time))) break;
    }
    return speed - step * (a - kappa * (speed + w) ** 2);
  }
  function speedAtForce(force, v0, road) {
    const { lengths, climbs, m, k, w } = road;
    let v = v0;
    lengths.forEach((length, i) => {
      if (w === 0) {
        const square = v ** 2;
        const change = 2 * length / m * (force - climbs[i] - k * square);
        v = Math.sqrt(square + change / growth(2 * k * length / m));
        if (!(v > 0)) v = NaN;
      } else {
        v = cross(v, length, force - climbs[i], k, m, w);
        if (v + w < 0) v = NaN;
      }
    });
    return v;
  }
  function speedAtPower(power, v0, road, steps) {
    const { lengths, climbs, m, k, w } = road;
    let energy = v0 ** 2 / 2;
    lengths.forEach((length, i) => {
      const h = length / steps;
      const pull = (e) => {
        const v = Math.sqrt(2 * e), air = v + w;
        return (power / v - climbs[i] - k * air * Math.abs(air)) / m;
      };
      for (let n = 0; n < steps; n++) {
        const a1 = pull(energy), a2 = pull(energy + h / 2 * a1);
        const a3 = pull(energy + h / 2 * a2), a4 = pull(energy + h * a3);
        energy += h / 6 * (a1 + 2 * (a2 + a3) + a4);
      }
    });
    return Math.sqrt(2 * energy);
  }
  // Conditions of the question, with one of the run's moves made; what is asked about is exact.
  function roadOf(data, question, moved) {
    const { run, constants } = data, asked = question.rider_mass_kg ?? null;
    const rider = asked ?? run.rider_mass_kg + moved("rider_mass_kg");
    const mass = run.bike_mass_kg + moved("bike_mass_kg") + rider;
    const each = (name) => run[name].map((one, i) => one + moved(name, i));
    const rolling = run.rolling_coefficient + moved("rolling_coefficient");
    const bigger = (asked ?? run.rider_mass_kg) / run.rider_mass_kg;
    const drag = 1 + constants.rider_share * (bigger ** constants.body_exponent - 1)
      + (asked === null ? 0 : moved("other_rider_drag_ratio"));
    const area = (run.drag_area_m2 + moved("drag_area_m2")) * drag;
    const density = run.air_density_kg_m3 + moved("air_density_kg_m3");
    return {
      lengths: question.lengths_m ?? each("lengths_m"),
      climbs: (question.grade_ratios ?? each("grade_ratios")).map((slope) => {
        return (slope + rolling) * constants.gravity_m_s2 / Math.sqrt(1 + slope ** 2) * mass;
      }),
      m: mass + run.rotating_mass_kg + moved("rotating_mass_kg"),
      k: (question.air_density_kg_m3 ?? density) * area / 2,
      w: question.headwind_m_s ?? run.headwind_m_s + moved("headwind_m_s"),
    };
  }
  const refused = (refusal) => ({ at_force: null, at_power: null, refusal });
  // Marker speeds under a question's conditions; true speeds in m/s, 95 % intervals.
  function answer(data, question) {
    const { run, constants } = data, force = [], power = [];
    for (let place = 0; place < data.force_n.length; place++) {
      const number = Math.floor((place - 1) / 2), sign = place % 2 ? 1 : -1;
      const moved = (name, piece) => {
        const by = (place > 0 && run.moves[number][name]) || 0;
        return sign * (piece === undefined ? by : by[piece] ?? 0);
      };
      const road = roadOf(data, question, moved);
      const entry = question.entry_m_s ?? run.entry_m_s + moved("entry_m_s");
      if (entry + road.w <= 0) return refused("wind");
      const rider = question.rider_mass_kg === undefined ? 0 : moved("other_rider_log_force");
      const output = Math.exp(rider)
        * run.output_factor / (question.output_factor ?? run.output_factor);
      force.push(speedAtForce(data.force_n[place] * output, entry, road));
      power.push(speedAtPower(data.power_w[place] * output, entry, road, constants.steps));
    }
    if (![...force, ...power].every(Number.isFinite)) {
      return refused("stops");
    }
    const far = (speeds) => Math.abs(speeds[0] / run.exit_m_s - 1) > constants.farthest;
    if (far(force) || far(power)) return refused("too far");
    const [at_force, at_power] = [force, power].map((speeds) => interval(speeds, constants.z));
    return { at_force, at_power, refusal: "" };
  }
  function interval(speeds, z) {
    let squares = 0;
    for (let i = 1; i < speeds.length; i += 2) squares += ((speeds[i] - speeds[i + 1]) / 2) ** 2;
    const half = z * Math.sqrt(squares);
    return [speeds[0], speeds[0] - half, speeds[0] + half];
  }
  // Density and output factor at an altitude, from the table in the page; both fall by factors.
  function airAt(data, altitude) {
    const { lowest_m, step_m, density_kg_m3, output_factor } = data.air;
    const place = (altitude - lowest_m) / step_m;
    const i = Math.min(Math.max(Math.floor(place), 0), density_kg_m3.length - 2);
    const between = (values) => values[i] * (values[i + 1] / values[i]) ** (place - i);
    return { air_density_kg_m3: between(density_kg_m3), output_factor: between(output_factor) };
  }
  // Rounding: see tuninglib.rounding. Ties go to the even digit.
  function decimalsFor(half) {
    let exponent = Math.floor(Math.log10(half));
    const leading = Math.trunc(half / 10 ** (exponent - 2) + 1e-9);
    if (leading >= 950) exponent += 1;
    return (leading < 355 || leading >= 950 ? 2 : 1) - 1 - exponent;
  }
  function fixed(exact, decimals) {
    const value = Number(exact.toPrecision(12));
    let text;
    if (decimals < 0) {
      const unit = 10 ** -decimals, low = Math.floor(value / unit), rest = value - low * unit;
      const up = rest > unit / 2 || (rest === unit / 2 && low % 2 !== 0);
      text = String((low + (up ? 1 : 0)) * unit);
    } else {
      text = value.toFixed(decimals);
      const doubled = value * 2 ** (decimals + 1);
      const tie = Number.isInteger(doubled) && doubled % 2 !== 0;
      if (tie && Number(text.at(-1)) % 2 !== 0) {
        text = (value - Math.sign(value) * 10 ** -decimals / 4).toFixed(decimals);
      }
    }
    if (Number(text) === 0) text = text.replace("-", "");
    return text.replace("-", "\u2212");
  }
  function intervalText([value, low, high], label) {
    const half = (high - low) / 2;
    if (half <= 0) return `${Number(value.toPrecision(4))} ${label}`;
    const decimals = Math.max(decimalsFor(half), -3);
    const [v, l, h] = [value, low, high].map((one) => fixed(one, decimals));
    return `${v} ${label} (${l} to ${h} ${label})`;
  }
  function speedText(data, speeds) {
    return intervalText(speeds.map((one) => one * data.speed.per_m_s), data.speed.label);
  }
  // True speed over shown: as asked, or as on the day.
  function truePerShown(data, values) {
    return "speedometer" in values ? 1 / (1 + values.speedometer) : data.speed.true_per_shown;
  }
  // What the speedometer of the day would show, or the rider's own.
  function shownText(data, speed, values = {}) {
    const shown = fixed(speed * data.speed.per_m_s / truePerShown(data, values), 0);
    const whose = "speedometer" in values ? "yours" : "this speedometer";
    return `(as ${whose} shows it: ${shown}\u00a0${data.speed.label})`;
  }
  // What the fields ask, in SI; what was left alone is left out.
  function question(data, values) {
    const asked = {};
    if ("mass" in values) asked.rider_mass_kg = values.mass;
    if ("length" in values || "grade" in values) {
      asked.lengths_m = [values.length ?? data.run.lengths_m.reduce((sum, one) => sum + one)];
      asked.grade_ratios = [values.grade ?? data.mean_grade_ratio];
    }
    if ("altitude" in values) Object.assign(asked, airAt(data, values.altitude));
    if ("headwind" in values) asked.headwind_m_s = values.headwind;
    // The start line is passed by what the rider's own speedometer shows.
    if ("entry" in values) asked.entry_m_s = values.entry * truePerShown(data, values);
    return asked;
  }
  // Fuel is metered for the day's air: in denser air an ECU that does not notice runs lean.
  function airWarning(data, asked) {
    if (!asked.air_density_kg_m3 || data.compensation === "yes") return [];
    const change = asked.air_density_kg_m3 / data.run.air_density_kg_m3 - 1;
    const size = fixed(100 * Math.abs(change), 1);
    if (size === "0.0") return [];
    const [air, mixture] = change > 0 ? ["denser", "leaner"] : ["thinner", "richer"];
    const does = data.compensation === "no" ? "does not adapt to it" : "may not adapt to it";
    return [
      `The air is ${size}\u00a0% ${air} there. This ECU ${does}; lambda is then as much `
        + `${mixture} than on the day.`,
    ];
  }
  return { answer, airAt, fixed, intervalText, shownText, speedText, question, airWarning };
})();
(() => {
  const at = (id) => document.getElementById(id);
  const ask = at("ask");
  if (!ask) return;
  const data = JSON.parse(at("ask-data").textContent);
  const fields = [...ask.querySelectorAll("input[type=number]")];
  const fuel = at("ask-fuel"), setup = at("ask-setup");
  const sliderOf = (field) => at(field.id.replace("ask-", "slide-"));
  const line = (text, name) => {
    const span = document.createElement("span");
    span.className = name;
    // A number and its per cent sign stay on one line.
    span.textContent = text.replace(/(\d) (?=%)/g, "$1\u00a0");
    return span;
  };
  const inside = (field) => field.value !== "" && Number(field.value) >= Number(field.min)
    && Number(field.value) <= Number(field.max);
  // The setup that was chosen, and the one that was timed with its parts on the fuel asked about.
  function chosen() {
    const own = setup ? data.setups[Number(setup.value)] : {};
    const name = fuel?.selectedOptions[0]?.textContent;
    const same = (one) => one.fuel === name && String(one.parts) === String(own.parts);
    const timed = data.setups.find(same);
    return { own, timed, name, data: { ...data, ...(timed ?? own) } };
  }
  function values() {
    const differs = (field) => Number(field.value) !== Number(field.defaultValue);
    // Another speedometer means another start, if it is passed by what is shown.
    const moved = fields.some((field) => field.id === "ask-speedometer" && differs(field));
    const changed = fields.filter((one) => differs(one) || (moved && one.id === "ask-entry"));
    return Object.fromEntries(changed.map((field) => {
      return [field.id.replace("ask-", ""), Number(field.value) * Number(field.dataset.factor)];
    }));
  }
  function problem() {
    const wrong = fields.filter((field) => !inside(field));
    fields.forEach((field) => field.setAttribute("aria-invalid", String(wrong.includes(field))));
    return wrong.map(({ min, max, dataset }) => {
      const low = min.replace("-", "\u2212");
      return `${dataset.label}: write a number from ${low} to ${max}\u00a0${dataset.unit}.`;
    }).join(" ");
  }
  function show() {
    const { own, timed, name, data: now } = chosen();
    const wrong = problem(), put = wrong ? {} : values();
    const asked = data.run ? fellow.question(now, put) : {};
    if (data.run) {
      const found = wrong ? { refusal: "" } : fellow.answer(now, asked);
      const entry = (asked.entry_m_s ?? now.run.entry_m_s) * data.speed.per_m_s;
      at("ask-from").textContent = `At the marker with ${timed?.title ?? own.title}, from `
        + `${fellow.fixed(entry, 0)}\u00a0${data.speed.label} at the start line, true speeds:`;
      for (const name of ["force", "power"]) {
        const speeds = found[`at_${name}`];
        at(`ask-at-${name}`).textContent = speeds ? fellow.speedText(data, speeds) : "\u2013";
        at(`ask-shown-${name}`).textContent = speeds ? fellow.shownText(data, speeds[0], put) : "";
      }
      const refused = found.refusal && `No answer: ${data.refusals[found.refusal]}.`;
      at("ask-problem").textContent = wrong || refused;
    }
    const known = (now.fuels ?? data.fuels).find((one) => one.name === name);
    const { shut } = timed ?? own;
    const warnings = known ? [...known.warnings] : [];
    // Said once: of the same parts on the same fuel the mixture's own warning says it.
    if (shut && !warnings.some((text) => text.includes(shut))) {
      warnings.unshift(`${(timed ?? own).title} is not to be ridden: ${shut}.`);
    }
    const untimed = own.title && name && !timed
      ? [`This setup was not timed on ${name}; the speed is the one on ${own.fuel}.`] : [];
    at("ask-mixture").replaceChildren(
      ...(known ? [known.mixture] : []).map((text) => line(text, "line")),
      ...untimed.map((text) => line(text, "line")),
      ...warnings.map((text) => line(text, "line warning")),
      ...fellow.airWarning(now, asked).map((text) => line(text, "line warning")),
    );
  }
  // Fields that were left alone go to the day of the setup; its own fuel goes with it.
  function choose() {
    const own = data.setups[Number(setup.value)];
    for (const field of fields) {
      const day = own.values[field.id.replace("ask-", "")];
      const alone = Number(field.value) === Number(field.defaultValue);
      field.defaultValue = day;
      if (alone) { field.value = day; sliderOf(field).value = day; }
    }
    const option = fuel && [...fuel.options].find((one) => one.textContent === own.fuel);
    if (option) fuel.value = option.value;
    show();
  }
  function reset() {
    if (setup) {
      setup.selectedIndex = [...setup.options].findIndex((option) => option.defaultSelected);
      choose();
    }
    for (const field of fields) {
      field.value = field.defaultValue;
      sliderOf(field).value = field.defaultValue;
    }
    if (fuel) fuel.selectedIndex = [...fuel.options].findIndex((option) => option.defaultSelected);
    show();
  }
  for (const field of fields) {
    const slider = sliderOf(field);
    slider.addEventListener("input", () => { field.value = slider.value; show(); });
    field.addEventListener("input", () => { slider.value = field.value; show(); });
  }
  if (fuel) fuel.addEventListener("change", show);
  if (setup) setup.addEventListener("change", choose);
  at("ask-reset").addEventListener("click", reset);
  reset();
  ask.hidden = false;
})();
