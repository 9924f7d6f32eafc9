//! Rows of the outbox into a message: its parts as data, its text, and the short text of a pager. What an alarm itself says
//! stands in [`crate::alarm::wording`]; what surrounds it stands here and nowhere else.

use std::fmt::Write as _;

use serde::Serialize;

use super::settings::{LINES_MAX, ReceiverSettings};
use super::{Action, OutboxRow};
use crate::alarm::notice::Notice;
use crate::alarm::settings::Priority;
use crate::alarm::wording::message;
use crate::model::Name;
use crate::model::line::clean;

/// Characters of one part of a message.
const PART_CHARS_MAX: usize = 300;
/// Characters of a subject.
const SUBJECT_CHARS_MAX: usize = 120;
/// Septets of a pager text.
pub const PAGER_CHARS_MAX: usize = 160;

/// What one row says, in the receiver's units and zone. These are the documented fields of a message.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct Item {
    /// Site name.
    pub site: String,
    /// De-duplication key: site, alarm, occurrence.
    pub key: String,
    /// Number of the row within the occurrence.
    pub sequence: u32,
    /// `raise`, `escalate`, `acknowledge`, `end`, `withhold`.
    pub action: Action,
    /// `low`, `medium`, `high`.
    pub priority: Priority,
    /// Sump by its name in the configuration; none for the gateway itself.
    pub sump: Option<String>,
    /// What people call it.
    pub title: String,
    /// Which sump and what, in one line.
    pub headline: String,
    /// How sure that is.
    pub sure: Option<String>,
    /// What to do now; empty where there is nothing to do any more.
    pub what_to_do: String,
    /// By when.
    pub by_when: Option<String>,
    /// What to mind.
    pub cautions: Vec<String>,
    /// When it happened, RFC 3339.
    pub at: String,
    /// Where to acknowledge it.
    pub link: Option<String>,
}

/// A message.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct Composed {
    /// Site name.
    pub site: String,
    /// Whose message.
    pub receiver: String,
    /// One line.
    pub subject: String,
    /// All of it as plain text, or the short text where the receiver is a pager.
    pub text: String,
    /// Most urgent priority in it.
    pub priority: Priority,
    /// Every row, in order.
    pub items: Vec<Item>,
    /// The latest row of each alarm, most urgent first, at most [`LINES_MAX`].
    pub latest: Vec<Item>,
    /// Alarms that are not in `latest`.
    pub rest: usize,
    /// Whether it is the daily test and says nothing else.
    pub test: bool,
}

/// A message of `rows`. `link` gives the address where a notice can be acknowledged.
pub fn compose(
    site: &Name,
    receiver: &ReceiverSettings,
    rows: &[&OutboxRow],
    link: impl Fn(&Notice) -> Option<String>,
) -> Composed {
    let items: Vec<Item> = rows.iter().filter_map(|row| item(site, receiver, row, &link)).collect();
    let mut latest: Vec<Item> = Vec::new();
    for one in &items {
        latest.retain(|other| other.key != one.key);
        latest.push(one.clone());
    }
    latest.sort_by_key(|one| (!one.action.asks(), std::cmp::Reverse(one.priority)));
    let rest = latest.len().saturating_sub(LINES_MAX);
    latest.truncate(LINES_MAX);
    let text = if receiver.pager { pager_text(&latest, rest) } else { text(&latest, rest) };
    Composed {
        site: site.to_string(),
        receiver: receiver.name.to_string(),
        subject: subject(site, &latest, rest),
        text,
        priority: items.iter().map(|one| one.priority).max().unwrap_or(Priority::Low),
        items,
        latest,
        rest,
        test: false,
    }
}

/// The daily test message.
pub fn test_message(site: &Name, receiver: &ReceiverSettings) -> Composed {
    let subject = format!("{site}: daily test message");
    Composed {
        site: site.to_string(),
        receiver: receiver.name.to_string(),
        text: format!("{subject}. Messages from the sumps reach you this way. Nothing to do."),
        subject,
        priority: Priority::Low,
        items: Vec::new(),
        latest: Vec::new(),
        rest: 0,
        test: true,
    }
}

/// None for a body that cannot be read, which only another version can have written.
fn item(
    site: &Name,
    receiver: &ReceiverSettings,
    row: &OutboxRow,
    link: impl Fn(&Notice) -> Option<String>,
) -> Option<Item> {
    let mut notice: Notice = serde_json::from_str(&row.entry.body).ok()?;
    let limit = |text: &str| clean(text, PART_CHARS_MAX);
    notice.title = limit(&notice.title);
    let said = message(&notice, &receiver.reader);
    let headline = match row.entry.action {
        Action::Escalate => format!("Not acknowledged yet: {}", said.headline),
        Action::Raise | Action::Acknowledge | Action::End | Action::Withhold => said.headline,
    };
    Some(Item {
        site: site.to_string(),
        key: row.entry.key.clone(),
        sequence: row.entry.sequence,
        action: row.entry.action,
        priority: row.entry.priority,
        headline: limit(&headline),
        sure: said.sure.as_deref().map(limit),
        what_to_do: limit(&said.action),
        by_when: said.by_when.as_deref().map(limit),
        cautions: said.cautions.iter().map(|caution| limit(caution)).collect(),
        at: row.entry.at.to_string(),
        link: row.entry.action.asks().then(|| link(&notice)).flatten(),
        sump: notice.sump,
        title: notice.title,
    })
}

