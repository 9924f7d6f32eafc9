//! What lies ahead of a sump to what to do about it now: litres, percent, the rule behind them and what to mind.
//!
//! Each suggestion answers one question and is left out where the answer is "nothing". Where an answer hangs on an estimate
//! that is not known well, the suggestion says so and what else might be right. Texts for people are made here, as those
//! of alarms are in `alarm/wording.rs`; what waters and mixes cost and what the shop has at hand is not known here.

use schemars::JsonSchema;
use serde::Serialize;

use super::super::guidance::{Advice, Caution, Rule};
use super::super::mixing::{
    self, Exchange, ExchangeOutcome, ExchangeRequest, Mix, Prices, RunBackOutcome, TopUp, TopUpOutcome,
};
use super::super::outlook::{Losses, Plateau, PlateauWater, holding_premix, plateau_water};
use super::prospect::{Known, Prospect};
use super::{Sump, both};

/// Room that is worth a top-up, and too much that is worth a word, as parts of the volume at the fill mark.
const ROOM_PART: f64 = 0.03;
const OVER_PART: f64 = 0.01;

/// Half a 90 % interval of the concentration, as a part of the target, past which a premix is told with its range.
const UNSURE_PART: f64 = 0.1;

/// Least difference between the premix people mix and the one that holds the target that is worth a word, percent.
const PREMIX_APART: f64 = 0.5;

/// A hardness limit that is further off than this is nobody's concern yet, days.
const FAR_DAYS: f64 = 180.0;

/// A leak that is less than this part of the sump a day is nothing to look for.
const LEAK_PART: f64 = 0.003;

/// A loss is worth an alarm once it is more than that by so many of its standard deviations: it is looked at all year, and at
/// 95 % a sound sump would lose coolant now and then.
const ALARM_SURE: f64 = 2.5;

/// How long a loss that is not beyond doubt must be there, hours: it is believed in for some after a step in the level that was
/// misread (common practice, no source).
const SLIGHT_H: f64 = 6.0;

/// An exchange of more than this part of the sump with the water at hand is better made with low-mineral water.
const LARGE_PART: f64 = 0.5;

/// Hardness of demineralised water or that of a reverse-osmosis unit, mg/L as CaCO3 (common practice, no source).
pub const LOW_MINERAL_MG_L: f64 = 10.0;

/// What a suggestion is about, most urgent first.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Topic {
    /// Too much in the tank once the pumps stop.
    TooFull,
    /// Coolant leaves that nobody accounts for.
    Leak,
    /// Too hard: drain a part and refill.
    Exchange,
    /// Fill up to the mark.
    TopUp,
    /// Strength of the top-ups from now on.
    Premix,
    /// Water of the top-ups from now on.
    LowMineral,
}

/// A number behind a suggestion.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, JsonSchema)]
pub struct Figure {
    /// What it is, in words.
    pub what: &'static str,
    /// The number; `None` where it is without end.
    pub value: Option<f64>,
    /// UCUM code.
    pub unit: &'static str,
}

/// Something to do.
#[derive(Clone, PartialEq, Debug, Serialize, JsonSchema)]
pub struct Suggestion {
    /// About what.
    pub topic: Topic,
    /// What to do, a sentence or two.
    pub text: String,
    /// How sure that is, where it is not.
    pub unsure: Option<String>,
    /// Numbers it rests on.
    pub numbers: Vec<Figure>,
    /// Rules it follows, the one that decided first.
    pub rules: Vec<Rule>,
    /// What to mind.
    pub cautions: Vec<Caution>,
}

/// What is set for a sump and does not follow from its readings.
#[derive(Clone, Copy, PartialEq, Debug)]
struct Setting {
    target_percent: f64,
    full_l: f64,
    brim_l: f64,
    /// Hardness not to be passed, and whether somebody configured it.
    limit_mg_l: f64,
    limit_is_configured: bool,
    /// Whether the pumps run, as far as anybody knows.
    running: Option<bool>,
}

