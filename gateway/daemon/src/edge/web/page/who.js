// Who is here, and what they may: asked of the gateway once, and again after each login or logout.

import { get, send } from "./api.js";
import { choose } from "./units.js";

const ROLES = ["look", "log", "manage"];
let session = { person: null, first_start: false, reads: "open", sheltered: true };

export async function learn() {
  session = await get("/session");
  choose(session.person?.units);
  return session;
}

export function who() {
  return session;
}

export function may(role) {
  return session.person !== null && ROLES.indexOf(session.person.role) >= ROLES.indexOf(role);
}

export async function logIn(name, password) {
  await send("POST", "/session", { name, password });
  await learn();
}

export async function logOut() {
  await send("DELETE", "/session");
  await learn();
}

// A session ends when nothing is done for a while: whoever works with the page does something.
let touched = Date.now();
export function touch() {
  if (session.person === null || Date.now() - touched < 60_000) return;
  touched = Date.now();
  const before = session.person;
  learn().then(() => session.person === null && before !== null && dispatchEvent(new Event("logged-out")), () => {});
}
