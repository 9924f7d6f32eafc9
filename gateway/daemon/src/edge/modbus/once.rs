//! The points of a device read once, for a person who wants to see what is on the wire.

use std::time::Duration;

use sumpwarden_core::acquire::settings::BusSettings;
use sumpwarden_core::acquire::wire;
use sumpwarden_core::acquire::{Exchange, plan};
use sumpwarden_core::model::{DeviceIndex, Fault, Uptime};

use super::exchange::{Answer, Connection};
use super::open::{OpenError, open};

/// One point and what the device said.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct PointRead {
    /// Which device.
    pub device: DeviceIndex,
    /// Place in `DeviceSettings::points`.
    pub point: usize,
    /// Its registers in the order of their addresses; a coil or discrete input is the word 0 or 1.
    pub words: Result<Vec<u16>, Fault>,
}

/// Why nothing could be read.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
pub enum ReadError {
    /// The bus cannot be opened.
    #[error(transparent)]
    Open(#[from] OpenError),
    /// A point named does not exist or cannot be read.
    #[error("{0}")]
    Point(String),
}

/// Reads `points`, each a device and the place of a point on it, one request a point, and closes the bus again.
///
/// A request that brings nothing is repeated as often as the device allows.
pub async fn read_once(
    settings: &BusSettings,
    points: &[(DeviceIndex, usize)],
) -> Result<Vec<PointRead>, ReadError> {
    let requests = points
        .iter()
        .map(|&(device, point)| request(settings, device, point))
        .collect::<Result<Vec<_>, _>>()?;
    let mut connection = None;
    let mut read = Vec::with_capacity(points.len());
    for (&(device, point), exchange) in points.iter().zip(&requests) {
        let mut words = Err(Fault::NotConnected);
        for _ in 0..=settings.devices[device.slot()].retries {
            words = ask(settings, &mut connection, exchange).await?;
            if matches!(words, Ok(_) | Err(Fault::Exception(_))) {
                break;
            }
        }
        read.push(PointRead { device, point, words });
    }
    Ok(read)
}

async fn ask(
    settings: &BusSettings,
    connection: &mut Option<Connection>,
    exchange: &Exchange,
) -> Result<Result<Vec<u16>, Fault>, ReadError> {
    let device = &settings.devices[exchange.device.slot()];
    let mut open_connection = match connection.take() {
        Some(open_connection) => open_connection,
        None => Connection::new(open(&settings.link, settings.connect_timeout).await?),
    };
    let gap = wire::gap(device, &settings.link);
    open_connection.settle(async || tokio::time::sleep(gap).await).await;
    let ended = open_connection.exchange(exchange, tokio::time::sleep(exchange.patience)).await;
    let words = match ended.answer {
        Answer::Words(words) => Ok(words),
        Answer::Bits(bits) => Ok(bits.into_iter().map(u16::from).collect()),
        Answer::Exception(code) => Err(Fault::Exception(code)),
        Answer::NoReply => Err(Fault::NoReply),
        Answer::BadFrame | Answer::Unmatched => Err(Fault::BadFrame),
        Answer::Lost { .. } | Answer::NotSent => Err(Fault::NotConnected),
    };
    let answered = matches!(words, Ok(_) | Err(Fault::Exception(_)));
    let pause = if answered {
        Duration::ZERO
    } else {
        wire::late(device.worst_reply, device.timeout, exchange.patience)
    };
    tokio::time::sleep(gap.max(pause)).await;
    if ended.reusable {
        *connection = Some(open_connection);
    }
    Ok(words)
}

/// The request for one point alone, as the plan would make it.
fn request(settings: &BusSettings, device: DeviceIndex, point: usize) -> Result<Exchange, ReadError> {
    let missing =
        || ReadError::Point(format!("bus {}: device {} has no point {point}", settings.name, device.0));
    let mut alone = settings.clone();
    let found = settings.devices.get(device.slot()).ok_or_else(missing)?;
    let wanted = found.points.get(point).ok_or_else(missing)?;
    for (place, other) in alone.devices.iter_mut().enumerate() {
        other.points.clear();
        if place == device.slot() {
            other.points.push(wanted.clone());
        }
    }
    let planned = plan(&alone).map_err(|errors| {
        ReadError::Point(errors.iter().map(ToString::to_string).collect::<Vec<_>>().join("; "))
    })?;
    let request = planned.requests.first().ok_or_else(missing)?;
    Ok(Exchange {
        device,
        unit_id: found.unit_id,
        table: request.table,
        start: request.start,
        quantity: request.quantity,
        due: Uptime::default(),
        patience: wire::patience(found, &settings.link, request.table, request.start, request.quantity),
    })
}
