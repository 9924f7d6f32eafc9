//! Words of the command line and a sump of the configuration to numbers, or everything that is wrong with them.

use std::fmt;

use sumpwarden_core::estimate::mixing::{Prices, percent_of_brix};
use sumpwarden_core::estimate::outlook::Losses;
use sumpwarden_core::estimate::settings::SumpSettings;
use sumpwarden_core::estimate::tank::Tank;
use sumpwarden_core::model::Unit;

use super::super::console::plain;
use super::Options;
use crate::config::quantity::{Hardness, Measure, Unreadable};

/// An input that is wrong or missing, and what would be right.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) struct Wrong {
    what: String,
    cure: String,
}

impl Wrong {
    pub(super) fn new(what: impl Into<String>, cure: impl Into<String>) -> Self {
        Self { what: what.into(), cure: cure.into() }
    }
}

impl fmt::Display for Wrong {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}\n  {}", plain(&self.what), plain(&self.cure))
    }
}

/// Marks of a tank in litres.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) struct Marks {
    pub(super) fill_l: f64,
    pub(super) brim_l: f64,
    pub(super) holdup_l: f64,
}

/// What is asked, in L, percent and mg/L as CaCO3.
#[derive(Clone, PartialEq, Debug)]
pub(super) struct Asked {
    pub(super) volume_l: Option<f64>,
    pub(super) now_percent: Option<f64>,
    /// The refractometer reading and factor the percent come from.
    pub(super) brix: Option<(f64, f64)>,
    pub(super) target_percent: Option<f64>,
    pub(super) fill_to_l: Option<f64>,
    pub(super) premix_percent: Option<f64>,
    pub(super) hardness_mg_l: Option<f64>,
    pub(super) limit_mg_l: Option<f64>,
    pub(super) water_mg_l: Option<f64>,
    pub(super) soft_mg_l: Option<f64>,
    pub(super) losses: Option<Losses>,
    pub(super) prices: Prices,
    /// Of the configuration, where there is one.
    pub(super) marks: Option<Marks>,
    /// Volumes are written in it: litres, or US gallons where they were asked with.
    pub(super) unit: Unit,
}

impl Asked {
    /// Reads `options`, and what they leave out from the sump they name.
    pub(super) fn of(options: &Options, sumps: &[SumpSettings]) -> Result<Self, Vec<Wrong>> {
        let mut reader = Reader::default();
        let sump = options.config.as_ref().and_then(|_| reader.sump(options.sump.as_deref(), sumps));
        let tank = sump.and_then(|sump| Tank::new(&sump.tank).ok());
        let marks = sump.zip(tank.as_ref()).map(|(sump, tank)| Marks {
            fill_l: tank.volume_l(sump.fill_mark_mm),
            brim_l: tank.capacity_l(),
            holdup_l: sump.holdup_l,
        });
        let level = reader.quantity("--level", &options.level, Unit::Millimetre, "250 mm");
        let in_tank = level.zip(tank.as_ref()).and_then(|(mm, tank)| reader.in_tank(mm, tank));
        let held_up = if options.standing { 0.0 } else { marks.map_or(0.0, |m| m.holdup_l) };
        let volume = reader.quantity("--volume", &options.volume, Unit::Litre, "260 L");
        let factor = reader.number("--factor", &options.factor, "1.4, from the product's sheet");
        let factor = factor.or(sump.map(|sump| sump.fluid.refractometer_factor));
        let brix = reader.number("--brix", &options.brix, "5.0");
        let now = reader.percent("--now", &options.now, "5.2");
        let evaporation = reader.quantity("--evaporation", &options.evaporation, Unit::Litre, "8 L");
        let dragout = reader.quantity("--dragout", &options.dragout, Unit::Litre, "2 L");
        let fill_to = reader.quantity("--fill-to", &options.fill_to, Unit::Litre, "320 L");
        let target = reader.percent("--target", &options.target, "7");
        let water = reader.hardness("--water-hardness", &options.water_hardness);
        let asked = Self {
            volume_l: volume.or(in_tank.map(|litres| litres + held_up)),
            now_percent: now.or_else(|| reader.of_brix(brix, factor)),
            brix: brix.zip(factor),
            target_percent: target.or(sump.map(|sump| sump.target_percent)),
            fill_to_l: fill_to.or(marks.map(|marks| marks.fill_l)),
            premix_percent: reader.percent("--premix", &options.premix, "10"),
            hardness_mg_l: reader.hardness("--hardness", &options.hardness),
            limit_mg_l: reader.hardness("--limit", &options.limit),
            water_mg_l: water.or(sump.map(|sump| sump.water.hardness_mg_l)),
            soft_mg_l: reader.hardness("--soft-hardness", &options.soft_hardness),
            losses: evaporation
                .zip(dragout)
                .map(|(evaporation_l_d, dragout_l_d)| Losses { evaporation_l_d, dragout_l_d }),
            prices: Prices {
                waste_per_l: reader.number("--waste-price", &options.waste_price, "0.45"),
                concentrate_per_l: reader.number("--concentrate-price", &options.concentrate_price, "6.20"),
            },
            marks,
            unit: reader.unit.unwrap_or(Unit::Litre),
        };
        if reader.wrong.is_empty() {
            asked.require(options, &mut reader.wrong);
        }
        if reader.wrong.is_empty() { Ok(asked) } else { Err(reader.wrong) }
    }

