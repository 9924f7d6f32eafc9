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
