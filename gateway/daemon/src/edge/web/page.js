"use strict";
// Everything shown comes as text nodes: names, titles and messages are untrusted.

const ORDER = ["high", "medium", "low"];
const NAMES = {
  concentration_percent: "concentration", hardness_mg_l: "hardness", liquid_l: "liquid", chip_solids_l: "chips",
  holdup_l: "out in the machine", evaporation_l_h: "evaporation", dragout_l_h: "drag-out", room_l: "room to fill mark",
};
const UNITS = { "[pH]": "", "uS/cm": "µS/cm", Cel: "°C", "1": "" };
const opened = new Set(); // details that stay open when the page is drawn anew
const DECIMALS = { ph: 2, concentration_percent: 1, temperature: 1, flow: 1, chip_solids_l: 1, evaporation_l_h: 2, dragout_l_h: 2 };

function element(tag, text, attributes = {}) {
  const made = document.createElement(tag);
  if (text !== undefined) made.textContent = text;
  for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, value);
  return made;
}

function number(value, quantity) {
  return value.toFixed(DECIMALS[quantity] ?? 0);
}

function withUnit(text, unit) {
  const shown = UNITS[unit] ?? unit;
  return shown === "" ? text : `${text} ${shown}`;
}

// Words beside an alarm; one that stands and that nobody has seen is called by its priority.
const STATES = {
  ACKED: "seen", RTNUN: "over, not yet seen", LATCH: "over, to be reset", SHLVD: "shelved", DSUPR: "silent by design",
  OOSRV: "out of service",
};
const SILENCED = ["SHLVD", "DSUPR", "OOSRV"];

function urgency(alarms) {
  const stands = alarms.filter((alarm) => alarm.state === "UNACK" || alarm.state === "ACKED");
  const found = stands.map((alarm) => ORDER.indexOf(alarm.priority));
  return found.length === 0 ? "none" : ORDER[Math.min(...found)];
}

function alarmItem(alarm) {
  const item = element("li", undefined, { "data-priority": SILENCED.includes(alarm.state) ? "none" : alarm.priority });
  item.append(element("b", STATES[alarm.state] ?? alarm.priority), alarm.message);
  return item;
}

function row(list, label, value, quality) {
  list.append(element("dt", label));
  const cell = element("dd");
  if (value === null) {
    cell.append("not known");
  } else {
    cell.append(value.text);
    if (value.band) cell.append(" ", element("span", value.band, { class: "band" }));
  }
  if (quality.reason !== "") cell.append(" ", element("span", `(${quality.reason})`, { class: "why" }));
  list.append(cell);
}

// Some numbers read better as words.
function inWords(quantity, value) {
  if (quantity === "pump_running") return value === 0 ? "stands" : "runs";
  if (quantity === "room_l" && value < 0) return `none: ${number(-value, quantity)} L over the mark once the pumps stop`;
  return null;
}

function figures(sump) {
  const list = element("dl");
  for (const estimate of sump.estimates) {
    const { quantity, value, low90, high90, unit } = estimate;
    const words = value === null ? null : inWords(quantity, value);
    const shown = value === null ? null : {
      text: words ?? withUnit(number(value, quantity), unit),
      band: words === null ? `${number(low90, quantity)} to ${number(high90, quantity)}` : "",
    };
    row(list, NAMES[quantity] ?? quantity, shown, estimate);
  }
  for (const probe of sump.probes) {
    const { quantity, value, unit } = probe;
    const shown = value === null ? null : { text: inWords(quantity, value) ?? withUnit(number(value, quantity), unit) };
    row(list, probe.name, shown, probe);
  }
  return list;
}

function tank(sump) {
  const space = "http://www.w3.org/2000/svg";
  const make = (tag, attributes) => {
    const made = document.createElementNS(space, tag);
    for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, value);
    return made;
  };
  const liquid = sump.estimates.find((estimate) => estimate.quantity === "liquid_l");
  const share = liquid && liquid.value !== null ? Math.min(1.1, liquid.value / sump.fill_mark_l) : 0;
  const mark = 20;
  const height = (140 - mark) * share;
  const label = liquid && liquid.value !== null
    ? `tank at ${Math.round(100 * share)} % of its fill mark` : "level not known";
  const drawn = make("svg", { class: "tank", viewBox: "0 0 50 144", role: "img", "aria-label": label });
  drawn.append(make("rect", { class: "liquid", x: 4, y: 140 - height, width: 42, height }));
  drawn.append(make("rect", { class: "wall", x: 3, y: 3, width: 44, height: 138 }));
  drawn.append(make("line", { x1: 3, y1: mark, x2: 47, y2: mark }));
  return drawn;
}

// Something to do, in words.
function toDo(text, unsure) {
  const item = element("li");
  item.append(element("b", "do"), text);
  if (unsure !== null) item.append(" ", element("span", unsure, { class: "why" }));
  return item;
}

// What to do now: alarms first, then what the fill asks for, then advice.
function tasks(sump) {
  const list = element("ul");
  list.append(...sump.alarms.filter((alarm) => !SILENCED.includes(alarm.state)).map(alarmItem));
  list.append(...sump.fill.to_do.map((text) => toDo(text, null)));
  list.append(...dueToday(sump));
  list.append(...sump.advice.map((advice) => toDo(advice.text, advice.unsure)));
  if (list.children.length === 0) list.append(element("li", "nothing to do", { class: "well" }));
  return list;
}

