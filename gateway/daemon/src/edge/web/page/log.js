// Something to log: which machine, what, how much; done. A sticker on the machine leads here with the machine chosen.

import { get, send } from "./api.js";
import { field, form } from "./form.js";
import { entered, shownAs } from "./units.js";
import { may, who } from "./who.js";
import { element } from "./words.js";

const OFTEN = ["brix", "topup_l", "ph", "inspected", "dip_slide_cfu_ml", "hardness_mg_l"];
const WORDS = { brix: "Refractometer", topup_l: "Top-up", ph: "pH", inspected: "Looks and smells fine", dip_slide_cfu_ml: "Dip slide", hardness_mg_l: "Hardness" };
const QUANTITY = { topup_l: ["liquid_l", "L"], hardness_mg_l: ["hardness_mg_l", "mg/L"], makeup_hardness_mg_l: ["hardness_mg_l", "mg/L"], chip_depth_mm: ["level", "mm"] };
const NAME = "sumpwarden-name";
const OWN_VIEW = ["topup_percent", "cleanout"]; // with the top-up, and on the clean-out sheet

let kinds = null;

function remembered() {
  try {
    return localStorage.getItem(NAME) ?? "";
  } catch {
    return "";
  }
}

function remember(name) {
  try {
    localStorage.setItem(NAME, name);
  } catch {
    // A browser that keeps nothing asks again.
  }
}

// Which of the machines; the most urgent question first, so nothing else stands here.
function choose(shop) {
  const made = element("article", undefined, { class: "sheet flat" });
  made.append(element("h2", "Which machine?", { tabindex: "-1", "data-key": "head" }));
  const list = element("nav", undefined, { class: "choices", "aria-label": "Machines" });
  for (const sump of shop.sumps) list.append(element("a", sump.title, { href: `#/log/${encodeURIComponent(sump.name)}`, class: "button" }));
  made.append(list);
  return made;
}

function unitOf(kind) {
  const [quantity, unit] = QUANTITY[kind.kind] ?? [kind.kind, kind.unit];
  return { quantity, unit, shown: shownAs(quantity, unit)?.unit ?? kind.unit };
}

function number(kind, label) {
  const { shown } = unitOf(kind);
  const words = shown === "" ? label : `${label}, ${shown}`;
  return field(words, { inputmode: "decimal", autocomplete: "off", required: "" });
}

function valueOf(kind, input) {
  const { quantity, unit } = unitOf(kind);
  const value = entered(input.value, quantity, unit);
  if (value === null) throw new Error(`"${input.value}" is no number; write it as 5.2 or 5,2`);
  return value;
}

// What was noted, in a few words.
function inWords(note) {
  const found = [note.meaning];
  if (note.verdict !== null) found.push(`${note.verdict.judgement}: ${note.verdict.rule.text}`);
  for (const { check, due } of note.next) found.push(`next ${check.replace("_", " ")} due ${due}`);
  return `${note.copy ? "Was noted before" : "Noted"}: ${found.join(". ")}.`;
}

// Fields of a kind, and what they come to as notes.
function entry(kind, sump) {
  if (kind.kind === "topup_l") {
    const litres = number(kind, "How much");
    const percent = field("How strong, %", { inputmode: "decimal", autocomplete: "off", hint: "Leave it empty if nobody measured it. Plain water is 0." });
    return { fields: [litres, percent], notes: () => {
      const found = [{ kind: "topup_l", value: valueOf(kind, litres.input) }];
      if (percent.input.value.trim() !== "") {
        found.push({ kind: "topup_percent", value: valueOf({ kind: "topup_percent", unit: "%" }, percent.input) });
      }
      return found;
    } };
  }
  if (kind.entry === "number") {
    const value = number(kind, kind.noun);
    return { fields: [value], notes: () => [{ kind: kind.kind, value: valueOf(kind, value.input) }] };
  }
  if (kind.entry === "grade") {
    const grade = field(kind.noun, { options: kind.grades.map((words, i) => [i, words]) });
    return { fields: [grade], notes: () => [{ kind: kind.kind, value: Number(grade.input.value) }] };
  }
  if (kind.entry === "probe") {
    const probe = field("Which probe", { options: sump.probes.map(({ name }) => [name, name]) });
    return { fields: [probe], notes: () => [{ kind: kind.kind, probe: probe.input.value }] };
  }
  return { fields: [], notes: () => [{ kind: kind.kind }] };
}

