//! Test plans and notes, as the file says them.

use schemars::JsonSchema;
use serde::Deserialize;

use super::super::quantity::Lasting;
use super::Switch;

/// A test plan: of the shop (`[plan]`), or what one sump has differently (`[sump.NAME.plan]`).
#[derive(Clone, PartialEq, Default, Debug, Deserialize, JsonSchema)]
pub struct Plan {
    /// Whose guidance it follows. Default `none`: only what is written here is asked for.
    pub country: Option<CountryWord>,
    /// Days on which somebody is there to look. Default Monday to Friday.
    pub workdays: Option<Vec<DayWord>>,
    /// Look and smell.
    pub look: Option<Switch<CheckTable>>,
    /// Concentration.
    pub concentration: Option<Switch<CheckTable>>,
    /// pH by hand.
    pub ph: Option<Switch<CheckTable>>,
    /// Nitrite in the fluid.
    pub nitrite: Option<Switch<CheckTable>>,
    /// Dip slide.
    pub dip_slide: Option<Switch<CheckTable>>,
    /// Tramp oil.
    pub tramp_oil: Option<Switch<CheckTable>>,
    /// Hardness of the make-up water.
    pub makeup_hardness: Option<Switch<CheckTable>>,
    /// Nitrate in the make-up water.
    pub makeup_nitrate: Option<Switch<CheckTable>>,
    /// How long from one calibration of a probe that was noted to the next. Default 90 d.
    pub calibrate_every: Option<Lasting>,
}

/// A country whose agencies ask for checks.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum CountryWord {
    /// United Kingdom.
    Uk,
    /// Germany.
    De,
    /// United States.
    Us,
    /// Nobody's.
    None,
}

/// A day of the week.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum DayWord {
    /// Monday.
    Mon,
    /// Tuesday.
    Tue,
    /// Wednesday.
    Wed,
    /// Thursday.
    Thu,
    /// Friday.
    Fri,
    /// Saturday.
    Sat,
    /// Sunday.
    Sun,
}

/// One check.
#[derive(Clone, PartialEq, Default, Debug, Deserialize, JsonSchema)]
pub struct CheckTable {
    /// How long from one to the next, in whole days. Default what the country's agencies ask for.
    pub every: Option<Lasting>,
    /// The probe that reads it all the time counts as the check. Default false: electrodes foul.
    pub by_probe: Option<bool>,
    /// Dip slides: CFU/mL from which control is reasonable, and poor. Default those of the country.
    pub bands: Option<(f64, f64)>,
}

/// Notes that come by a broker.
#[derive(Clone, PartialEq, Default, Debug, Deserialize, JsonSchema)]
pub struct BrokerNotes {
    /// Topic filter; `{sump}` and `{by}` stand for a level that says which sump and who, where the message does not.
    pub topic: Option<String>,
}
