//! `mix`: what to pour, in which order, and why; for someone with a jug in the hand. Needs no daemon, and no configuration
//! where the numbers are given.
//!
//! Words of the command line (`asked`) → advice of the core (`answer`) → text ([`text`]) or JSON. Every input that is
//! wrong or missing is named at once. Exit 0: an answer; 1: an answer, but the target cannot be reached by pouring alone;
//! 64: arguments that are wrong or missing; 78: a configuration with mistakes.

mod answer;
mod asked;
mod text;

use std::path::PathBuf;

use sumpwarden_core::estimate::settings::SumpSettings;

use self::answer::Answer;
use self::asked::{Asked, Wrong};
use super::{Exit, console, load};

/// What is asked. Volumes and lengths carry their unit, as in the configuration.
#[derive(clap::Args, Clone, PartialEq, Debug, Default)]
pub struct Options {
    /// Configuration to take tank, fill mark, target, water and fluid from
    #[arg(long, short, value_name = "FILE")]
    pub config: Option<PathBuf>,
    /// Which sump of the configuration; may be left out where there is only one
    #[arg(long, value_name = "NAME", requires = "config")]
    pub sump: Option<String>,
    /// Liquid in the sump, with what lines and machine hold up: "260 L", "70 [gal_us]"
    #[arg(long, value_name = "VOLUME", conflicts_with = "level")]
    pub volume: Option<String>,
    /// Level in the tank of the configuration, read while the pumps run: "250 mm"
    #[arg(long, value_name = "LENGTH", requires = "config")]
    pub level: Option<String>,
    /// The pumps stood for long when the level was read: nothing more runs back
    #[arg(long, requires = "level")]
    pub standing: bool,
    /// Concentration in the sump, percent
    #[arg(long, value_name = "PERCENT", conflicts_with = "brix")]
    pub now: Option<String>,
    /// Refractometer reading instead; needs --factor or a configuration
    #[arg(long, value_name = "BRIX")]
    pub brix: Option<String>,
    /// The product's refractometer factor: percent = Brix × factor
    #[arg(long, value_name = "FACTOR")]
    pub factor: Option<String>,
    /// Concentration wanted, percent
    #[arg(long, value_name = "PERCENT")]
    pub target: Option<String>,
    /// Volume to fill up to; left out, the fill mark of the configuration, and without one only the concentration is
    /// corrected
    #[arg(long, value_name = "VOLUME")]
    pub fill_to: Option<String>,
    /// A premix at hand: what would it do? percent
    #[arg(long, value_name = "PERCENT")]
    pub premix: Option<String>,
    /// Hardness in the sump: "420 mg/L", "23.5 °dH"
    #[arg(long, value_name = "HARDNESS")]
    pub hardness: Option<String>,
    /// Hardness not to be passed
    #[arg(long, value_name = "HARDNESS")]
    pub limit: Option<String>,
    /// Hardness of the water at hand
    #[arg(long, value_name = "HARDNESS")]
    pub water_hardness: Option<String>,
    /// Hardness of softened or demineralised water, where there is some
    #[arg(long, value_name = "HARDNESS")]
    pub soft_hardness: Option<String>,
    /// Water that evaporates in a day: "8 L"
    #[arg(long, value_name = "VOLUME", requires = "dragout")]
    pub evaporation: Option<String>,
    /// Coolant that is carried off in a day: "2 L"
    #[arg(long, value_name = "VOLUME", requires = "evaporation")]
    pub dragout: Option<String>,
    /// Price of getting rid of a litre of waste coolant
    #[arg(long, value_name = "PRICE")]
    pub waste_price: Option<String>,
    /// Price of a litre of concentrate
    #[arg(long, value_name = "PRICE")]
    pub concentrate_price: Option<String>,
    /// Machine-readable; volumes in L, hardness in mg/L as CaCO3
    #[arg(long)]
    pub json: bool,
}

/// The command.
pub fn run(options: &Options) -> Exit {
    let sumps = match &options.config {
        None => Vec::new(),
        Some(path) => match load(path) {
            Ok(settings) => settings.engine.sumps,
            Err(exit) => return exit,
        },
    };
    match reply(options, &sumps) {
        Ok(reply) => {
            console::say(reply.text.trim_end());
            if reply.reached { Exit::Success } else { Exit::Negative }
        }
        Err(wrong) => {
            wrong.iter().for_each(|wrong| console::complain(&wrong.to_string()));
            Exit::Usage
        }
    }
}

/// What goes to stdout.
#[derive(Clone, PartialEq, Debug)]
struct Reply {
    text: String,
    /// What was asked for is reached by pouring alone.
    reached: bool,
}

/// The answer to `options` about one of `sumps`, or everything that is wrong with them.
fn reply(options: &Options, sumps: &[SumpSettings]) -> Result<Reply, Vec<Wrong>> {
    let asked = Asked::of(options, sumps)?;
    let answer = Answer::to(&asked)?;
    let text = match options.json {
        true => format!("{:#}", text::as_json(&answer, asked.unit)),
        false => text::as_text(&answer, asked.unit),
    };
    Ok(Reply { text, reached: answer.reached() })
}

#[cfg(test)]
mod tests;
