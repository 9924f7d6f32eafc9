//! Who is told: the tasks of the receivers, the sign of life to a watcher outside, and the links back to the page.

use std::sync::Arc;
use std::time::Duration;

use sumpwarden_core::acquire::settings::Secret;
use sumpwarden_core::model::Name;
use sumpwarden_core::notify::{Mark, ReceiverSettings};
use tokio::sync::{mpsc, watch};

use super::keeper::{Crashes, Keeper, Ledger};
use super::{StartError, Tasks};
use super::{panics, weekly};
use crate::config::tasks;
use crate::edge::clock::Clock;
use crate::edge::mqtt::publish_once;
use crate::edge::notify::link::{LinkError, Links};
use crate::edge::notify::{
    Heartbeat, HeartbeatSettings, Publisher, Receiver, ReceiverReport, ReceiverState, ReceiverStatus,
    Surroundings,
};
use crate::edge::pulse::Progress;
use crate::edge::store::Store;
use crate::edge::web::commands::Commands;
use crate::edge::web::{Claimed, HealthView, ReceiverView, TokenError, Writes, key};

/// The links of this gateway; none without an address that they could lead to.
pub(super) fn links(store: &Store, public_url: Option<&str>) -> Result<Option<Arc<Links>>, StartError> {
    let Some(url) = public_url else { return Ok(None) };
    let key = own_key(store, key::LINK_KEY).map_err(StartError::LinkKey)?;
    Ok(Some(Arc::new(Links::new(&key, url))))
}

/// A key of the data directory; where that cannot be written, one for this run.
pub(super) fn own_key(store: &Store, name: &str) -> std::io::Result<Secret> {
    match key::open_or_make(store.directory(), name) {
        Err(error) if store.status().trouble.is_some() => {
            tracing::error!(%error, name, "the data directory cannot be written: this key is for this run only");
            key::passing()
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
    stand: Vec<(Name, watch::Receiver<ReceiverStatus>)>,
    ledger: Ledger,
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
            stand.iter().map(|(name, status)| view(name, &status.borrow())).collect()
        }),
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

fn view(name: &Name, status: &ReceiverStatus) -> ReceiverView {
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

/// Starts one task a receiver; gives how each is, and what must go on in it.
pub(super) fn start(
    receivers: &[ReceiverSettings],
    store: &Store,
    site: &Name,
    links: Option<Arc<Links>>,
    reports: mpsc::Sender<ReceiverReport>,
    keeper: &Keeper,
    kept: &mut Tasks,
) -> Result<(Vec<watch::Receiver<ReceiverStatus>>, Vec<Progress>), StartError> {
    let names = receivers.iter().map(|one| one.name.clone()).collect();
    let (outbox, configured) = (store.clone(), Mark::Configured { receivers: names, at: Clock.utc() });
    // Written when it can be: a disk that cannot be written keeps nobody from starting.
    tokio::spawn(async move { outbox.outbox_mark(vec![configured]).await });
    let publisher: Publisher = Arc::new(|mqtt, payload| {
        Box::pin(async move { publish_once(&mqtt.broker, &mqtt.topic, payload).await })
    });
    let around = Surroundings { site: site.clone(), links, publisher, reports };
    let (mut statuses, mut progress) = (Vec::new(), Vec::new());
    for settings in receivers {
        let name = settings.name.clone();
        let failed = |why| StartError::Receiver { name: name.clone(), why };
        let receiver = Receiver::new(settings.clone(), store, around.clone()).map_err(failed)?;
        let seat = receiver.seat();
        statuses.push(receiver.status());
        progress.push(Progress::of(format!("receiver {name}"), &seat.pulse));
        let (pulse, stopping) = (seat.pulse.clone(), keeper.stop.clone());
        let (settings, store, around) = (settings.clone(), store.clone(), around.clone());
        let mut first = Some(receiver);
        let make = move || {
            let made =
                first.take().map_or_else(|| Receiver::new(settings.clone(), &store, around.clone()), Ok);
            let (seat, stopping) = (seat.clone(), stopping.clone());
            async move {
                match made {
                    Ok(receiver) => receiver.seated(seat).run(stopping).await,
                    Err(error) => tracing::error!(%error, "a receiver cannot be started again"),
                }
            }
        };
        kept.keep(keeper.clone(), (tasks::RECEIVER, Some(name.as_str())), Some(pulse), make);
    }
    Ok((statuses, progress))
}

/// Starts the sign of life, which needs all of `watched` to go on, and the store to be written.
pub(super) fn start_heartbeat(
    settings: &HeartbeatSettings,
    mut watched: Vec<Progress>,
    store: &Store,
    keeper: &Keeper,
    kept: &mut Tasks,
) -> Result<(), StartError> {
    // A store that cannot be written keeps alarms from getting out: then silence is what speaks.
    watched.push(Progress::of("what is written to the store", store.written()));
    let heartbeat = Heartbeat::new(settings, watched).map_err(StartError::Heartbeat)?;
    let stopping = keeper.stop.clone();
    let make = move || heartbeat.clone().run(stopping.clone());
    kept.keep(keeper.clone(), (tasks::HEARTBEAT, None), None, make);
    Ok(())
}
