// Small things every view needs: elements, numbers, units. Everything shown comes as text nodes: names, titles and messages
// are untrusted.

import { shownAs } from "./units.js";

export const ORDER = ["high", "medium", "low"];
export const URGENCY = { high: "now", medium: "today", low: "this week", none: "fit" };
export const NAMES = {
  concentration_percent: "concentration", hardness_mg_l: "hardness", liquid_l: "liquid", chip_solids_l: "chips",
  holdup_l: "out in the machine", evaporation_l_h: "evaporation", dragout_l_h: "drag-out", room_l: "room to fill mark",
};
const UNITS = { "[pH]": "", "uS/cm": "µS/cm", Cel: "°C", "1": "" };
const DECIMALS = { ph: 2, concentration_percent: 1, temperature: 1, flow: 1, chip_solids_l: 1, evaporation_l_h: 2, dragout_l_h: 2 };
// Words beside an alarm; one that stands and that nobody has seen is called by its priority.
const STATES = {
  ACKED: "seen", RTNUN: "over, not yet seen", LATCH: "over, to be reset", SHLVD: "shelved", DSUPR: "silent by design",
  OOSRV: "out of service",
};
const SILENCED = ["SHLVD", "DSUPR", "OOSRV"];

export function element(tag, text, attributes = {}) {
  const made = document.createElement(tag);
  if (text !== undefined) made.textContent = text;
  for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, value);
  return made;
}

export function drawing(tag, attributes = {}, text) {
  const made = document.createElementNS("http://www.w3.org/2000/svg", tag);
  for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, value);
  if (text !== undefined) made.textContent = text;
  return made;
}

// A number of a quantity in the units that somebody chose, without its unit.
export function number(value, quantity, unit) {
  const as = shownAs(quantity, unit);
  return as === null ? value.toFixed(DECIMALS[quantity] ?? 0) : (value * as.factor + as.offset).toFixed(as.digits);
}

export function withUnit(text, unit, quantity) {
  const shown = shownAs(quantity, unit)?.unit ?? UNITS[unit] ?? unit ?? "";
  return shown === "" ? text : `${text} ${shown}`;
}

// A number with its unit.
export function amount(value, quantity, unit) {
  return withUnit(number(value, quantity, unit), unit, quantity);
}

// A number of an advice, which says its unit but not what it is of.
export function inFigures(value, unit) {
  const as = shownAs(unit === "mg/L" ? "hardness" : null, unit);
  const shown = as === null ? value : value * as.factor + as.offset;
  return withUnit(shown.toFixed(Math.abs(shown) < 10 ? 1 : 0), unit, unit === "mg/L" ? "hardness" : null);
}

// Some numbers read better as words.
export function inWords(quantity, value) {
  if (quantity === "pump_running") return value === 0 ? "stands" : "runs";
  if (quantity === "room_l" && value < 0) return `none: ${amount(-value, quantity, "L")} over the mark once the pumps stop`;
  return null;
}

export function isSilenced(alarm) {
  return SILENCED.includes(alarm.state);
}

export function urgency(alarms) {
  const stands = alarms.filter((alarm) => alarm.state === "UNACK" || alarm.state === "ACKED");
  const found = stands.map((alarm) => ORDER.indexOf(alarm.priority));
  return found.length === 0 ? "none" : ORDER[Math.min(...found)];
}

export function alarmItem(alarm) {
  const item = element("li", undefined, { "data-urgency": isSilenced(alarm) ? "none" : alarm.priority });
  item.append(element("b", STATES[alarm.state] ?? URGENCY[alarm.priority]), " ", alarm.message);
  if (alarm.shelved_until !== null && isSilenced(alarm)) {
    item.append(" ", element("span", `until ${moment(alarm.shelved_until)}`, { class: "small" }));
  }
  return item;
}

// How urgent, in a word.
export function badge(alarms) {
  const found = urgency(alarms);
  return element("span", URGENCY[found], { class: "badge", "data-urgency": found });
}

// Alarms that somebody or something has silenced: out of the way, never out of sight.
export function silenced(alarms) {
  const found = alarms.filter(isSilenced);
  if (found.length === 0) return "";
  const list = element("ul", undefined, { class: "tasks" });
  list.append(...found.map(alarmItem));
  return section("Silenced", list);
}

// Something to do, in words.
function toDo(text, unsure) {
  const item = element("li");
  item.append(element("b", "do"), " ", text);
  if (unsure !== null) item.append(" ", element("span", unsure, { class: "small" }));
  return item;
}

// What the test plan asks for today.
function dueToday(sump) {
  const today = sump.plan.checks.filter((check) => check.state === "today" || check.state === "overdue");
  return today.map((check) => toDo(`${check.name}${check.state === "overdue" ? `, overdue since ${check.due}` : ", due today"}`, null));
}

// What to do now: alarms first, then what the fill asks for, then checks and advice.
export function tasks(sump) {
  const list = element("ul", undefined, { class: "tasks" });
  list.append(...sump.alarms.filter((alarm) => !isSilenced(alarm)).map(alarmItem));
  list.append(...sump.fill.to_do.map((text) => toDo(text, null)));
  list.append(...dueToday(sump));
  list.append(...sump.advice.map((advice) => toDo(advice.text, advice.unsure)));
  if (list.children.length === 0) list.append(element("li", "nothing to do", { class: "fit" }));
  return list;
}

// The shop's time zone: whoever looks from elsewhere sees the shop's hours.
let zone;

export function tellZone(name) {
  zone = name;
}

export function clock(at, seconds = false) {
  return at.toLocaleTimeString([], { timeZone: zone, hour: "2-digit", minute: "2-digit", second: seconds ? "2-digit" : undefined });
}

export function day(at, parts = { day: "numeric", month: "numeric", year: "numeric" }) {
  return at.toLocaleDateString([], { timeZone: zone, ...parts });
}

// Milliseconds that the shop's clock is ahead of UTC.
export function ahead(at) {
  const wanted = { timeZone: zone, hourCycle: "h23", year: "numeric", month: "numeric", day: "numeric", hour: "numeric", minute: "numeric", second: "numeric" };
  const found = Object.fromEntries(new Intl.DateTimeFormat("en", wanted).formatToParts(at).map(({ type, value }) => [type, Number(value)]));
  return Date.UTC(found.year, found.month - 1, found.day, found.hour, found.minute, found.second) - Math.floor(at / 1000) * 1000;
}

// A time of day, with the date where it is not today's.
export function moment(text) {
  const at = new Date(text);
  return day(at) === day(new Date()) ? clock(at) : `${day(at)} ${clock(at)}`;
}

// A sheet with a heading, or nothing where there is nothing in it.
export function section(heading, ...parts) {
  const made = element("section");
  made.append(element("h3", heading), ...parts);
  return made;
}

export function estimate(sump, quantity) {
  const found = sump.estimates.find((one) => one.quantity === quantity);
  return found === undefined || found.value === null ? null : found;
}
