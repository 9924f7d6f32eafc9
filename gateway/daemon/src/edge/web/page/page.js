// Follows the shop, and shows the view that the address names.

import { alarmsView } from "./alarms.js";
import { calibrateView } from "./calibrate.js";
import { cleanoutView } from "./cleanout.js";
import { instrumentsView } from "./instruments.js";
import { follow } from "./live.js";
import { logView } from "./log.js";
import { overview } from "./overview.js";
import { peopleView } from "./people.js";
import { sumpView } from "./sump.js";
import { topUpView } from "./topup.js";
import { learn, touch, who } from "./who.js";
import { clock, element, isSilenced, tellZone } from "./words.js";

let shop = null;
let heard = null;
let shown = null;

// Name of each view, what draws it, whether it does without the shop.
const VIEWS = {
  "": () => overview(shop), sump: (name, range) => sumpView(shop, name, range), alarms: () => alarmsView(shop),
  log: (name, code) => logView(shop, name, code), cleanout: (name) => cleanoutView(shop, name), topup: (name) => topUpView(shop, name),
  instruments: () => instrumentsView(shop), calibrate: (sump, probe) => calibrateView(shop, sump, probe), people: () => peopleView(cameOrWent),
};

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

// A part of the address; one that was typed wrong names nothing, and the view says so.
function named(text) {
  try {
    return decodeURIComponent(text);
  } catch {
    return text;
  }
}

function address() {
  const [, kind = "", ...names] = location.hash.split("/");
  return { kind, names: names.filter((name) => name !== "").map(named) };
}

// Views that have something to show where the shop is not known, or not for everybody.
function withoutShop(kind, names) {
  return kind === "people" || (kind === "log" && names.length === 2);
}

function keyed(key) {
  return document.querySelector(`[data-key="${CSS.escape(key)}"]`);
}

// The view anew. Whoever works with the keyboard keeps the place.
function draw() {
  const { kind, names } = address();
  if (shop === null && !withoutShop(kind, names)) return;
  const focused = document.activeElement?.dataset?.key;
  shown = (VIEWS[kind] ?? VIEWS[""])(...names);
  document.getElementById("view").replaceChildren(shown);
  navigation(kind);
  if (focused !== undefined) keyed(focused)?.focus();
}

// What is new, into the view that stands there; one that somebody works in looks after itself.
function renew() {
  if (shown?.update !== undefined) shown.update(shop);
  else if (address().kind !== "people") draw();
  navigation(address().kind);
}

function navigation(kind) {
  const place = document.getElementById("ways");
  const loud = shop === null ? 0 : [shop, ...shop.sumps].flatMap(({ alarms }) => alarms).filter((alarm) => !isSilenced(alarm)).length;
  const person = who().person;
  const ways = [["", "Sumps"], ["alarms", loud === 0 ? "Alarms" : `Alarms (${loud})`], ["log", "Log"], ["instruments", "Instruments"], ["people", person === null ? "Log in" : person.name]];
  for (const [i, [view, words]] of ways.entries()) {
    const link = place.children[i] ?? place.appendChild(element("a", words, { href: `#/${view}` }));
    if (link.textContent !== words) link.textContent = words;
    if (view === kind) link.setAttribute("aria-current", "page");
    else link.removeAttribute("aria-current");
  }
}

// Said aloud only where it changes: the time of day beside it does every second.
function tell(text) {
  const place = document.getElementById("told");
  if (place.textContent !== text) place.textContent = text;
}

function lost(error) {
  if (error.status === 401) {
    tell("");
    const { kind, names } = address();
    if (!withoutShop(kind, names)) location.hash = "#/people";
    return;
  }
  const since = heard === null ? "" : `; what stands here is of ${clock(heard, true)}`;
  tell(`${error.message}${since}`);
  document.body.classList.add("old");
  if (heard === null) document.getElementById("view").replaceChildren(element("p", "Nothing has been heard of it yet."));
  else document.title = `Old since ${clock(heard, true)}: sumps of ${shop.site}`;
}

function changed(next) {
  shop = next;
  tellZone(shop.timezone);
  heard = new Date();
  document.getElementById("site").textContent = `Sumps of ${shop.site}`;
  document.title = `Sumps of ${shop.site}`;
  document.body.classList.remove("old");
  document.getElementById("fresh").textContent = `as of ${clock(new Date(shop.at), true)}`;
  tell("");
  messages(shop.receivers, shop.at);
  // A finger or a mouse on a link would find another one under it.
  if (pressed) return;
  if (shown === null) draw();
  else renew();
}

let pressed = false;
addEventListener("pointerdown", () => {
  pressed = true;
  touch();
});
addEventListener("keydown", touch);
for (const end of ["pointerup", "pointercancel"]) addEventListener(end, () => (pressed = false));
addEventListener("logged-out", () => (who().reads === "login" ? location.reload() : navigation(address().kind)));

addEventListener("hashchange", ({ oldURL }) => {
  const [, kindBefore, before] = new URL(oldURL).hash.split("/");
  draw();
  const { kind, names } = address();
  if (kind === kindBefore && names[0] === named(before ?? "")) return; // another range of the same sump
  scrollTo(0, 0);
  // A screen reader hears where it is now: at a view's heading, or back at the sump that was left.
  (keyed("head") ?? keyed(named(before ?? "")))?.focus();
});

const following = follow(changed, lost);
function cameOrWent() {
  // What somebody saw by their login is not left lying about for the next one.
  if (who().person === null && who().reads === "login") location.reload();
  following.again();
  draw();
}
learn().then(() => draw(), () => {});
