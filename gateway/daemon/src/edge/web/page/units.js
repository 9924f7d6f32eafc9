// The units somebody reads and writes in. The gateway speaks L, °C, mm, mg/L as CaCO3 and µS/cm; here it becomes what was
// chosen, on the way out and on the way in. Factors: US gallon 3.785411784 L (exact), grain a gallon 17.118 mg/L, °dH 17.848
// mg/L, °fH 10 mg/L as CaCO3.

const METRIC = { system: "metric", hardness: "mg-l", conductivity: "us-cm" };
const GALLON = 3.785411784;
const HARDNESS = {
  "mg-l": { unit: "mg/L", per: 1, digits: 0 }, dh: { unit: "°dH", per: 17.848, digits: 1 },
  fh: { unit: "°fH", per: 10, digits: 1 }, gpg: { unit: "gpg", per: 17.118, digits: 1 },
};
const OF_HARDNESS = ["hardness_mg_l", "makeup_hardness_mg_l", "hardness"];

let chosen = METRIC;

export function choose(units) {
  chosen = units ?? METRIC;
}

export function current() {
  return chosen;
}

// How a number of this quantity and UCUM unit is shown: { factor, offset, unit, digits }; null as it comes.
export function shownAs(quantity, unit) {
  if (OF_HARDNESS.includes(quantity)) {
    const found = HARDNESS[chosen.hardness];
    return { factor: 1 / found.per, offset: 0, unit: found.unit, digits: found.digits };
  }
  if (unit === "uS/cm" && chosen.conductivity === "ms-cm") return { factor: 0.001, offset: 0, unit: "mS/cm", digits: 2 };
  if (chosen.system !== "us") return null;
  if (unit === "Cel") return { factor: 1.8, offset: 32, unit: "°F", digits: 0 };
  if (unit === "L") return { factor: 1 / GALLON, offset: 0, unit: "gal", digits: 1 };
  if (unit === "L/h") return { factor: 1 / GALLON, offset: 0, unit: "gal/h", digits: 2 };
  if (unit === "L/d") return { factor: 1 / GALLON, offset: 0, unit: "gal/d", digits: 1 };
  if (unit === "mm") return { factor: 1 / 25.4, offset: 0, unit: "in", digits: 2 };
  return null;
}

// What was typed, in the gateway's unit; null where it is no number. A comma is as good as a point.
export function entered(text, quantity, unit) {
  const clean = text.trim().replace(/\s/g, "").replace(",", ".");
  if (!/^[+-]?(\d+\.?\d*|\.\d+)$/.test(clean)) return null;
  const as = shownAs(quantity, unit);
  return as === null ? Number(clean) : (Number(clean) - as.offset) / as.factor;
}
