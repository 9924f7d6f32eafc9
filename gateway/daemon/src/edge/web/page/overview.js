// All sumps, whoever needs somebody first at the top: what to do, then the tank and the figures that are asked for most.

import { gateway } from "./gateway.js";
import { tank } from "./tank.js";
import { NAMES, ORDER, amount, badge, element, silenced, tasks, urgency } from "./words.js";

const SHOWN = ["concentration_percent", "hardness_mg_l"];
const TASKS_SHOWN = 3;

function rank(alarms) {
  const found = ORDER.indexOf(urgency(alarms));
  return found < 0 ? ORDER.length : found;
}

function figures(sump) {
  const list = element("dl", undefined, { class: "figures" });
  const show = (name, text) => list.append(element("dt", name), element("dd", text));
  const inWords = ({ value, unit, reason }, quantity) => {
    const text = value === null ? "not known" : amount(value, quantity, unit);
    return reason === "" ? text : `${text} (${reason})`;
  };
  for (const quantity of SHOWN) {
    const found = sump.estimates.find((one) => one.quantity === quantity);
    if (found !== undefined) show(NAMES[quantity], inWords(found, quantity));
  }
  for (const probe of sump.probes.filter((one) => one.quantity === "ph")) show("pH", inWords(probe, "ph"));
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
  made.append(head, tank(sump), list, figures(sump), silenced(sump.alarms));
  return made;
}

export function overview(shop) {
  const sumps = [...shop.sumps].sort((a, b) => rank(a.alarms) - rank(b.alarms));
  const made = element("div", undefined, { class: "overview" });
  made.append(...gateway(shop), ...sumps.map(sheet));
  if (shop.sumps.length === 0) made.append(element("p", "No sump is configured yet. The first one will stand here."));
  return made;
}
