//! One group commit as bytes: rows of fixed width, in the order they came, under one check sum.
//!
//! Body: version, 3 zero bytes, count (u32), rows, CRC-32; all little-endian. Row: stamp in ns (i64), raw (f64),
//! value (f64), series (u32), packed quality (u32). "None" is a NaN, since a kept number is always finite. Wide, but
//! written once, read back seldom and turned into chunks within minutes: the cheapest thing to do on the hot path.

use super::{CHECK_LEN, DamagedBody, Point, SeriesId, quality_of, seal, unseal};
use crate::model::Timestamp;

const VERSION: u8 = 1;
const HEADER_LEN: usize = 8;

/// Bytes of one row.
pub const ROW_LEN: usize = 32;

/// Collects the rows of one commit.
#[derive(Debug)]
pub struct BatchWriter {
    body: Vec<u8>,
    count: u32,
    first_at: i64,
    last_at: i64,
}

/// A finished body and what the store keeps beside it.
#[derive(Debug)]
pub struct Batch {
    /// The bytes.
    pub body: Vec<u8>,
    /// Rows in it.
    pub count: u32,
    /// Earliest stamp.
    pub first_at: Timestamp,
    /// Latest stamp.
    pub last_at: Timestamp,
}

impl BatchWriter {
    /// Room for `rows` to begin with.
    pub fn with_capacity(rows: usize) -> Self {
        let mut body = Vec::with_capacity(HEADER_LEN + rows * ROW_LEN + CHECK_LEN);
        body.extend_from_slice(&[VERSION, 0, 0, 0, 0, 0, 0, 0]);
        Self { body, count: 0, first_at: i64::MAX, last_at: i64::MIN }
    }

    /// Appends a row. A number that is not finite is kept as none.
    pub fn push(&mut self, series: SeriesId, point: &Point) {
        let at = point.at.as_nanos();
        let bits = |number: Option<f64>| number.filter(|n| n.is_finite()).unwrap_or(f64::NAN).to_bits();
        let mut row = [0; ROW_LEN];
        row[0..8].copy_from_slice(&at.to_le_bytes());
        row[8..16].copy_from_slice(&bits(point.raw).to_le_bytes());
        row[16..24].copy_from_slice(&bits(point.value).to_le_bytes());
        row[24..28].copy_from_slice(&series.0.to_le_bytes());
        row[28..32].copy_from_slice(&point.quality.pack().to_le_bytes());
        self.body.extend_from_slice(&row);
        self.count += 1;
        self.first_at = self.first_at.min(at);
        self.last_at = self.last_at.max(at);
    }

    /// Seals the body; none if no row came.
    pub fn finish(mut self) -> Option<Batch> {
        if self.count == 0 {
            return None;
        }
        self.body[4..8].copy_from_slice(&self.count.to_le_bytes());
        seal(&mut self.body);
        Some(Batch {
            body: self.body,
            count: self.count,
            first_at: Timestamp::from_nanos(self.first_at),
            last_at: Timestamp::from_nanos(self.last_at),
        })
    }
}

/// The rows of a body, in the order they were pushed.
pub fn decode(body: &[u8]) -> Result<impl ExactSizeIterator<Item = (SeriesId, Point)>, DamagedBody> {
    let content = unseal(body)?;
    let (header, rows) = content.split_first_chunk::<HEADER_LEN>().ok_or(DamagedBody::CutShort)?;
    if header[0] != VERSION {
        return Err(DamagedBody::Version(header[0]));
    }
    let count = u32::from_le_bytes([header[4], header[5], header[6], header[7]]) as usize;
    let (rows, rest) = rows.as_chunks::<ROW_LEN>();
    if rows.len() != count || !rest.is_empty() {
        return Err(DamagedBody::Content("number of rows"));
    }
    Ok(rows.iter().map(decode_row))
}

fn decode_row(row: &[u8; ROW_LEN]) -> (SeriesId, Point) {
    let eight = |from: usize| {
        let mut bytes = [0; 8];
        bytes.copy_from_slice(&row[from..from + 8]);
        u64::from_le_bytes(bytes)
    };
    let number = |from: usize| Some(f64::from_bits(eight(from))).filter(|n| n.is_finite());
    let last = eight(24);
    let point = Point {
        at: Timestamp::from_nanos(eight(0) as i64),
        raw: number(8),
        value: number(16),
        quality: quality_of((last >> 32) as u32),
    };
    (SeriesId(last as u32), point)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::model::Quality;

    fn any_row() -> impl Strategy<Value = (SeriesId, Point)> {
        let number = || proptest::option::of(any::<f64>().prop_filter("finite", |n| n.is_finite()));
        (any::<u32>(), any::<i64>(), number(), number()).prop_map(|(series, at, raw, value)| {
            (SeriesId(series), Point { at: Timestamp::from_nanos(at), raw, value, quality: Quality::GOOD })
        })
    }

    proptest! {
        #[test]
        fn rows_come_back_as_they_went_in(rows in proptest::collection::vec(any_row(), 1..50)) {
            let mut writer = BatchWriter::with_capacity(rows.len());
            for (series, point) in &rows {
                writer.push(*series, point);
            }
            let batch = writer.finish().unwrap();
            prop_assert_eq!(batch.count as usize, rows.len());
            prop_assert_eq!(batch.first_at, rows.iter().map(|r| r.1.at).min().unwrap());
            prop_assert_eq!(batch.last_at, rows.iter().map(|r| r.1.at).max().unwrap());
            prop_assert_eq!(decode(&batch.body).unwrap().collect::<Vec<_>>(), rows);
        }

        #[test]
        fn any_changed_bit_is_noticed(rows in proptest::collection::vec(any_row(), 1..5), bit in any::<prop::sample::Index>()) {
            let mut writer = BatchWriter::with_capacity(rows.len());
            rows.iter().for_each(|(series, point)| writer.push(*series, point));
            let mut body = writer.finish().unwrap().body;
            let bit = bit.index(body.len() * 8);
            body[bit / 8] ^= 1 << (bit % 8);
            prop_assert_eq!(decode(&body).err(), Some(DamagedBody::CheckSum));
        }

        #[test]
        fn hostile_bytes_are_refused_quietly(mut bytes in proptest::collection::vec(any::<u8>(), 0..200)) {
            seal(&mut bytes);
            if let Ok(rows) = decode(&bytes) {
                prop_assert_eq!(rows.len() * ROW_LEN + HEADER_LEN + CHECK_LEN, bytes.len());
            }
        }
    }

    #[test]
    fn what_is_not_finite_is_kept_as_none() {
        let mut writer = BatchWriter::with_capacity(1);
        let at = Timestamp::from_nanos(1);
        writer.push(
            SeriesId(1),
            &Point { at, raw: Some(f64::NAN), value: Some(f64::INFINITY), quality: Quality::GOOD },
        );
        let body = writer.finish().unwrap().body;
        let (_, point) = decode(&body).unwrap().next().unwrap();
        assert_eq!((point.raw, point.value), (None, None));
    }
}
