//! Every route, with what it takes and answers.

use std::sync::Arc;

use axum::http::StatusCode;
use axum::middleware::{from_fn_with_state, map_response};
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use axum::{Json, Router};
use sumpwarden_core::alarm::performance::Performance;
use sumpwarden_core::engine::calibration::ProbeCalibrationView;
use sumpwarden_core::engine::notes::NoteView;
use sumpwarden_core::engine::snapshot::SumpView;
use sumpwarden_core::estimate::cleanout::Sheet;
use sumpwarden_core::estimate::guidance::Advice;
use sumpwarden_core::estimate::mixing::TopUp;
use sumpwarden_core::estimate::note::draft::Draft;

use super::access::Units;
use super::desk::Problem;
use super::interface::{Interface, Method, Open};
use super::{
    Page, Shop, acknowledge, assets, buses, calibration, events, guard, health, login, lookers_only, metrics,
    mix, notes, orders, persons, records, reload, status,
};

use Method::{Delete, Get, Post, Put};
use Open::{Always, ToLookers, ToThoseWhoMay};

/// The whole interface, the page and what goes around them.
pub(super) fn router(page: &Arc<Page>) -> Router {
    let mut interface = Interface::new();
    looking(&mut interface);
    doing(&mut interface);
    people(&mut interface);
    let (always, lookers, description) = interface.finish();
    let described = get(move || async move { Json(description) });
    let lookers = lookers.route_layer(from_fn_with_state(Arc::clone(page), lookers_only));
    let acknowledge = get(acknowledge::show).post(acknowledge::acknowledge);
    assets::routes()
        .merge(always)
        .merge(lookers)
        .route("/openapi.json", described)
        .route("/acknowledge/{token}", acknowledge)
        .fallback(nothing_here)
        .layer(map_response(in_our_words))
        .layer(from_fn_with_state(Arc::clone(page), guard))
        .with_state(Arc::clone(page))
}

fn looking(to: &mut Interface) {
    to.route(Get, "/state", ToLookers, "The shop as it stands.").answers::<Shop>().by(super::state);
    to.route(
        Get,
        "/events",
        ToLookers,
        "The shop as it changes, as server-sent events `shop`, `sump` and `at`.",
    )
    .answers_text("text/event-stream")
    .by(events::listen);
    to.route(Get, "/sumps/{sump}", ToLookers, "One sump as it stands.").answers::<SumpView>().by(super::sump);
    to.route(Get, "/sumps/{sump}/trend", ToLookers, "Series of a sump over a stretch of time.")
        .query::<records::TrendQuery>()
        .answers::<records::Trends>()
        .or_text("text/csv")
        .by(records::trend);
    to.route(
        Get,
        calibration::PATH,
        ToLookers,
        "The calibration of a probe in force, and the one that goes on.",
    )
    .answers::<ProbeCalibrationView>()
    .by(calibration::show);
    to.route(Get, "/sumps/{sump}/cleanout-sheet", ToLookers, "Amounts, rules and cautions of a clean-out.")
        .answers::<Advice<Sheet>>()
        .by(records::cleanout_sheet);
    to.route(Get, "/journal", ToLookers, "What happened, newest first.")
        .query::<records::JournalQuery>()
        .answers::<records::JournalPage>()
        .or_text("text/csv")
        .by(records::journal);
    to.route(Get, "/report", ToLookers, "The log book of a month, as a page to read and to print.")
        .query::<records::BookQuery>()
        .answers_text("text/html; charset=utf-8")
        .by(records::book);
    to.route(Get, "/alarms/performance", ToLookers, "How well the alarms themselves work.")
        .query::<orders::Span>()
        .answers::<Performance>()
        .by(orders::performance);
    to.route(Get, "/buses", ToLookers, "What each bus has done, and how full its line is.")
        .answers::<buses::BusesView>()
        .by(buses::show);
    to.route(Get, "/metrics", ToLookers, "The gateway's own health, as OpenMetrics.")
        .answers_text(metrics::MEDIA_TYPE)
        .by(health);
    to.route(Get, "/status", ToLookers, "How the gateway itself is.")
        .answers::<status::StatusView>()
        .by(status::show);
    to.route(Get, "/health", Always, "For supervisors: 200 while every loop goes on, 503 otherwise.")
        .answers::<status::Well>()
        .or_text("text/plain")
        .by(status::health);
    to.route(Get, "/ready", Always, "For supervisors: 200 once store, buses and brokers are up, 503 before.")
        .answers::<status::Well>()
        .or_text("text/plain")
        .by(status::ready);
    to.route(Get, "/mix", Always, "What to pour to bring litres and concentration to what is wanted.")
        .query::<mix::MixQuery>()
        .answers::<Advice<TopUp>>()
        .by(mix::reckon);
    to.route(Get, "/kinds", Always, "What can be noted.").answers::<notes::Kinds>().by(notes::kinds);
}

