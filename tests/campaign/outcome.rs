//! What a campaign has found, as a row of the table and as JSON.

use std::fmt::Write;
use std::time::Duration;

use serde::Serialize;

use super::account::Account;

/// A row of the table.
#[derive(Clone, Debug, Default, Serialize)]
pub(crate) struct Outcome {
    /// Name of the campaign.
    pub(crate) name: String,
    /// Numbers of the catalogue that it covers.
    pub(crate) rows: Vec<u16>,
    /// How often the fault was injected.
    pub(crate) injected: u64,
    /// What happened, in words.
    pub(crate) happened: Vec<String>,
    pub(crate) answered: u64,
    pub(crate) stored: u64,
    pub(crate) volatile: u64,
    pub(crate) forwarded: u64,
    pub(crate) set_aside: u64,
    pub(crate) messages: u64,
    pub(crate) messages_twice: u64,
    /// What was promised and lost, the first few; all are counted.
    pub(crate) lost: u64,
    pub(crate) lost_first: Vec<String>,
    /// All of it.
    #[serde(skip)]
    lost_all: Vec<String>,
    /// What else was not as promised.
    pub(crate) wrong: Vec<String>,
    /// From a start to its first poll, in ms: half and 99 of a hundred within.
    pub(crate) start_ms: Option<(u64, u64)>,
}

/// Longest time from a start to its first poll, ms.
const START_MS_MAX: u64 = 2_000;
/// How many examples are shown.
const SHOWN: usize = 5;

impl Outcome {
    pub(crate) fn new(injected: u64) -> Self {
        Self { injected, ..Self::default() }
    }

    /// Adds what the account says.
    pub(crate) fn with(mut self, account: Account) -> Self {
        self.answered += account.answered;
        self.stored += account.stored;
        self.volatile += account.volatile;
        self.forwarded += account.forwarded;
        self.set_aside += account.set_aside;
        self.messages += account.messages;
        self.messages_twice += account.messages_twice;
        if account.twice > 0 {
            self.happened.push(format!("{} points sent twice, same stamps", account.twice));
        }
        self.lose(account.lost);
        self.wrong.extend(account.wrong);
        self
    }

    /// Counts what is lost.
    pub(crate) fn lose(&mut self, lost: Vec<String>) {
        self.lost += lost.len() as u64;
        self.lost_first.extend(lost.iter().take(SHOWN).cloned());
        self.lost_first.truncate(SHOWN);
        self.lost_all.extend(lost);
    }

    /// The first complaint with these words.
    pub(crate) fn complaint(&self, words: &str) -> Option<&String> {
        self.lost_all.iter().chain(&self.wrong).find(|what| what.contains(words))
    }

    /// Counts what is not as promised unless `right`.
    pub(crate) fn expect(&mut self, right: bool, what: impl Into<String>) {
        if !right {
            self.wrong.push(what.into());
        }
    }

    /// Says something that happened.
    pub(crate) fn say(&mut self, what: impl Into<String>) {
        self.happened.push(what.into());
    }

    /// Times from a start to its first poll; one of more than two seconds is not as promised.
    pub(crate) fn starts(&mut self, starts: &[Duration]) {
        let mut ms: Vec<u64> = starts.iter().map(|time| time.as_millis() as u64).collect();
        ms.sort_unstable();
        let at = |share: usize| ms.get((ms.len() * share / 100).min(ms.len().saturating_sub(1))).copied();
        self.start_ms = at(50).zip(at(99));
        let slowest = ms.last().copied().unwrap_or_default();
        self.expect(slowest <= START_MS_MAX, format!("a start took {slowest} ms to its first poll"));
    }

    /// Whether all is as promised.
    pub(crate) fn good(&self) -> bool {
        self.lost == 0 && self.wrong.is_empty()
    }

    /// With all as promised in n trials, the chance of a loss is below 3/n (95 %).
    fn bound(&self) -> Option<f64> {
        (self.good() && self.injected > 0).then(|| (300.0 / self.injected as f64).min(100.0))
    }

    fn cells(&self) -> [String; 9] {
        let mut happened = self.happened.clone();
        if let Some((half, most)) = self.start_ms {
            happened.push(format!("first poll after a start: {half} ms, 99 of 100 within {most} ms"));
        }
        if self.volatile > 0 {
            happened.push(format!("{} answers not yet durable", self.volatile));
        }
        if self.messages > 0 {
            happened.push(format!("{} messages, {} twice", self.messages, self.messages_twice));
        }
        if let Some(bound) = self.bound() {
            happened.push(format!("< {bound:.1} % a fault"));
        }
        let rows: Vec<String> = self.rows.iter().map(u16::to_string).collect();
        [
            self.name.clone(),
            rows.join(" "),
            self.injected.to_string(),
            happened.join("; "),
            self.answered.to_string(),
            self.stored.to_string(),
            self.forwarded.to_string(),
            self.set_aside.to_string(),
            self.lost.to_string(),
        ]
    }
}

/// The table as Markdown, and beneath it what is not as promised.
pub(crate) fn table(outcomes: &[Outcome]) -> String {
    let mut text = String::from(
        "| fault | rows | times | what happened | answered | stored | forwarded | set aside | lost |\n\
         | --- | --- | ---: | --- | ---: | ---: | ---: | ---: | ---: |\n",
    );
    for outcome in outcomes {
        let _ = writeln!(text, "| {} |", outcome.cells().join(" | "));
    }
    for outcome in outcomes.iter().filter(|outcome| !outcome.good()) {
        for what in outcome.lost_first.iter().chain(&outcome.wrong) {
            let _ = writeln!(text, "{}: {what}", outcome.name);
        }
    }
    text
}
