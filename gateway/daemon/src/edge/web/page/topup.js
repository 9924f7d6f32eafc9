// The top-up calculator: what is in, what is wanted, what to pour. Reckoned by the gateway, as everything is.

import { get } from "./api.js";
import { field, form } from "./form.js";
import { entered, shownAs } from "./units.js";
import { amount, element, estimate, number, section } from "./words.js";

function volume(label, litres) {
  const unit = shownAs("liquid_l", "L")?.unit ?? "L";
  const value = litres === null ? "" : number(litres, "liquid_l", "L");
  return field(`${label}, ${unit}`, { inputmode: "decimal", autocomplete: "off", value });
}

function percent(label, value, hint) {
  return field(`${label}, %`, { inputmode: "decimal", autocomplete: "off", value: value === null ? "" : value.toFixed(1), hint });
}

function read(input, quantity, unit, words) {
  const value = entered(input.value, quantity, unit);
  if (value === null) throw new Error(`${words}: "${input.value}" is no number; write it as 5.2 or 5,2`);
  return value;
}

const OUTCOMES = {
  "as-it-is": "Nothing: it is there already.", reached: "This brings litres and concentration to what is wanted.",
  "stays-too-strong": "Even the weakest premix leaves it too strong.", "stays-too-weak": "Even the strongest premix leaves it too weak.",
  "too-full": "There is more in it than it is to be filled up to.",
};

function poured(heading, { litres, premix_percent: percent, concentrate_l: concentrate, water_l: water }) {
  const list = element("dl", undefined, { class: "figures" });
  const show = (what, value) => list.append(element("dt", what), element("dd", amount(value, "liquid_l", "L")));
  show("Water first", water);
  show("then concentrate", concentrate);
  show(`together, at ${percent.toFixed(1)} %`, litres);
  return section(heading, list);
}

// Words and numbers of an answer.
function told({ numbers, rules, cautions }) {
  const made = element("div", undefined, { class: "answer" });
  made.append(element("p", OUTCOMES[numbers.outcome] ?? numbers.outcome, { class: "large" }));
  if (numbers.pour !== null) made.append(poured("Mix beforehand and pour in", numbers.pour));
  if (numbers.outcome !== "as-it-is") {
    made.append(element("p", `Afterwards: ${amount(numbers.reached.litres, "liquid_l", "L")} at ${numbers.reached.percent.toFixed(1)} %.`));
  }
  if (numbers.drain !== null) {
    made.append(element("p", `To reach it all the same: draw off ${amount(numbers.drain.waste_l, "liquid_l", "L")} as waste first.`));
    made.append(poured("Then mix and fill in", numbers.drain.refill));
  }
  const words = element("ul", undefined, { class: "mind" });
  for (const { text, source } of [...cautions, ...rules]) {
    const item = element("li", text);
    item.append(" ", element("span", `(${source})`, { class: "small" }));
    words.append(item);
  }
  made.append(words);
  return made;
}

export function topUpView(shop, name) {
  const made = element("div", undefined, { class: "one narrow" });
  made.update = () => {}; // what somebody types stays
  const sump = shop.sumps.find((one) => one.name === name) ?? null;
  const liquid = sump === null ? null : estimate(sump, "liquid_l")?.value ?? null;
  const room = sump === null ? null : estimate(sump, "room_l")?.value ?? null;
  const now = sump === null ? null : estimate(sump, "concentration_percent")?.value ?? null;
  const litres = volume("In the sump now", liquid);
  const to = volume("Fill up to", liquid === null || room === null ? null : liquid + Math.max(0, room));
  const strength = percent("Concentration now", now, "Refractometer reading times the product's factor.");
  const wanted = percent("Concentration wanted", sump?.target_percent ?? null);
  const answer = element("div", undefined, { role: "status" });
  const asked = form("What to pour", [litres, strength, to, wanted], async () => {
    answer.replaceChildren();
    const query = new URLSearchParams({
      litres: read(litres.input, "liquid_l", "L", "In the sump now"), percent: read(strength.input, "percent", "%", "Concentration now"),
      to_litres: read(to.input, "liquid_l", "L", "Fill up to"), to_percent: read(wanted.input, "percent", "%", "Concentration wanted"),
    });
    answer.replaceChildren(told(await get(`/mix?${query}`)));
    return "";
  });
  const sheet = element("article", undefined, { class: "sheet flat" });
  sheet.append(element("h2", sump === null ? "Top-up" : `Top-up: ${sump.title}`, { tabindex: "-1", "data-key": "head" }), asked, answer);
  const back = element("nav");
  if (sump !== null) back.append(element("a", sump.title, { href: `#/sump/${encodeURIComponent(name)}` }), element("a", "Log a top-up", { href: `#/log/${encodeURIComponent(name)}` }));
  made.append(back, sheet);
  return made;
}
