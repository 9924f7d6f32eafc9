// The tank, cut open: chips at the bottom (hatched), coolant over them, room up to the fill mark (dashed), and what is above it.

import { amount, drawing, estimate } from "./words.js";

const TOP = 10; // brim
const MARK = 26; // fill mark
const FLOOR = 140;

let hatchings = 0;

function hatching(id) {
  const pattern = drawing("pattern", { id, width: 5, height: 5, patternUnits: "userSpaceOnUse", patternTransform: "rotate(45)" });
  pattern.append(drawing("rect", { class: "chips", width: 5, height: 5 }), drawing("line", { class: "hatch", x1: 0, y1: 0, x2: 0, y2: 5 }));
  return pattern;
}

// What stands in it, in litres; none where it is not known.
function contents(sump) {
  const liquid = estimate(sump, "liquid_l");
  const chips = estimate(sump, "chip_solids_l");
  const room = estimate(sump, "room_l");
  return { liquid: liquid?.value ?? null, chips: chips?.value ?? null, room: room?.value ?? null, mark: sump.fill_mark_l };
}

function litres(value) {
  return amount(value, "liquid_l", "L");
}

function chipsInWords(chips) {
  if (chips === null) return "chips not known";
  return chips < 0.5 ? "no chips to speak of" : `${litres(chips)} of chips`;
}

function inWords({ liquid, chips, room }) {
  if (liquid === null) return "level not known";
  const found = [`${litres(liquid)} of coolant`, chipsInWords(chips)];
  if (room !== null) found.push(room < 0 ? `${litres(-room)} too much once the pumps stop` : `room for ${litres(room)}`);
  return found.join(", ");
}

export function tank(sump) {
  const within = contents(sump);
  const drawn = drawing("svg", { class: "tank", viewBox: "0 0 56 146", role: "img", "aria-label": inWords(within) });
  const height = (litres) => Math.min(FLOOR - TOP, ((FLOOR - MARK) * litres) / within.mark);
  if (within.liquid !== null) {
    const id = `chips-${hatchings++}`;
    const chips = height(within.chips ?? 0);
    const top = height((within.chips ?? 0) + within.liquid);
    drawn.append(hatching(id));
    drawn.append(drawing("rect", { class: "coolant", x: 4, y: FLOOR - top, width: 48, height: Math.max(0, top - chips) }));
    drawn.append(drawing("rect", { fill: `url(#${id})`, x: 4, y: FLOOR - chips, width: 48, height: chips }));
  }
  drawn.append(drawing("path", { class: "wall", d: `M3 ${TOP}V${FLOOR + 1}H53V${TOP}` }));
  drawn.append(drawing("line", { class: "mark", x1: 3, y1: MARK, x2: 53, y2: MARK }));
  return drawn;
}

// The same in words, for everybody.
export function tankWords(sump) {
  return inWords(contents(sump));
}
