//! The number of the last connection, kept over restarts in a small file of the data directory.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use sumpwarden_core::model::Name;
use sumpwarden_protocol::sparkplug::session::BdSeq;
use tokio::task::spawn_blocking;

use crate::edge::{data_files, small_file};

/// Where it is kept.
#[derive(Clone, Debug)]
pub(super) struct Kept(PathBuf);

impl Kept {
    /// That of this broker's edge node.
    pub(super) fn of(directory: &Path, broker: &Name) -> Self {
        Self(data_files::sparkplug(directory, broker))
    }

    /// The number; none where there is none, or none that can be read: then counting begins anew.
    pub(super) async fn read(&self) -> Option<BdSeq> {
        let path = self.0.clone();
        let read = spawn_blocking(move || fs::read(path)).await.unwrap_or_else(|e| Err(io::Error::other(e)));
        match read {
            Ok(bytes) => {
                let number = str::from_utf8(&bytes).ok().and_then(|text| text.trim().parse().ok()).map(BdSeq);
                if number.is_none() {
                    tracing::warn!(file = %self.0.display(), "holds no number of a connection; counting from 0");
                }
                number
            }
            Err(error) if error.kind() == io::ErrorKind::NotFound => None,
            Err(error) => {
                tracing::warn!(file = %self.0.display(), %error, "cannot be read; counting connections from 0");
                None
            }
        }
    }

    /// Keeps it, before anybody is told of it. Where nothing can be written, it goes on counting all the same.
    pub(super) async fn write(&self, number: BdSeq) {
        let path = self.0.clone();
        let put = move || small_file::put(&path, format!("{}\n", number.0).as_bytes());
        if let Err(error) = spawn_blocking(put).await.unwrap_or_else(|e| Err(io::Error::other(e))) {
            tracing::warn!(file = %self.0.display(), %error, "the number of this connection could not be kept");
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn a_number_is_kept_and_what_is_none_begins_anew() {
        let directory = std::env::temp_dir().join(format!("sumpwarden-bdseq-{}", std::process::id()));
        fs::create_dir_all(&directory).unwrap();
        let kept = Kept::of(&directory, &Name::new("plant").unwrap());
        assert_eq!(kept.read().await, None);
        for number in [BdSeq(0), BdSeq(255)] {
            kept.write(number).await;
            assert_eq!(kept.read().await, Some(number));
        }
        for wrong in [&b""[..], b"256", b"-1", b"\xFF", b"seven"] {
            fs::write(directory.join("sparkplug-plant"), wrong).unwrap();
            assert_eq!(kept.read().await, None, "{wrong:?}");
        }
        fs::remove_dir_all(&directory).unwrap();
        kept.write(BdSeq(1)).await;
        assert_eq!(kept.read().await, None, "nothing can be written, and that stops nobody");
    }
}