impl Sump {
    /// What to do now, most urgent first, about what lies ahead. `limit_mg_l` is the hardness not to be passed,
    /// mg/L as CaCO3, and `limit_is_configured` whether the shop said so.
    pub fn advice(&self, prospect: &Prospect, limit_mg_l: f64, limit_is_configured: bool) -> Vec<Suggestion> {
        let setting = Setting {
            target_percent: self.plant.expected.target_percent,
            full_l: self.plant.expected.full_l,
            brim_l: self.plant.tank.capacity_l(),
            limit_mg_l,
            limit_is_configured,
            running: self.is_running(),
        };
        advise(prospect, &setting)
    }
}

impl Sump {
    /// Coolant that surely leaves unaccounted for, L/d, where it is worth an alarm, and from then on until it is less than its own
    /// standard deviation; none before anything is believed, and while a slight loss has not been there for [`SLIGHT_H`].
    pub fn watch_losses(&mut self, leak: Option<Known>) -> Option<Option<f64>> {
        let leak = leak?;
        let goes_on = self.losing_since_h.is_some() && leak.value > leak.deviation;
        let least = leak.value - ALARM_SURE * leak.deviation;
        if !goes_on && least <= LEAK_PART * self.plant.expected.full_l {
            self.losing_since_h = None;
            return Some(None);
        }
        let now_h = self.tracker.now_h;
        let since_h = *self.losing_since_h.get_or_insert(now_h);
        (self.tracker.leaking || now_h - since_h >= SLIGHT_H).then_some(Some(leak.value))
    }

    /// Strength of the top-ups that holds the target, percent; none where nothing leaves the sump.
    pub fn holding_percent(&self, prospect: &Prospect) -> Option<f64> {
        let losses = prospect.concentrate_losses();
        Some(holding_premix(losses, self.plant.expected.target_percent).ok()?.numbers.premix_percent)
    }

    /// Litres that would run over the brim if the pumps stopped now, where that is as good as sure; none before anything is
    /// believed.
    pub fn would_overflow(&self, room: Option<Known>) -> Option<Option<f64>> {
        let room = room?;
        let to_brim_l = self.plant.tank.capacity_l() - self.plant.expected.full_l;
        let over_l = -room.value - to_brim_l;
        Some((over_l > room.within()).then_some(over_l))
    }
}

fn is_leak(leak_l_d: Known, full_l: f64) -> bool {
    leak_l_d.interval().0 > LEAK_PART * full_l
}

fn advise(prospect: &Prospect, setting: &Setting) -> Vec<Suggestion> {
    [
        too_full(prospect, setting),
        leak(prospect, setting),
        exchange(prospect, setting),
        top_up(prospect, setting),
        premix(prospect, setting),
        low_mineral(prospect, setting),
    ]
    .into_iter()
    .flatten()
    .collect()
}

fn figure(what: &'static str, value: f64, unit: &'static str) -> Figure {
    Figure { what, value: value.is_finite().then_some(value), unit }
}

fn suggestion<N>(
    topic: Topic,
    text: String,
    unsure: Option<String>,
    numbers: Vec<Figure>,
    advice: Advice<N>,
) -> Suggestion {
    Suggestion { topic, text, unsure, numbers, rules: advice.rules, cautions: advice.cautions }
}

/// Many fill to the mark while the pumps run: what runs back may then stand over it, as long as it stays in the tank.
fn too_full(prospect: &Prospect, setting: &Setting) -> Option<Suggestion> {
    let over_l = -prospect.room_l.value;
    let after_l = setting.full_l + over_l;
    let held_l = prospect.holdup_l.value.clamp(0.0, after_l.max(0.0));
    let slack_l = (OVER_PART * setting.full_l).max(prospect.room_l.within());
    let to_brim_l = setting.brim_l - after_l;
    if over_l <= held_l + slack_l && to_brim_l >= slack_l {
        return None;
    }
    let stands = setting.running == Some(false);
    let holdup_l = if stands { 0.0 } else { held_l };
    let advice = mixing::run_back(after_l - holdup_l, holdup_l, setting.full_l, setting.brim_l).ok()?;
    let back = advice.numbers;
    let text = match (back.outcome, stands) {
        (RunBackOutcome::RunsOver, _) => format!(
            "When the pumps stop about {:.0} L run over the brim: take out {over_l:.0} L before they do.",
            back.spills_l
        ),
        (_, true) => {
            format!("{over_l:.0} L over the fill mark, {to_brim_l:.0} L under the brim: add nothing.")
        }
        (_, false) => format!(
            "When the pumps stop the tank stands {over_l:.0} L over its fill mark, {to_brim_l:.0} L under the brim: add nothing."
        ),
    };
    let within = prospect.room_l.within();
    let unsure = (within >= 1.0).then(|| format!("Known to ± {within:.0} L (90 %)."));
    let numbers = vec![
        figure("in the tank now", back.in_tank_l, "L"),
        figure("runs back when the pumps stop", back.holdup_l, "L"),
        figure("in the tank then", back.after_l, "L"),
        figure("volume at the fill mark", setting.full_l, "L"),
        figure("volume at the brim", setting.brim_l, "L"),
    ];
    Some(suggestion(Topic::TooFull, text, unsure, numbers, advice))
}

