//! Points of one series, in time order, packed small.
//!
//! Body, little-endian: version (u8), flags (u8), count (u32), then sections, then CRC-32.
//!
//! - Stamps: in the coarsest of s, ms, µs, ns that holds them all exactly (flags, bits 0 and 1), as pco i64.
//! - Quality: runs of (length u32, packed code u32).
//! - Raw: runs of (absent u32, present u32), then the present numbers as pco f64.
//! - Value: runs likewise. Where every present value is `raw · a + b` to the last bit under one pair (flag bit 2), only
//!   `a` and `b` are kept: a linear probe costs its counts once. Where few values recur (flag bit 3), as those of a
//!   probe that is compensated by another one's counts, the values that occur, ascending, and the place of each point's
//!   value among them, as pco f64 and u32. Otherwise the values as pco f64.
//!
//! A section of runs is its number (u32) and the runs; a pco section is its length (u32) and the bytes. What is read
//! back is equal bit for bit. Nothing is allocated on the word of the header beyond [`POINTS_MAX`] points.

use pco::data_types::Number;
use pco::standalone::{simple_compress, simple_decompress_into};
use pco::{ChunkConfig, DeltaSpec};

use super::{DamagedBody, Point, quality_of, seal, unseal};
use crate::model::Timestamp;

const VERSION: u8 = 1;
const FLAG_LINE: u8 = 0b100;
const FLAG_LIST: u8 = 0b1000;
const UNITS: [i64; 4] = [1, 1_000, 1_000_000, 1_000_000_000];

/// Most points of one chunk; bounds what a reader has to hold.
pub const POINTS_MAX: usize = 65_536;

/// A list of values is tried where each occurs so many times on average.
const LISTED_SHARE: usize = 3;

/// pco's level: beyond it, time grows faster than bytes shrink.
const LEVEL: usize = 6;

/// Packs `points`.
///
/// # Panics
/// With no points or more than [`POINTS_MAX`].
pub fn encode(points: &[Point]) -> Vec<u8> {
    assert!((1..=POINTS_MAX).contains(&points.len()), "a chunk holds 1 to {POINTS_MAX} points");
    let unit = (0..UNITS.len())
        .rev()
        .find(|&unit| points.iter().all(|p| p.at.as_nanos() % UNITS[unit] == 0))
        .expect("every stamp is whole nanoseconds");
    let stamps: Vec<i64> = points.iter().map(|p| p.at.as_nanos() / UNITS[unit]).collect();
    let (form, values) = match find_line(points) {
        Some(line) => (FLAG_LINE, [line.factor.to_le_bytes(), line.offset.to_le_bytes()].concat()),
        None => pack_values(&points.iter().filter_map(|p| p.value).collect::<Vec<_>>()),
    };

    let mut body = vec![VERSION, unit as u8 | form];
    put_u32(&mut body, points.len());
    put_numbers(&mut body, &stamps, PACED);
    put_quality(&mut body, points);
    put_presence(&mut body, points.iter().map(|p| p.raw.is_some()));
    put_floats(&mut body, &points.iter().filter_map(|p| p.raw).collect::<Vec<_>>());
    put_presence(&mut body, points.iter().map(|p| p.value.is_some()));
    body.extend_from_slice(&values);
    seal(&mut body);
    body
}

