// All sumps, whoever needs somebody first at the top: what to do, then the tank and the figures that are asked for most.

import {
  NAMES, ORDER, URGENCY, alarmItem, element, estimate, isSilenced, number, section, tasks, urgency, withUnit,
} from "./words.js";
import { tank } from "./tank.js";

const SHOWN = ["concentration_percent", "hardness_mg_l"];
const TASKS_SHOWN = 3;

function rank(alarms) {
  const found = ORDER.indexOf(urgency(alarms));
  return found < 0 ? ORDER.length : found;
}

function badge(alarms) {
  const found = urgency(alarms);
  return element("span", URGENCY[found], { class: "badge", "data-urgency": found });
}

function figures(sump) {
  const list = element("dl", undefined, { class: "figures" });
  const show = (name, text) => list.append(element("dt", name), element("dd", text));
  for (const quantity of SHOWN) {
    const found = estimate(sump, quantity);
    show(NAMES[quantity], found === null ? "not known" : withUnit(number(found.value, quantity), found.unit));
  }
  for (const probe of sump.probes.filter((one) => one.quantity === "ph")) {
    show("pH", probe.value === null ? `not known (${probe.reason})` : number(probe.value, "ph"));
  }
  return list;
}

function sheet(sump) {
  const made = element("article", undefined, { class: "sheet", "data-urgency": urgency(sump.alarms) });
  const link = element("a", sump.title, { href: `#/sump/${encodeURIComponent(sump.name)}`, "data-key": sump.name });
  const head = element("h2");
  head.append(link, " ", badge(sump.alarms));
  const list = tasks(sump);
  const more = list.children.length - TASKS_SHOWN;
  while (list.children.length > TASKS_SHOWN) list.lastChild.remove();
  if (more > 0) list.append(element("li", `and ${more} more`, { class: "small" }));
  const silent = sump.alarms.filter(isSilenced).length;
  if (silent > 0) list.append(element("li", `${silent} silenced`, { class: "small" }));
  made.append(head, tank(sump), list, figures(sump));
  return made;
}

// The gateway's own alarms, and what it leaves away after crashes in its own words, as a sheet before all others.
function gateway(alarms, reduced) {
  if (alarms.length === 0 && reduced.length === 0) return [];
  const made = element("article", undefined, { class: "sheet", "data-urgency": urgency(alarms) });
  const head = element("h2", "The gateway itself");
  if (alarms.length > 0) head.append(" ", badge(alarms));
  made.append(head);
  if (reduced.length > 0) made.append(element("p", `The gateway runs reduced: ${reduced.join("; ")}.`));
  const list = element("ul", undefined, { class: "tasks" });
  list.append(...alarms.filter((alarm) => !isSilenced(alarm)).map(alarmItem));
  made.append(list);
  const silent = alarms.filter(isSilenced);
  if (silent.length > 0) {
    const quiet = element("ul", undefined, { class: "tasks" });
    quiet.append(...silent.map(alarmItem));
    made.append(section("Silenced", quiet));
  }
  return [made];
}

export function overview(shop) {
  const sumps = [...shop.sumps].sort((a, b) => rank(a.alarms) - rank(b.alarms));
  const made = element("div", undefined, { class: "overview" });
  made.append(...gateway(shop.alarms, shop.reduced), ...sumps.map(sheet));
  if (shop.sumps.length === 0) made.append(element("p", "No sump is configured yet. The first one will stand here."));
  return made;
}
