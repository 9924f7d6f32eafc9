//! Where the link in a message leads: a small page that says which alarm it is and has one button.
//!
//! Looking at it changes nothing (mail programs and chat services follow links by themselves); only the button does. The
//! token in the address is the right to acknowledge that one occurrence, so no login is asked for, and no foreign site can
//! press the button without knowing it. Works without script.

use std::fmt::Write as _;
use std::sync::Arc;

use axum::Form;
use axum::body::{Body, to_bytes};
use axum::extract::rejection::FormRejection;
use axum::extract::{FromRequest, Path, Request, State};
use axum::http::request::Parts;
use axum::http::{StatusCode, header};
use axum::response::{Html, IntoResponse, Response};
use serde::Deserialize;
use sumpwarden_core::acquire::settings::Secret;
use sumpwarden_core::alarm::order::Order;
use sumpwarden_core::model::Line;
use tokio::time::timeout;

use super::Health;
use super::Page;
use super::Receivers;
use super::commands::{Command, Commands};
use super::desk::{self, Trace};
use super::orders::Measures;
use super::reload::Reload;
use super::status::{Standing, Still};

/// Largest body of a request.
pub(super) const BODY_BYTES_MAX: usize = 16 * 1024;
/// Policy of the page with the form: as everywhere, but that its form may come back here.
pub(super) const POLICY: &str = "default-src 'none'; style-src 'self'; base-uri 'none'; form-action 'self'; \
                                 frame-ancestors 'none'";

/// What a token stands for.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Claimed {
    /// Alarm: `lathe-1/ph-low`.
    pub alarm: String,
    /// Which time it came up.
    pub occurrence: u64,
    /// Who was sent the link.
    pub receiver: String,
}

/// Why a token is not accepted.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum TokenError {
    /// Not made by this gateway, or changed since.
    NotOurs,
    /// Too old.
    Expired,
}

/// What a token stands for, asked of whoever made it.
pub type Tokens = Arc<dyn Fn(&str) -> Result<Claimed, TokenError> + Send + Sync>;

/// What people may change over the page, and how.
#[derive(Clone)]
pub struct Writes {
    /// What programs show to hand something in.
    pub key: Secret,
    /// Where commands go.
    pub commands: Commands,
    /// Reads the tokens of links; none where messages carry no links.
    pub tokens: Option<Tokens>,
    /// Host, and port where it is not the usual one, under which people reach the page from outside.
    pub public_host: Option<String>,
    /// The measures of the alarms.
    pub performance: Measures,
    /// Whether messages reach people.
    pub receivers: Receivers,
    /// How the gateway itself is.
    pub health: Health,
    /// Reads the configuration anew.
    pub reload: Reload,
    /// How the whole of it is.
    pub standing: Standing,
    /// Loops that stand still.
    pub still: Still,
    /// What is not up yet.
    pub not_ready: Still,
}

impl Writes {
    /// Whether `host` is the configured name of the page: what is configured cannot have been rebound.
    pub(super) fn is_public(&self, host: &str) -> bool {
        self.public_host.as_ref().is_some_and(|public| public.eq_ignore_ascii_case(host))
    }

    fn read(&self, token: &str) -> Result<Claimed, TokenError> {
        self.tokens.as_ref().map_or(Err(TokenError::NotOurs), |tokens| tokens(token))
    }
}

/// Marks an answer whose form may be sent.
#[derive(Clone, Copy)]
pub(super) struct HasForm;

/// What the button sends.
#[derive(Debug, Deserialize)]
pub(super) struct Pressed {
    name: String,
}

/// `GET`: which alarm, how it stands, and the button.
pub(super) async fn show(State(page): State<Arc<Page>>, Path(token): Path<String>) -> Response {
    let claimed = match page.writes.read(&token) {
        Ok(claimed) => claimed,
        Err(error) => return refuse(error),
    };
    let stands = stands(&page, &claimed.alarm).await;
    let form = format!(
        "<p>{}</p><form method=\"post\"><p><label>Your name <input name=\"name\" required maxlength=\"{}\" \
         value=\"{}\"></label></p><p><button>I have seen it</button></p></form>",
        escape(&stands),
        Line::NAME_CHARS_MAX,
        escape(&claimed.receiver)
    );
    let mut response = answer(StatusCode::OK, &title(&claimed.alarm), &form);
    response.extensions_mut().insert(HasForm);
    response
}