fn leak(prospect: &Prospect, setting: &Setting) -> Option<Suggestion> {
    if !is_leak(prospect.leak_l_d, setting.full_l) {
        return None;
    }
    let (low, high) = prospect.leak_l_d.interval();
    let leak_l_d = prospect.leak_l_d.value;
    Some(Suggestion {
        topic: Topic::Leak,
        text: format!("About {leak_l_d:.0} L a day leave that nobody accounts for: look for a leak."),
        unsure: Some(format!("It may be {low:.0} to {high:.0} L a day (90 %).")),
        numbers: vec![
            figure("leaves unaccounted for", leak_l_d, "L/d"),
            figure("evaporates", prospect.evaporation_l_d.value, "L/d"),
            figure("leaves as coolant in all", prospect.dragout_l_d.value, "L/d"),
        ],
        rules: vec![Rule::LooksLikeLeak],
        cautions: vec![Caution::LicensedWaste],
    })
}

/// The smallest exchange from a hardness with water of `water_mg_l`.
fn exchange_with(
    prospect: &Prospect,
    setting: &Setting,
    now_mg_l: f64,
    water_mg_l: f64,
) -> Option<Advice<Exchange>> {
    let now_l = prospect.liquid_l.value;
    mixing::exchange(&ExchangeRequest {
        now_l,
        fill_to_l: now_l + prospect.room_l.value.max(0.0),
        now_mg_l,
        limit_mg_l: setting.limit_mg_l,
        water_mg_l,
        refill_percent: setting.target_percent,
        prices: Prices::default(),
    })
    .ok()
}

/// Low-mineral water for the refill, where with the water at hand no exchange, or only a large one, gets under the limit.
fn water_of_refill(prospect: &Prospect, setting: &Setting, now_mg_l: f64) -> Option<f64> {
    let water_mg_l = prospect.water_mg_l.value;
    let waste = exchange_with(prospect, setting, now_mg_l, water_mg_l)?.numbers.partial.map(|p| p.waste_l);
    let small = waste.is_some_and(|waste| waste <= LARGE_PART * prospect.liquid_l.value);
    Some(if small { water_mg_l } else { water_mg_l.min(LOW_MINERAL_MG_L) })
}

fn exchange(prospect: &Prospect, setting: &Setting) -> Option<Suggestion> {
    let (now, limit) = (prospect.hardness_mg_l, setting.limit_mg_l);
    if now.value <= limit {
        return None;
    }
    let water_mg_l = water_of_refill(prospect, setting, now.value)?;
    let mut advice = exchange_with(prospect, setting, now.value, water_mg_l)?;
    if !setting.limit_is_configured {
        advice.rules.push(Rule::HardnessLimit);
    }
    let numbers = advice.numbers;
    let partial = numbers.partial?;
    let (low, high) = now.interval();
    let mut text = if low > limit {
        format!("Hardness {:.0} mg/L is over {limit:.0}: ", now.value)
    } else {
        format!("Hardness may be over {limit:.0} mg/L, about {:.0}: measure it, and if it is, ", now.value)
    };
    let water = if water_mg_l < prospect.water_mg_l.value { "low-mineral water" } else { "the usual water" };
    text.push_str(&match numbers.outcome {
        ExchangeOutcome::FillingUpIsEnough => {
            format!("fill up with {:.0} L made with {water}, which is enough.", partial.refill_l)
        }
        ExchangeOutcome::Exchange | ExchangeOutcome::RefillOverLimit => format!(
            "drain {:.0} L and refill with {:.0} L made with {water}. A full dump would be {:.0} L of waste.",
            partial.waste_l, partial.refill_l, numbers.full_dump.waste_l
        ),
    });
    let waste = |mg_l: f64| {
        let partial = exchange_with(prospect, setting, mg_l, water_mg_l)?.numbers.partial;
        partial.map(|partial| partial.waste_l)
    };
    let unsure = format!(
        "It may be {low:.0} to {high:.0} mg/L (90 %), which asks for draining {:.0} to {:.0} L.",
        waste(low).unwrap_or(0.0),
        waste(high).unwrap_or(numbers.full_dump.waste_l)
    );
    let unsure = (now.within() >= 1.0).then_some(unsure);
    Some(suggestion(Topic::Exchange, text, unsure, exchange_numbers(&numbers), advice))
}

