//! One sump of one case as a picture: truth, estimate with its interval, a rival, and what people did.
//!
//! Plain SVG that follows the reader's light or dark surroundings. Four panels share one axis of days.

use std::fmt::Write;

use sumpwarden_sim::Stamp;

use crate::case::Case;
use crate::judged::{Hour, Judged, RIVALS};
use crate::score::as_topups;
use crate::track::Track;

const WIDTH: f64 = 900.0;
const HEIGHT: f64 = 920.0;
const LEFT: f64 = 70.0;
const RIGHT: f64 = 880.0;
/// Top of the first panel, height of each, from one top to the next.
const TOP: f64 = 92.0;
const PANEL: f64 = 172.0;
const STEP: f64 = 200.0;

const STYLE: &str = "
:root { --ink: #1d2430; --soft: #667085; --line: #d5dae2; --ground: #ffffff; --estimate: #1f6fd6; --rival: #b4531a; \
--note: #0f8a5f; --shade: #eef1f5; }
@media (prefers-color-scheme: dark) { :root { --ink: #e8ecf2; --soft: #9aa5b5; --line: #39424f; --ground: #14181f; \
--estimate: #6aa9ff; --rival: #f0a26b; --note: #4fd1a1; --shade: #1f2630; } }
text { font: 12px system-ui, sans-serif; fill: var(--soft); }
.title { font-size: 17px; font-weight: 600; fill: var(--ink); }
.panel { font-size: 13px; font-weight: 600; fill: var(--ink); }
.grid { stroke: var(--line); stroke-width: 1; }
.truth { fill: none; stroke: var(--ink); stroke-width: 1.4; }
.estimate { fill: none; stroke: var(--estimate); stroke-width: 1.6; }
.band { fill: var(--estimate); opacity: 0.2; }
.rival { fill: none; stroke: var(--rival); stroke-width: 1.1; stroke-dasharray: 4 3; }
.note { fill: var(--note); }
.poured { stroke: var(--note); stroke-width: 1.4; }
.told { stroke: var(--estimate); stroke-width: 1.4; }
.shade { fill: var(--shade); }
";

/// One panel.
struct Panel {
    judged: Judged,
    title: &'static str,
    /// Which rival is drawn: place among [`RIVALS`].
    rival: Option<usize>,
}

const PANELS: [Panel; 4] = [
    Panel { judged: Judged::Concentration, title: "Concentration, %", rival: Some(0) },
    Panel { judged: Judged::Hardness, title: "Hardness, mg/L as CaCO₃", rival: Some(2) },
    Panel { judged: Judged::Chips, title: "Chips, L of solid metal", rival: Some(2) },
    Panel { judged: Judged::Liquid, title: "Liquid, L", rival: None },
];

/// The picture.
pub(crate) fn draw(case: &Case, track: &Track) -> String {
    let mut out = String::new();
    let _ = writeln!(
        out,
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH} {HEIGHT}\" role=\"img\">\n<style>{STYLE}</style>"
    );
    let title = format!("{}, {}, seed {}", case.scenario.name, track.sump, case.scenario.seed);
    let _ = writeln!(out, "<title>{title}: estimate against truth</title>");
    let _ = writeln!(out, "<rect width=\"{WIDTH}\" height=\"{HEIGHT}\" style=\"fill: var(--ground)\"/>");
    let written = match case.notes.word() {
        "none" => "hardly anything is written down".to_owned(),
        word => format!("people write down: {word}"),
    };
    let _ = writeln!(out, "<text class=\"title\" x=\"{LEFT}\" y=\"30\">{title} ({written})</text>");
    legend(&mut out);
    for (place, panel) in PANELS.iter().enumerate() {
        let axis = Axis::of(case, track, panel, TOP + STEP * place as f64);
        axis.draw(&mut out, track, panel, place);
        axis.curves(&mut out, &track.hours, panel, place);
        axis.notes(&mut out, case, track, panel.judged);
        if panel.judged == Judged::Liquid {
            axis.topups(&mut out, track);
        }
    }
    let days = TOP + STEP * 3.0 + PANEL + 34.0;
    let _ =
        writeln!(out, "<text x=\"{}\" y=\"{days}\" text-anchor=\"middle\">days</text>", (LEFT + RIGHT) / 2.0);
    out.push_str("</svg>\n");
    out
}

fn legend(out: &mut String) {
    let mut x = LEFT;
    let mut entry = |mark: &str, words: &str| {
        let _ = writeln!(
            out,
            "<g transform=\"translate({x} 52)\">{mark}<text x=\"30\" y=\"4\">{words}</text></g>"
        );
        x += 48.0 + 6.4 * words.chars().count() as f64;
    };
    let line = |class: &str| format!("<path class=\"{class}\" d=\"M0 0H24\"/>");
    entry(&line("truth"), "truth");
    entry(&line("estimate"), "estimate");
    entry("<rect class=\"band\" y=\"-6\" width=\"24\" height=\"12\"/>", "90 % interval");
    entry(&line("rival"), "simpler way (named)");
    entry("<circle class=\"note\" cx=\"12\" r=\"3.5\"/>", "reading");
    entry("<path class=\"poured\" d=\"M12 -6V6\"/>", "top-up");
    entry("<path class=\"told\" d=\"M12 -6V6\"/>", "top-up found");
}

/// Where values and days of one panel lie on the page.
struct Axis {
    top: f64,
    low: f64,
    high: f64,
    start: Stamp,
    days: f64,
}

impl Axis {
    /// Wide enough for truth, estimate and readings; a rival may take as much again above and below.
    fn of(case: &Case, track: &Track, panel: &Panel, top: f64) -> Self {
        let place = panel.judged as usize;
        let estimates = track.hours.iter().filter_map(|hour| hour.estimate[place].map(|e| e.value));
        let truths = track.hours.iter().filter_map(|hour| hour.truth[place]);
        let read = readings(case, track, panel.judged).map(|(_, value)| value);
        let (low, high) = ends(estimates.chain(truths).chain(read));
        let span = (high - low).max(0.05 * high.abs()).max(1e-3);
        let rival = |r: usize| track.hours.iter().filter_map(move |hour| hour.rivals[r][place]);
        let (rival_low, rival_high) = panel.rival.map_or((low, high), |r| ends(rival(r)));
        let (low, high) = (rival_low.clamp(low - span, low), rival_high.clamp(high, high + span));
        let days = track.hours.last().map_or(1.0, |hour| hour.at.since(track.start).as_secs_f64() / 86_400.0);
        Self { top, low: (low - 0.05 * span).max(0.0), high: high + 0.05 * span, start: track.start, days }
    }

    fn x(&self, at: Stamp) -> f64 {
        let days = (at.0 - self.start.0) as f64 / 86_400_000.0;
        LEFT + (RIGHT - LEFT) * days / self.days
    }

    fn y(&self, value: f64) -> f64 {
        self.top + PANEL * (self.high - value) / (self.high - self.low)
    }

    fn draw(&self, out: &mut String, track: &Track, panel: &Panel, place: usize) {
        let bottom = self.top + PANEL;
        for (begin, end) in &track.exchanges {
            let (x, width) = (self.x(*begin), (self.x(*end) - self.x(*begin)).max(1.5));
            let top = self.top;
            let _ = writeln!(
                out,
                "<rect class=\"shade\" x=\"{x:.1}\" y=\"{top}\" width=\"{width:.1}\" height=\"{PANEL}\"/>"
            );
        }
        for value in ticks(self.low, self.high) {
            let y = self.y(value);
            let _ = writeln!(out, "<path class=\"grid\" d=\"M{LEFT} {y:.1}H{RIGHT}\"/>");
            let _ = writeln!(
                out,
                "<text x=\"{}\" y=\"{:.1}\" text-anchor=\"end\">{}</text>",
                LEFT - 8.0,
                y + 4.0,
                short(value)
            );
        }
        for day in ticks(0.0, self.days) {
            let x = LEFT + (RIGHT - LEFT) * day / self.days;
            let _ = writeln!(out, "<path class=\"grid\" d=\"M{x:.1} {bottom}v4\"/>");
            if place == 3 {
                let y = bottom + 17.0;
                let _ = writeln!(
                    out,
                    "<text x=\"{x:.1}\" y=\"{y}\" text-anchor=\"middle\">{}</text>",
                    short(day)
                );
            }
        }
        let rival = panel.rival.map_or(String::new(), |r| format!(" (simpler way: {})", RIVALS[r]));
        let (title, y) = (panel.title, self.top - 7.0);
        let _ = writeln!(out, "<text class=\"panel\" x=\"{LEFT}\" y=\"{y}\">{title}{rival}</text>");
    }

    fn curves(&self, out: &mut String, hours: &[Hour], panel: &Panel, place: usize) {
        let (of, width) = (panel.judged as usize, RIGHT - LEFT);
        let (top, clip) = (self.top, format!("panel{place}"));
        let _ = writeln!(
            out,
            "<clipPath id=\"{clip}\"><rect x=\"{LEFT}\" y=\"{top}\" width=\"{width}\" height=\"{PANEL}\"/></clipPath>\n<g \
             clip-path=\"url(#{clip})\">"
        );
        for run in runs(hours, |hour| hour.estimate[of].map(|e| (e.low90, e.high90))) {
            let there = run.iter().map(|(at, (_, high))| self.point(*at, *high));
            let back = run.iter().rev().map(|(at, (low, _))| self.point(*at, *low));
            let points = there.chain(back).collect::<Vec<_>>().join(" ");
            let _ = writeln!(out, "<polygon class=\"band\" points=\"{points}\"/>");
        }
        if let Some(rival) = panel.rival {
            self.curve(out, "rival", hours, |hour| hour.rivals[rival][of]);
        }
        self.curve(out, "truth", hours, |hour| hour.truth[of]);
        self.curve(out, "estimate", hours, |hour| hour.estimate[of].map(|e| e.value));
        out.push_str("</g>\n");
    }

    fn curve(&self, out: &mut String, class: &str, hours: &[Hour], of: impl Fn(&Hour) -> Option<f64>) {
        for run in runs(hours, of) {
            let points: Vec<String> = run.iter().map(|(at, value)| self.point(*at, *value)).collect();
            let _ = writeln!(out, "<polyline class=\"{class}\" points=\"{}\"/>", points.join(" "));
        }
    }

    fn point(&self, at: Stamp, value: f64) -> String {
        format!("{:.1},{:.1}", self.x(at), self.y(value))
    }

    fn notes(&self, out: &mut String, case: &Case, track: &Track, judged: Judged) {
        for (at, value) in readings(case, track, judged) {
            let (x, y) = (self.x(at), self.y(value));
            let _ = writeln!(out, "<circle class=\"note\" cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"3.5\"/>");
        }
    }

    /// Poured ones stand on the floor of the panel, found ones above them.
    fn topups(&self, out: &mut String, track: &Track) {
        let bottom = self.top + PANEL;
        for topup in as_topups(&track.pours) {
            let _ = writeln!(out, "<path class=\"poured\" d=\"M{:.1} {bottom}v-9\"/>", self.x(topup.ended));
        }
        for topup in &track.topups {
            let y = bottom - 11.0;
            let _ = writeln!(out, "<path class=\"told\" d=\"M{:.1} {y}v-9\"/>", self.x(topup.ended));
        }
    }
}

/// What people read of a quantity.
fn readings(case: &Case, track: &Track, judged: Judged) -> impl Iterator<Item = (Stamp, f64)> {
    let sump = case.scenario.sumps.iter().find(|sump| sump.name == track.sump);
    let factor = sump.map_or(1.0, |sump| sump.fluid.refractometer_factor);
    track.notes.iter().filter_map(move |(at, kind, value)| match (judged, *kind) {
        (Judged::Concentration, "brix") => Some((*at, value * factor)),
        (Judged::Hardness, "hardness_mg_l") => Some((*at, *value)),
        _ => None,
    })
}

/// Stretches without a gap, thinned to about one point a pixel.
fn runs<T>(hours: &[Hour], of: impl Fn(&Hour) -> Option<T>) -> Vec<Vec<(Stamp, T)>> {
    let every = hours.len().div_ceil(RIGHT as usize).max(1);
    let mut runs = vec![Vec::new()];
    for hour in hours.iter().step_by(every) {
        match (of(hour), runs.last_mut()) {
            (Some(value), Some(run)) => run.push((hour.at, value)),
            _ => runs.push(Vec::new()),
        }
    }
    runs.retain(|run| !run.is_empty());
    runs
}

fn ends(values: impl Iterator<Item = f64>) -> (f64, f64) {
    let (low, high) =
        values.fold((f64::MAX, f64::MIN), |(low, high), value| (low.min(value), high.max(value)));
    if low > high { (0.0, 1.0) } else { (low, high) }
}

/// About five round values from `low` to `high`.
fn ticks(low: f64, high: f64) -> Vec<f64> {
    let rough = ((high - low) / 5.0).max(1e-9);
    let power = 10.0_f64.powf(rough.log10().floor());
    let step =
        [1.0, 2.0, 5.0, 10.0].map(|m| m * power).into_iter().find(|step| *step >= rough).unwrap_or(rough);
    let (first, last) = ((low / step).ceil() as i64, (high / step).floor() as i64);
    (first..=last).map(|k| k as f64 * step).collect()
}

/// Without the binary dust of a product.
fn short(value: f64) -> String {
    let rounded = (value * 1000.0).round() / 1000.0;
    rounded.to_string()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ticks_are_round_and_inside() {
        assert_eq!(ticks(0.0, 90.0), [0.0, 20.0, 40.0, 60.0, 80.0]);
        assert_eq!(
            ticks(5.9, 8.2).iter().map(|t| short(*t)).collect::<Vec<_>>(),
            ["6", "6.5", "7", "7.5", "8"]
        );
        assert_eq!(ticks(231.0, 239.0), [232.0, 234.0, 236.0, 238.0]);
    }
}