    /// Whether the concentration is asked about.
    pub(super) fn about_mix(&self) -> bool {
        self.now_percent.is_some() || self.premix_percent.is_some() || self.volume_l == Some(0.0)
    }

    /// Notes what is missing for what is asked.
    fn require(&self, options: &Options, wrong: &mut Vec<Wrong>) {
        let mut need = |given: bool, flag: &str, cure: &str| {
            if !given {
                wrong.push(Wrong::new(format!("{flag} is missing"), cure));
            }
        };
        const VOLUME: &str =
            "say how much is in the sump, as in --volume \"260 L\", or --level \"250 mm\" with --config";
        const LIMIT: &str = "say what is not to be passed, as in --limit \"350 mg/L\"";
        const WATER: &str = "say what there is to top up with, as in --water-hardness \"220 mg/L\"";
        let mix = self.about_mix();
        let hardness = self.hardness_mg_l.is_some();
        let outlook = self.losses.is_some();
        if mix || hardness {
            need(self.volume_l.is_some(), "--volume", VOLUME);
        }
        if mix {
            let empty = self.volume_l == Some(0.0);
            need(
                self.now_percent.is_some() || empty,
                "--now",
                "say how strong it is, as in --now 5.2 or --brix 3.7",
            );
            need(self.target_percent.is_some(), "--target", "say how strong it is to be, as in --target 7");
            need(
                !empty || self.fill_to_l.is_some(),
                "--fill-to",
                "an empty sump is filled up to something, as in --fill-to \"320 L\"",
            );
        }
        if hardness {
            need(self.limit_mg_l.is_some(), "--limit", LIMIT);
            need(self.water_mg_l.is_some(), "--water-hardness", WATER);
        }
        if outlook && self.target_percent.is_none() {
            need(self.limit_mg_l.is_some(), "--limit", LIMIT);
        }
        if outlook && self.limit_mg_l.is_some() {
            need(self.water_mg_l.is_some(), "--water-hardness", WATER);
            let cure = "say what there is to blend it with, as in --soft-hardness \"10 mg/L\"";
            need(self.soft_mg_l.is_some(), "--soft-hardness", cure);
        }
        if !mix && !hardness && !outlook {
            let cure = "give --volume, --now (or --brix) and --target for a mix; --volume, --hardness, --limit and \
                        --water-hardness for an exchange; --evaporation and --dragout for the days to come";
            let only_limit = options.limit.is_some() || options.water_hardness.is_some();
            let what = if only_limit { "--hardness is missing" } else { "there is nothing to reckon" };
            wrong.push(Wrong::new(what, cure));
        }
    }
}

/// Reads texts and notes what is wrong with them.
#[derive(Default)]
struct Reader {
    wrong: Vec<Wrong>,
    /// Unit of the first volume, if it was gallons.
    unit: Option<Unit>,
}