fn exchange_numbers(numbers: &Exchange) -> Vec<Figure> {
    let mut figures = vec![
        figure("hardness now", numbers.now, "mg/L"),
        figure("limit", numbers.limit, "mg/L"),
        figure("hardness of the water of the refill", numbers.refill, "mg/L"),
    ];
    figures.extend(numbers.partial.iter().flat_map(|partial| {
        [
            figure("drain", partial.waste_l, "L"),
            figure("refill", partial.refill_l, "L"),
            figure("concentrate in the refill", partial.concentrate_l, "L"),
        ]
    }));
    figures.extend([
        figure("waste of a full dump", numbers.full_dump.waste_l, "L"),
        figure("refill after a full dump", numbers.full_dump.refill_l, "L"),
        figure("concentrate after a full dump", numbers.full_dump.concentrate_l, "L"),
    ]);
    figures
}

fn top_up(prospect: &Prospect, setting: &Setting) -> Option<Suggestion> {
    let (now_l, room_l) = (prospect.liquid_l.value, prospect.room_l.value);
    if room_l <= ROOM_PART * setting.full_l {
        return None;
    }
    let target = Mix { litres: now_l + room_l, percent: setting.target_percent };
    let advice = top_up_from(prospect.percent.value, now_l, target)?;
    let done = advice.numbers;
    let pour = done.pour?;
    let mut text = format!(
        "Top up with {:.0} L of premix at {:.1} % ({:.1} L of concentrate into {:.0} L of water)",
        pour.litres, pour.premix_percent, pour.concentrate_l, pour.water_l
    );
    text.push_str(&match done.outcome {
        TopUpOutcome::StaysTooStrong => format!("; it stays too strong at {:.1} %.", done.reached.percent),
        TopUpOutcome::StaysTooWeak => format!("; it stays too weak at {:.1} %.", done.reached.percent),
        TopUpOutcome::AsItIs | TopUpOutcome::Reached | TopUpOutcome::TooFull => {
            format!(": fill mark and {:.1} % together.", setting.target_percent)
        }
    });
    let unsure = (prospect.percent.within() > UNSURE_PART * setting.target_percent).then(|| {
        let (low, high) = prospect.percent.interval();
        let strength = |percent: f64| {
            let pour = top_up_from(percent, now_l, target).and_then(|advice| advice.numbers.pour);
            pour.map_or(pour_percent(&done), |pour| pour.premix_percent)
        };
        format!(
            "The concentration may be {low:.1} to {high:.1} % (90 %), so the premix {:.1} to {:.1} %: take a refractometer \
             reading first.",
            strength(high),
            strength(low)
        )
    });
    let numbers = vec![
        figure("liquid now", now_l, "L"),
        figure("concentration now", prospect.percent.value, "%"),
        figure("room to the fill mark once the pumps stand", room_l, "L"),
        figure("concentration to be held", setting.target_percent, "%"),
        figure("premix", pour.premix_percent, "%"),
        figure("concentration afterwards", done.reached.percent, "%"),
    ];
    Some(suggestion(Topic::TopUp, text, unsure, numbers, advice))
}

fn top_up_from(percent: f64, litres: f64, target: Mix) -> Option<Advice<TopUp>> {
    mixing::top_up(Mix { litres, percent }, target).ok()
}

