//! `POST /alarms`: what somebody wants done about an alarm, as JSON, with the key; answered once it is durable.
//! `GET /alarms/performance`: how well the alarms themselves work.

use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;

use axum::Json;
use axum::extract::rejection::QueryRejection;
use axum::extract::{ConnectInfo, Query, Request, State};
use axum::http::StatusCode;
use serde::{Deserialize, Serialize};
use sumpwarden_core::alarm::order::Order;
use sumpwarden_core::alarm::performance::Performance;
use sumpwarden_core::model::Line;

use super::Page;
use super::commands::Command;
use super::desk::{self, Problem};

/// What somebody wants done about an alarm.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct OrderDraft {
    /// Which: `lathe-1/ph-low`.
    pub alarm: String,
    /// What.
    #[serde(rename = "do")]
    pub what: What,
    /// Who.
    pub by: String,
    /// Why; shelving and taking out of service ask for it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub why: Option<String>,
    /// For how many minutes it is shelved.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub minutes: Option<u32>,
    /// Which time it came up: an acknowledgement of an earlier one is refused.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub occurrence: Option<u64>,
}

/// Words for what can be done about an alarm.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum What {
    /// They have seen it.
    Acknowledge,
    /// It is silent for `minutes`.
    Shelve,
    /// No longer.
    Unshelve,
    /// Out of service, for maintenance.
    Remove,
    /// Back in service.
    Return,
    /// A latched alarm may go.
    Reset,
}

impl OrderDraft {
    fn order(&self) -> Order {
        match self.what {
            What::Acknowledge => Order::Acknowledge { occurrence: self.occurrence },
            What::Shelve => Order::Shelve { time: Duration::from_secs(60) * self.minutes.unwrap_or(0) },
            What::Unshelve => Order::Unshelve,
            What::Remove => Order::Remove,
            What::Return => Order::Return,
            What::Reset => Order::Reset,
        }
    }
}

/// Takes an order.
pub(super) async fn take(
    State(page): State<Arc<Page>>,
    ConnectInfo(from): ConnectInfo<SocketAddr>,
    request: Request,
) -> Result<StatusCode, Problem> {
    let body = desk::admitted(&page, from.ip(), request).await?;
    let draft: OrderDraft = serde_json::from_slice(&body).map_err(|error| {
        let example = r#"send {"alarm": "lathe-3/ph-low", "do": "acknowledge", "by": "Kim"}"#;
        Problem::new(StatusCode::BAD_REQUEST, "malformed", format!("this is no order: {error}; {example}"))
    })?;
    let by = line(&draft.by, "by", Line::NAME_CHARS_MAX)?;
    let why = draft.why.as_deref().map(|why| line(why, "why", Line::REMARK_CHARS_MAX)).transpose()?;
    let (order, alarm) = (draft.order(), draft.alarm);
    let command = |answer| Command::Order { alarm, order, by, why, answer };
    let done = desk::done(&page, command, "look how the alarm stands before sending it again").await?;
    page.forget_latest().await;
    done.map_err(|why| Problem::new(StatusCode::CONFLICT, "not_done", why))?;
    Ok(StatusCode::NO_CONTENT)
}

fn line(text: &str, what: &str, chars_max: usize) -> Result<String, Problem> {
    Line::new(text, chars_max).map(|line| line.to_string()).map_err(|error| {
        let detail = format!("`{what}` {error}; write one line of at most {chars_max} characters");
        Problem::new(StatusCode::UNPROCESSABLE_ENTITY, "text", detail)
    })
}

/// Over how long.
#[derive(Debug, Deserialize)]
pub(super) struct Span {
    days: Option<u32>,
}

/// Most days that can be asked for.
const DAYS_MAX: u32 = 366;

/// The measures of the alarms.
pub(super) async fn performance(
    State(page): State<Arc<Page>>,
    span: Result<Query<Span>, QueryRejection>,
) -> Result<Json<Performance>, Problem> {
    let days = span.map_or(None, |Query(span)| Some(span.days.unwrap_or(7)));
    let days = days.filter(|days| (1..=DAYS_MAX).contains(days)).ok_or_else(|| {
        Problem::new(StatusCode::BAD_REQUEST, "days", format!("ask for ?days=N with N from 1 to {DAYS_MAX}"))
    })?;
    let _one_at_a_time = page.counting.lock().await;
    let found = (page.writes.performance)(days).await;
    let unread = "the journal cannot be read now; try again";
    found.map(Json).ok_or_else(|| Problem::new(StatusCode::SERVICE_UNAVAILABLE, "journal", unread))
}

/// Measures over so many days, asked of whoever keeps the journal.
pub type Measures =
    Arc<dyn Fn(u32) -> std::pin::Pin<Box<dyn Future<Output = Option<Performance>> + Send>> + Send + Sync>;