// Alarms that somebody or something has silenced: out of the way, never out of sight.
function silenced(alarms) {
  const found = alarms.filter((alarm) => SILENCED.includes(alarm.state));
  if (found.length === 0) return "";
  const made = element("section", undefined, { class: "wide" });
  const list = element("ul");
  list.append(...found.map(alarmItem));
  made.append(element("h3", "Silenced"), list);
  return made;
}

// The gateway's own alarms, as a card before all others.
function gatewayCard(alarms) {
  if (alarms.length === 0) return [];
  const made = element("article", undefined, { "data-urgency": urgency(alarms) });
  const list = element("ul", undefined, { class: "wide" });
  list.append(...alarms.filter((alarm) => !SILENCED.includes(alarm.state)).map(alarmItem));
  made.append(element("h2", "The gateway itself"), list, silenced(alarms));
  return [made];
}

// What to mind while doing it, in the open: each caution once.
function cautions(sump) {
  const all = [...sump.fill.cautions, ...sump.advice.flatMap((advice) => advice.cautions)];
  const texts = new Set(all.map((caution) => caution.text));
  if (texts.size === 0) return "";
  const made = element("p", undefined, { class: "mind wide" });
  made.append(element("b", "Mind"), " ", [...texts].join(" "));
  return made;
}

function forecast(sump) {
  if (sump.outlook === null || sump.outlook.limits.length === 0) return "";
  const made = element("section", undefined, { class: "wide" });
  const list = element("ul");
  for (const limit of sump.outlook.limits) list.append(element("li", limit.text));
  made.append(element("h3", "What lies ahead"), list);
  return made;
}

function inFigures(value) {
  return value.toFixed(Math.abs(value) < 10 ? 1 : 0);
}

// Numbers, rules and cautions behind the advice.
function reasons(sump) {
  if (sump.advice.length === 0) return "";
  const key = `${sump.name}/reasons`;
  const made = element("details", undefined, { class: "wide" });
  made.open = opened.has(key);
  made.addEventListener("toggle", () => (made.open ? opened.add(key) : opened.delete(key)));
  made.append(element("summary", "numbers, rules and cautions", { "data-key": key }));
  for (const advice of sump.advice) {
    made.append(element("p", advice.text));
    const numbers = element("dl");
    for (const { what, value, unit } of advice.numbers) {
      numbers.append(element("dt", what), element("dd", value === null ? "without end" : withUnit(inFigures(value), unit)));
    }
    const words = element("ul");
    for (const { text, source } of [...advice.rules, ...advice.cautions]) {
      const item = element("li", text);
      item.append(" ", element("span", `(${source})`, { class: "why" }));
      words.append(item);
    }
    made.append(numbers, words);
  }
  return made;
}

function card(sump) {
  const made = element("article", undefined, { "data-urgency": urgency(sump.alarms) });
  const head = element("div");
  head.append(element("h2", sump.title), element("p", `${sump.name} · ${sump.fluid} · target ${sump.target_percent} %`, { class: "name" }));
  made.append(head, tank(sump), tasks(sump), cautions(sump), forecast(sump), silenced(sump.alarms), figures(sump), reasons(sump));
  return made;
}

// Whether messages reach people, so that silence can be trusted.
function messages(receivers, at) {
  const place = document.getElementById("messages");
  place.hidden = receivers.length === 0;
  const texts = receivers.map(({ name, state, delivered_at, waiting, error }) => {
    const minutes = delivered_at === null ? null : Math.max(0, Math.round((new Date(at) - new Date(delivered_at)) / 60000));
    const last = minutes === null ? "none delivered since the start" : `last delivered ${minutes} min ago`;
    const rest = waiting === 0 ? "" : `, ${waiting} waiting`;
    return `${name}: ${last}${rest}${state === "retrying" || state === "refused" ? ` (${state}: ${error ?? "no answer"})` : ""}`;
  });
  place.textContent = `Messages: ${texts.join("; ")}.`;
}

// What the test plan asks for today.
function dueToday(sump) {
  const today = sump.plan.checks.filter((check) => check.state === "today" || check.state === "overdue");
  return today.map((check) => toDo(`${check.name}${check.state === "overdue" ? `, overdue since ${check.due}` : ", due today"}`, null));
}

function rank(sump) {
  const found = ORDER.indexOf(urgency(sump.alarms));
  return found < 0 ? ORDER.length : found;
}

async function refresh() {
  const fresh = document.getElementById("fresh");
  try {
    const answer = await fetch("/state", { signal: AbortSignal.timeout(5000) });
    if (!answer.ok) throw new Error(`answer ${answer.status}`);
    const shop = await answer.json();
    document.getElementById("site").textContent = `Sumps of ${shop.site}`;
    document.title = `Sumps of ${shop.site}`;
    const sumps = [...shop.sumps].sort((a, b) => rank(a) - rank(b));
    // Whoever works with the keyboard keeps the place when the cards are drawn anew.
    const focused = document.activeElement?.dataset?.key;
    document.getElementById("sumps").replaceChildren(...gatewayCard(shop.alarms), ...sumps.map(card));
    if (focused !== undefined) document.querySelector(`[data-key="${CSS.escape(focused)}"]`)?.focus();
    messages(shop.receivers, shop.at);
    fresh.textContent = `as of ${new Date(shop.at).toLocaleTimeString()}`;
  } catch (error) {
    fresh.textContent = `the gateway does not answer (${error.message}); what stands here is old`;
  }
}

refresh();
setInterval(refresh, 2000);
