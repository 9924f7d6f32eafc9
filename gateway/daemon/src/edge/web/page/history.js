// What has been: curves on one time axis, and what happened in words. The range stands in the address, so that it can be sent
// to somebody. Drawn anew when the range changes and once a minute; the rest of the page goes on meanwhile.

import { get } from "./api.js";
import { curve } from "./curve.js";
import { NAMES, element, moment } from "./words.js";

const HOUR = 3_600_000;
const RANGES = { hour: HOUR, day: 24 * HOUR, week: 168 * HOUR, month: 731 * HOUR, year: 8766 * HOUR, "five-years": 43830 * HOUR };
const OF = ["concentration_percent", "hardness_mg_l", "liquid_l", "chip_solids_l"];
const RECORDS = 40;
const SERIES_MAX = 24; // as many as the gateway gives at once
const TWO_COLUMNS = 820;
const COLUMN_GAP = 24;
const STALE = 60_000;

const kept = { sump: null, range: null, width: 0, at: 0, drawn: null, asked: 0 };

function limitsOf(sump, of) {
  const found = sump.limits.filter((limit) => limit.of === of).map((limit) => ({ at: limit.at, text: limit.name }));
  if (of === "concentration_percent") found.push({ at: sump.target_percent, text: "target" });
  return found;
}

// A contact and a total say nothing as a curve: what they mean is in the estimates and in what happened.
function drawnProbes(sump) {
  return sump.probes.filter((probe) => probe.quantity !== "flow_total" && probe.quantity !== "pump_running");
}

function curves(sump, trends, records, from, until, width) {
  const wanted = [...OF, ...drawnProbes(sump).map((probe) => probe.name)];
  const shown = wanted.map((of) => trends.series.find((series) => series.of === of)).filter((series) => series !== undefined);
  const events = records.map((record) => Date.parse(record.at)).filter((at) => at >= from && at <= until);
  return shown.map((series) => curve({
    title: NAMES[series.of] ?? (series.of === "ph" ? "pH" : series.of), series, quantity: series.estimated ? series.of : series.quantity,
    limits: limitsOf(sump, series.of).filter((limit) => near(limit.at, series.points)), events, from, until, width,
  }));
}

// A limit far away would press the curve flat.
function near(limit, points) {
  if (points.length === 0) return false;
  const low = Math.min(...points.map((point) => point[2]));
  const high = Math.max(...points.map((point) => point[3]));
  const reach = Math.max(high - low, Math.abs(high) * 0.1);
  return limit >= low - reach && limit <= high + reach;
}

function happened({ records, next_until: more }) {
  if (records.length === 0) return element("p", "Nothing happened in this time.", { class: "small" });
  const list = element("ol", undefined, { class: "records" });
  for (const record of records) {
    const item = element("li");
    item.append(element("time", moment(record.at), { datetime: record.at }), " ");
    if (record.message === "") item.append(`${record.subject}: ${record.state}`);
    else item.append(record.message);
    list.append(item);
  }
  if (more !== null) list.append(element("li", "what happened before is not listed here", { class: "small" }));
  return list;
}

async function load(sump, place, at) {
  const until = Date.parse(at);
  const from = until - RANGES[kept.range];
  const time = (ms) => new Date(ms).toISOString();
  const asked = ++kept.asked;
  const across = place.clientWidth || 600;
  const columns = across >= TWO_COLUMNS ? 2 : 1;
  const width = Math.max(260, Math.floor((across - (columns - 1) * COLUMN_GAP) / columns));
  try {
    const of = [...OF, ...drawnProbes(sump).map((probe) => probe.name)].slice(0, SERIES_MAX).join(",");
    const query = `from=${time(from)}&until=${time(until)}`;
    const name = encodeURIComponent(sump.name);
    const [trends, journal] = await Promise.all([
      get(`/sumps/${name}/trend?${query}&of=${encodeURIComponent(of)}&points=${Math.min(1000, width)}`),
      get(`/journal?${query}&sump=${name}&limit=${RECORDS}`),
    ]);
    if (asked !== kept.asked) return; // somebody has chosen another range meanwhile
    const drawn = element("div", undefined, { class: columns === 2 ? "two" : "" });
    drawn.append(...curves(sump, trends, journal.records, from, until, width));
    const more = OF.length + drawnProbes(sump).length - SERIES_MAX;
    if (more > 0) drawn.append(element("p", `${more} more probes are not drawn`, { class: "small" }));
    place.replaceChildren(drawn, happened(journal));
  } catch (error) {
    if (asked !== kept.asked) return;
    kept.at = 0; // soon again
    place.querySelector(".unread")?.remove();
    const notice = element("p", `What has been cannot be read now (${error.message}).`, { class: "unread" });
    // Curves that stand there stay.
    if (place.querySelector("figure") === null) place.replaceChildren(notice);
    else place.prepend(notice);
  }
}

function choice(sump, range) {
  const made = element("nav", undefined, { class: "ranges", "aria-label": "Range" });
  for (const name of Object.keys(RANGES)) {
    const href = `#/sump/${encodeURIComponent(sump.name)}/${name}`;
    const link = element("a", name.replace("-", " "), { href, "data-key": `range-${name}` });
    if (name === range) link.setAttribute("aria-current", "true");
    made.append(link);
  }
  return made;
}

// `wanted` is a word of RANGES, or anything else for the day.
export function history(sump, at, wanted) {
  const range = Object.hasOwn(RANGES, wanted) ? wanted : "day";
  const width = document.documentElement.clientWidth;
  const same = kept.sump === sump.name && kept.range === range && kept.width === width;
  if (same && Date.now() - kept.at < STALE) return kept.drawn;
  const place = same ? kept.drawn.querySelector(".curves") : element("div", undefined, { class: "curves" });
  if (!same) {
    place.append(element("p", "asking the store …", { class: "small" }));
    kept.drawn = element("section");
    kept.drawn.append(element("h3", "What has been"), choice(sump, range), place);
  }
  Object.assign(kept, { sump: sump.name, range, at: Date.now(), width });
  // Once it stands in the page it has a width.
  requestAnimationFrame(() => load(sump, place, at));
  return kept.drawn;
}
