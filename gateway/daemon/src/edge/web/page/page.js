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

function view() {
  const [, kind, name, range] = location.hash.split("/");
  return kind === "sump" && name !== undefined ? sumpView(shop, decodeURIComponent(name), range) : overview(shop);
}

// Whoever works with the keyboard keeps the place when the sheets are drawn anew.
function show() {
  if (shop === null) return;
  const focused = document.activeElement?.dataset?.key;
  document.getElementById("view").replaceChildren(view());
  if (focused !== undefined) document.querySelector(`[data-key="${CSS.escape(focused)}"]`)?.focus();
}

async function refresh() {
  const fresh = document.getElementById("fresh");
  try {
    const answer = await fetch("/state", { signal: AbortSignal.timeout(5_000) });
    if (!answer.ok) throw new Error(`answer ${answer.status}`);
    shop = await answer.json();
    heard = new Date();
    document.getElementById("site").textContent = `Sumps of ${shop.site}`;
    document.title = `Sumps of ${shop.site}`;
    document.body.classList.remove("old");
    fresh.textContent = `as of ${new Date(shop.at).toLocaleTimeString()}`;
    messages(shop.receivers, shop.at);
    show();
  } catch (error) {
    document.body.classList.add("old");
    const since = heard === null ? "" : `; what stands here is of ${heard.toLocaleTimeString()}`;
    fresh.textContent = `the gateway does not answer (${error.message})${since}`;
    if (shop === null) document.getElementById("view").replaceChildren(element("p", "Nothing has been heard of it yet."));
  }
}

addEventListener("hashchange", ({ oldURL }) => {
  const before = new URL(oldURL).hash.split("/")[2];
  show();
  if (before === location.hash.split("/")[2]) return; // another range of the same sump
  scrollTo(0, 0);
  // A screen reader hears where it is now.
  document.querySelector("#view h2[tabindex]")?.focus();
});
refresh();
setInterval(refresh, EVERY);
