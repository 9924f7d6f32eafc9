//! The catalogue of faults: `catalogue.toml`, a row for each, with what shows that it is borne.

use std::error::Error;
use std::fmt::Write;

use serde::Deserialize;

/// Every row.
#[derive(Debug, Deserialize)]
pub(crate) struct Catalogue {
    row: Vec<Row>,
}

/// One fault.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Row {
    number: u16,
    group: String,
    fault: String,
    /// Campaigns that inject it.
    #[serde(default)]
    campaigns: Vec<String>,
    /// Tests that show it: file and name.
    #[serde(default)]
    tests: Vec<String>,
    /// What is not injected, and why.
    #[serde(default)]
    not_here: Option<String>,
}

impl Catalogue {
    /// Reads it.
    pub(crate) fn read() -> Result<Self, Box<dyn Error>> {
        Ok(toml::from_str(include_str!("catalogue.toml"))?)
    }

    /// Numbers that a campaign covers.
    pub(crate) fn rows_of(&self, campaign: &str) -> Vec<u16> {
        let rows = self.row.iter().filter(|row| row.campaigns.iter().any(|name| name == campaign));
        rows.map(|row| row.number).collect()
    }

    /// Refuses a row that names a campaign which is not there.
    pub(crate) fn check_campaigns(&self, known: &[&str]) -> Result<(), Box<dyn Error>> {
        for row in &self.row {
            if let Some(name) = row.campaigns.iter().find(|name| !known.contains(&name.as_str())) {
                return Err(format!("row {}: no campaign is named {name}", row.number).into());
            }
        }
        Ok(())
    }

    /// Why nothing was chosen.
    pub(crate) fn explain(&self, only: &[String]) -> String {
        let mut text = String::new();
        for only in only {
            let row = self.row.iter().find(|row| only.parse() == Ok(row.number));
            let _ = match row {
                Some(row) => write!(text, "{} is injected by no campaign: {} ", row.number, row.shown()),
                None => write!(text, "no campaign is named {only}; --list shows them "),
            };
        }
        text
    }

    /// The whole of it, a line a row.
    pub(crate) fn text(&self) -> String {
        let mut text = String::new();
        for row in &self.row {
            let _ = writeln!(text, "{:2} {:13} {} [{}]", row.number, row.group, row.fault, row.shown());
        }
        text
    }
}

impl Row {
    fn shown(&self) -> String {
        let campaigns = self.campaigns.iter().map(|name| format!("campaign {name}"));
        let parts: Vec<String> =
            campaigns.chain(self.tests.iter().cloned()).chain(self.not_here.clone()).collect();
        parts.join("; ")
    }
}