fn pour_percent(done: &TopUp) -> f64 {
    done.pour.map_or(0.0, |pour| pour.premix_percent)
}

/// A part of itself that a number may be off by, one standard deviation.
fn relative(known: Known) -> f64 {
    if known.value > 0.0 { known.deviation / known.value } else { 0.0 }
}

fn premix(prospect: &Prospect, setting: &Setting) -> Option<Suggestion> {
    let losses = prospect.concentrate_losses();
    let advice = holding_premix(losses, setting.target_percent).ok()?;
    let holds = advice.numbers.premix_percent;
    let usual = prospect.makeup_percent;
    let evaporated = losses.evaporation_l_d / losses.makeup_l_d().max(f64::MIN_POSITIVE);
    let rates = both(relative(prospect.evaporation_l_d), relative(prospect.dragout_l_d));
    let holds = Known { value: holds, deviation: holds * evaporated * rates };
    let apart = Known { value: usual.value - holds.value, deviation: both(usual.deviation, holds.deviation) };
    if apart.value.abs() <= apart.within().max(PREMIX_APART) {
        return None;
    }
    let leads = match prospect.plateau_percent() {
        Plateau::At(percent) => format!("tends to {percent:.1} %"),
        Plateau::Rises => "rises without end".to_owned(),
    };
    let text = format!(
        "Mix top-ups at {:.1} % instead of about {:.1} %: that {} {:.1} %. As it is the concentration {leads}.",
        holds.value,
        usual.value,
        if advice.numbers.holds { "holds" } else { "comes closest to" },
        setting.target_percent
    );
    let (low, high) = holds.interval();
    let unsure = format!("{low:.1} to {high:.1} % by what the losses may be (90 %).");
    let numbers = vec![
        figure("premix that holds the target", holds.value, "%"),
        figure("premix as usual", usual.value, "%"),
        figure("evaporates", prospect.evaporation_l_d.value, "L/d"),
        figure("leaves as coolant", prospect.dragout_l_d.value, "L/d"),
    ];
    Some(suggestion(Topic::Premix, text, Some(unsure), numbers, advice))
}

fn low_mineral(prospect: &Prospect, setting: &Setting) -> Option<Suggestion> {
    let water_mg_l = prospect.water_mg_l.value;
    if water_mg_l <= LOW_MINERAL_MG_L || prospect.days_to_hardness(setting.limit_mg_l).days > FAR_DAYS {
        return None;
    }
    let with = |losses| plateau_water(losses, setting.limit_mg_l, (water_mg_l, LOW_MINERAL_MG_L)).ok();
    let losses = prospect.hardness_losses();
    let mut advice = with(losses)?;
    let blend = advice.numbers.blend;
    if blend.soft_share <= 0.0 {
        return None;
    }
    if !setting.limit_is_configured {
        advice.rules.push(Rule::HardnessLimit);
    }
    // The share hangs on how much coolant leaves more than on anything else.
    let within = prospect.dragout_l_d.within();
    let share = |by: f64| {
        let dragout_l_d = (losses.dragout_l_d + by).max(0.0);
        with(Losses { dragout_l_d, ..losses }).map_or(1.0, |a| a.numbers.blend.soft_share)
    };
    let unsure = format!(
        "{:.0} to {:.0} % by what the losses may be (90 %).",
        100.0 * share(within),
        100.0 * share(-within)
    );
    let text = low_mineral_text(&advice.numbers, setting.limit_mg_l);
    let numbers = low_mineral_numbers(&advice.numbers);
    Some(suggestion(Topic::LowMineral, text, Some(unsure), numbers, advice))
}

fn low_mineral_text(numbers: &PlateauWater, limit_mg_l: f64) -> String {
    let leads = match numbers.plateau_untreated {
        Plateau::At(mg_l) => format!("tends to {mg_l:.0} mg/L"),
        Plateau::Rises => "rises without end".to_owned(),
    };
    let share = 100.0 * numbers.blend.soft_share;
    if numbers.blend.enough {
        format!(
            "With this water hardness {leads}: make top-ups with {share:.0} % low-mineral water to stay under {limit_mg_l:.0}."
        )
    } else {
        format!(
            "With this water hardness {leads}: make top-ups with low-mineral water only; even that leads over \
             {limit_mg_l:.0} mg/L in time, so exchange a part now and then."
        )
    }
}

