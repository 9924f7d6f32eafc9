// Alarms: what stands, what is silenced, and what somebody does about it.

import { send } from "./api.js";
import { button, field, form } from "./form.js";
import { may, who } from "./who.js";
import { ORDER, alarmItem, element, isSilenced, moment, section } from "./words.js";

const TIMES = [[60, "an hour"], [480, "a shift, 8 h"], [1440, "a day"], [4320, "three days"], [10080, "a week"]];

function all(shop) {
  const of = (holder, title, name) => holder.alarms.map((alarm) => ({ alarm, title, name }));
  const found = [...of(shop, "the gateway", null), ...shop.sumps.flatMap((sump) => of(sump, sump.title, sump.name))];
  return found.sort((a, b) => ORDER.indexOf(a.alarm.priority) - ORDER.indexOf(b.alarm.priority));
}

function order(alarm, what, more) {
  return send("POST", "/alarms", { alarm: alarm.id, do: what, ...more });
}

// Words for why: an alarm that is silent without a reason is one nobody takes up again.
function silence(words, alarm, what, times) {
  const made = element("details", undefined, { class: "inline" });
  const why = field("Why", { maxlength: 300, required: "", autocomplete: "off", hint: "The next shift reads it." });
  const time = field("For how long", { options: TIMES });
  const fields = times ? [time, why] : [why];
  made.append(element("summary", words, { "data-key": `${alarm.id}/${what}` }), form(words, fields, async () => {
    const minutes = times ? Number(time.input.value) : undefined;
    await order(alarm, what, { why: why.input.value.trim(), minutes });
    made.open = false;
    return "done";
  }));
  return made;
}

// What can be done about it as it stands, for whoever may.
function deeds(alarm) {
  const told = element("p", undefined, { role: "status", class: "told" });
  const made = element("div", undefined, { class: "deeds" });
  const now = (words, what, more) => made.append(button(words, () => order(alarm, what, more), told, { "data-key": `${alarm.id}/${what}` }));
  if (alarm.state === "UNACK" || alarm.state === "RTNUN") now("Seen", "acknowledge", { occurrence: alarm.occurrence });
  if (alarm.state === "LATCH") now("Reset", "reset");
  if (alarm.state === "SHLVD") now("No longer silent", "unshelve");
  if (alarm.state === "OOSRV" && may("manage")) now("Back in service", "return", { why: "back in service" });
  if (!isSilenced(alarm)) {
    made.append(silence("Shelve", alarm, "shelve", true));
    if (may("manage")) made.append(silence("Out of service", alarm, "remove", false));
  }
  made.append(told);
  return made;
}

function item({ alarm, title, name }) {
  const made = alarmItem(alarm);
  const where = name === null ? element("span", title) : element("a", title, { href: `#/sump/${encodeURIComponent(name)}` });
  const line = element("span", undefined, { class: "small" });
  line.append(" ", where, alarm.since === null ? "" : `, since ${moment(alarm.since)}`);
  made.append(line);
  if (may("log")) made.append(deeds(alarm));
  return made;
}

function list(heading, found) {
  const made = element("ul", undefined, { class: "tasks" });
  made.append(...found.map(item));
  return section(heading, made);
}

function draw(shop, place) {
  const found = all(shop);
  const parts = [
    ["To be seen to", found.filter(({ alarm }) => alarm.state === "UNACK" || alarm.state === "RTNUN" || alarm.state === "LATCH")],
    ["Seen", found.filter(({ alarm }) => alarm.state === "ACKED")],
    ["Silenced", found.filter(({ alarm }) => isSilenced(alarm))],
  ];
  place.replaceChildren(...parts.filter(([, of]) => of.length > 0).map(([heading, of]) => list(heading, of)));
  if (found.length === 0) place.append(element("p", "No alarm stands.", { class: "fit" }));
}

export function alarmsView(shop) {
  const made = element("div", undefined, { class: "one narrow" });
  const sheet = element("article", undefined, { class: "sheet flat" });
  sheet.append(element("h2", "Alarms", { tabindex: "-1", "data-key": "head" }));
  if (who().person === null) {
    const line = element("p", "To see to an alarm, ", { class: "small" });
    line.append(element("a", "log in", { href: "#/people" }), ".");
    sheet.append(line);
  }
  const place = element("div", undefined, { class: "alarms" });
  draw(shop, place);
  sheet.append(place);
  made.append(sheet);
  // Drawn anew only where alarms changed, so that what was said to a button stays; whoever writes down why is not disturbed.
  const told = (next) => JSON.stringify(all(next));
  let drawn = told(shop);
  made.update = (next) => {
    const focused = document.activeElement?.dataset?.key;
    if (place.querySelector("details[open] :focus") !== null || told(next) === drawn) return;
    drawn = told(next);
    draw(next, place);
    if (focused !== undefined) document.querySelector(`[data-key="${CSS.escape(focused)}"]`)?.focus();
  };
  return made;
}
