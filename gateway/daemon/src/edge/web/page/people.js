// Logging in, one's own password and units; for whoever manages, everybody.

import { get, send } from "./api.js";
import { button, field, form } from "./form.js";
import { logIn, logOut, learn, may, who } from "./who.js";
import { current } from "./units.js";
import { element, section } from "./words.js";

const ROLES = [["look", "look"], ["log", "log: notes, calibration, alarms"], ["manage", "manage: people, stickers, everything"]];
const NAME = { autocomplete: "username", autocapitalize: "none", spellcheck: "false", maxlength: 48, required: "" };

function sheet(...parts) {
  const made = element("article", undefined, { class: "sheet flat" });
  made.append(...parts);
  return made;
}

const OPEN_AIR = "This connection can be listened in on, so nobody can log in over it. Whoever manages the gateway gives it a certificate.";

function loginForm(then) {
  const name = field("Name", NAME);
  const password = field("Password", { type: "password", autocomplete: "current-password", required: "" });
  return form("Log in", [name, password], async () => {
    await logIn(name.input.value.trim(), password.input.value);
    password.input.value = "";
    then();
  });
}

function firstForm(then) {
  const code = field("Code", { autocomplete: "one-time-code", hint: "It stands in the daemon's log, and holds for an hour after its start." });
  const name = field("Your name", NAME);
  const password = field("Password", { type: "password", autocomplete: "new-password", hint: "At least 8 characters; three or four words are good." });
  return form("Make the first person", [code, name, password], async () => {
    const body = { name: name.input.value.trim(), role: "manage", password: password.input.value };
    await send("POST", "/people", body, `Bearer ${code.input.value.trim()}`);
    await logIn(body.name, body.password);
    then();
  });
}

function unitsForm(then) {
  const now = current();
  const choices = [
    ["system", "Volume, temperature, length", [["metric", "L, °C, mm"], ["us", "US gal, °F, in"]]],
    ["hardness", "Hardness", [["mg-l", "mg/L as CaCO3"], ["dh", "°dH"], ["fh", "°fH"], ["gpg", "grains a gallon"]]],
    ["conductivity", "Conductivity", [["us-cm", "µS/cm"], ["ms-cm", "mS/cm"]]],
  ].map(([key, label, options]) => ({ key, ...field(label, { options }) }));
  for (const { key, input } of choices) input.value = now[key];
  return form("Use these units", choices, async () => {
    await send("PUT", "/session/units", Object.fromEntries(choices.map(({ key, input }) => [key, input.value])));
    await learn();
    then();
    return "These are your units now.";
  });
}

function passwordForm() {
  const old = field("Password until now", { type: "password", autocomplete: "current-password" });
  const fresh = field("New password", { type: "password", autocomplete: "new-password", hint: "At least 8 characters; three or four words are good." });
  return form("Change the password", [old, fresh], async () => {
    await send("PUT", "/session/password", { old: old.input.value, new: fresh.input.value });
    old.input.value = "";
    fresh.input.value = "";
    return "Changed. Other devices of yours are logged out.";
  });
}

// Everybody, with what can be changed of them.
async function everybody(place) {
  const { people } = await get("/people");
  const list = element("ul", undefined, { class: "rows" });
  const told = element("p", undefined, { role: "status", class: "told" });
  const again = () => everybody(place);
  for (const { name, role } of people) {
    const item = element("li");
    const choice = field(name, { options: ROLES });
    choice.input.value = role;
    const change = button("change", async () => {
      await send("PUT", `/people/${encodeURIComponent(name)}`, { role: choice.input.value });
      if (name === who().person?.name) await learn();
      await again();
      return `${name} has the new role, and logs in again.`;
    }, told, { "aria-label": `change the role of ${name}` });
    const leave = button("take out", async () => {
      if (!confirm(`Take ${name} out? They are logged out at once.`)) return "";
      await send("DELETE", `/people/${encodeURIComponent(name)}`);
      await again();
      return `${name} is out.`;
    }, told, { "aria-label": `take ${name} out` });
    item.append(choice.place, change, leave);
    list.append(item);
  }
  place.replaceChildren(list, told, addForm(again));
}

function addForm(then) {
  const name = field("Name of a new person", { ...NAME, autocomplete: "off" });
  const role = field("Role", { options: ROLES });
  const password = field("Password", { type: "password", autocomplete: "new-password", hint: "They can change it themselves." });
  return form("Make this person", [name, role, password], async () => {
    await send("POST", "/people", { name: name.input.value.trim(), role: role.input.value, password: password.input.value });
    await then();
    return "Made.";
  });
}

// `then` is called when somebody came or went.
export function peopleView(then) {
  const made = element("div", undefined, { class: "one narrow" });
  const { person, first_start: first, sheltered } = who();
  if (person === null) {
    const head = element("h2", first ? "The first person" : "Log in", { tabindex: "-1", "data-key": "head" });
    if (!sheltered) made.append(sheet(head, element("p", OPEN_AIR)));
    else made.append(sheet(head, first ? firstForm(then) : loginForm(then)));
    return made;
  }
  const told = element("p", undefined, { role: "status", class: "told" });
  const head = element("h2", person.name, { tabindex: "-1", "data-key": "head" });
  const out = button("Log out", async () => { await logOut(); then(); }, told);
  made.append(sheet(head, element("p", `Role: ${person.role}.`), out, told));
  made.append(sheet(section("Units", unitsForm(then))), sheet(section("Password", passwordForm())));
  if (may("manage")) {
    const place = element("div");
    place.append(element("p", "asking …", { class: "small" }));
    everybody(place).catch((error) => place.replaceChildren(element("p", error.message)));
    made.append(sheet(section("People", place)));
  }
  return made;
}
