//! The parts of a start: each is put on the roster as it begins to run.

use std::sync::Arc;

use sumpwarden_core::acquire::plan;
use sumpwarden_core::engine::Engine;
use sumpwarden_core::model::Name;
use sumpwarden_core::store::settings::ForwardSettings;
use tokio::sync::{Mutex, mpsc};

use super::acquisition::BusStart;
use super::answers::Answers;
use super::brokers::Ways;
use super::keeper::Keeper;
use super::parts::{ForwardPart, Shared};
use super::{StartError, Tasks, brokers, kinds, receivers, reload};
use crate::edge::pulse::{Progress, Pulse};
use crate::edge::store::{Store, StoreEvent};
use crate::edge::uplink::Uplink;

pub(super) fn start_brokers(
    engine: &Engine,
    roster: &Shared,
    wires: &brokers::Wires,
) -> Result<(), StartError> {
    for settings in &engine.settings().brokers {
        let ready = brokers::prepare(engine, settings)?;
        let (first, actor) = (ready.heard(&wires.store)?, roster.lock().actor());
        let part = ready.start(Some(first), actor, wires);
        roster.lock().brokers.push(part);
    }
    Ok(())
}

pub(super) fn start_forwarders(
    wanted: &[ForwardSettings],
    roster: &Shared,
    wires: &brokers::Wires,
) -> Result<(), StartError> {
    for forward in wanted {
        let failed = |why| StartError::Uplink { name: forward.name.clone(), why };
        let uplink = Uplink::new(forward.clone(), &wires.store).map_err(failed)?;
        let part = start_forwarder(uplink, forward, wires);
        roster.lock().forwards.push(part);
    }
    Ok(())
}

pub(super) fn start_forwarder(
    uplink: Uplink<Store>,
    forward: &ForwardSettings,
    wires: &brokers::Wires,
) -> ForwardPart {
    let (seat, status) = (uplink.seat(), uplink.status());
    let (part, keeper, held) = wires.keeper.apart();
    let (store, stopping, told) = (wires.store.clone(), keeper.stop.clone(), forward.clone());
    let mut first = Some(uplink);
    let make = move || {
        let made = first.take().map_or_else(|| Uplink::new(told.clone(), &store), Ok);
        let (seat, stopping) = (seat.clone(), stopping.clone());
        async move {
            match made {
                Ok(uplink) => uplink.seated(seat).run(stopping).await,
                Err(error) => tracing::error!(%error, "a forwarder cannot be started again"),
            }
        }
    };
    wires.tasks.keep_part(keeper, (kinds::FORWARDER, Some(forward.name.as_str())), None, make, held);
    ForwardPart { settings: forward.clone(), status, part }
}

pub(super) fn start_receivers(
    engine: &Engine,
    roster: &Shared,
    wires: &receivers::Wires,
) -> Result<(), StartError> {
    receivers::only(&engine.settings().receivers, &wires.store);
    for settings in &engine.settings().receivers {
        let receiver = receivers::prepare(settings, wires)?;
        let part = receivers::start(receiver, settings, wires);
        roster.lock().receivers.push(part);
    }
    Ok(())
}

pub(super) fn start_buses(
    engine: &Engine,
    roster: &Shared,
    wires: &brokers::Wires,
) -> Result<Vec<BusStart>, StartError> {
    let mut starting = Vec::new();
    for bus in &engine.settings().buses {
        let failed = |mistakes| StartError::Plan { bus: bus.name.clone(), mistakes };
        let plan = plan(bus).map_err(failed)?;
        let actor = roster.lock().actor();
        let (part, start) = reload::new_bus(bus.clone(), plan, actor, wires);
        roster.lock().buses.push(part);
        starting.push(start);
    }
    Ok(starting)
}

/// The name of a bus's loop among those that must go on.
pub(super) fn loop_of_bus(bus: &Name) -> String {
    format!("bus {bus}")
}

pub(super) fn start_dispatcher(
    happening: mpsc::UnboundedReceiver<StoreEvent>,
    ways: Ways,
    answers: Answers,
    keeper: &Keeper,
    tasks: &Tasks,
) -> Progress {
    let pulse = Pulse::default();
    let progress = Progress::of("dispatcher", &pulse);
    let (happening, kept): (brokers::Happening, _) = (Arc::new(Mutex::new(happening)), pulse.clone());
    let make =
        move || brokers::dispatch(Arc::clone(&happening), ways.clone(), answers.clone(), pulse.clone());
    tasks.keep(keeper.clone(), (kinds::DISPATCHER, None), Some(kept), make);
    progress
}
