// Keeps the shop as it is now: told of changes where the gateway has a place left, asking every few seconds where not.

import { get } from "./api.js";

const ASK_EVERY = 3_000;
const SILENT_AFTER = 6_000;
const LISTEN_AGAIN = 60_000;

// Calls `changed(shop)` whenever something is new, and `lost(error)` when nothing has been heard for a while.
export function follow(changed, lost) {
  let whole = null; // shop without its sumps
  const sumps = new Map();
  let heard = 0;
  let stream = null;
  let asking = false;

  const news = (at) => {
    heard = Date.now();
    const found = whole.sumps.map((name) => sumps.get(name)).filter((sump) => sump !== undefined);
    changed({ ...whole, at, sumps: found });
  };
  const take = (shop) => {
    whole = { ...shop, sumps: shop.sumps.map((sump) => sump.name) };
    for (const sump of shop.sumps) sumps.set(sump.name, sump);
    news(shop.at);
  };
  const poll = async () => {
    if (asking) return;
    asking = true;
    try {
      take(await get("/state"));
    } catch (error) {
      lost(error);
    } finally {
      asking = false;
    }
  };
  const listen = () => {
    stream?.close();
    stream = new EventSource("/events");
    stream.addEventListener("shop", ({ data }) => (whole = JSON.parse(data)));
    stream.addEventListener("sump", ({ data }) => {
      const sump = JSON.parse(data);
      sumps.set(sump.name, sump);
    });
    stream.addEventListener("at", ({ data }) => whole !== null && news(JSON.parse(data).at));
    // No place, no login or no gateway: asking says which.
    stream.addEventListener("error", poll);
  };
  listen();
  setInterval(() => {
    const closed = stream.readyState === EventSource.CLOSED;
    if (closed || Date.now() - heard > SILENT_AFTER) poll();
  }, ASK_EVERY);
  setInterval(() => stream.readyState === EventSource.CLOSED && listen(), LISTEN_AGAIN);
  return { again: listen };
}