fn low_mineral_numbers(numbers: &PlateauWater) -> Vec<Figure> {
    let tends = |plateau: Plateau| match plateau {
        Plateau::At(mg_l) => mg_l,
        Plateau::Rises => f64::INFINITY,
    };
    vec![
        figure("hardness of the water at hand", numbers.blend.water_mg_l, "mg/L"),
        figure("hardness of low-mineral water, taken as", numbers.blend.soft_mg_l, "mg/L"),
        figure("share of low-mineral water", 100.0 * numbers.blend.soft_share, "%"),
        figure("leads to, with the water at hand", tends(numbers.plateau_untreated), "mg/L"),
        figure("leads to, with the share", tends(numbers.plateau), "mg/L"),
        figure("evaporates, less what scum takes", numbers.losses.evaporation_l_d, "L/d"),
        figure("leaves as coolant, with what scum takes", numbers.losses.dragout_l_d, "L/d"),
    ]
}

#[cfg(test)]
mod tests {
    use super::super::prospect::tests::{Sample, sample};
    use super::*;

    const SETTING: Setting = Setting {
        target_percent: 8.0,
        full_l: 250.0,
        brim_l: 300.0,
        limit_mg_l: 400.0,
        limit_is_configured: true,
        running: Some(true),
    };

    /// A sump in order: full, at target, soft water, top-ups that hold.
    const WELL: Sample = Sample {
        full_l: 250.0,
        litres: 250.0,
        evaporation_l_d: 8.0,
        dragout_l_d: 2.0,
        leak_l_d: 0.0,
        water_mg_l: 70.0,
        hardness_mg_l: 100.0,
        percent: 8.0,
        mix_percent: 1.6,
        holdup_l: 30.0,
    };

    fn advice_for(of: Sample) -> Vec<Suggestion> {
        advise(&sample(&of, &[]), &SETTING)
    }

    #[test]
    fn each_case_gets_its_advice_and_no_other() {
        use Topic::{Exchange, Leak, LowMineral, Premix, TooFull, TopUp};
        let cases: &[(&str, Sample, &[Topic])] = &[
            ("in order", WELL, &[]),
            ("little room", Sample { litres: 243.0, ..WELL }, &[]),
            ("room", Sample { litres: 220.0, ..WELL }, &[TopUp]),
            ("filled to the mark with running pumps", Sample { litres: 278.0, ..WELL }, &[]),
            ("too full even then", Sample { litres: 286.0, ..WELL }, &[TooFull]),
            ("too strong mix", Sample { mix_percent: 4.0, ..WELL }, &[Premix]),
            ("hard water", Sample { water_mg_l: 240.0, ..WELL }, &[LowMineral]),
            ("too hard", Sample { hardness_mg_l: 520.0, ..WELL }, &[Exchange]),
            (
                "too hard with hard water",
                Sample { hardness_mg_l: 520.0, water_mg_l: 240.0, ..WELL },
                &[Exchange, LowMineral],
            ),
            ("leak", Sample { leak_l_d: 6.0, mix_percent: 4.0, ..WELL }, &[Leak]),
        ];
        for (name, of, expected) in cases {
            let got: Vec<Topic> = advice_for(*of).iter().map(|s| s.topic).collect();
            assert_eq!(got, *expected, "{name}: {:?}", advice_for(*of));
        }
    }

    /// By the table of top-ups: 160 L at 6 % to 200 L at 7 % take 40 L of 11 %.
    #[test]
    fn the_top_up_is_that_of_the_mass_balance() {
        let of = Sample { litres: 160.0, percent: 6.0, mix_percent: 1.4, full_l: 200.0, ..WELL };
        let setting = Setting { full_l: 200.0, target_percent: 7.0, ..SETTING };
        let got = advise(&sample(&of, &[]), &setting);
        let [one] = &got[..] else { panic!("{got:?}") };
        assert_eq!(
            one.text,
            "Top up with 40 L of premix at 11.0 % (4.4 L of concentrate into 36 L of water): fill mark and 7.0 % together."
        );
        assert_eq!((one.unsure.as_deref(), one.rules[0]), (None, Rule::MassBalance));
    }