function entryForm(kind, sump, now, sticker) {
  const { fields, notes } = entry(kind, sump);
  const text = field(kind.entry === "text" ? "What was done" : "Remark", { maxlength: 300, autocomplete: "off" });
  const all = [...fields, text];
  const person = who().person;
  const name = field("Your name", { maxlength: 64, autocomplete: "name", value: remembered(), required: "" });
  if (person === null) all.push(name);
  let at = null; // kept until it is noted: sent again with the same time, it is not noted twice
  return form("Save", all, async () => {
    const found = notes();
    if (person === null && name.input.value.trim() === "") throw new Error("say who you are: the log has to tell the next shift");
    at ??= now(); // by the gateway's clock: a phone's may be wrong
    const told = [];
    for (const note of found) {
      const by = person === null ? name.input.value.trim() : undefined;
      const words = text.input.value.trim();
      told.push(inWords(await send("POST", "/notes", { sump: sump.name, at, by, text: words === "" ? undefined : words, ...note }, person === null ? sticker : undefined)));
    }
    at = null;
    if (person === null) remember(name.input.value.trim());
    for (const { input } of fields) if (input.tagName === "INPUT") input.value = "";
    text.input.value = "";
    return told.join(" ");
  });
}

// What can be logged: the usual things as large buttons, everything else behind one more.
function kindChoice(place, sump, now, sticker) {
  const usual = OFTEN.map((word) => kinds.find(({ kind }) => kind === word)).filter((kind) => kind !== undefined);
  const beyond = sticker !== undefined && who().person === null ? ["calibrated"] : []; // a sticker is for readings
  const rest = kinds.filter(({ kind }) => ![...OFTEN, ...OWN_VIEW, ...beyond].includes(kind));
  const made = element("div");
  const one = (kind) => {
    const choice = element("button", WORDS[kind.kind] ?? kind.noun, { type: "button", class: "choice" });
    choice.addEventListener("click", () => {
      const head = element("h3", WORDS[kind.kind] ?? kind.noun);
      const back = element("button", "Something else", { type: "button", class: "plain" });
      back.addEventListener("click", () => kindChoice(place, sump, now, sticker));
      place.replaceChildren(head, entryForm(kind, sump, now, sticker), back);
      place.querySelector("input, select, button")?.focus();
    });
    return choice;
  };
  const often = element("div", undefined, { class: "choices" });
  often.append(...usual.map(one));
  const more = element("details");
  const others = element("div", undefined, { class: "choices" });
  others.append(...rest.map(one));
  more.append(element("summary", "Everything else"), others);
  made.append(often, more);
  place.replaceChildren(made);
}

// What a sticker shows where looking takes a login: its own machine, and nothing else.
async function ofSticker(name, sticker) {
  const sump = await get(`/sumps/${encodeURIComponent(name)}`, sticker);
  return { sump, at: () => new Date().toISOString() };
}

function refusal() {
  const line = element("p", who().person === null ? "Log in, or scan the sticker on the machine. " : "Your role may only look. ");
  line.append(element("a", "Log in", { href: "#/people" }));
  return line;
}

// `shop` is null where nobody has told it yet, or may.
export function logView(shop, name, code) {
  const made = element("div", undefined, { class: "one narrow" });
  let latest = shop;
  made.update = (next) => (latest = next); // what somebody types stays
  if (name === undefined) {
    if (shop !== null) made.append(choose(shop));
    return made;
  }
  const sticker = code === undefined ? undefined : `Sticker ${name}:${code}`;
  const here = shop?.sumps.find((one) => one.name === name);
  if (shop !== null && here === undefined) {
    made.append(element("p", "There is no sump of this name. "), element("a", "All machines", { href: "#/log" }));
    return made;
  }
  const sheet = element("article", undefined, { class: "sheet flat" });
  const head = element("h2", `Log: ${here?.title ?? name}`, { tabindex: "-1", "data-key": "head" });
  const place = element("div");
  place.append(element("p", "asking …", { class: "small" }));
  sheet.append(head, place);
  const back = element("nav");
  back.append(element("a", "Another machine", { href: "#/log" }));
  made.append(back, sheet);
  if (sticker === undefined && !may("log")) {
    place.replaceChildren(refusal());
    return made;
  }
  const known = here === undefined ? ofSticker(name, sticker) : Promise.resolve({ sump: here, at: () => latest.at });
  const asked = kinds === null ? get("/kinds").then((found) => (kinds = found.kinds)) : Promise.resolve(kinds);
  Promise.all([known, asked]).then(
    ([{ sump, at }]) => {
      head.textContent = `Log: ${sump.title}`;
      kindChoice(place, sump, at, sticker);
    },
    (error) => place.replaceChildren(element("p", error.message, { class: "told wrong" })),
  );
  return made;
}
