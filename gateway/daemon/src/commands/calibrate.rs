//! `calibrate`: a probe through its buffers, step by step in the terminal, or one step at a time, through the running
//! daemon.

use std::io::BufRead;
use std::sync::mpsc::{self, Receiver, RecvTimeoutError};
use std::time::Duration;

use serde_json::{Value, json};
use sumpwarden_core::engine::calibration::Deed;
use sumpwarden_core::estimate::note::draft::Given;
use sumpwarden_core::model::Name;

use super::running::OfDaemon;
use super::{Exit, console, load, note, running};
use crate::config::Settings;
use crate::edge::web::calibration::CalibrationDraft;

/// How often the signal is shown anew.
const SHOW_EVERY: Duration = Duration::from_secs(1);

/// What the command is told.
#[derive(clap::Args, Debug)]
pub struct Options {
    #[command(flatten)]
    daemon: OfDaemon,
    /// Name of the sump
    sump: String,
    /// Name of the probe
    probe: String,
    /// Who; by default the user who runs this
    #[arg(long, value_name = "NAME", global = true)]
    by: Option<String>,
    /// Which liquids: din-19266, jis-z-8802, technical or the pH of one; of a cell the label in µS/cm, or kcl-0.01, kcl-0.1,
    /// kcl-1; by default those of the configuration, each recognised by itself
    #[arg(long, value_name = "WHICH", global = true)]
    standard: Option<String>,
    /// Temperature of the liquid in °C, where the probe's thermometer does not stand in it
    #[arg(long, value_name = "CELSIUS", global = true)]
    temperature: Option<f64>,
    /// Take the point although the signal is not stable; that is written down
    #[arg(long, global = true)]
    even_if_unstable: bool,
    /// Finish although the calibration is not fit for use; its values are then uncertain
    #[arg(long, global = true)]
    even_if_unfit: bool,
    #[command(subcommand)]
    step: Option<One>,
}

/// One step; without one the whole calibration is led through in the terminal.
#[derive(clap::Subcommand, Clone, Copy, Debug)]
enum One {
    /// How it stands
    Show,
    /// The probe is taken out of its sump
    Begin,
    /// A point in the liquid the probe stands in
    Take,
    /// The new calibration takes effect
    Finish,
    /// The old one stays
    Abandon,
}

/// Where the calibration is and who does it.
struct At<'a> {
    settings: &'a Settings,
    path: String,
    by: String,
}

/// Leads through a calibration, or does one step.
pub fn run(options: &Options) -> Exit {
    let settings = match load(&options.daemon.config) {
        Ok(settings) => settings,
        Err(exit) => return exit,
    };
    calibrate(&settings, options).map_or_else(|exit| exit, |()| Exit::Success)
}

fn calibrate(settings: &Settings, options: &Options) -> Result<(), Exit> {
    // They stand in an address, so they are what names can be.
    for name in [&options.sump, &options.probe] {
        Name::new(name).map_err(|error| {
            console::complain(&console::plain(&format!("{name:?}: {error}")));
            Exit::Usage
        })?;
    }
    let path = format!("/sumps/{}/probes/{}/calibration", options.sump, options.probe);
    let deed = match options.step {
        Some(One::Show) => {
            tell(&running::look_up(settings, &path)?, options.daemon.json);
            return Ok(());
        }
        Some(One::Begin) => Some(Deed::Begin),
        Some(One::Take) => Some(Deed::Take),
        Some(One::Finish) => Some(Deed::Finish),
        Some(One::Abandon) => Some(Deed::Abandon),
        None => None,
    };
    let Some(by) = options.by.clone().or_else(note::user) else {
        console::complain("say who: --by NAME");
        return Err(Exit::Usage);
    };
    let at = At { settings, path, by };
    match deed {
        Some(deed) => {
            let draft = CalibrationDraft {
                even_if_unstable: options.even_if_unstable,
                even_if_unfit: options.even_if_unfit,
                ..at.draft(deed, options.standard.clone(), options.temperature)
            };
            tell(&at.hand_in(&draft)?, options.daemon.json);
            Ok(())
        }
        None if options.daemon.json => {
            console::complain("--json goes with a step: show, begin, take, finish or abandon");
            Err(Exit::Usage)
        }
        None => guided(&at, options),
    }
}

impl At<'_> {
    fn draft(&self, what: Deed, standard: Option<String>, temperature_c: Option<f64>) -> CalibrationDraft {
        let standard = standard.map(Given::Text);
        let (by, even) = (Some(self.by.clone()), false);
        CalibrationDraft { what, by, standard, temperature_c, even_if_unstable: even, even_if_unfit: even }
    }

    fn hand_in(&self, draft: &CalibrationDraft) -> Result<Value, Exit> {
        let body = serde_json::to_value(draft).expect("texts and numbers always serialise");
        running::hand_in(self.settings, &self.path, &body, "look how it stands: calibrate … show")
    }

    fn look(&self) -> Result<Value, Exit> {
        running::look_up(self.settings, &self.path)
    }
}