    #[test]
    fn a_sump_that_cannot_be_reached_says_where_it_ends() {
        let text = |percent: f64| advice_for(Sample { litres: 220.0, percent, ..WELL })[0].text.clone();
        assert!(text(11.0).contains("30 L of premix at 1.0 %"), "{}", text(11.0));
        assert!(text(11.0).ends_with("it stays too strong at 9.8 %."), "{}", text(11.0));
        assert!(text(3.0).contains("30 L of premix at 30.0 %"), "{}", text(3.0));
        assert!(text(3.0).ends_with("it stays too weak at 6.2 %."), "{}", text(3.0));
    }

    #[test]
    fn what_is_not_known_well_says_so() {
        use super::super::super::belief::at;
        let of = Sample { litres: 220.0, hardness_mg_l: 420.0, ..WELL };
        let got = advise(&sample(&of, &[(at::CONCENTRATE, 2.2), (at::HARDNESS, 8.8)]), &SETTING);
        let [exchange, top_up] = &got[..] else { panic!("{got:?}") };
        // 8.8 g in 220 L is 40 mg/L, 2.2 L is 1 %; 90 % is 1.645 of it. Of 220 L at 486, 250 · (400 − 70) / (486 − 70) may stay.
        assert_eq!(
            exchange.unsure.as_deref(),
            Some("It may be 354 to 486 mg/L (90 %), which asks for draining 0 to 22 L.")
        );
        assert!(
            exchange.text.starts_with("Hardness may be over 400 mg/L, about 420: measure it, and if it is, "),
            "{got:?}"
        );
        let unsure = top_up.unsure.as_deref().expect("12 % off");
        assert!(
            unsure.starts_with("The concentration may be 6.4 to 9.6 % (90 %), so the premix 1.0 to 20.1 %"),
            "{unsure}"
        );
    }

    /// 250 L at 520 mg/L to 400 with water of 70: (400 − 70) / (520 − 70) of the old may stay.
    #[test]
    fn the_smallest_exchange_stands_beside_a_dump() {
        let got = advice_for(Sample { hardness_mg_l: 520.0, ..WELL });
        assert!(got[0].text.contains("drain 67 L and refill with 67 L made with the usual water"), "{got:?}");
        assert!(got[0].text.ends_with("A full dump would be 250 L of waste."), "{got:?}");
        // With 450 no exchange would do, with 350 only one of 176 L.
        for water_mg_l in [450.0, 350.0] {
            let hard = advice_for(Sample { hardness_mg_l: 520.0, water_mg_l, ..WELL });
            assert!(
                hard[0].text.contains("drain 59 L and refill with 59 L made with low-mineral water"),
                "{hard:?}"
            );
        }
    }

    #[test]
    fn a_tank_that_would_run_over_says_so_before_the_pumps_stop() {
        let full = Sample { litres: 312.0, ..WELL };
        let got = advice_for(full);
        assert!(
            got[0].text.starts_with("When the pumps stop about 12 L run over the brim: take out 62 L"),
            "{got:?}"
        );
        let stands = Setting { running: Some(false), ..SETTING };
        let got = advise(&sample(&Sample { litres: 290.0, ..WELL }, &[]), &stands);
        assert_eq!(got[0].text, "40 L over the fill mark, 10 L under the brim: add nothing.");
        assert_eq!(got[0].rules, [Rule::RunBack]);
    }

    #[test]
    fn a_limit_nobody_configured_says_where_it_comes_from() {
        let setting = Setting { limit_is_configured: false, ..SETTING };
        let got = advise(&sample(&Sample { hardness_mg_l: 520.0, ..WELL }, &[]), &setting);
        assert!(got[0].rules.contains(&Rule::HardnessLimit), "{got:?}");
    }

    #[test]
    fn a_share_that_is_not_enough_asks_for_exchanges() {
        let setting = Setting { limit_mg_l: 40.0, ..SETTING };
        let of = Sample { water_mg_l: 240.0, hardness_mg_l: 30.0, ..WELL };
        let got = advise(&sample(&of, &[]), &setting);
        assert!(got.last().is_some_and(|s| s.text.contains("low-mineral water only")), "{got:?}");
    }
}
