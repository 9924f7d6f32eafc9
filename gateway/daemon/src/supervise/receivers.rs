//! Who is told: the tasks of the receivers, the sign of life to a watcher outside, and the links back to the page.

use std::sync::Arc;
use std::time::Duration;

use sumpwarden_core::acquire::settings::Secret;
use sumpwarden_core::model::Name;
use sumpwarden_core::notify::{Mark, ReceiverSettings};
use tokio::sync::mpsc;

use super::keeper::{Crashes, Keeper, Ledger};
use super::parts::{Part, ReceiverPart, Shared, Watched};
use super::{StartError, Tasks};
use super::{panics, weekly};
use crate::config::tasks;
use crate::edge::clock::Clock;
use crate::edge::data_files::{DataFile, LINK_KEY};
use crate::edge::mqtt::publish_once;
use crate::edge::notify::link::{LinkError, Links};
use crate::edge::notify::{
    Heartbeat, HeartbeatSettings, Publisher, Receiver, ReceiverReport, ReceiverState, ReceiverStatus,
    Surroundings,
};
use crate::edge::pulse::Progress;
use crate::edge::store::Store;
use crate::edge::web;
use crate::edge::web::commands::Commands;
use crate::edge::web::reload::Reload;
use crate::edge::web::status::{Standing, Still};
use crate::edge::web::{Claimed, HealthView, ReceiverView, TokenError, Writes};

/// The links of this gateway; none without an address that they could lead to.
pub(super) fn links(store: &Store, public_url: Option<&str>) -> Result<Option<Arc<Links>>, StartError> {
    let Some(url) = public_url else { return Ok(None) };
    let key = own_key(store, LINK_KEY).map_err(StartError::LinkKey)?;
    Ok(Some(Arc::new(Links::new(&key, url))))
}

/// A key of the data directory; where that cannot be written, one for this run.
pub(super) fn own_key(store: &Store, key: DataFile) -> std::io::Result<Secret> {
    match web::key::open_or_make(store.directory(), key) {
        Err(error) if store.status().trouble.is_some() => {
            tracing::error!(%error, name = key.name(), "the data directory cannot be written: this key is for this run only");
            web::key::passing()
        }
        found => found,
    }
}

/// What the page may change, for whoever holds one of `links`.
pub(super) fn writes(
    (key, commands): (Secret, Commands),
    links: Option<&Arc<Links>>,
    public_url: Option<&str>,
    store: Store,
    roster: Shared,
    ledger: Ledger,
    (reload, standing, still, not_ready): (Reload, Standing, Still, Still),
) -> Writes {
    let host = |url: &str| url.split_once("://").map(|(_, host)| host.to_owned());
    let read = |links: Arc<Links>| {
        move |token: &str| match links.verify(token, Clock.utc()) {
            Ok(claim) => {
                Ok(Claimed { alarm: claim.alarm, occurrence: claim.occurrence, receiver: claim.receiver })
            }
            Err(LinkError::NotOurs) => Err(TokenError::NotOurs),
            Err(LinkError::Expired) => Err(TokenError::Expired),
        }
    };
    Writes {
        key,
        commands,
        tokens: links.map(|links| Arc::new(read(Arc::clone(links))) as _),
        public_host: public_url.and_then(host),
        receivers: Arc::new(move || {
            roster.receivers().iter().map(|(name, status)| view(name, status)).collect()
        }),
        reload,
        standing,
        still,
        not_ready,
        health: Arc::new(move || {
            let Crashes { of_task, reduced, .. } = ledger.view();
            HealthView { reduced, task_crashes: of_task.into_iter().collect(), panics: panics::count() }
        }),
        performance: Arc::new(move |days| {
            let (store, until, span) = (store.clone(), Clock.utc(), Duration::from_hours(24) * days);
            Box::pin(async move {
                let found = store.read(move |reader| weekly::performance(reader, until, span)).await;
                found.inspect_err(|error| tracing::warn!(%error, "the alarms could not be counted")).ok()
            })
        }),
    }
}

