// One sump: what to do, the tank, figures with their intervals, what lies ahead, what has been, and why.

import { gateway } from "./gateway.js";
import { history } from "./history.js";
import { tank, tankWords } from "./tank.js";
import { NAMES, amount, badge, element, inFigures, inWords, number, section, silenced, tasks, urgency } from "./words.js";

const opened = new Set(); // details that stay open when the sheet is drawn anew

function row(list, label, value, quality) {
  list.append(element("dt", label));
  const cell = element("dd");
  if (value === null) {
    cell.append("not known");
  } else {
    cell.append(value.text);
    if (value.band) cell.append(" ", element("span", value.band, { class: "small" }));
  }
  if (quality.reason !== "") cell.append(" ", element("span", `(${quality.reason})`, { class: "small" }));
  list.append(cell);
}

function estimates(sump) {
  const list = element("dl", undefined, { class: "figures" });
  for (const estimate of sump.estimates) {
    const { quantity, value, low90, high90, unit } = estimate;
    const words = value === null ? null : inWords(quantity, value);
    const shown = value === null ? null : {
      text: words ?? amount(value, quantity, unit),
      band: words === null ? `${number(low90, quantity, unit)} to ${number(high90, quantity, unit)}` : "",
    };
    row(list, NAMES[quantity] ?? quantity, shown, estimate);
  }
  return list;
}

function probes(sump) {
  const list = element("dl", undefined, { class: "figures" });
  for (const probe of sump.probes) {
    const { quantity, value, unit } = probe;
    const shown = value === null ? null : { text: inWords(quantity, value) ?? amount(value, quantity, unit) };
    row(list, probe.name, shown, probe);
  }
  return list;
}

// What to mind while doing it, in the open: each caution once.
function cautions(sump) {
  const all = [...sump.fill.cautions, ...sump.advice.flatMap((advice) => advice.cautions)];
  const texts = new Set(all.map((caution) => caution.text));
  if (texts.size === 0) return "";
  const made = element("p", undefined, { class: "mind" });
  made.append(element("b", "Mind"), " ", [...texts].join(" "));
  return made;
}

function ahead(sump) {
  if (sump.outlook === null || sump.outlook.limits.length === 0) return "";
  const list = element("ul", undefined, { class: "tasks" });
  for (const limit of sump.outlook.limits) list.append(element("li", limit.text));
  return section("What lies ahead", list);
}

// Numbers, rules and cautions behind the advice.
function reasons(sump) {
  if (sump.advice.length === 0) return "";
  const key = `${sump.name}/reasons`;
  const made = element("details");
  made.open = opened.has(key);
  made.addEventListener("toggle", () => (made.open ? opened.add(key) : opened.delete(key)));
  made.append(element("summary", "Numbers, rules and cautions", { "data-key": key }));
  for (const advice of sump.advice) {
    made.append(element("p", advice.text));
    const numbers = element("dl", undefined, { class: "figures" });
    for (const { what, value, unit } of advice.numbers) {
      numbers.append(element("dt", what), element("dd", value === null ? "without end" : inFigures(value, unit)));
    }
    const words = element("ul");
    for (const { text, source } of [...advice.rules, ...advice.cautions]) {
      const item = element("li", text);
      item.append(" ", element("span", `(${source})`, { class: "small" }));
      words.append(item);
    }
    made.append(numbers, words);
  }
  return made;
}

function checks(sump) {
  if (sump.plan.checks.length === 0) return "";
  const list = element("dl", undefined, { class: "figures" });
  for (const check of sump.plan.checks) {
    list.append(element("dt", check.name), element("dd", check.due === null ? check.state : `${check.state}, due ${check.due}`));
  }
  return section("Checks", list);
}

export function sumpView(shop, name, range) {
  const sump = shop.sumps.find((one) => one.name === name);
  const made = element("div", undefined, { class: "one" });
  if (sump === undefined) {
    made.append(element("p", "There is no sump of this name. "), element("a", "All sumps", { href: "#/" }));
    return made;
  }
  const now = element("article", undefined, { class: "sheet", "data-urgency": urgency(sump.alarms) });
  const head = element("h2", sump.title, { tabindex: "-1", "data-key": "head" });
  head.append(" ", badge(sump.alarms));
  now.append(head, tank(sump), tasks(sump));
  now.append(element("p", `${sump.name}, ${sump.fluid}, target ${sump.target_percent} %. ${tankWords(sump)}.`, { class: "small wide" }));
  now.append(cautions(sump), silenced(sump.alarms), reasons(sump));
  const figures = element("article", undefined, { class: "sheet flat" });
  figures.append(section("Worked out, with 90 % intervals", estimates(sump)), section("Probes", probes(sump)), ahead(sump), checks(sump));
  const past = element("article", undefined, { class: "sheet flat past" });
  past.append(history(sump, shop.at, range));
  const back = element("nav");
  const link = (words, view) => element("a", words, { href: `#/${view}/${encodeURIComponent(name)}`, "data-key": view });
  back.append(element("a", "All sumps", { href: "#/", "data-key": "back" }), link("Log", "log"), link("Top-up", "topup"), link("Clean-out", "cleanout"), element("a", "Log book", { href: `/report?sump=${encodeURIComponent(name)}`, "data-key": "report" }));
  made.append(back, ...gateway(shop), now, figures, past);
  return made;
}
