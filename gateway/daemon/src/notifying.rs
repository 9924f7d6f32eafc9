//! The store as receivers see it: two edges meet here, so that neither has to know the other.

use sumpwarden_core::model::{Name, Timestamp};
use sumpwarden_core::notify::{Mark, OutboxCounts, OutboxNews, OutboxRow};
use tokio::sync::watch;

use crate::edge::notify::Outbox;
use crate::edge::store::{Store, StoreError};

impl Outbox for Store {
    type Error = StoreError;

    fn news(&self) -> watch::Receiver<OutboxNews> {
        self.outbox_news()
    }

    async fn pending_after(&self, receiver: Name, id: i64, limit: u32) -> Result<Vec<OutboxRow>, StoreError> {
        Ok(self.outbox_after(&receiver, id, limit))
    }

    async fn mark(&self, marks: Vec<Mark>) -> Result<(), StoreError> {
        self.outbox_mark(marks).await
    }

    async fn counts(&self, receiver: Name) -> Result<(OutboxCounts, Option<Timestamp>), StoreError> {
        Ok(self.outbox_stand(&receiver))
    }
}
