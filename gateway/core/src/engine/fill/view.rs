//! A fill as it stands, in words and numbers that leave the process.

use schemars::JsonSchema;
use serde::Serialize;

use super::{Fill, words};
use crate::estimate::acidity::{Judgement, Mark, PhTrend, Verdict};
use crate::estimate::cleanout::{Outcome, Sheet, Standing, Step};
use crate::estimate::guidance::{Advice, Caution, NO_SAFETY_SYSTEM, Rule};

/// pH of a fill, and its clean-out.
#[derive(Clone, PartialEq, Debug, Serialize, JsonSchema)]
pub struct FillView {
    /// Median pH of the last hours, as if at 25 °C.
    pub ph: Option<f64>,
    /// pH it is judged against.
    pub baseline_ph: Option<f64>,
    /// How far it lies under it.
    pub drop_ph: Option<f64>,
    /// That, judged.
    pub judgement: Judgement,
    /// Where it tends to.
    pub trend: Option<TrendView>,
    /// What fall, warmth and standing still look like together.
    pub likely_biological: Option<&'static str>,
    /// Rules the judgement follows.
    pub rules: Vec<Rule>,
    /// What all this asks for, in words, the most pressing first; empty where nothing does.
    pub to_do: Vec<String>,
    /// What to mind while doing it.
    pub cautions: Vec<Caution>,
    /// The clean-out.
    pub cleanout: CleanoutView,
}

/// Trend of the pH.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, JsonSchema)]
pub struct TrendView {
    /// Change a day.
    pub per_day: f64,
    /// Lower end of its 90 % band.
    pub low90: f64,
    /// Upper end of its 90 % band.
    pub high90: f64,
    /// The next mark below.
    pub mark: Option<Mark>,
    /// Where it lies.
    pub mark_ph: Option<f64>,
    /// Days until it is reached; none if never.
    pub days: Option<f64>,
    /// Lower end of the 90 % interval.
    pub days_low90: Option<f64>,
    /// Upper end of the 90 % interval; none if never.
    pub days_high90: Option<f64>,
}

/// A clean-out.
#[derive(Clone, PartialEq, Debug, Serialize, JsonSchema)]
pub struct CleanoutView {
    /// `none`, `suggested` or `running`.
    pub stage: &'static str,
    /// Word of the step it is at.
    pub step: Option<Step>,
    /// What to do.
    pub to_do: Option<&'static str>,
    /// Pump hours of this step so far.
    pub hours: Option<f64>,
    /// Pump hours asked for.
    pub hours_wanted: Option<f64>,
    /// Limits of this sump rest.
    pub limits_rest: bool,
    /// Every step of the one under way, or of the last one.
    pub steps: Vec<StepView>,
    /// The last one, in words.
    pub verdict: Option<String>,
    /// Regrowth is looked for harder.
    pub watching: bool,
    /// What grows back, in words.
    pub regrowth: Option<String>,
    /// Amounts, rules and cautions, while there is one to do.
    pub sheet: Option<Advice<Sheet>>,
    /// Stands under it.
    pub note: &'static str,
}

/// What was made of a step.
#[derive(Clone, PartialEq, Debug, Serialize, JsonSchema)]
pub struct StepView {
    /// Which.
    pub step: Step,
    /// `open`, `done`, `cut-short`, `not-witnessed` or `left-out`.
    pub outcome: &'static str,
    /// In words.
    pub text: String,
}

impl super::super::Engine {
    /// Amounts, rules and cautions of a clean-out of each sump, in the order of the settings: they follow from the settings.
    pub fn cleanout_sheets(&self) -> Vec<Advice<Sheet>> {
        self.fills.iter().map(|fill| fill.cleanout.sheet()).collect()
    }
}

