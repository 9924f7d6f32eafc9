//! `note`: writes down what a person measured, saw or did, through the running daemon.

use serde_json::Value;
use sumpwarden_core::estimate::note::NoteKind;
use sumpwarden_core::estimate::note::draft::{Draft, Given, NoteBook, NoteRefusal, Refused};

use super::running::OfDaemon;
use super::{Exit, console, load, running};
use crate::config::did_you_mean;
use crate::edge::clock::Clock;

/// What the command is told.
#[derive(clap::Args, Debug)]
pub struct Options {
    #[command(flatten)]
    daemon: OfDaemon,
    /// Name of the sump
    sump: String,
    /// What it is: brix, concentration_percent, ph, nitrite_mg_l, dip_slide_cfu_ml, topup_l, inspected, odour, action, …
    kind: String,
    /// Its value, with or without a unit: 3.7, "23.5 °dH", "60 L", "5 gal"; of a calibration the probe's name, of an action
    /// what was done
    #[arg(allow_hyphen_values = true)]
    value: Option<String>,
    /// Who; by default the user who runs this
    #[arg(long, value_name = "NAME")]
    by: Option<String>,
    /// When, RFC 3339 with an offset; by default now
    #[arg(long, value_name = "TIME")]
    at: Option<String>,
    /// In your own words
    #[arg(long)]
    text: Option<String>,
}

/// Writes a note down and says what it means.
pub fn run(options: &Options) -> Exit {
    let settings = match load(&options.daemon.config) {
        Ok(settings) => settings,
        Err(exit) => return exit,
    };
    let draft = draft_of(options);
    let book = settings.engine.note_book();
    // Here already, so that a slip is told in full and needs no daemon.
    if let Err(refused) = book.check(&draft, Clock.utc()) {
        return complain(&refused, &draft, &book);
    }
    let body = serde_json::to_value(&draft).expect("texts and numbers always serialise");
    match running::hand_in(&settings, "/notes", &body, "send it again with the same --at") {
        Ok(note) => {
            console::say(&if options.daemon.json { note.to_string() } else { in_words(&note) });
            Exit::Success
        }
        Err(exit) => exit,
    }
}

fn draft_of(options: &Options) -> Draft {
    let draft = Draft {
        sump: Some(options.sump.clone()),
        kind: Some(options.kind.clone()),
        at: options.at.clone(),
        by: options.by.clone().or_else(user),
        text: options.text.clone(),
        ..Draft::default()
    };
    match NoteKind::from_word(&options.kind) {
        Some(NoteKind::Calibrated) => Draft { probe: options.value.clone(), ..draft },
        Some(NoteKind::Action) if draft.text.is_none() => Draft { text: options.value.clone(), ..draft },
        _ => Draft { value: options.value.clone().map(Given::Text), ..draft },
    }
}

/// Who runs this: the person, where they became somebody else for it.
pub(super) fn user() -> Option<String> {
    ["SUDO_USER", "USER", "LOGNAME"]
        .iter()
        .find_map(|name| std::env::var(name).ok().filter(|who| !who.is_empty()))
}

fn complain(refused: &Refused, draft: &Draft, book: &NoteBook) -> Exit {
    let near = match refused.why {
        NoteRefusal::UnknownSump => did_you_mean(draft.sump.as_deref().unwrap_or(""), book.sumps()),
        NoteRefusal::UnknownKind => {
            let kinds = NoteKind::ALL.iter().map(|kind| kind.word());
            did_you_mean(draft.kind.as_deref().unwrap_or(""), kinds)
        }
        _ => String::new(),
    };
    // Over the wire it is "by"; here it is an option.
    let cure = match refused.why {
        NoteRefusal::Missing if refused.what.contains("`by`") => "say who: --by NAME",
        NoteRefusal::Missing if refused.what.contains("`probe`") => "name the probe: calibrated ph",
        NoteRefusal::Missing => "say what was done: action \"skimmed the oil off\"",
        _ => &refused.cure,
    };
    console::complain(&console::plain(&format!("{}; {near}{cure}", refused.what)));
    match refused.why {
        NoteRefusal::UnknownSump
        | NoteRefusal::UnknownKind
        | NoteRefusal::UnknownProbe
        | NoteRefusal::Missing => Exit::Usage,
        _ => Exit::Negative,
    }
}

/// A note that was taken, for people.
fn in_words(note: &Value) -> String {
    let text = |value: &Value| console::plain(value.as_str().unwrap_or_default());
    let mut lines = vec![format!("{}: {}", text(&note["sump"]), text(&note["meaning"]))];
    let remark =
        note["text"].as_str().map_or_else(String::new, |remark| format!(": {}", console::plain(remark)));
    lines.push(format!("  noted by {} at {}{remark}", text(&note["by"]), text(&note["at"])));
    let verdict = &note["verdict"];
    if verdict.is_object() {
        let band = verdict["band"].as_str().map_or_else(String::new, |band| format!(", {band} control"));
        let rule = &verdict["rule"];
        let (says, source) = (text(&rule["text"]), text(&rule["source"]));
        lines.push(format!("  {}{band}: {says} ({source})", text(&verdict["judgement"])));
    }
    for next in note["next"].as_array().into_iter().flatten() {
        lines.push(format!("  next {} due {}", text(&next["check"]), text(&next["due"])));
    }
    if note["copy"] == true {
        lines.push("  was noted before; it is not noted twice".to_owned());
    } else if note["moves_estimate"] == false
        && note["kind"].as_str().and_then(NoteKind::from_word).is_some_and(NoteKind::moves_estimate)
    {
        lines.push("  too old to move what is believed of the sump now; it stands in the journal".to_owned());
    }
    lines.join("\n")
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    #[test]
    fn an_answer_is_told_in_a_few_lines() {
        let note = json!({
            "sump": "lathe-3", "kind": "dip_slide_cfu_ml", "meaning": "dip slide 10000 CFU/mL", "by": "K\u{202e}im",
            "at": "2026-03-02T08:00:00Z", "text": null, "copy": false, "moves_estimate": false,
            "verdict": {"judgement": "watch", "band": "reasonable", "rule": {"text": "Review.", "source": "UK HSE"}},
            "next": [{"check": "dip_slide", "due": "2026-03-09"}],
        });
        let expected = "lathe-3: dip slide 10000 CFU/mL\n  noted by K\\u{202e}im at 2026-03-02T08:00:00Z\n  watch, \
                        reasonable control: Review. (UK HSE)\n  next dip_slide due 2026-03-09\n  too old to move what is \
                        believed of the sump now; it stands in the journal";
        assert_eq!(in_words(&note), expected);
    }
}
