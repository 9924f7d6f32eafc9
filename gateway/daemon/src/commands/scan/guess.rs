//! Registers to what they may be: pH, temperature, conductivity or level in the encodings that devices use.
//!
//! It knows numbers that coolant gives, and no device. Whoever has the manual knows better.

use std::collections::BTreeMap;
use std::ops::RangeInclusive;

use sumpwarden_core::model::Quantity;
use sumpwarden_protocol::modbus::Table;
use sumpwarden_protocol::number::Number;
use sumpwarden_protocol::words::{Encoding, NumberKind, Order};

/// What a sump may show of a quantity.
struct Plausible {
    quantity: Quantity,
    unit: &'static str,
    /// What it can be.
    range: RangeInclusive<f64>,
    /// What it mostly is.
    typical: RangeInclusive<f64>,
    /// Factors by which devices send it as a whole number, the common ones first.
    scales: &'static [f64],
}

/// Values that coolant and its sumps give: common practice, no source.
const PLAUSIBLE: [Plausible; 5] = [
    Plausible {
        quantity: Quantity::Ph,
        unit: "[pH]",
        range: 6.5..=10.5,
        typical: 8.0..=9.8,
        scales: &[0.01, 0.1, 0.001],
    },
    Plausible {
        quantity: Quantity::Temperature,
        unit: "Cel",
        range: 8.0..=50.0,
        typical: 16.0..=30.0,
        scales: &[0.1, 0.01],
    },
    Plausible {
        quantity: Quantity::Conductivity,
        unit: "mS/cm",
        range: 0.3..=12.0,
        typical: 0.6..=3.0,
        scales: &[0.01, 0.1],
    },
    Plausible {
        quantity: Quantity::Conductivity,
        unit: "uS/cm",
        range: 300.0..=12_000.0,
        typical: 600.0..=3_000.0,
        scales: &[1.0],
    },
    Plausible {
        quantity: Quantity::Level,
        unit: "mm",
        range: 60.0..=2_000.0,
        typical: 100.0..=600.0,
        scales: &[1.0, 0.1],
    },
];

/// Ways to read a quantity that are weighed against those of others.
const WEIGHED_MAX: usize = 8;
/// Weight of a quantity that no register is left for: more than any doubt.
const NOTHING_LEFT: usize = 100;

/// Orders of the bytes of a float, the common ones first.
const ORDERS: [Order; 4] = [Order::Abcd, Order::Cdab, Order::Badc, Order::Dcba];

/// One way to read a register.
#[derive(Clone, PartialEq, Debug)]
pub(super) struct Candidate {
    pub(super) quantity: Quantity,
    pub(super) register: u16,
    /// Word of the configuration: `u16`, `i16`, `f32`.
    pub(super) number: &'static str,
    /// Of a float.
    pub(super) order: Option<&'static str>,
    /// Factor on the device's number.
    pub(super) scale: f64,
    pub(super) unit: &'static str,
    /// What it reads so.
    pub(super) value: f64,
    /// How little speaks for it: 0 is best.
    pub(super) doubt: usize,
}

/// Every plausible way to read every register, by register, the likeliest first.
pub(super) fn candidates(words: &BTreeMap<u16, u16>) -> Vec<Candidate> {
    let floats: Vec<Candidate> = words.keys().flat_map(|&at| floats(words, at)).collect();
    // A whole number is rarely a float of a common order by chance, so the parts of one are not read by themselves.
    let taken = |at: u16| floats.iter().any(|f| f.is_common() && f.covers(at));
    let whole = words.iter().filter(|(at, _)| !taken(**at)).flat_map(|(&at, &word)| whole(at, word));
    let mut all: Vec<Candidate> = whole.chain(floats.iter().cloned()).collect();
    all.sort_by_key(|candidate| (candidate.register, candidate.doubt));
    all
}

impl Candidate {
    /// A float whose bytes lie in one of the two usual orders.
    fn is_common(&self) -> bool {
        matches!(self.order, Some("ABCD" | "CDAB"))
    }

    fn covers(&self, at: u16) -> bool {
        at == self.register || (self.number == "f32" && self.register.checked_add(1) == Some(at))
    }

    fn overlaps(&self, other: &Self) -> bool {
        self.covers(other.register) || other.covers(self.register)
    }
}

/// Which of the ways to read each quantity go together best: the least doubt, and no register for two quantities.
/// The ways of each come with the likeliest first.
pub(super) fn together(ways: &[Vec<(Table, Candidate)>]) -> Vec<Option<usize>> {
    let mut weigher = Weigher { ways, chosen: Vec::new(), best: (usize::MAX, vec![None; ways.len()]) };
    weigher.choose(0);
    weigher.best.1
}

struct Weigher<'a> {
    ways: &'a [Vec<(Table, Candidate)>],
    chosen: Vec<Option<usize>>,
    best: (usize, Vec<Option<usize>>),
}

impl Weigher<'_> {
    fn choose(&mut self, doubt: usize) {
        let Some(ways) = self.ways.get(self.chosen.len()) else {
            if doubt < self.best.0 {
                self.best = (doubt, self.chosen.clone());
            }
            return;
        };
        for (place, way) in ways.iter().enumerate().take(WEIGHED_MAX) {
            if self.is_free(way) {
                self.chosen.push(Some(place));
                self.choose(doubt + way.1.doubt);
                self.chosen.pop();
            }
        }
        self.chosen.push(None);
        self.choose(doubt + NOTHING_LEFT);
        self.chosen.pop();
    }

    fn is_free(&self, (table, way): &(Table, Candidate)) -> bool {
        let taken = self.chosen.iter().enumerate().filter_map(|(of, place)| self.ways[of].get((*place)?));
        taken.into_iter().all(|(other, taken)| other != table || !taken.overlaps(way))
    }
}