/// `POST`: acknowledges.
pub(super) async fn acknowledge(
    State(page): State<Arc<Page>>,
    Path(token): Path<String>,
    request: Request,
) -> Response {
    let (parts, body) = request.into_parts();
    if let Err(problem) = desk::knock(&page, page.origin(&parts)) {
        return problem.into_response();
    }
    if !desk::is_same_site(&parts.headers) {
        return answer(StatusCode::FORBIDDEN, "Not done", "<p>The button was not pressed on this page.</p>");
    }
    let claimed = match page.writes.read(&token) {
        Ok(claimed) => claimed,
        Err(error) => return refuse(error),
    };
    if let Some(trace) = parts.extensions.get::<Trace>() {
        trace.who(format!("(link of {})", claimed.receiver));
        trace.detail(claimed.alarm.clone());
    }
    let by = match form(parts, body).await {
        Ok(Form(pressed)) => match Line::new(&pressed.name, Line::NAME_CHARS_MAX) {
            Ok(name) => name.to_string(),
            Err(error) => {
                let text = format!(
                    "<p>Please go back and say who you are: the name {}.</p>",
                    escape(&error.to_string())
                );
                return answer(StatusCode::BAD_REQUEST, "Not done", &text);
            }
        },
        Err(status) => {
            return answer(status, "Not done", "<p>That was not this page's form.</p>");
        }
    };
    let (alarm, occurrence) = (claimed.alarm.clone(), Some(claimed.occurrence));
    let order = Order::Acknowledge { occurrence };
    let command = |answer| Command::Order { alarm, order, by, why: None, answer };
    match desk::done(&page, command, "press the button again").await {
        Ok(Ok(())) => {
            page.forget_latest().await;
            answer(StatusCode::OK, &title(&claimed.alarm), "<p>Acknowledged. Thank you.</p>")
        }
        Ok(Err(why)) => {
            let text = format!("<p>Nothing to do: {}.</p>", escape(&why));
            answer(StatusCode::CONFLICT, &title(&claimed.alarm), &text)
        }
        Err(_) => answer(
            StatusCode::SERVICE_UNAVAILABLE,
            "Not done",
            "<p>The gateway has not confirmed it. Please try again in a minute.</p>",
        ),
    }
}

/// What was sent, within a time and a size; or the status of what is wrong with it.
async fn form(parts: Parts, body: Body) -> Result<Form<Pressed>, StatusCode> {
    let read = timeout(desk::BODY_WAIT_MAX, to_bytes(body, BODY_BYTES_MAX)).await;
    let bytes = read.map_err(|_| StatusCode::REQUEST_TIMEOUT)?.map_err(|_| StatusCode::PAYLOAD_TOO_LARGE)?;
    let form = Form::from_request(Request::from_parts(parts, Body::from(bytes)), &()).await;
    form.map_err(|rejection: FormRejection| rejection.status())
}

/// How the alarm stands, in words.
async fn stands(page: &Page, alarm: &str) -> String {
    let Some(shop) = page.shop().await else { return "How it stands is not known now.".to_owned() };
    let (sump, name) = alarm.split_once('/').unwrap_or(("", alarm));
    let of_sump = shop.snapshot.sumps.iter().find(|one| one.name == sump);
    let (title, alarms) = of_sump
        .map_or(("The gateway itself", &shop.snapshot.alarms), |one| (one.title.as_str(), &one.alarms));
    match alarms.iter().find(|one| one.name == name) {
        Some(one) => format!("{title}: {} ({}).", one.message, one.state),
        None => format!("{title}: back to normal."),
    }
}

fn title(alarm: &str) -> String {
    format!("Alarm {alarm}")
}

fn refuse(error: TokenError) -> Response {
    match error {
        TokenError::NotOurs => answer(
            StatusCode::NOT_FOUND,
            "No such link",
            "<p>This link is not one of this gateway, or was cut on its way. Please copy all of it.</p>",
        ),
        TokenError::Expired => answer(
            StatusCode::GONE,
            "Too old",
            "<p>This link works no longer. How the alarm stands is shown on <a href=\"/\">the page</a>.</p>",
        ),
    }
}