fn doing(to: &mut Interface) {
    to.route(Post, "/notes", ToThoseWhoMay, "Takes a note; answered once it is durable.")
        .takes::<Draft>()
        .answers::<NoteView>()
        .by(notes::take);
    to.route(Post, "/alarms", ToThoseWhoMay, "Does something about an alarm; answered once it is durable.")
        .takes::<orders::OrderDraft>()
        .by(orders::take);
    to.route(
        Post,
        "/reload",
        ToThoseWhoMay,
        "Reads the configuration anew; one with mistakes is refused and the old one stays in force.",
    )
    .takes::<reload::Nothing>()
    .answers::<reload::ReloadView>()
    .by(reload::take);
    to.route(
        Post,
        calibration::PATH,
        ToThoseWhoMay,
        "Takes a step of a calibration; answered once it is durable.",
    )
    .takes::<calibration::CalibrationDraft>()
    .answers::<ProbeCalibrationView>()
    .by(calibration::take);
}

fn people(to: &mut Interface) {
    to.route(Get, "/session", Always, "Who is logged in, and what they may.")
        .answers::<login::SessionView>()
        .by(login::show);
    to.route(Post, "/session", Always, "Logs somebody in; the answer sets the cookie of the session.")
        .takes::<login::Login>()
        .answers::<login::PersonView>()
        .by(login::begin);
    to.route(Delete, "/session", ToThoseWhoMay, "Logs out.").by(login::end);
    to.route(
        Put,
        "/session/password",
        ToThoseWhoMay,
        "Changes one's own password; all other sessions of theirs end.",
    )
    .takes::<login::PasswordChange>()
    .by(login::password);
    to.route(Put, "/session/units", ToThoseWhoMay, "Changes the units one reads in.")
        .takes::<Units>()
        .answers::<login::PersonView>()
        .by(login::units);
    to.route(Get, "/people", ToThoseWhoMay, "Everybody who may log in.")
        .answers::<persons::PeopleView>()
        .by(persons::list);
    to.route(
        Post,
        "/people",
        ToThoseWhoMay,
        "Makes one more, or with the code of the first start the first one.",
    )
    .takes::<persons::NewPerson>()
    .answers_with::<login::PersonView>(201)
    .by(persons::add);
    to.route(
        Put,
        "/people/{name}",
        ToThoseWhoMay,
        "Gives somebody another role or password; their sessions end.",
    )
    .takes::<persons::PersonChange>()
    .answers::<login::PersonView>()
    .by(persons::change);
    to.route(Delete, "/people/{name}", ToThoseWhoMay, "Takes somebody out; their sessions end.")
        .by(persons::remove);
    to.route(Get, "/sumps/{sump}/sticker", ToThoseWhoMay, "The code of the stickers of a sump.")
        .answers::<persons::StickerView>()
        .by(persons::sticker);
    to.route(
        Delete,
        "/sumps/{sump}/sticker",
        ToThoseWhoMay,
        "Makes the stickers of a sump void; answers the new code.",
    )
    .answers::<persons::StickerView>()
    .by(persons::void);
}

async fn nothing_here() -> Problem {
    Problem::new(
        StatusCode::NOT_FOUND,
        "nothing",
        "there is nothing here; GET /openapi.json says what there is",
    )
}

/// What the framework refuses by itself gets the same words as everything else.
async fn in_our_words(response: Response) -> Response {
    if response.status() != StatusCode::METHOD_NOT_ALLOWED {
        return response;
    }
    let detail = "this is not done here; GET /openapi.json says what is";
    let mut problem = Problem::new(StatusCode::METHOD_NOT_ALLOWED, "method", detail).into_response();
    if let Some(allow) = response.headers().get(axum::http::header::ALLOW) {
        problem.headers_mut().insert(axum::http::header::ALLOW, allow.clone());
    }
    problem
}
