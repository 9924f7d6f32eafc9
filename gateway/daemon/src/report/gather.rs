//! Which series a sheet shows, and their hours.

use std::collections::BTreeMap;

use sumpwarden_core::book::{Hour, Hours};
use sumpwarden_core::engine;
use sumpwarden_core::estimate::settings::EstimateKind;
use sumpwarden_core::model::{Name, Quantity, Timestamp};
use sumpwarden_core::store::{SeriesId, StoredSeries};

use crate::edge::store::{HourlyFigures, Shelf, StoreError};

/// A probe or an estimate of a sump, and its series.
pub(super) struct Wanted {
    of: String,
    estimated: bool,
    quantity: Quantity,
    value: SeriesId,
    ends: [Option<SeriesId>; 2],
}

impl Wanted {
    fn ids(&self) -> impl Iterator<Item = SeriesId> {
        std::iter::once(self.value).chain(self.ends.into_iter().flatten())
    }
}

/// Everything that was ever stored of a sump: probes in the order of the configuration, then those it no longer has, then
/// estimates. A probe whose quantity was changed has two series of one name: the younger one counts.
pub(super) fn wanted(
    series: &[StoredSeries],
    settings: &engine::Settings,
    sump: &Name,
    unread: &mut Vec<String>,
) -> Vec<Wanted> {
    let mut found: BTreeMap<(bool, usize, &str), BTreeMap<&str, &StoredSeries>> = BTreeMap::new();
    for stored in series {
        let Some(parts) = stored.parts().filter(|parts| parts.sump == sump.as_str()) else { continue };
        let place = match parts.estimated {
            true => EstimateKind::from_word(parts.of).map(EstimateKind::place),
            false => settings.probes.iter().position(|probe| {
                settings.sumps[probe.sump.slot()].name == *sump && probe.name.as_str() == parts.of
            }),
        };
        let key = (parts.estimated, place.unwrap_or(usize::MAX), parts.of);
        found.entry(key).or_default().insert(parts.bound, stored);
    }
    let mut wanted = Vec::with_capacity(found.len());
    for ((estimated, _, of), bounds) in found {
        let Some(value) = bounds.get("") else { continue };
        let Some(quantity) = Quantity::from_word(&value.quantity) else {
            unread
                .push(format!("{}: what it measures (\"{}\") is not known here", value.text, value.quantity));
            continue;
        };
        let ends = ["low90", "high90"].map(|end| bounds.get(end).map(|stored| stored.id));
        wanted.push(Wanted { of: of.to_owned(), estimated, quantity, value: value.id, ends });
    }
    wanted
}

/// Their hours, and what of them could not be read. A store that is damaged in one place still gives the rest.
pub(super) fn hours(
    shelf: &mut dyn Shelf,
    wanted: &[Wanted],
    (from, until): (Timestamp, Timestamp),
    sump: &Name,
) -> Result<(Vec<Hours>, Vec<String>), StoreError> {
    let ids: Vec<SeriesId> = wanted.iter().flat_map(Wanted::ids).collect();
    let (mut figures, mut unread) = match shelf.hours(&ids, from, until) {
        Ok(HourlyFigures { of, skipped }) => (of, skipped.iter().map(ToString::to_string).collect()),
        Err(error) if error.is_damage() => {
            (BTreeMap::new(), vec![format!("hourly figures of {sump} from {from} to {until}: {error}")])
        }
        Err(error) => return Err(error),
    };
    let mut take = |id: Option<SeriesId>| {
        let points = id.and_then(|id| figures.remove(&id)).unwrap_or_default();
        points.into_iter().map(|point| Hour { start: point.start, bucket: point.bucket }).collect()
    };
    let hours = wanted
        .iter()
        .map(|wanted| Hours {
            of: wanted.of.clone(),
            estimated: wanted.estimated,
            quantity: wanted.quantity,
            values: take(Some(wanted.value)),
            ends: wanted.ends.map(&mut take),
        })
        .collect();
    unread.sort();
    Ok((hours, unread))
}