/// A small page; `title` is untrusted, `body` is markup.
fn answer(status: StatusCode, title: &str, body: &str) -> Response {
    let title = escape(title);
    let page = format!(
        "<!doctype html><html lang=\"en\"><head><meta charset=\"utf-8\"><meta name=\"viewport\" \
         content=\"width=device-width, initial-scale=1\"><title>{title}</title><link rel=\"stylesheet\" \
         href=\"/page.css\"></head><body><header><h1>{title}</h1></header><main>{body}</main></body></html>"
    );
    (status, [(header::CONTENT_TYPE, "text/html; charset=utf-8")], Html(page)).into_response()
}

fn escape(text: &str) -> String {
    text.chars().fold(String::with_capacity(text.len()), |mut out, c| {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' | '\'' => write!(out, "&#{};", u32::from(c)).expect("a String takes everything"),
            c => out.push(c),
        }
        out
    })
}

#[cfg(test)]
mod tests {
    use super::super::tests::answer_of;
    use super::*;

    fn request(method: &str, token: &str, body: &str, more: &str) -> String {
        format!(
            "{method} /acknowledge/{token} HTTP/1.1\r\nHost: sumps.example\r\nConnection: close\r\n{more}\
             Content-Type: application/x-www-form-urlencoded\r\nContent-Length: {}\r\n\r\n{body}",
            body.len()
        )
    }

    fn must_not_be_asked(_: &Command) -> Result<(), String> {
        panic!("looking changes nothing")
    }

    #[tokio::test]
    async fn looking_changes_nothing_and_shows_the_button() {
        for method in ["GET", "HEAD"] {
            let answer = answer_of(&request(method, "good", "", ""), must_not_be_asked).await;
            assert!(answer.starts_with("HTTP/1.1 200"), "{answer}");
            assert!(
                answer.contains("form-action 'self'") && answer.contains("frame-ancestors 'none'"),
                "{answer}"
            );
            assert!(answer.contains("x-content-type-options: nosniff"), "{answer}");
        }
        let answer = answer_of(&request("GET", "good", "", ""), must_not_be_asked).await;
        assert!(answer.contains("lathe-1/&lt;b&gt;ph-low") && answer.contains("<button>"), "{answer}");
        assert!(!answer.contains("<script"), "{answer}");
    }

    #[tokio::test]
    async fn the_button_acknowledges_that_occurrence_by_that_name() {
        let says = |command: &Command| {
            let Command::Order { alarm, order, by, .. } = command else { panic!("{command:?}") };
            let third = Order::Acknowledge { occurrence: Some(3) };
            assert_eq!((alarm.as_str(), *order, by.as_str()), ("lathe-1/<b>ph-low", third, "Ada & Co"));
            Ok(())
        };
        let answer = answer_of(&request("POST", "good", "name=+Ada+%26+Co+", ""), says).await;
        assert!(answer.starts_with("HTTP/1.1 200") && answer.contains("Acknowledged"), "{answer}");
        assert!(answer.contains("form-action 'none'"), "only the page with the form may send one: {answer}");
    }

    #[tokio::test]
    async fn what_cannot_be_done_is_said_politely() {
        let twice = |_: &Command| Err("it is <acknowledged> already".to_owned());
        for (token, body, more, expected, words) in [
            ("good", "name=Ada", "", "409", "it is &lt;acknowledged&gt; already"),
            ("good", "name=++", "", "400", "say who you are"),
            ("good", "nam=Ada", "", "422", "not this page's form"),
            ("old", "name=Ada", "", "410", "works no longer"),
            ("other", "name=Ada", "", "404", "not one of this gateway"),
            ("good", "name=Ada", "Sec-Fetch-Site: cross-site\r\n", "403", "not pressed on this page"),
        ] {
            let answer = answer_of(&request("POST", token, body, more), twice).await;
            assert!(
                answer.starts_with(&format!("HTTP/1.1 {expected}")) && answer.contains(words),
                "{answer}"
            );
        }
        let large = format!("name={}", "a".repeat(BODY_BYTES_MAX));
        let answer = answer_of(&request("POST", "good", &large, ""), must_not_be_asked).await;
        assert!(answer.starts_with("HTTP/1.1 413"), "{answer}");
    }
}
