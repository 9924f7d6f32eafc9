// Health of the instruments: each probe with its value, how good it is and why, when it was read and when it is to be calibrated.

import { agreement } from "./agree.js";
import { get } from "./api.js";
import { amount, element, inWords, moment, section } from "./words.js";

const CALIBRATED = ["ph", "conductivity"];

function calibration(sump, probe) {
  if (!CALIBRATED.includes(probe.quantity)) return "";
  if (!probe.calibrated_here) return element("span", "calibrated at its device; log it when it is done", { class: "small" });
  const due = sump.plan.calibrations.find((one) => one.probe === probe.name);
  const words = due === undefined ? "calibrate" : `calibrate (${due.state}, ${due.due})`;
  const place = `#/calibrate/${encodeURIComponent(sump.name)}/${encodeURIComponent(probe.name)}`;
  return element("a", words, { href: place, "data-key": `calibrate/${sump.name}/${probe.name}`, "aria-label": `${words} ${probe.name} of ${sump.title}` });
}

function row(sump, probe) {
  const made = element("li");
  const { value, quantity, unit, reason, status, device } = probe;
  const shown = value === null ? "not known" : inWords(quantity, value) ?? amount(value, quantity, unit);
  const good = status === "Good" && reason === "";
  made.dataset.good = good;
  const words = good ? "good" : [reason, device === "normal" ? "" : device, status].filter((text) => text !== "").join(", ");
  const read = probe.at === null ? "never read" : `read ${moment(probe.at)}`;
  const about = element("span", undefined, { class: "small" });
  about.append(element("b", words), `, ${read}`);
  made.append(element("span", probe.name, { class: "name" }), element("span", shown, { class: "value" }), about, calibration(sump, probe));
  return made;
}

const opened = new Map(); // comparisons that stay open when the view is drawn anew

// Readings by hand beside the probes', asked for when somebody opens it.
function compared(sump, at) {
  const kept = opened.get(sump.name);
  if (kept !== undefined) return kept;
  const made = element("details");
  const place = element("div");
  made.append(element("summary", "Who is right, probe or hand?", { "data-key": `agree/${sump.name}` }), place);
  made.addEventListener("toggle", () => {
    if (!made.open) {
      opened.delete(sump.name);
      return;
    }
    opened.set(sump.name, made);
    place.replaceChildren(element("p", "asking …", { class: "small" }));
    agreement(sump, at, place).catch((error) => place.replaceChildren(element("p", error.message, { class: "told wrong" })));
  });
  return made;
}

function sheet(sump, at) {
  const made = element("article", undefined, { class: "sheet flat" });
  const head = element("h2");
  head.append(element("a", sump.title, { href: `#/sump/${encodeURIComponent(sump.name)}`, "data-key": `instruments/${sump.name}` }));
  const list = element("ul", undefined, { class: "instruments" });
  list.append(...sump.probes.map((probe) => row(sump, probe)));
  made.append(head, list, compared(sump, at));
  return made;
}

const EVERY = 5_000;
const COUNTS = [["silent", "without a reply"], ["damaged", "damaged"], ["refused", "refused"], ["skipped", "left out"]];

function device({ name, asked, answered, ...counts }) {
  const wrong = COUNTS.filter(([key]) => counts[key] > 0).map(([key, words]) => `${counts[key]} ${words}`);
  const share = asked === 0 ? "not asked yet" : `${answered} of ${asked} answered`;
  const made = element("li");
  made.append(element("span", name, { class: "name" }), element("span", share, { class: "value" }), element("span", wrong.join(", ") || "nothing went wrong", { class: "small" }));
  return made;
}

function bus({ name, connected, standing_by: standsBy, polled_by: other, line_load_percent: load, devices }) {
  const full = load === null ? "" : `, line ${load.toFixed(1)} % full`;
  const list = element("ul", undefined, { class: "instruments" });
  list.append(...devices.map(device));
  const state = standsBy ? `standing by${other === null ? "" : `, ${other} polls it`}` : connected ? "open" : "not open";
  return section(`Bus ${name}: ${state}${full}`, list);
}

// The wires themselves: asked for every few seconds while somebody looks.
const lines = element("article", undefined, { class: "sheet flat" });
let asked = 0;

function wires() {
  if (Date.now() - asked > EVERY) {
    asked = Date.now();
    get("/buses").then(
      ({ buses }) => lines.replaceChildren(element("h2", "Wires"), ...(buses.length === 0 ? [element("p", "No bus is configured.")] : buses.map(bus))),
      (error) => lines.replaceChildren(element("h2", "Wires"), element("p", error.message, { class: "told wrong" })),
    );
  }
  return lines;
}

export function instrumentsView(shop) {
  const made = element("div", undefined, { class: "one" });
  made.append(element("h2", "Instruments", { tabindex: "-1", "data-key": "head", class: "wide" }), ...shop.sumps.map((sump) => sheet(sump, shop.at)), wires());
  return made;
}