/// What somebody wants, by the line they typed.
#[derive(Clone, PartialEq, Debug)]
enum Wish {
    Take { standard: Option<String>, even_if_unstable: bool },
    Finish { even_if_unfit: bool },
    Abandon,
    Leave,
}

impl Wish {
    fn read(line: &str) -> Self {
        match line.trim() {
            "f" | "finish" => Self::Finish { even_if_unfit: false },
            "f!" => Self::Finish { even_if_unfit: true },
            "a" | "abandon" => Self::Abandon,
            "q" | "quit" => Self::Leave,
            "!" => Self::Take { standard: None, even_if_unstable: true },
            "" => Self::Take { standard: None, even_if_unstable: false },
            standard => Self::Take { standard: Some(standard.to_owned()), even_if_unstable: false },
        }
    }

    fn draft(self, at: &At<'_>) -> Option<CalibrationDraft> {
        match self {
            Self::Take { standard, even_if_unstable } => {
                Some(CalibrationDraft { even_if_unstable, ..at.draft(Deed::Take, standard, None) })
            }
            Self::Finish { even_if_unfit } => {
                Some(CalibrationDraft { even_if_unfit, ..at.draft(Deed::Finish, None, None) })
            }
            Self::Abandon => Some(at.draft(Deed::Abandon, None, None)),
            Self::Leave => None,
        }
    }
}

const KEYS: &str = "Enter takes the point; a label such as 7.00 takes it as that; ! although it is not stable; f finishes; a \
                    abandons; q leaves it running";

fn guided(at: &At<'_>, options: &Options) -> Result<(), Exit> {
    let before = at.look()?;
    let begun = if before["session"].is_object() {
        before
    } else {
        at.hand_in(&at.draft(Deed::Begin, options.standard.clone(), options.temperature))?
    };
    for caution in begun["cautions"].as_array().into_iter().flatten() {
        console::say(&format!("- {}", text(caution)));
    }
    tell(&begun, false);
    console::say(KEYS);
    let lines = typed();
    let mut said = String::new();
    loop {
        let view = at.look()?;
        if !view["session"].is_object() {
            console::say(
                "nobody calibrates it any more; it was finished or abandoned elsewhere, or nobody did anything",
            );
            return Err(Exit::Negative);
        }
        show_live(&view, &mut said);
        let wish = match lines.recv_timeout(SHOW_EVERY) {
            Ok(line) => Wish::read(&line),
            Err(RecvTimeoutError::Timeout) => continue,
            Err(RecvTimeoutError::Disconnected) => Wish::Leave,
        };
        let ends = matches!(wish, Wish::Finish { .. } | Wish::Abandon);
        let Some(draft) = wish.draft(at) else {
            console::say("left as it stands; it is abandoned when nobody does anything for 30 min");
            return Ok(());
        };
        match at.hand_in(&draft) {
            Ok(view) => {
                tell(&view, false);
                said.clear();
                if ends {
                    return Ok(());
                }
            }
            // Said already; the next try may go better.
            Err(Exit::Negative) => {}
            Err(exit) => return Err(exit),
        }
    }
}

/// Lines that are typed, until the input ends.
fn typed() -> Receiver<String> {
    let (lines, typed) = mpsc::channel();
    // It ends with the process: a read from a terminal cannot be called off.
    std::thread::spawn(move || {
        for line in std::io::stdin().lock().lines().map_while(Result::ok) {
            if lines.send(line).is_err() {
                return;
            }
        }
    });
    typed
}

/// The live signal: on a terminal over itself, else what is to be done, whenever that changes.
fn show_live(view: &Value, said: &mut String) {
    let session = &view["session"];
    if console::stderr_is_terminal() {
        console::replace_line(&format!("{}  {} ", live(view), text(&session["next"])));
        return;
    }
    let (stable, next) = (session["stable"] == true, text(&session["next"]));
    let what = format!("{} {}", stable, if stable { &next } else { "" });
    if *said != what {
        console::say(&format!("{}: {next}", live(view)));
        *said = what;
    }
}

fn text(value: &Value) -> String {
    console::plain(value.as_str().unwrap_or_default())
}