impl Fill {
    pub(in crate::engine) fn view(&self) -> FillView {
        let Advice { numbers: verdict, rules, cautions } = self.acidity.verdict();
        let cleanout = self.cleanout_view();
        let to_do = to_do(&verdict, &cleanout);
        let sheet = cleanout.sheet.as_ref().map(|sheet| sheet.cautions.clone());
        // Without anything to do by the pH its cautions would only blunt those that matter.
        let of_ph = if asks_for_something(&verdict) { cautions } else { Vec::new() };
        let mut cautions = sheet.unwrap_or_default();
        cautions.extend(of_ph.into_iter().filter(|caution| !cautions.contains(caution)).collect::<Vec<_>>());
        FillView {
            ph: verdict.now.map(|ph| ph.ph()),
            baseline_ph: verdict.baseline.map(|baseline| baseline.ph.ph()),
            drop_ph: verdict.drop.map(|drop| drop.ph()),
            judgement: verdict.judgement,
            trend: verdict.trend.map(trend_view),
            likely_biological: verdict.suspicion.map(|suspicion| suspicion.text()),
            rules,
            to_do,
            cautions,
            cleanout,
        }
    }

    fn cleanout_view(&self) -> CleanoutView {
        let cleanout = &self.cleanout;
        let last = cleanout.last();
        let (stage, step, hours) = match cleanout.standing() {
            Standing::None => ("none", None, None),
            Standing::Suggested => ("suggested", None, None),
            Standing::Running { step, hours, .. } => ("running", Some(step), hours),
        };
        CleanoutView {
            stage,
            step,
            to_do: step.map(|step| step.rule().text()),
            hours: hours.map(|(so_far, _)| so_far),
            hours_wanted: hours.map(|(_, wanted)| wanted),
            limits_rest: cleanout.suppresses(),
            steps: cleanout.outcomes().map(step_views).unwrap_or_default(),
            verdict: last.map(words::verdict),
            watching: cleanout.watches_until_h().is_some(),
            regrowth: cleanout.regrowth().map(|(found, causes)| words::regrowth(&found, &causes)),
            sheet: (stage != "none").then(|| cleanout.sheet()),
            note: NO_SAFETY_SYSTEM,
        }
    }
}

/// Whether the pH asks for anything.
fn asks_for_something(verdict: &Verdict) -> bool {
    let dropped = matches!(verdict.judgement, Judgement::CorrectiveAction | Judgement::Replace);
    dropped || verdict.suspicion.is_some()
}

fn to_do(verdict: &Verdict, cleanout: &CleanoutView) -> Vec<String> {
    let mut all = Vec::new();
    if let Some((step, to_do)) = cleanout.step.zip(cleanout.to_do) {
        let hours = match cleanout.hours.zip(cleanout.hours_wanted) {
            Some((so_far, wanted)) => format!(" ({so_far:.1} of {wanted:.1} pump hours so far)"),
            None => String::new(),
        };
        all.push(format!("Clean-out, {}{hours}: {to_do}", step.noun()));
    }
    if cleanout.limits_rest {
        all.push(Rule::CleanoutLimitsRest.text().to_owned());
    }
    if cleanout.stage == "suggested" {
        all.push(
            "The sump was emptied. If this is a clean-out, write it down, so that it is followed.".to_owned(),
        );
    }
    all.extend(cleanout.regrowth.clone());
    if let (Judgement::CorrectiveAction | Judgement::Replace, Some(drop)) = (verdict.judgement, verdict.drop)
    {
        all.push(words::drop_words(verdict.judgement, drop.ph()));
    }
    all.extend(verdict.suspicion.map(|suspicion| suspicion.text().to_owned()));
    all
}

fn step_views(outcomes: [Outcome; 7]) -> Vec<StepView> {
    let steps = Step::ALL.into_iter().zip(outcomes);
    steps
        .map(|(step, outcome)| StepView { step, outcome: outcome.word(), text: outcome.to_string() })
        .collect()
}

fn trend_view(trend: PhTrend) -> TrendView {
    let days = |of: fn(&crate::estimate::acidity::UntilMark) -> f64| {
        trend.until.as_ref().map(of).filter(|days| days.is_finite())
    };
    TrendView {
        per_day: trend.per_day,
        low90: trend.low90,
        high90: trend.high90,
        mark: trend.until.map(|until| until.mark),
        mark_ph: trend.until.map(|until| until.ph.ph()),
        days: days(|until| until.days),
        days_low90: days(|until| until.low90),
        days_high90: days(|until| until.high90),
    }
}
