//! Curves as a picture: one panel each, both axes starting at nothing, with the straight line from nothing to the last point
//! for the eye: what lies on it or above grows no faster than what it is drawn against.
//!
//! Plain SVG that follows the reader's light or dark surroundings.

use std::fmt::Write;

use crate::scale::Curve;

const COLUMNS: usize = 3;
const PANEL: (f64, f64) = (290.0, 190.0);
/// Room for numbers and words, left of and below each panel.
const MARGIN: (f64, f64) = (64.0, 74.0);
const TOP: f64 = 30.0;

const STYLE: &str = "
:root { --ink: #1d2430; --soft: #667085; --line: #d5dae2; --ground: #ffffff; --curve: #1f6fd6; }
@media (prefers-color-scheme: dark) { :root { --ink: #e8ecf2; --soft: #9aa5b5; --line: #39424f; --ground: #14181f; \
--curve: #6aa9ff; } }
text { font: 12px system-ui, sans-serif; fill: var(--soft); }
.title { font-weight: 600; fill: var(--ink); }
.axis { fill: none; stroke: var(--line); }
.curve { fill: none; stroke: var(--curve); stroke-width: 1.8; }
.point { fill: var(--curve); }
.straight { stroke: var(--soft); stroke-dasharray: 3 4; }
";

/// The picture.
pub(crate) fn draw(curves: &[Curve]) -> String {
    let rows = curves.len().div_ceil(COLUMNS);
    let width = COLUMNS as f64 * (PANEL.0 + MARGIN.0) + 20.0;
    let height = rows as f64 * (PANEL.1 + MARGIN.1) + TOP;
    let mut out = String::new();
    let _ = writeln!(
        out,
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {width} {height}\" role=\"img\">\n<style>{STYLE}</style>\n\
         <title>What grows with what</title>\n<rect width=\"{width}\" height=\"{height}\" style=\"fill: var(--ground)\"/>"
    );
    for (place, curve) in curves.iter().enumerate() {
        let x = MARGIN.0 + (place % COLUMNS) as f64 * (PANEL.0 + MARGIN.0);
        let y = TOP + (place / COLUMNS) as f64 * (PANEL.1 + MARGIN.1);
        let _ = writeln!(out, "<g transform=\"translate({x} {y})\">");
        panel(&mut out, curve);
        out.push_str("</g>\n");
    }
    out.push_str("</svg>\n");
    out
}

fn panel(out: &mut String, curve: &Curve) {
    let most = |of: fn(&(f64, f64)) -> f64| curve.points.iter().map(of).fold(0.0, f64::max);
    let (right, top) = (round_up(most(|p| p.0)), round_up(most(|p| p.1)));
    let at = |&(x, y): &(f64, f64)| (PANEL.0 * x / right, PANEL.1 * (1.0 - y / top));
    let (w, h) = PANEL;
    let _ = writeln!(out, "<text class=\"title\" y=\"-10\">{}</text>", curve.title);
    let _ = writeln!(out, "<path class=\"axis\" d=\"M0 0V{h}H{w}\"/>");
    let _ = writeln!(out, "<text x=\"-6\" y=\"10\" text-anchor=\"end\">{top}</text>");
    let _ = writeln!(out, "<text x=\"-6\" y=\"{h}\" text-anchor=\"end\">0</text>");
    let _ = writeln!(out, "<text x=\"{w}\" y=\"{}\" text-anchor=\"end\">{right}</text>", h + 16.0);
    let _ = writeln!(
        out,
        "<text x=\"{}\" y=\"{}\" text-anchor=\"middle\">{}</text>",
        w / 2.0,
        h + 32.0,
        curve.of
    );
    if let Some((x, y)) = curve.points.last().map(at) {
        let _ = writeln!(out, "<path class=\"straight\" d=\"M0 {h}L{x:.1} {y:.1}\"/>");
    }
    let path: Vec<String> = curve.points.iter().map(at).map(|(x, y)| format!("{x:.1} {y:.1}")).collect();
    let _ = writeln!(out, "<path class=\"curve\" d=\"M{}\"/>", path.join("L"));
    for (x, y) in curve.points.iter().map(at) {
        let _ = writeln!(out, "<circle class=\"point\" cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"2.5\"/>");
    }
}

/// The next number of one digit, or one and a half.
fn round_up(value: f64) -> f64 {
    if value <= 0.0 {
        return 1.0;
    }
    let decade = 10_f64.powf(value.log10().floor());
    let steps = [1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0];
    let step = steps.into_iter().find(|step| step * decade >= value * (1.0 - 1e-9)).unwrap_or(10.0);
    step * decade
}