fn subject(site: &Name, latest: &[Item], rest: usize) -> String {
    let first = latest.first().map_or("", |one| one.headline.as_str());
    let text = match latest.len() + rest {
        0 | 1 => format!("{site}: {first}"),
        count => format!("{site}: {count} alarms, {first}"),
    };
    clean(&text, SUBJECT_CHARS_MAX)
}

fn text(latest: &[Item], rest: usize) -> String {
    let mut out = String::new();
    for one in latest {
        let mut line = |name: &str, text: &str| {
            if !text.is_empty() {
                writeln!(out, "{name}{text}").expect("a String takes everything");
            }
        };
        line("", &one.headline);
        line("  How sure: ", one.sure.as_deref().unwrap_or_default());
        line("  Do now: ", &one.what_to_do);
        line("  By when: ", one.by_when.as_deref().unwrap_or_default());
        line("  Mind: ", &one.cautions.join(" "));
        line("  Acknowledge: ", one.link.as_deref().unwrap_or_default());
    }
    if rest > 0 {
        writeln!(out, "and {rest} more").expect("a String takes everything");
    }
    out
}

/// Which sump, what and what to do in 160 septets of the alphabet of text messages (3GPP TS 23.038).
fn pager_text(latest: &[Item], rest: usize) -> String {
    const TITLE_CHARS_MAX: usize = 24;
    const WHAT_CHARS_MAX: usize = 80;
    let Some(first) = latest.first() else { return String::new() };
    let what = first.headline.split_once(&format!("{}: ", first.title));
    let (before, what) = what.unwrap_or(("", &first.headline));
    let more = match latest.len() - 1 + rest {
        0 => String::new(),
        more => format!(" +{more} more"),
    };
    // A repeated call stays recognisable without the words for it.
    let mark = if before.is_empty() { "" } else { "AGAIN " };
    let head =
        format!("{mark}{}: {}", cut(&gsm(&first.title), TITLE_CHARS_MAX), cut(&gsm(what), WHAT_CHARS_MAX));
    let room = PAGER_CHARS_MAX.saturating_sub(head.chars().count() + more.len() + 2);
    let action = cut(&gsm(&first.what_to_do), room);
    let stop = if action.is_empty() { "" } else { ". " };
    format!("{head}{stop}{action}{more}")
}

/// `text` in the basic alphabet of text messages, one septet a character; what is not in it becomes what looks like it, or a
/// question mark.
fn gsm(text: &str) -> String {
    const BASIC: &str = "@£$¥èéùìòÇØøÅåΔ_ΦΓΛΩΠΨΣΘΞÆæßÉ !\"#¤%&'()*+,-./0123456789:;<=>?¡ABCDEFGHIJKLMNOPQRSTUVWXYZÄÖÑÜ§\
                         ¿abcdefghijklmnopqrstuvwxyzäöñüà";
    text.chars()
        .filter_map(|c| match c {
            c if BASIC.contains(c) => Some(c),
            '°' => None,
            'µ' | 'μ' => Some('u'),
            '[' | '{' => Some('('),
            ']' | '}' => Some(')'),
            '–' | '—' | '−' | '~' => Some('-'),
            '\\' | '|' => Some('/'),
            '’' | '‘' | '`' => Some('\''),
            '“' | '”' | '„' => Some('"'),
            c if c.is_whitespace() => Some(' '),
            'á' | 'â' | 'ã' => Some('a'),
            'ç' => Some('c'),
            'ê' | 'ë' => Some('e'),
            'í' | 'î' | 'ï' => Some('i'),
            'ó' | 'ô' | 'õ' => Some('o'),
            'ú' | 'û' => Some('u'),
            _ => Some('?'),
        })
        .collect()
}

/// At most `max` characters, at the end of a word where one is near.
fn cut(text: &str, max: usize) -> String {
    if text.chars().count() <= max {
        return text.to_owned();
    }
    let kept: String = text.chars().take(max.saturating_sub(1)).collect();
    let word = kept.rfind(' ').filter(|at| *at * 2 > kept.len()).unwrap_or(kept.len());
    let end = if max == 0 { "" } else { "." };
    format!("{}{end}", kept[..word].trim_end_matches([' ', ',', ';', '.', ':']))
}