/// How a receiver is, for whoever looks.
pub(super) fn view(name: &Name, status: &ReceiverStatus) -> ReceiverView {
    ReceiverView {
        name: name.to_string(),
        state: match status.state {
            ReceiverState::Starting => "starting",
            ReceiverState::Reached => "reached",
            ReceiverState::Retrying => "retrying",
            ReceiverState::Refused => "refused",
        },
        delivered_at: status.delivered_at.map(|at| at.floor_to_millis().to_string()),
        waiting: status.counts.pending,
        error: status.error.clone(),
    }
}

/// What every receiver's task is joined to.
pub(super) struct Wires {
    pub(super) store: Store,
    pub(super) around: Surroundings,
    pub(super) keeper: Keeper,
    pub(super) tasks: Tasks,
    pub(super) watched: Watched,
}

/// What receivers are handed.
pub(super) fn surroundings(
    site: &Name,
    links: Option<Arc<Links>>,
    reports: mpsc::Sender<ReceiverReport>,
) -> Surroundings {
    let publisher: Publisher = Arc::new(|mqtt, payload| {
        Box::pin(async move { publish_once(&mqtt.broker, &mqtt.topic, payload).await })
    });
    Surroundings { site: site.clone(), links, publisher, reports }
}

/// Rows of receivers that are no more are passed over.
pub(super) fn only(receivers: &[ReceiverSettings], store: &Store) {
    let names = receivers.iter().map(|one| one.name.clone()).collect();
    let (outbox, configured) = (store.clone(), Mark::Configured { receivers: names, at: Clock.utc() });
    // Written when it can be: a disk that cannot be written keeps nobody from starting.
    tokio::spawn(async move { outbox.outbox_mark(vec![configured]).await });
}

/// The name of its loop among those that must go on.
pub(super) fn loop_of(receiver: &Name) -> String {
    format!("receiver {receiver}")
}

/// A receiver that can be started.
pub(super) fn prepare(settings: &ReceiverSettings, wires: &Wires) -> Result<Receiver<Store>, StartError> {
    let failed = |why| StartError::Receiver { name: settings.name.clone(), why };
    Receiver::new(settings.clone(), &wires.store, wires.around.clone()).map_err(failed)
}

/// Starts its task.
pub(super) fn start(receiver: Receiver<Store>, settings: &ReceiverSettings, wires: &Wires) -> ReceiverPart {
    let (seat, status) = (receiver.seat(), receiver.status());
    wires.watched.add(Progress::of(loop_of(&settings.name), &seat.pulse));
    let (part, keeper, held) = wires.keeper.apart();
    let (pulse, stopping) = (seat.pulse.clone(), keeper.stop.clone());
    let (told, store, around) = (settings.clone(), wires.store.clone(), wires.around.clone());
    let mut first = Some(receiver);
    let make = move || {
        let made = first.take().map_or_else(|| Receiver::new(told.clone(), &store, around.clone()), Ok);
        let (seat, stopping) = (seat.clone(), stopping.clone());
        async move {
            match made {
                Ok(receiver) => receiver.seated(seat).run(stopping).await,
                Err(error) => tracing::error!(%error, "a receiver cannot be started again"),
            }
        }
    };
    let name = (tasks::RECEIVER, Some(settings.name.as_str()));
    wires.tasks.keep_part(keeper, name, Some(pulse), make, held);
    ReceiverPart { settings: settings.clone(), status, part }
}

/// Starts the sign of life, which needs all of `watched` to go on, and the store to be written.
pub(super) fn start_heartbeat(settings: &HeartbeatSettings, wires: &Wires) -> Result<Part, StartError> {
    let mut watched = wires.watched.all();
    // A store that cannot be written keeps alarms from getting out: then silence is what speaks.
    watched.push(Progress::of("what is written to the store", wires.store.written()));
    let heartbeat = Heartbeat::new(settings, watched).map_err(StartError::Heartbeat)?;
    let (part, keeper, held) = wires.keeper.apart();
    let stopping = keeper.stop.clone();
    let make = move || heartbeat.clone().run(stopping.clone());
    wires.tasks.keep_part(keeper, (tasks::HEARTBEAT, None), None, make, held);
    Ok(part)
}
