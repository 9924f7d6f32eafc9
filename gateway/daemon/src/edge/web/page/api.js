// Everything the page asks of the gateway and hands in to it. What is refused comes back as words for people.

const WAIT = 15_000;

// Why something was not done, in the gateway's own words.
export class Refused extends Error {
  constructor(status, { detail, reason }) {
    super(detail ?? `answer ${status}`);
    this.status = status;
    this.reason = reason ?? "";
  }
}

// `shown` is what somebody shows instead of a login: the code of a sticker, or that of the first start.
async function ask(method, path, body, shown) {
  const headers = {};
  if (method !== "GET") headers["Sumpwarden-Page"] = "1";
  if (body !== undefined) headers["Content-Type"] = "application/json";
  if (shown !== undefined) headers.Authorization = shown;
  const wanted = { method, headers, body: body === undefined ? undefined : JSON.stringify(body), signal: AbortSignal.timeout(WAIT) };
  const answer = await fetch(path, wanted).catch(() => {
    throw new Refused(0, { detail: "the gateway does not answer; look whether you are in the shop's network, and try again" });
  });
  const text = await answer.text();
  const json = /\bjson\b/.test(answer.headers.get("Content-Type") ?? "");
  const found = json && text !== "" ? JSON.parse(text) : null;
  if (!answer.ok) throw new Refused(answer.status, found ?? {});
  return found;
}

export function get(path, shown) {
  return ask("GET", path, undefined, shown);
}

export function send(method, path, body, shown) {
  return ask(method, path, body, shown);
}
