// The gateway's own alarms, and what it leaves away after crashes in its own words: a sheet before all others, in every view.

import { alarmItem, badge, element, isSilenced, silenced, urgency } from "./words.js";

export function gateway({ alarms, reduced }) {
  if (alarms.length === 0 && reduced.length === 0) return [];
  const made = element("article", undefined, { class: "sheet own", "data-urgency": urgency(alarms) });
  const head = element("h2", "The gateway itself");
  if (alarms.length > 0) head.append(" ", badge(alarms));
  made.append(head);
  if (reduced.length > 0) made.append(element("p", `The gateway runs reduced: ${reduced.join("; ")}.`));
  const list = element("ul", undefined, { class: "tasks" });
  list.append(...alarms.filter((alarm) => !isSilenced(alarm)).map(alarmItem));
  made.append(list, silenced(alarms));
  return [made];
}
