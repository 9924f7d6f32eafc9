//! Which checks a plan asks for and how often: what the agencies of a country ask for, and what the shop says instead.

use super::Check;
use super::verdict::Bands;

/// Whose guidance a plan follows.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub enum Country {
    /// Nobody's: only what the shop itself asks for.
    #[default]
    None,
    /// United Kingdom: HSE, and the industry guide it supports.
    Uk,
    /// Germany: DGUV Regel 109-003, TRGS 611.
    De,
    /// United States: no agency names intervals.
    Us,
}

impl Country {
    /// Every one.
    pub const ALL: [Self; 4] = [Self::None, Self::Uk, Self::De, Self::Us];

    /// Word of the configuration.
    pub const fn word(self) -> &'static str {
        match self {
            Self::None => "none",
            Self::Uk => "uk",
            Self::De => "de",
            Self::Us => "us",
        }
    }
}

/// Days of the week on which people work.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Workdays([bool; 7]);

impl Workdays {
    /// Words of the days, Monday first.
    pub const WORDS: [&'static str; 7] = ["mon", "tue", "wed", "thu", "fri", "sat", "sun"];

    /// Those of `days`, Monday first; `None` if there is none among them.
    pub fn new(days: [bool; 7]) -> Option<Self> {
        days.contains(&true).then_some(Self(days))
    }

    /// The first working day from `day` on, in days since 1970.
    pub(super) fn next_from(self, day: i64) -> i64 {
        // 1970-01-01 was a Thursday.
        let works = |day: &i64| self.0[(*day + 3).rem_euclid(7) as usize];
        (day..day + 7).find(works).expect("one day of every week is a working day")
    }
}

impl Default for Workdays {
    /// Monday to Friday.
    fn default() -> Self {
        Self([true, true, true, true, true, false, false])
    }
}

/// One check of a plan.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct CheckSettings {
    /// Which.
    pub check: Check,
    /// Days from one to the next.
    pub every_days: u32,
    /// Days from one to the next while results are steadily low (nitrite only).
    pub relaxed_days: Option<u32>,
    /// A probe of the sump that reads it all the time counts as the check.
    pub by_probe: bool,
    /// Who asks for it.
    pub source: &'static str,
}

/// A test plan.
#[derive(Clone, PartialEq, Debug)]
pub struct PlanSettings {
    /// Whose guidance it follows.
    pub country: Country,
    /// When people are there to look.
    pub workdays: Workdays,
    /// What is asked for.
    pub checks: Vec<CheckSettings>,
    /// What dip slides are judged by; none where only the trend counts.
    pub bands: Option<Bands>,
    /// Days from a calibration that was noted to the next.
    pub calibrate_every_days: u32,
}

/// Days from one calibration of a probe to the next (common practice, no source).
const CALIBRATE_EVERY_DAYS: u32 = 90;

/// Days from one analysis of the make-up water to the next. DGUV Regel 109-003 says "from time to time".
const WATER_EVERY_DAYS: u32 = 90;

/// Source of an interval that the shop set itself.
pub const SHOP: &str = "the shop's configuration";

const COMMON: &str = "common practice, no source";
const WATER: &str = "DGUV Regel 109-003 asks for it from time to time; 90 days: common practice, no source";

/// Each check with its interval in the United Kingdom, in Germany, in the United States, and who asks for it there.
type Row = (Check, [Option<(u32, &'static str)>; 3]);

const TABLE: [Row; 8] = [
    (
        Check::Look,
        [
            Some((1, "UK HSE: appearance and odour daily")),
            Some((1, "DGUV Regel 109-003: perceptible changes daily, before work starts")),
            Some((1, COMMON)),
        ],
    ),
    (
        Check::Concentration,
        [Some((7, "UK HSE: weekly")), Some((7, "DGUV Regel 109-003: weekly")), Some((7, COMMON))],
    ),
    (Check::Ph, [Some((7, "UK HSE: weekly")), Some((7, "DGUV Regel 109-003: weekly")), Some((7, COMMON))]),
    (
        Check::Nitrite,
        [None, Some((7, "DGUV Regel 109-003: weekly; TRGS 611, 5.3: up to 4 weeks while low")), None],
    ),
    (
        Check::DipSlide,
        // Germany: voluntary, no limit can be set (DGUV Information 209-051, 6.2).
        [Some((7, "UK HSE: weekly; may be relaxed only if records show continuing control")), None, None],
    ),
    (Check::TrampOil, [Some((7, "UK industry guide supported by HSE: weekly")), None, Some((7, COMMON))]),
    (
        Check::MakeupHardness,
        [
            Some((WATER_EVERY_DAYS, COMMON)),
            Some((WATER_EVERY_DAYS, COMMON)),
            Some((WATER_EVERY_DAYS, COMMON)),
        ],
    ),
    (Check::MakeupNitrate, [None, Some((WATER_EVERY_DAYS, WATER)), None]),
];

impl PlanSettings {
    /// What the agencies of a country ask for.
    pub fn of(country: Country) -> Self {
        let column = match country {
            Country::None => None,
            Country::Uk => Some(0),
            Country::De => Some(1),
            Country::Us => Some(2),
        };
        let row = |(check, intervals): &Row| {
            let (every_days, source) = intervals[column?]?;
            Some(CheckSettings {
                check: *check,
                every_days,
                relaxed_days: relaxed(*check),
                by_probe: false,
                source,
            })
        };
        Self {
            country,
            workdays: Workdays::default(),
            checks: TABLE.iter().filter_map(row).collect(),
            bands: (country == Country::Uk).then_some(Bands::UK),
            calibrate_every_days: CALIBRATE_EVERY_DAYS,
        }
    }

    /// Longest interval that the agencies of this plan's country allow for a check, in days, and who says so; none where
    /// nobody does.
    pub fn longest(&self, check: Check) -> Option<(u32, &'static str)> {
        let asked = Self::of(self.country).checks.into_iter().find(|asked| asked.check == check)?;
        (!asked.source.contains(COMMON)).then_some((asked.every_days, asked.source))
    }
}

impl Default for PlanSettings {
    /// Nothing is asked for.
    fn default() -> Self {
        Self::of(Country::None)
    }
}

/// TRGS 611, 5.3: at most 4 weeks while nitrite is low.
const fn relaxed(check: Check) -> Option<u32> {
    match check {
        Check::Nitrite => Some(28),
        _ => None,
    }
}