/// The points of a body.
pub fn decode(body: &[u8]) -> Result<Vec<Point>, DamagedBody> {
    let mut rest = Bytes(unseal(body)?);
    let [version, flags] = rest.array::<2>()?;
    if version != VERSION {
        return Err(DamagedBody::Version(version));
    }
    let unit = UNITS[usize::from(flags & 0b11)];
    let count = rest.u32()?;
    if !(1..=POINTS_MAX).contains(&count) {
        return Err(DamagedBody::Content("number of points"));
    }
    let stamps = rest.numbers::<i64>(count)?;
    let quality = rest.runs()?;
    let raw_runs = rest.runs()?;
    let raw = spread(&raw_runs, count, |n| rest.numbers(n))?;
    let value_runs = rest.runs()?;
    let value = if flags & FLAG_LINE == 0 {
        spread(&value_runs, count, |n| if flags & FLAG_LIST == 0 { rest.numbers(n) } else { rest.listed(n) })?
    } else {
        let line =
            Line { factor: f64::from_le_bytes(rest.array()?), offset: f64::from_le_bytes(rest.array()?) };
        let present = spread(&value_runs, count, |n| Ok(vec![(); n]))?;
        present.iter().zip(&raw).map(|(present, raw)| present.and(raw.map(|raw| line.at(raw)))).collect()
    };
    if !rest.0.is_empty() {
        return Err(DamagedBody::Content("bytes left over"));
    }

    let mut points = Vec::with_capacity(count);
    let mut quality =
        quality.into_iter().flat_map(|(length, code)| std::iter::repeat_n(code, length as usize));
    for ((stamp, raw), value) in stamps.into_iter().zip(raw).zip(value) {
        let at = stamp.checked_mul(unit).ok_or(DamagedBody::Content("stamp"))?;
        let code = quality.next().ok_or(DamagedBody::Content("quality"))?;
        points.push(Point { at: Timestamp::from_nanos(at), raw, value, quality: quality_of(code) });
    }
    Ok(points)
}

/// Values that lie on no line: plain, or as a list of those that occur and places in it, whichever is smaller.
fn pack_values(values: &[f64]) -> (u8, Vec<u8>) {
    let mut plain = Vec::new();
    put_floats(&mut plain, values);
    let mut list = values.to_vec();
    list.sort_unstable_by(f64::total_cmp);
    list.dedup_by_key(|value| value.to_bits());
    if list.len() * LISTED_SHARE > values.len() {
        return (0, plain);
    }
    let place =
        |value: &f64| list.binary_search_by(|v| v.total_cmp(value)).expect("made of these values") as u32;
    let places: Vec<u32> = values.iter().map(place).collect();
    let mut listed = Vec::new();
    put_u32(&mut listed, list.len());
    put_floats(&mut listed, &list);
    put_numbers(&mut listed, &places, steadier(places.iter().copied().map(f64::from)));
    if listed.len() < plain.len() { (FLAG_LIST, listed) } else { (0, plain) }
}

/// `value = raw · factor + offset`, computed in two roundings as the conversion of a scaled register does.
#[derive(Clone, Copy, Debug)]
struct Line {
    factor: f64,
    offset: f64,
}

impl Line {
    fn at(self, raw: f64) -> f64 {
        raw * self.factor + self.offset
    }

    fn fits(self, points: &[Point]) -> bool {
        points.iter().all(|p| match (p.raw, p.value) {
            (Some(raw), Some(value)) => self.at(raw).to_bits() == value.to_bits(),
            (None, Some(_)) => false,
            (_, None) => true,
        })
    }
}

/// The line behind all values, if there is one to the last bit. Its factor and offset were once typed by a person, so
/// beside the plain quotient of the two points furthest apart its roundings to few decimal digits are tried.
fn find_line(points: &[Point]) -> Option<Line> {
    let both = || points.iter().filter_map(|p| Some((p.raw?, p.value?)));
    let low = both().min_by(|a, b| a.0.total_cmp(&b.0))?;
    let high = both().max_by(|a, b| a.0.total_cmp(&b.0))?;
    let same = Line { factor: 1.0, offset: 0.0 };
    if same.fits(points) {
        return Some(same);
    }
    if low.0 == high.0 {
        // One raw number only: a level line says the same.
        let level = Line { factor: 0.0, offset: low.1 };
        return level.fits(points).then_some(level);
    }
    let quotient = (high.1 - low.1) / (high.0 - low.0);
    if !quotient.is_finite() || quotient == 0.0 {
        return None;
    }
    let ends = [low, high];
    let on_ends = |line: Line| ends.iter().all(|&(raw, value)| line.at(raw).to_bits() == value.to_bits());
    for factor in roundings(quotient) {
        let offset = low.1 - low.0 * factor;
        for offset in std::iter::once(0.0).chain(roundings(offset)) {
            let line = Line { factor, offset };
            if on_ends(line) && line.fits(points) {
                return Some(line);
            }
        }
    }
    None
}

