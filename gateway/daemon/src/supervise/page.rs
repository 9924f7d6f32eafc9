//! The page's door: address, certificate, keys and who may do what, opened once, before anything runs; served by a task that
//! is started again when it crashes.

use std::net::SocketAddr;
use std::sync::Arc;

use rustls::ServerConfig;
use sumpwarden_core::acquire::settings::Secret;
use sumpwarden_core::acquire::{DeviceCounters, describe};
use sumpwarden_core::model::Timestamp;
use tokio::net::TcpListener;

use super::keeper::Keeper;
use super::parts::{BusPart, Shared};
use super::{StartError, Tasks, kinds, receivers, stopped};
use crate::config::{PageTls, WebSettings};
use crate::edge::data_files::{DEEDS_KEY, DataFile, NOTE_KEY, STICKER_KEY};
use crate::edge::store::Store;
use crate::edge::web::access::{Access, Reads};
use crate::edge::web::buses::{BusView, Buses, DeviceView};
use crate::edge::web::{self, Parts, certificate};

/// What is opened once.
pub(super) struct Door {
    listener: std::net::TcpListener,
    /// Where it listens.
    pub(super) address: SocketAddr,
    /// What programs show.
    pub(super) note_key: Secret,
    /// Who may do what.
    pub(super) access: Arc<Access>,
    /// Its certificate.
    pub(super) tls: Option<Arc<ServerConfig>>,
}

impl Door {
    pub(super) async fn open(web: &WebSettings, store: &Store) -> Result<Self, StartError> {
        let directory = store.directory();
        let unusable = |why| StartError::NoteKey { path: NOTE_KEY.of(directory), why };
        let note_key =
            web.note_key.clone().map_or_else(|| receivers::own_key(store, NOTE_KEY).map_err(unusable), Ok)?;
        let address = web.listen;
        let listen = |why| StartError::Listen { address, why };
        let listener = TcpListener::bind(address).await.map_err(listen)?;
        let address = listener.local_addr().map_err(listen)?;
        let listener = listener.into_std().map_err(listen)?;
        let tls = tls(web, store)?;
        let access = Arc::new(access(web, store)?);
        if let Some(code) = access.first_code() {
            let scheme = if tls.is_some() { "https" } else { "http" };
            tracing::info!(
                "nobody can log in yet: open {scheme}://{address}/#/people within an hour and make the first one with the \
                 code {code}, or use sumpwarden people add"
            );
        }
        Ok(Self { listener, address, note_key, access, tls })
    }

    /// Serves until the daemon stops.
    pub(super) fn serve(self, parts: Parts, keeper: &Keeper, tasks: &Tasks) {
        let stopping = keeper.stop.clone();
        let make = move || {
            let listener = self.listener.try_clone().and_then(TcpListener::from_std);
            let (parts, stopped) = (parts.clone(), stopped(&stopping));
            async move {
                crate::faults::pass("page").await;
                let served = match listener {
                    Ok(listener) => web::serve(listener, parts, stopped).await,
                    Err(error) => Err(error),
                };
                if let Err(error) = served {
                    tracing::error!(%error, "the page has stopped");
                }
            }
        };
        tasks.keep(keeper.clone(), (kinds::PAGE, None), None, make);
    }
}

fn tls(web: &WebSettings, store: &Store) -> Result<Option<Arc<ServerConfig>>, StartError> {
    let host = web.public_url.as_deref().and_then(|url| url.split_once("://")).map(|(_, host)| host);
    Ok(match &web.tls {
        PageTls::Off => None,
        PageTls::Own => {
            Some(certificate::own(store.directory(), &certificate::names(web.listen.ip(), host))?)
        }
        PageTls::Files { certificate, key } => Some(certificate::of_pem(certificate, key)?),
    })
}

fn access(web: &WebSettings, store: &Store) -> Result<Access, StartError> {
    let own = |key: DataFile| {
        receivers::own_key(store, key).map_err(|why| StartError::PageKey { name: key.name(), why })
    };
    let reads = if web.reads_need_login { Reads::Login } else { Reads::Open };
    Ok(Access::open(store.directory(), &own(STICKER_KEY)?, &own(DEEDS_KEY)?, reads))
}

/// What the buses have done, for whoever asks.
pub(super) fn buses(roster: Shared) -> Buses {
    Arc::new(move || bus_views(&roster))
}

/// What the buses have done.
pub(super) fn bus_views(roster: &Shared) -> Vec<BusView> {
    let roster = roster.lock();
    let view = |bus: &BusPart| {
        let stand = roster.stands.get(bus.settings.name.as_str()).map(|stand| stand.borrow().clone());
        BusView {
            name: bus.settings.name.to_string(),
            connected: bus.counters.connected(),
            standing_by: stand.as_ref().is_some_and(|stand| !stand.polls),
            polled_by: stand.and_then(|stand| stand.holder),
            line_load_percent: describe(&bus.settings, &bus.plan).line_load_percent,
            devices: (bus.settings.devices.iter().zip(bus.counters.devices_with_replies()))
                .map(|(of, (counted, replied))| device(of.name.as_str(), &counted, replied))
                .collect(),
        }
    };
    roster.buses.iter().map(view).collect()
}

fn device(name: &str, counted: &DeviceCounters, replied: Option<Timestamp>) -> DeviceView {
    DeviceView {
        name: name.to_owned(),
        asked: counted.polls_sent,
        answered: counted.replies_ok,
        refused: counted.exceptions,
        silent: counted.timeouts,
        damaged: counted.frame_errors + counted.unmatched,
        skipped: counted.skipped,
        last_reply_at: replied.map(|at| at.floor_to_millis().to_string()),
    }
}
