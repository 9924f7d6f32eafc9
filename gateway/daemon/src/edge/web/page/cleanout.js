// The clean-out sheet of a sump: what to mind, how much of what, and the steps as the gateway sees them done.

import { get, send } from "./api.js";
import { button } from "./form.js";
import { may } from "./who.js";
import { amount, element, section } from "./words.js";

const AMOUNTS = [
  ["full_l", "A full sump"], ["cleaner_concentrate_l", "Cleaner concentrate", "cleaner_percent"], ["rinse_concentrate_l", "Coolant concentrate for the rinse", "rinse_percent"],
  ["recharge_concentrate_l", "Coolant concentrate for the fresh fill", "target_percent"], ["waste_l", "Waste at the most"],
];
const STEPS = {
  drain: "Drain", clean: "Circulate the cleaner", places: "Wipe the hidden places", "pump-out": "Pump the cleaner out", rinse: "Circulate the rinse",
  "pump-out-rinse": "Pump the rinse out", recharge: "Fill afresh",
};
const OUTCOMES = { open: "to do", done: "done", "cut-short": "cut short", "not-witnessed": "nobody saw it", "left-out": "left out" };

// What a clean-out of a sump takes follows from the configuration: asked for once.
const plans = new Map();

function plan(name) {
  const made = element("div");
  const draw = (found) => made.replaceChildren(section("Mind", mind(found)), section("How much", amounts(found)));
  const kept = plans.get(name);
  if (kept !== undefined) {
    draw(kept);
    return made;
  }
  get(`/sumps/${encodeURIComponent(name)}/cleanout-sheet`).then(
    (found) => {
      plans.set(name, found);
      draw(found);
    },
    (error) => made.replaceChildren(element("p", error.message, { class: "told wrong" })),
  );
  return made;
}

function amounts({ numbers }) {
  const list = element("dl", undefined, { class: "figures" });
  for (const [key, words, percent] of AMOUNTS) {
    const strength = percent === undefined ? "" : ` (${numbers[percent]} %)`;
    list.append(element("dt", words), element("dd", `${amount(numbers[key], "liquid_l", "L")}${strength}`));
  }
  list.append(element("dt", "Circulate the cleaner"), element("dd", `${numbers.clean_h} h`));
  list.append(element("dt", "Circulate the rinse"), element("dd", `${numbers.rinse_h} h`));
  return list;
}

function steps(cleanout) {
  const list = element("ol", undefined, { class: "steps" });
  for (const { step, outcome, text } of cleanout.steps) {
    const now = step === cleanout.step;
    const item = element("li", undefined, { "data-outcome": outcome });
    if (now) item.setAttribute("aria-current", "step");
    item.append(element("b", STEPS[step] ?? step), ` ${now ? "now" : OUTCOMES[outcome] ?? outcome}`);
    if (outcome !== "open") item.append(element("span", text, { class: "small" }));
    if (now && cleanout.hours !== null && cleanout.hours_wanted !== null) {
      item.append(element("progress", undefined, { max: cleanout.hours_wanted, value: Math.min(cleanout.hours, cleanout.hours_wanted), "aria-label": "Pump hours" }));
      item.append(` ${cleanout.hours.toFixed(1)} of ${cleanout.hours_wanted} pump hours`);
    }
    list.append(item);
  }
  return list;
}

function deeds(sump, stage, at, told) {
  if (!may("log")) return element("p", "Log in to begin a clean-out.", { class: "small" });
  const note = (value, words) => async () => {
    if (!confirm(`${words} the clean-out of ${sump.title}?`)) return "";
    await send("POST", "/notes", { sump: sump.name, kind: "cleanout", value, at: at() });
    return "Noted.";
  };
  const made = element("div", undefined, { class: "deeds" });
  if (stage === "running") made.append(button("Abandon it", note(0, "Abandon"), told, { "data-key": "cleanout" }));
  else made.append(button("Begin a clean-out", note(1, "Begin"), told, { "data-key": "cleanout" }));
  return made;
}

function mind(sheet) {
  const made = element("ul", undefined, { class: "mind" });
  for (const { text, source } of sheet.cautions) {
    const item = element("li", text);
    item.append(" ", element("span", `(${source})`, { class: "small" }));
    made.append(item);
  }
  return made;
}

// What is seen of it now.
function standing(sump) {
  const { cleanout } = sump.fill;
  const stage = { none: "None is under way.", suggested: "One is asked for.", running: "One is under way." }[cleanout.stage] ?? cleanout.stage;
  const words = [stage, cleanout.to_do, cleanout.limits_rest ? "Limits of this sump rest meanwhile." : null].filter(Boolean).join(" ");
  const made = [element("p", words)];
  if (cleanout.steps.length > 0) made.push(section(cleanout.stage === "running" ? "Steps" : "Steps of the last one", steps(cleanout)));
  if (cleanout.verdict !== null) made.push(section("The last one", element("p", cleanout.verdict)));
  if (cleanout.regrowth !== null) made.push(element("p", cleanout.regrowth));
  return made;
}

export function cleanoutView(shop, name) {
  const made = element("div", undefined, { class: "one narrow" });
  let sump = shop.sumps.find((one) => one.name === name);
  if (sump === undefined) {
    made.append(element("p", "There is no sump of this name. "), element("a", "All sumps", { href: "#/" }));
    return made;
  }
  const sheet = element("article", undefined, { class: "sheet flat" });
  const head = element("h2", `Clean-out: ${sump.title}`, { tabindex: "-1", "data-key": "head" });
  const [now, act] = [element("div", undefined, { class: "calibration" }), element("div")];
  const told = element("p", undefined, { role: "status", class: "told" });
  let [at, drawn, stage] = [shop.at, null, null];
  // Only what changed is drawn anew: what was said to a button stays.
  const draw = () => {
    const key = JSON.stringify(sump.fill.cleanout);
    if (key === drawn) return;
    drawn = key;
    now.replaceChildren(...standing(sump));
    if (stage === sump.fill.cleanout.stage) return;
    stage = sump.fill.cleanout.stage;
    act.replaceChildren(deeds(sump, stage, () => at, told));
  };
  draw();
  sheet.append(head, now, plan(name), act, told, element("p", sump.fill.cleanout.note, { class: "small" }));
  const back = element("nav");
  back.append(element("a", sump.title, { href: `#/sump/${encodeURIComponent(name)}` }));
  made.append(back, sheet);
  made.update = (next) => {
    at = next.at;
    sump = next.sumps.find((one) => one.name === name) ?? sump;
    draw();
  };
  return made;
}
