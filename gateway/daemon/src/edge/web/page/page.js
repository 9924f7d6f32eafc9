// Asks the gateway for the shop, and shows the view that the address names: all sumps, or one.

import { element } from "./words.js";
import { overview } from "./overview.js";
import { sumpView } from "./sump.js";

const EVERY = 2_000;
let shop = null;
let heard = null;

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

function view() {
  const [, kind, name, range] = location.hash.split("/");
  return kind === "sump" && name !== undefined ? sumpView(shop, named(name), range) : overview(shop);
}

function keyed(key) {
  return document.querySelector(`[data-key="${CSS.escape(key)}"]`);
}

// Whoever works with the keyboard keeps the place when the sheets are drawn anew.
function show() {
  if (shop === null) return;
  const focused = document.activeElement?.dataset?.key;
  document.getElementById("view").replaceChildren(view());
  if (focused !== undefined) keyed(focused)?.focus();
}

// Said aloud only where it changes: the time of day beside it does every two seconds.
function tell(text) {
  const place = document.getElementById("told");
  if (place.textContent !== text) place.textContent = text;
}

async function ask() {
  const answer = await fetch("/state", { signal: AbortSignal.timeout(5_000) });
  if (!answer.ok) throw new Error(`answer ${answer.status}`);
  return answer.json();
}

function isOld(error) {
  const since = heard === null ? "" : `; what stands here is of ${heard.toLocaleTimeString()}`;
  tell(`the gateway does not answer (${error.message})${since}`);
  document.body.classList.add("old");
  if (heard === null) document.getElementById("view").replaceChildren(element("p", "Nothing has been heard of it yet."));
  else document.title = `Old since ${heard.toLocaleTimeString()}: sumps of ${shop.site}`;
}

async function refresh() {
  try {
    shop = await ask();
  } catch (error) {
    isOld(error);
    return;
  }
  heard = new Date();
  document.getElementById("site").textContent = `Sumps of ${shop.site}`;
  document.title = `Sumps of ${shop.site}`;
  document.body.classList.remove("old");
  document.getElementById("fresh").textContent = `as of ${new Date(shop.at).toLocaleTimeString()}`;
  tell("");
  messages(shop.receivers, shop.at);
  // A finger or a mouse on a link would find another one under it.
  if (!pressed) show();
}

let pressed = false;
addEventListener("pointerdown", () => (pressed = true));
for (const end of ["pointerup", "pointercancel"]) addEventListener(end, () => (pressed = false));

addEventListener("hashchange", ({ oldURL }) => {
  const before = new URL(oldURL).hash.split("/")[2];
  show();
  if (before === location.hash.split("/")[2]) return; // another range of the same sump
  scrollTo(0, 0);
  // A screen reader hears where it is now: at a sump's heading, or back at the sump that was left.
  (keyed("head") ?? keyed(named(before ?? "")))?.focus();
});
refresh();
setInterval(refresh, EVERY);