/// `number` rounded to 1 to 15 significant decimal digits, fewest first, then as it is.
fn roundings(number: f64) -> impl Iterator<Item = f64> {
    let rounded = (0..15_usize).filter_map(move |digits| format!("{number:.digits$e}").parse().ok());
    let mut last = None;
    rounded.chain(std::iter::once(number)).filter(move |&n: &f64| {
        let new = last != Some(n.to_bits()) && n.is_finite();
        last = Some(n.to_bits());
        new
    })
}

fn put_u32(body: &mut Vec<u8>, number: usize) {
    let number = u32::try_from(number).expect("bounded by POINTS_MAX");
    body.extend_from_slice(&number.to_le_bytes());
}

/// Stamps come at a pace, so their differences say it all.
const PACED: DeltaSpec = DeltaSpec::TryConsecutive(1);

/// Whether to pack numbers or their differences: whichever lie closer together. pco's own search packs samples every way it
/// knows; that takes two to three times as long as packing and gets no fewer bytes out of what probes say.
fn steadier(numbers: impl Iterator<Item = f64> + Clone) -> DeltaSpec {
    let count = numbers.clone().count() as f64;
    let mean = numbers.clone().sum::<f64>() / count;
    let apart: f64 = numbers.clone().map(|number| (number - mean).abs()).sum();
    let steps: f64 = numbers.clone().zip(numbers.skip(1)).map(|(before, after)| (after - before).abs()).sum();
    if steps < apart { DeltaSpec::TryConsecutive(1) } else { DeltaSpec::NoOp }
}

fn put_floats(body: &mut Vec<u8>, numbers: &[f64]) {
    put_numbers(body, numbers, steadier(numbers.iter().copied()));
}

fn put_numbers<T: Number>(body: &mut Vec<u8>, numbers: &[T], delta: DeltaSpec) {
    if numbers.is_empty() {
        return put_u32(body, 0);
    }
    let config = ChunkConfig::default().with_compression_level(LEVEL).with_delta_spec(delta);
    let packed =
        simple_compress(numbers, &config).expect("the configuration is valid and the length bounded");
    put_u32(body, packed.len());
    body.extend_from_slice(&packed);
}

fn put_runs(body: &mut Vec<u8>, runs: &[(usize, u32)]) {
    put_u32(body, runs.len());
    for &(length, what) in runs {
        put_u32(body, length);
        body.extend_from_slice(&what.to_le_bytes());
    }
}

fn put_quality(body: &mut Vec<u8>, points: &[Point]) {
    let runs: Vec<(usize, u32)> = points
        .chunk_by(|a, b| a.quality == b.quality)
        .map(|run| (run.len(), run[0].quality.pack()))
        .collect();
    put_runs(body, &runs);
}

fn put_presence(body: &mut Vec<u8>, present: impl Iterator<Item = bool>) {
    let mut runs: Vec<(usize, u32)> = Vec::new();
    for present in present {
        match (runs.last_mut(), present) {
            (Some((_, there)), true) => *there += 1,
            (Some((absent, 0)), false) => *absent += 1,
            (_, false) => runs.push((1, 0)),
            (None, true) => runs.push((0, 1)),
        }
    }
    put_runs(body, &runs);
}

/// Numbers by runs of (absent, present), `count` in all.
fn spread<T>(
    runs: &[(u32, u32)],
    count: usize,
    present: impl FnOnce(usize) -> Result<Vec<T>, DamagedBody>,
) -> Result<Vec<Option<T>>, DamagedBody> {
    let sum = |f: fn(&(u32, u32)) -> u32| runs.iter().map(|r| u64::from(f(r))).sum::<u64>();
    let (absent, there) = (sum(|r| r.0), sum(|r| r.1));
    if absent + there != count as u64 {
        return Err(DamagedBody::Content("presence"));
    }
    let mut numbers = present(there as usize)?.into_iter();
    let mut all = Vec::with_capacity(count);
    for &(absent, there) in runs {
        all.extend(std::iter::repeat_with(|| None).take(absent as usize));
        all.extend(numbers.by_ref().take(there as usize).map(Some));
    }
    Ok(all)
}

