//! The store as forwarders see it: two edges meet here, so that neither has to know the other.

use sumpwarden_core::store::cursor::Stretch;
use sumpwarden_core::store::forward::{Delivered, ForwardTotals, Parked, Read};
use sumpwarden_core::store::{JournalEntry, StoredSeries};

use crate::edge::store::{Store, StoreError};
use crate::edge::uplink::Outbox;

impl Outbox for Store {
    type Error = StoreError;

    async fn begin(&self, name: &str) -> Result<ForwardTotals, StoreError> {
        self.forward_begin(name).await
    }

    async fn split(&self, name: &str) -> Result<ForwardTotals, StoreError> {
        self.forward_split(name).await
    }

    async fn delivered(&self, name: &str, done: Delivered) -> Result<ForwardTotals, StoreError> {
        self.forward_delivered(name, done).await
    }

    async fn journal_delivered(
        &self,
        name: &str,
        to: i64,
        parked: Vec<Parked>,
    ) -> Result<ForwardTotals, StoreError> {
        self.forward_journal(name, to, parked).await
    }

    async fn series(&self) -> Result<Vec<StoredSeries>, StoreError> {
        Self::read(self, |reader| reader.series()).await
    }

    async fn read(&self, stretch: Stretch, max: usize) -> Result<Read, StoreError> {
        Self::read(self, move |reader| reader.read_after(stretch.from, stretch.until, max)).await
    }

    async fn journal_after(&self, id: i64, limit: u32) -> Result<Vec<JournalEntry>, StoreError> {
        Self::read(self, move |reader| reader.journal_after(id, limit)).await
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;
    use std::time::{Duration, Instant};

    use sumpwarden_core::model::{Name, Quality, Quantity, Sample, SeriesIndex, Timestamp};
    use sumpwarden_core::store::settings::StoreSettings;
    use sumpwarden_core::store::{SeriesKey, SeriesSource};
    use tokio::sync::watch;

    use super::*;
    use crate::edge::store::Commit;
    use crate::edge::uplink::Uplink;
    use crate::edge::uplink::fake::{Fake, QUICK, Reply, settings};

    const PROBES: [&str; 3] = ["ph", "level", "temperature"];

    fn open(directory: &std::path::Path) -> Store {
        let name = |text| Name::new(text).unwrap();
        let key = |probe| SeriesKey {
            sump: name("lathe-1"),
            source: SeriesSource::Probe(name(probe)),
            quantity: Quantity::Ph,
        };
        let settings = StoreSettings { free_min: 0, compact_after: Duration::ZERO, ..Default::default() };
        let events = tokio::sync::mpsc::unbounded_channel().0;
        Store::open(directory, &PROBES.map(key), settings, events).unwrap()
    }

    fn poll(i: i64) -> Commit {
        let sample = |series| Sample {
            series: SeriesIndex(series),
            at: Timestamp::from_millis(1_772_000_000_000 + i * 1_000),
            raw: Some(i as f64),
            value: Some(i as f64 * 0.1),
            quality: Quality::GOOD,
        };
        Commit { samples: (0..3).map(sample).collect(), ..Default::default() }
    }

    /// What the store holds, as the fake names points.
    async fn held(store: &Store) -> BTreeSet<String> {
        let find = |reader: &mut crate::edge::store::Reader| {
            let mut all = BTreeSet::new();
            for (series, probe) in reader.series()?.into_iter().zip(PROBES) {
                let (from, until) = (Timestamp::from_nanos(0), Timestamp::from_nanos(i64::MAX));
                for point in reader.samples(series.id, from, until) {
                    let at = point?.at.as_nanos();
                    all.insert(format!(
                        "probe,box=box-1,probe={probe},quantity=ph,site=hall-2,sump=lathe-1 {at}"
                    ));
                }
            }
            Ok(all)
        };
        Store::read(store, find).await.unwrap()
    }

    #[tokio::test(flavor = "multi_thread", worker_threads = 2)]
    async fn across_outages_and_restarts_the_database_has_what_the_store_has() {
        let directory = std::env::temp_dir().join(format!("sumpwarden-forwarding-{}", std::process::id()));
        let script = [
            Reply::Store,
            Reply::Cut,
            Reply::Status(503),
            Reply::StoreAndCut,
            Reply::Store,
            Reply::Silent,
            Reply::Status(429),
            Reply::Store,
            Reply::Cut,
        ];
        let fake = Fake::start(&script).await;
        let mut next = 0;
        for restart in 0..4 {
            let store = open(&directory);
            let uplink = Uplink::paced(settings(fake.port), &store, QUICK).unwrap();
            let (stop, stopping) = watch::channel(false);
            let running = tokio::spawn(uplink.run(stopping));
            for _ in 0..6 {
                (next..next + 400).for_each(|i| store.submit(poll(i)));
                next += 400;
                tokio::time::sleep(Duration::from_millis(50)).await;
            }
            store.flush().unwrap();
            let began = Instant::now();
            while restart == 3 && fake.points().len() < next as usize * 3 {
                assert!(began.elapsed() < Duration::from_secs(20), "{} of {}", fake.points().len(), next * 3);
                tokio::time::sleep(Duration::from_millis(20)).await;
            }
            // The last answer may have to be recorded yet.
            tokio::time::sleep(Duration::from_millis(if restart == 3 { 500 } else { 0 })).await;
            stop.send(true).unwrap();
            running.await.unwrap();
            let (stored, pending) = Store::read(&store, |r| r.owed("tsdb")).await.unwrap().unwrap();
            let totals = Store::read(&store, |r| r.forward("tsdb")).await.unwrap().unwrap();
            assert_eq!(stored, next as u64 * 3);
            assert_eq!(stored, totals.forwarded + pending + totals.parked + totals.expired, "{totals:?}");
            if restart == 3 {
                assert_eq!(held(&store).await, fake.points());
                assert_eq!((totals.forwarded, totals.parked, pending), (stored, 0, 0));
            }
            store.close();
        }
        std::fs::remove_dir_all(&directory).unwrap();
    }
}
