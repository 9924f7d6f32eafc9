//! What two boxes say to each other about a bus, and what people hear of it.

use std::fmt;
use std::time::Duration;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Who claims more: the later epoch; in the same epoch by name, then by run.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize, Deserialize, JsonSchema)]
pub struct Rank {
    /// Rises with every claim.
    pub epoch: u64,
    /// Name of the box.
    #[serde(rename = "box")]
    pub name: String,
    /// Number of its run: another one after every start.
    pub run: u32,
}

impl Rank {
    pub(super) fn new(epoch: u64, name: &str, run: u32) -> Self {
        Self { epoch, name: name.to_owned(), run }
    }
}

/// One message about a bus, by the broker.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct Sign {
    /// Whose.
    #[serde(flatten)]
    pub rank: Rank,
    /// Counts the messages of this run.
    pub number: u64,
    /// What it says.
    #[serde(flatten)]
    pub what: What,
}

/// What a message says.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(tag = "state", rename_all = "kebab-case")]
pub enum What {
    /// Polls the bus, and goes on for a term.
    Holding,
    /// Has heard of no holder for a term and will poll after another one.
    Claiming,
    /// Has let the line go.
    Released {
        /// For whom; anybody where there is none.
        to: Option<String>,
    },
    /// Is there and does not poll.
    Standing,
    /// Is there, does not poll, and would like to.
    Asking,
}

impl What {
    /// Whether the broker keeps it for who comes later.
    pub(super) const fn is_kept(&self) -> bool {
        matches!(self, Self::Holding | Self::Claiming | Self::Released { .. })
    }
}

/// What the holder asks the other box: may I go on for another term?
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct Question {
    /// Whose.
    #[serde(flatten)]
    pub rank: Rank,
    /// Counts what this run has said.
    pub number: u64,
}

/// What the other box answers.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct Answer {
    /// That of the question.
    pub number: u64,
    /// Who answers.
    #[serde(rename = "box")]
    pub name: String,
    /// It stands by and will for two terms from the question on.
    pub grants: bool,
    /// It polls the bus itself.
    pub polls: bool,
    /// Under which rank it holds or claims.
    pub rank: Option<Rank>,
}

/// How things stand with a shared bus.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Stand {
    /// This box polls it.
    pub polls: bool,
    /// Name of the box that holds it, as far as is known.
    pub holder: Option<String>,
    /// No other box has been heard of for three terms.
    pub lone: bool,
    /// Another box has this one's name.
    pub twin: bool,
    /// The broker is heard.
    pub linked: bool,
}

/// What has happened to the lease.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Event {
    /// Nobody else was heard of for so long: this box polls now.
    TookOver {
        /// Who held before, as far as is known.
        from: Option<String>,
        /// How long nothing was heard.
        silent: Duration,
    },
    /// The holder has let go for this box, which polls now.
    HandedToUs {
        /// Who held before.
        from: Option<String>,
    },
    /// The line is being let go for another box.
    HandingOver {
        /// For which.
        to: Option<String>,
    },
    /// Another box holds now; this one stands by.
    LostTo {
        /// Which.
        name: String,
    },
    /// Neither the broker nor the other box was reached for a term: this box has stopped polling.
    CutOff,
}

impl Event {
    /// State for the journal.
    pub const fn state(&self) -> &'static str {
        match self {
            Self::TookOver { .. } => "taken over",
            Self::HandedToUs { .. } => "handed over to this box",
            Self::HandingOver { .. } => "handed over",
            Self::LostTo { .. } => "standing by",
            Self::CutOff => "cut off",
        }
    }
}

impl fmt::Display for Event {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::TookOver { from: Some(from), silent } => {
                write!(f, "nothing was heard of {from} for {} s: this box polls now", silent.as_secs())
            }
            Self::TookOver { from: None, silent } => {
                write!(f, "no other box was heard of for {} s: this box polls now", silent.as_secs())
            }
            Self::HandedToUs { from } => {
                let from = from.as_deref().unwrap_or("the other box");
                write!(f, "{from} has let the line go: this box polls now")
            }
            Self::HandingOver { to: Some(to) } => write!(f, "{to} is back and is preferred: it polls now"),
            Self::HandingOver { to: None } => write!(f, "let go for whoever stands by"),
            Self::LostTo { name } => write!(f, "{name} polls now, this box stands by"),
            Self::CutOff => {
                write!(f, "neither the broker nor the other box was reached for a term: polling has stopped")
            }
        }
    }
}