impl Reader {
    fn note(&mut self, flag: &str, error: Unreadable) {
        self.wrong.push(Wrong::new(format!("{flag}: {}", error.what), error.cure));
    }

    /// The sump of that name, or the only one.
    fn sump<'s>(&mut self, name: Option<&str>, sumps: &'s [SumpSettings]) -> Option<&'s SumpSettings> {
        let names: Vec<&str> = sumps.iter().map(|sump| sump.name.as_str()).collect();
        let there_is = format!("there is {}", names.join(", "));
        match name {
            None if sumps.len() == 1 => sumps.first(),
            None => {
                self.wrong.push(Wrong::new("--sump is missing", there_is));
                None
            }
            Some(name) => {
                let found = sumps.iter().find(|sump| sump.name.as_str() == name);
                if found.is_none() {
                    self.wrong.push(Wrong::new(format!("--sump: there is no sump {name:?}"), there_is));
                }
                found
            }
        }
    }

    /// A number with a unit, in `unit`.
    fn quantity(&mut self, flag: &str, text: &Option<String>, unit: Unit, example: &str) -> Option<f64> {
        let text = text.as_deref()?;
        let measure = Measure::parse(text).map_err(|error| self.note(flag, error)).ok()?;
        let cure = format!("write it as in \"{example}\"");
        let Some(given) = measure.unit else {
            self.wrong.push(Wrong::new(format!("{flag}: `{text}` has no unit"), cure));
            return None;
        };
        let Some(value) = given.convert(measure.value, unit) else {
            self.wrong.push(Wrong::new(format!("{flag}: `{text}` is in a unit of something else"), cure));
            return None;
        };
        if given == Unit::GallonUs && self.unit.is_none() {
            self.unit = Some(given);
        }
        Some(value)
    }

    /// A number, with or without the percent sign.
    fn percent(&mut self, flag: &str, text: &Option<String>, example: &str) -> Option<f64> {
        let text = text.as_deref()?;
        let measure = Measure::parse(text).map_err(|error| self.note(flag, error)).ok()?;
        match measure.unit {
            None | Some(Unit::Percent) => Some(measure.value),
            Some(_) => {
                let what = format!("{flag}: `{text}` is no percentage");
                self.wrong.push(Wrong::new(what, format!("write it as in {example} or \"{example} %\"")));
                None
            }
        }
    }

    /// A number without a unit.
    fn number(&mut self, flag: &str, text: &Option<String>, example: &str) -> Option<f64> {
        let text = text.as_deref()?;
        let measure = Measure::parse(text).map_err(|error| self.note(flag, error)).ok()?;
        if measure.unit.is_some() {
            let cure = format!("write a number alone, as in {example}");
            self.wrong.push(Wrong::new(format!("{flag}: `{text}` has a unit"), cure));
            return None;
        }
        Some(measure.value)
    }

    fn hardness(&mut self, flag: &str, text: &Option<String>) -> Option<f64> {
        let read = Hardness::parse(text.as_deref()?);
        read.map_err(|error| self.note(flag, error)).ok().map(|hardness| hardness.0)
    }

    fn of_brix(&mut self, brix: Option<f64>, factor: Option<f64>) -> Option<f64> {
        let brix = brix?;
        let Some(factor) = factor else {
            let cure =
                "give the factor of the product's sheet, as in --factor 1.4, or a --config with the fluid";
            self.wrong.push(Wrong::new("--factor is missing", cure));
            return None;
        };
        match percent_of_brix(brix, factor) {
            Ok(advice) => Some(advice.numbers),
            Err(error) => {
                self.wrong
                    .push(Wrong::new(error.to_string(), "look at the refractometer and the sheet again"));
                None
            }
        }
    }

    /// Litres at a level that the tank can have.
    fn in_tank(&mut self, level_mm: f64, tank: &Tank) -> Option<f64> {
        if tank.holds_level(level_mm) {
            return Some(tank.volume_l(level_mm));
        }
        let what = format!("--level: {level_mm} mm lies outside the tank");
        let cure = format!("it lies from 0 to {} mm above the lowest point of the floor", tank.height_mm());
        self.wrong.push(Wrong::new(what, cure));
        None
    }
}
