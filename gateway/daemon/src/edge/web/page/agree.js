// Who is wrong, the probe or the reading by hand: what people noted beside what stood there at that time.

import { get } from "./api.js";
import { NAMES, amount, element, moment } from "./words.js";

const DAY = 86_400_000;
const DAYS = 60;
const AROUND = DAY / 24;
const SHOWN = 6;

// How far a reading by hand may be off by itself: a pH strip, a refractometer with a fresh factor, a hardness strip (common
// practice, no source).
const BY_HAND = {
  ph: { of: (sump) => sump.probes.find((probe) => probe.quantity === "ph")?.name, off: () => 0.3, quantity: "ph", cure: "Take a fresh strip or a calibrated hand meter; if it says the same again, calibrate the probe." },
  concentration_percent: { of: () => "concentration_percent", off: () => 0.5, quantity: "concentration_percent", cure: "Zero the refractometer with the shop's water, skim the oil, look at the product's factor, and read again." },
  hardness_mg_l: { of: () => "hardness_mg_l", off: (value) => 0.2 * value, quantity: "hardness_mg_l", cure: "Take a fresh strip; have the water analysed if it says the same again." },
};

// What stood there around the time of a note: the nearest bucket, with what lies around it.
async function stoodThere(sump, of, at) {
  const time = (ms) => new Date(ms).toISOString();
  const query = new URLSearchParams({ of, from: time(at - AROUND), until: time(at + AROUND), points: 24 });
  const { series } = await get(`/sumps/${encodeURIComponent(sump.name)}/trend?${query}`);
  const points = series.find((one) => one.of === of)?.points ?? [];
  return { unit: series[0]?.unit ?? "", point: points.toSorted((a, b) => Math.abs(a[0] - at) - Math.abs(b[0] - at))[0] ?? null };
}

function verdict(kind, value, [, mean, low, high]) {
  const own = kind.off(value);
  if (value >= low - own && value <= high + own) return { agree: true, text: "they agree" };
  return { agree: false, text: `apart by more than both explain. ${kind.cure}`, mean };
}

async function line(sump, record) {
  const kind = BY_HAND[record.state];
  const at = Date.parse(record.at);
  const of = kind.of(sump);
  const item = element("li");
  if (of === undefined) return null;
  const { unit, point } = await stoodThere(sump, of, at);
  const hand = `${NAMES[of] ?? "pH"} ${amount(record.value, kind.quantity, unit)} by hand on ${moment(record.at)}`;
  if (point === null) {
    item.append(`${hand}: nothing else is known of that hour`);
    return item;
  }
  const { agree, text } = verdict(kind, record.value, point);
  item.dataset.good = agree;
  const found = `${of === record.state && of !== "ph" ? "worked out" : "by the probe"} ${amount(point[1], kind.quantity, unit)}`;
  item.append(`${hand}, ${found}: `, element("b", text));
  return item;
}

// Fills `place` with the last readings by hand of a sump, each beside what stood there.
export async function agreement(sump, at, place) {
  const from = new Date(Date.parse(at) - DAYS * DAY).toISOString();
  const { records } = await get(`/journal?sump=${encodeURIComponent(sump.name)}&from=${from}&limit=1000`);
  const notes = records.filter((record) => record.subject === "note" && Object.hasOwn(BY_HAND, record.state) && record.value !== null);
  const lines = await Promise.all(notes.slice(0, SHOWN).map((record) => line(sump, record)));
  const list = element("ul");
  list.append(...lines.filter((one) => one !== null));
  place.replaceChildren(list.children.length > 0 ? list : element("p", "Nobody noted a pH, a concentration or a hardness by hand of late.", { class: "small" }));
}