fn floats(words: &BTreeMap<u16, u16>, at: u16) -> Vec<Candidate> {
    let next = at.checked_add(1).and_then(|next| words.get(&next));
    let (Some(&first), Some(&second)) = (words.get(&at), next) else { return Vec::new() };
    let mut found = Vec::new();
    for (rank, order) in ORDERS.into_iter().enumerate() {
        let encoding = Encoding { kind: NumberKind::F32, order, no_value: Vec::new() };
        let Ok(Number::Value(value)) = encoding.decode(&[first, second]) else { continue };
        let doubt = if rank < 2 { rank } else { rank + 10 };
        let order = Some(order_word(order));
        let of = PLAUSIBLE.iter().filter(|plausible| plausible.range.contains(&value));
        found.extend(of.map(|plausible| plausible.candidate(at, "f32", order, 1.0, value, doubt)));
    }
    found
}

impl Plausible {
    fn candidate(
        &self,
        register: u16,
        number: &'static str,
        order: Option<&'static str>,
        scale: f64,
        value: f64,
        doubt: usize,
    ) -> Candidate {
        let doubt = doubt + usize::from(!self.typical.contains(&value));
        Candidate { quantity: self.quantity, register, number, order, scale, unit: self.unit, value, doubt }
    }
}

fn order_word(order: Order) -> &'static str {
    match order {
        Order::Abcd => "ABCD",
        Order::Cdab => "CDAB",
        Order::Badc => "BADC",
        Order::Dcba => "DCBA",
    }
}

fn whole(at: u16, word: u16) -> Vec<Candidate> {
    let mut found = Vec::new();
    for plausible in &PLAUSIBLE {
        // Only a temperature falls below zero.
        let signed = plausible.quantity == Quantity::Temperature;
        let raw = if signed { f64::from(word.cast_signed()) } else { f64::from(word) };
        let number = if signed { "i16" } else { "u16" };
        for (place, &scale) in plausible.scales.iter().enumerate() {
            let value = raw * scale;
            if plausible.range.contains(&value) {
                found.push(plausible.candidate(at, number, None, scale, value, 2 + place));
            }
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    fn words(from: u16, words: &[u16]) -> BTreeMap<u16, u16> {
        (from..=u16::MAX).zip(words.iter().copied()).collect()
    }

    /// Registers of pH, conductivity, level and temperature that go together best.
    fn together_in(all: &[Candidate]) -> Vec<Option<u16>> {
        let ways =
            [Quantity::Ph, Quantity::Conductivity, Quantity::Level, Quantity::Temperature].map(|quantity| {
                let of = all.iter().filter(|c| c.quantity == quantity).cloned();
                let mut of: Vec<(Table, Candidate)> = of.map(|c| (Table::InputRegister, c)).collect();
                of.sort_by_key(|(_, c)| c.doubt);
                of
            });
        let chosen = together(&ways);
        chosen.iter().zip(&ways).map(|(place, ways)| Some(ways[(*place)?].1.register)).collect()
    }

    fn has(all: &[Candidate], quantity: Quantity, number: &str, order: Option<&str>, value: f64) -> bool {
        all.iter().any(|c| {
            c.quantity == quantity && c.number == number && c.order == order && (c.value - value).abs() < 1e-4
        })
    }

    #[test]
    fn floats_are_seen_in_all_four_orders() {
        // 21.5 is 0x41AC0000 and 8.71 is 0x410B5C29 (IEEE 754).
        for (order, pair) in [
            ("ABCD", [0x410B, 0x5C29]),
            ("CDAB", [0x5C29, 0x410B]),
            ("BADC", [0x0B41, 0x295C]),
            ("DCBA", [0x295C, 0x0B41]),
        ] {
            let all = candidates(&words(10, &pair));
            assert!(has(&all, Quantity::Ph, "f32", Some(order), 8.71), "{order}: {all:#?}");
        }
        let all = candidates(&words(0, &[0x41AC, 0x0000]));
        assert!(has(&all, Quantity::Temperature, "f32", Some("ABCD"), 21.5), "{all:#?}");
        assert!(all.iter().all(|c| c.number == "f32"), "its words are not read alone: {all:#?}");
    }

    #[test]
    fn whole_numbers_are_read_with_the_usual_factors() {
        let all = candidates(&words(0, &[871, 215, 1290, 310]));
        assert!(has(&all, Quantity::Ph, "u16", None, 8.71));
        assert!(has(&all, Quantity::Temperature, "i16", None, 21.5));
        assert!(has(&all, Quantity::Conductivity, "u16", None, 1290.0));
        assert!(has(&all, Quantity::Level, "u16", None, 310.0));
        assert_eq!(together_in(&all), [Some(0), Some(2), Some(3), Some(1)], "each has a register of its own");
        assert_eq!(together_in(&candidates(&words(7, &[871]))), [Some(7), None, None, None]);
    }

    #[test]
    fn what_no_sump_gives_is_not_proposed() {
        for nothing in [[0, 0], [0xFFFF, 0xFFFF], [0x8000, 0x8000], [1, 2], [0x7FC0, 0x0000]] {
            assert_eq!(candidates(&words(0, &nothing)), [], "{nothing:?}");
        }
        assert_eq!(candidates(&BTreeMap::new()), []);
        // The last register of all has no neighbour.
        assert!(candidates(&words(65_535, &[871])).iter().all(|c| c.number != "f32"));
    }
}