/// What is left to read.
struct Bytes<'a>(&'a [u8]);

impl<'a> Bytes<'a> {
    fn take(&mut self, length: usize) -> Result<&'a [u8], DamagedBody> {
        let (head, rest) = self.0.split_at_checked(length).ok_or(DamagedBody::CutShort)?;
        self.0 = rest;
        Ok(head)
    }

    fn array<const N: usize>(&mut self) -> Result<[u8; N], DamagedBody> {
        let (head, rest) = self.0.split_first_chunk::<N>().ok_or(DamagedBody::CutShort)?;
        self.0 = rest;
        Ok(*head)
    }

    fn u32(&mut self) -> Result<usize, DamagedBody> {
        Ok(u32::from_le_bytes(self.array()?) as usize)
    }

    fn runs(&mut self) -> Result<Vec<(u32, u32)>, DamagedBody> {
        let count = self.u32()?;
        let (pairs, _) = self.take(count.checked_mul(8).ok_or(DamagedBody::CutShort)?)?.as_chunks::<8>();
        let half = |pair: &[u8; 8], at: usize| {
            u32::from_le_bytes([pair[at], pair[at + 1], pair[at + 2], pair[at + 3]])
        };
        Ok(pairs.iter().map(|pair| (half(pair, 0), half(pair, 4))).collect())
    }

    /// `count` numbers by their places in a list.
    fn listed(&mut self, count: usize) -> Result<Vec<f64>, DamagedBody> {
        let length = self.u32()?;
        if length > count {
            return Err(DamagedBody::Content("length of the list"));
        }
        let list = self.numbers::<f64>(length)?;
        let number =
            |place: u32| list.get(place as usize).copied().ok_or(DamagedBody::Content("place in the list"));
        self.numbers::<u32>(count)?.into_iter().map(number).collect()
    }

    fn numbers<T: Number + Default>(&mut self, count: usize) -> Result<Vec<T>, DamagedBody> {
        let length = self.u32()?;
        let packed = self.take(length)?;
        let mut numbers = vec![T::default(); count];
        if count > 0 {
            let progress =
                simple_decompress_into(packed, &mut numbers).map_err(|_| DamagedBody::Content("numbers"))?;
            if progress.n_processed != count || !progress.finished {
                return Err(DamagedBody::Content("number of numbers"));
            }
        }
        Ok(numbers)
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::model::{DeviceStatus, Quality, Reason, Status};

    const NO_REPLY: Quality =
        Quality::new(Status::BadNoCommunication, DeviceStatus::Failure, Reason::NoReply);

    fn any_point() -> impl Strategy<Value = Point> {
        let number = || proptest::option::of(any::<f64>().prop_filter("finite", |n| n.is_finite()));
        (any::<i64>(), number(), number(), any::<bool>()).prop_map(|(at, raw, value, good)| Point {
            at: Timestamp::from_nanos(at),
            raw,
            value,
            quality: if good { Quality::GOOD } else { NO_REPLY },
        })
    }

    /// Bit for bit, so that -0.0 and 0.0 differ.
    fn bits(points: &[Point]) -> Vec<(i64, Option<u64>, Option<u64>, u32)> {
        points
            .iter()
            .map(|p| (p.at.as_nanos(), p.raw.map(f64::to_bits), p.value.map(f64::to_bits), p.quality.pack()))
            .collect()
    }

    fn linear(count: i64, factor: f64, offset: f64) -> Vec<Point> {
        (0..count)
            .map(|i| {
                let raw = ((i * 7919) % 611) as f64 + 300.0;
                let at = Timestamp::from_millis(1_772_000_000_000 + i * 10_000 + (i * 31) % 3);
                Point { at, raw: Some(raw), value: Some(raw * factor + offset), quality: Quality::GOOD }
            })
            .collect()
    }

    proptest! {
        #[test]
        fn points_come_back_bit_for_bit(points in proptest::collection::vec(any_point(), 1..200)) {
            prop_assert_eq!(bits(&decode(&encode(&points)).unwrap()), bits(&points));
        }

        #[test]
        fn any_line_comes_back_bit_for_bit(factor in -10.0..10.0_f64, offset in -100.0..100.0_f64, count in 1..300_i64) {
            let points = linear(count, factor, offset);
            prop_assert_eq!(bits(&decode(&encode(&points)).unwrap()), bits(&points));
        }

        #[test]
        fn values_that_recur_come_back_bit_for_bit(places in proptest::collection::vec(0..5_usize, 1..200)) {
            let values = [0.0, -0.0, 1.0 / 3.0, f64::MAX, 8.71];
            let mut points = linear(places.len() as i64, 0.01, 0.0);
            points.iter_mut().zip(&places).for_each(|(point, &place)| point.value = Some(values[place]));
            prop_assert_eq!(bits(&decode(&encode(&points)).unwrap()), bits(&points));
        }

        #[test]
        fn hostile_bytes_are_refused_quietly(mut bytes in proptest::collection::vec(any::<u8>(), 0..300)) {
            if let Some(version) = bytes.first_mut() {
                *version = VERSION;
            }
            seal(&mut bytes);
            let _ = decode(&bytes);
        }

        #[test]
        fn a_forged_check_sum_does_not_get_far(
            points in proptest::collection::vec(any_point(), 1..60),
            changes in proptest::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..6),
        ) {
            let sealed = encode(&points);
            let mut body = unseal(&sealed).unwrap().to_vec();
            for (place, byte) in changes {
                let place = place.index(body.len());
                body[place] = byte;
            }
            seal(&mut body);
            if let Ok(points) = decode(&body) {
                prop_assert!(points.len() <= POINTS_MAX);
            }
        }

        #[test]
        fn cut_anywhere_it_is_refused(count in 1..20_i64, cut in any::<prop::sample::Index>()) {
            let body = encode(&linear(count, 0.01, 0.0));
            prop_assert!(decode(&body[..cut.index(body.len())]).is_err());
        }
    }

    #[test]
    fn scales_that_people_type_are_found() {
        for (factor, offset) in
            [(0.01, 0.0), (0.1, -40.0), (1.0, 0.0), (0.0005, 4.0), (-0.25, 17.5), (1.0 / 3.0, 0.0)]
        {
            let points = linear(500, factor, offset);
            assert!(find_line(&points).is_some(), "{factor} {offset}");
        }
        let mut points = linear(500, 0.01, 0.0);
        points[250].value = points[250].value.map(|v| v.next_up());
        assert!(find_line(&points).is_none(), "one bit off is off");
    }

    #[test]
    fn a_linear_probe_costs_its_counts_once() {
        let points = linear(4_000, 0.01, 0.0);
        let mut bent = points.clone();
        bent[17].value = None;
        bent[18].raw = None;
        let (with_line, without) = (encode(&points).len(), encode(&bent).len());
        assert!(with_line < without, "{with_line} {without}");
    }

    #[test]
    fn a_compensated_probe_costs_less_than_its_digits() {
        let mut points = linear(4_000, 1.0, 0.0);
        for (i, point) in points.iter_mut().enumerate() {
            let counts = (2_900 + i % 11) as f64;
            let celsius = (240 + i % 17) as f64 * 0.1;
            (point.raw, point.value) = (Some(counts), Some(counts / (1.0 + 0.02 * (celsius - 25.0))));
        }
        let body = encode(&points);
        assert_eq!(bits(&decode(&body).unwrap()), bits(&points));
        assert!(body.len() < 4_000 * 3, "{}", body.len());
    }

    #[test]
    fn a_header_cannot_ask_for_memory() {
        let mut body = vec![VERSION, 0];
        put_u32(&mut body, POINTS_MAX + 1);
        seal(&mut body);
        assert_eq!(decode(&body), Err(DamagedBody::Content("number of points")));
    }
}
