// Calibration of a probe, led through: into a buffer, wait until the signal stands still, take the point, the next one, finish.
// The gateway knows the buffer, the stillness and the judgement; here they are only shown.

import { get, send } from "./api.js";
import { button, field } from "./form.js";
import { may } from "./who.js";
import { amount, element, moment, section } from "./words.js";

const EVERY = 2_000;
const STANDARDS = {
  ph: [["", "as the configuration says"], ["din-19266", "DIN 19266: 4.01, 6.87, 9.18"], ["jis-z-8802", "JIS Z 8802"], ["technical", "technical: 4.00, 7.00, 10.01"]],
  conductivity: [["", "recognise the bottle"], ["kcl-0.01", "KCl 0.01 D"], ["kcl-0.1", "KCl 0.1 D"], ["kcl-1", "KCl 1 D"]],
};
const VERDICTS = { fit: "Fit for use", doubtful: "Fit for use, with something to do", unfit: "Not fit for use" };

function list(pairs) {
  const made = element("dl", undefined, { class: "figures" });
  for (const [what, value] of pairs) if (value !== null) made.append(element("dt", what), element("dd", value));
  return made;
}

function judged(judgement) {
  if (judgement === null) return "";
  const made = element("div");
  made.append(element("p", VERDICTS[judgement.verdict] ?? judgement.verdict, { class: "large" }));
  const words = element("ul");
  words.append(...judgement.findings.map((text) => element("li", text)));
  made.append(words);
  return made;
}

function points(all, unit) {
  if (all.length === 0) return "";
  const made = element("ol");
  for (const point of all) {
    const words = `${point.standard.name}: ${point.signal.toFixed(1)} ${unit} at ${amount(point.temperature_c, "temperature", "Cel")}`;
    made.append(element("li", point.stable ? words : `${words} (taken although it was not steady)`));
  }
  return section("Points so far", made);
}

// The signal as it is now: what it says, whether it stands still, which liquid it is.
function live(session, unit) {
  const made = element("div", undefined, { class: "live" });
  made.append(element("p", session.next, { class: "large" }));
  const signal = session.signal === null ? "no signal" : `${session.signal.toFixed(1)} ${unit}`;
  const warmth = session.temperature_c === null ? "" : `, ${amount(session.temperature_c, "temperature", "Cel")}`;
  made.append(element("p", signal + warmth));
  made.append(element("p", session.stable ? "It stands still." : `Not steady yet: ${session.unstable_because ?? "wait"}.`));
  made.append(element("p", session.recognised === null ? session.unrecognised_because ?? "" : `Liquid: ${session.recognised.name}.`));
  return made;
}

export function calibrateView(shop, name, probe) {
  const made = element("div", undefined, { class: "one narrow" });
  const path = `/sumps/${encodeURIComponent(name ?? "")}/probes/${encodeURIComponent(probe ?? "")}/calibration`;
  const sheet = element("article", undefined, { class: "sheet flat" });
  const head = element("h2", `Calibrate ${probe} of ${shop.sumps.find((one) => one.name === name)?.title ?? name}`, { tabindex: "-1", "data-key": "head" });
  const told = element("p", undefined, { role: "status", class: "told" });
  const place = element("div", undefined, { class: "calibration" });
  sheet.append(head, place, told);
  made.append(sheet);

  let shown = null; // what stands there, so that buttons are not drawn anew under a finger
  const step = (what, more) => async () => {
    asked++;
    draw(await send("POST", path, { do: what, ...more?.() }));
    return { begin: "Begun: the sump's limits do not look at this probe meanwhile.", take: "Taken.", finish: "Finished: it counts from now on.", abandon: "Abandoned." }[what];
  };

  function draw(view) {
    const { session, cautions, signal_unit: unit } = view;
    const stage = session === null ? "rest" : `${session.points.length}/${session.would_be === null}`;
    if (shown === stage && session !== null) {
      place.querySelector(".live")?.replaceWith(live(session, unit));
      return;
    }
    if (shown === stage) return;
    shown = stage;
    if (session === null) rest(view);
    else running(view);
    if (cautions.length > 0 && session === null) {
      const mind = element("ul", undefined, { class: "mind" });
      mind.append(...cautions.map((text) => element("li", text)));
      place.prepend(section("Mind", mind));
    }
  }

  function rest({ current, quantity }) {
    const since = current.at === null ? "From the configuration." : `Of ${moment(current.at)}, by ${current.by}.`;
    const now = section("In force", element("p", current.text), element("p", since, { class: "small" }), judged(current.judgement));
    if (!may("log")) {
      place.replaceChildren(now, element("p", "Log in to calibrate.", { class: "small" }));
      return;
    }
    const standard = field("Buffers", { options: STANDARDS[quantity] ?? [["", "as the configuration says"]] });
    const begin = button("Begin", step("begin", () => (standard.input.value === "" ? {} : { standard: standard.input.value })), told);
    place.replaceChildren(now, standard.place, begin);
  }

  function running({ session, signal_unit: unit }) {
    const deeds = element("div", undefined, { class: "deeds" });
    // Both stand there all the time: a button that changed under a finger would do what nobody meant.
    deeds.append(button("Take this point", step("take"), told), button("Take it although it is not steady", step("take", () => ({ even_if_unstable: true })), told));
    const result = session.would_be;
    if (result !== null) {
      const unfit = result.judgement.verdict === "unfit";
      deeds.append(button(unfit ? "Use it although it is not fit" : "Finish and use it", step("finish", () => (unfit ? { even_if_unfit: true } : {})), told));
    }
    deeds.append(button("Abandon", step("abandon"), told));
    const came = result === null
      ? element("p", session.would_be_nothing_because ?? "", { class: "small" })
      : section("What comes of it", element("p", result.text), judged(result.judgement));
    const next = element("p", session.next, { class: "large" });
    const who = list([["Begun by", session.by], ["Ends by itself", moment(session.expires)]]);
    place.replaceChildren(next, live(session, unit), points(session.points, unit), came, deeds, who);
  }

  let asked = 0; // an answer that was overtaken by a later one says nothing new
  const ask = () => {
    const mine = ++asked;
    const failed = (error) => {
      // Nothing to wait for: it is calibrated at its device, or there is no such probe.
      if (error.reason === "not_here" || error.status === 404) clearInterval(asking);
      if (shown === null) place.replaceChildren(element("p", error.message, { class: "told wrong" }));
    };
    return get(path).then((view) => mine === asked && draw(view), failed);
  };
  let asking = null;
  const again = () => {
    if (!made.isConnected && asking !== null) return clearInterval(asking);
    ask();
  };
  ask();
  asking = setInterval(again, EVERY);
  made.update = () => {}; // it asks by itself
  return made;
}