/// The live signal in words: "3.12 mV at 21.3 °C, stable".
fn live(view: &Value) -> String {
    let session = &view["session"];
    let Some(signal) = session["signal"].as_f64() else { return "no signal".to_owned() };
    let celsius = session["temperature_c"].as_f64().unwrap_or_default();
    let stable = if session["stable"] == true { "stable" } else { "not stable yet" };
    let from = match session["temperature_from"].as_str() {
        Some("given") => " (as given)",
        Some("fixed") => " (as configured)",
        Some("missing") => " (the thermometer gives nothing: stand-in)",
        _ => "",
    };
    format!("{signal:.2} {} at {celsius:.1} °C{from}, {stable}", text(&view["signal_unit"]))
}

fn tell(view: &Value, json: bool) {
    console::say(&if json { view.to_string() } else { in_words(view) });
}

fn judged(of: &Value) -> Option<String> {
    let judgement = of["judgement"].as_object()?;
    let findings = judgement["findings"].as_array().into_iter().flatten().map(text);
    let all: Vec<String> = std::iter::once(text(&judgement["verdict"])).chain(findings).collect();
    Some(all.join("; "))
}

/// How a calibration stands, for people.
fn in_words(view: &Value) -> String {
    let current = &view["current"];
    let from = match current["by"].as_str() {
        Some(by) => format!("calibrated by {} on {}", console::plain(by), text(&current["at"])),
        None => "as configured".to_owned(),
    };
    let (sump, probe) = (text(&view["sump"]), text(&view["probe"]));
    let mut lines = vec![format!("{sump}/{probe}: {}, {from}", text(&current["text"]))];
    lines.extend(judged(current).map(|judgement| format!("  {judgement}")));
    let session = &view["session"];
    if !session.is_object() {
        return lines.join("\n");
    }
    lines.push(format!("  being calibrated by {} since {}", text(&session["by"]), text(&session["begun"])));
    for point in session["points"].as_array().into_iter().flatten() {
        let number = |key: &str| point[key].as_f64().unwrap_or_default();
        let stable = if point["stable"] == true { "" } else { ", not stable" };
        let (standard, unit) = (&point["standard"], text(&view["signal_unit"]));
        let (name, value) = (text(&standard["name"]), standard["value"].as_f64().unwrap_or_default());
        let (signal, celsius) = (number("signal"), number("temperature_c"));
        let of_liquid = if standard["unit"] == json!("pH") {
            format!("pH {value:.3}")
        } else {
            format!("{value:.1} µS/cm")
        };
        lines
            .push(format!("  point {name}: {of_liquid} at {celsius:.1} °C gives {signal:.2} {unit}{stable}"));
    }
    lines.push(format!("  now {}", live(view)));
    let would_be = &session["would_be"];
    if would_be.is_object() {
        lines.push(format!(
            "  would be {}: {}",
            text(&would_be["text"]),
            judged(would_be).unwrap_or_default()
        ));
    }
    lines.push(format!("  next: {}", text(&session["next"])));
    lines.join("\n")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_typed_is_a_wish() {
        let take = |standard: Option<&str>, even_if_unstable| Wish::Take {
            standard: standard.map(ToOwned::to_owned),
            even_if_unstable,
        };
        for (line, wish) in [
            ("\n", take(None, false)),
            ("!", take(None, true)),
            (" 9.18 ", take(Some("9.18"), false)),
            ("f", Wish::Finish { even_if_unfit: false }),
            ("f!", Wish::Finish { even_if_unfit: true }),
            ("a", Wish::Abandon),
            ("q", Wish::Leave),
        ] {
            assert_eq!(Wish::read(line), wish, "{line:?}");
        }
    }

    #[test]
    fn a_calibration_is_told_in_a_few_lines() {
        let view = json!({
            "sump": "lathe-3", "probe": "ph", "signal_unit": "mV",
            "current": {"text": "slope 100.0 %", "by": null, "at": null, "judgement": null},
            "session": {
                "by": "K\u{202e}im", "begun": "2026-03-02T08:00:00Z", "signal": 3.123, "temperature_c": 21.34,
                "temperature_from": "given", "stable": true, "next": "take the point",
                "points": [{"standard": {"name": "7.00 (technical)", "value": 7.02, "unit": "pH"}, "signal": 3.1,
                    "temperature_c": 21.3, "stable": false}],
                "would_be": {"text": "slope 98.0 %", "judgement": {"verdict": "fit", "findings": ["one point"]}},
            },
        });
        let expected = "lathe-3/ph: slope 100.0 %, as configured\n  being calibrated by K\\u{202e}im since \
                        2026-03-02T08:00:00Z\n  point 7.00 (technical): pH 7.020 at 21.3 °C gives 3.10 mV, not stable\n  now \
                        3.12 mV at 21.3 °C (as given), stable\n  would be slope 98.0 %: fit; one point\n  next: take the point";
        assert_eq!(in_words(&view), expected);
    }
}
