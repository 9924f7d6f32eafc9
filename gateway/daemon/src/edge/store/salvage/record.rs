//! Cells of b-tree pages and the records in them.

use std::collections::BTreeSet;

use rusqlite::types::Value;

use super::pages::word;

/// Longest record that is followed: several times the largest batch.
const RECORD_BYTES_MAX: usize = 256 << 20;

/// Which cells a page holds.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum PageKind {
    /// Rows of a table with row numbers.
    Table,
    /// Keys of an index, or rows of a table without row numbers.
    Index,
    /// The same, with numbers of pages below.
    IndexInterior,
}

/// One record.
#[derive(Clone, PartialEq, Debug)]
pub(super) struct Record {
    /// 0 in an index.
    pub(super) row: i64,
    pub(super) values: Vec<Value>,
}

/// Gives a page, with what is committed in it.
pub(super) type ReadPage<'a> = &'a dyn Fn(u32) -> Option<Vec<u8>>;

/// What a page says of itself.
#[derive(Debug)]
pub(super) struct Layout {
    pub(super) kind: PageKind,
    /// Where its cells begin.
    pub(super) cells: Vec<usize>,
    /// Where the content begins, and how many bytes of it no cell has.
    content: usize,
    unused: usize,
}

/// The head of a page; none if it is none of those with records in them.
pub(super) fn layout(page: &[u8], number: u32) -> Option<Layout> {
    let at = if number == 1 { 100 } else { 0 };
    let kind = match page[at] {
        0x0d => PageKind::Table,
        0x0a => PageKind::Index,
        0x02 => PageKind::IndexInterior,
        _ => return None,
    };
    let two = |at: usize| page.get(at..at + 2).map_or(0, |b| usize::from(u16::from_be_bytes([b[0], b[1]])));
    let head = at + if kind == PageKind::IndexInterior { 12 } else { 8 };
    let count = two(at + 3).min((page.len() - head) / 2);
    let content = if two(at + 5) == 0 { 65_536 } else { two(at + 5) };
    let mut unused = usize::from(page[at + 7]);
    let (mut block, mut seen) = (two(at + 1), BTreeSet::new());
    while block != 0 && seen.insert(block) {
        unused += two(block + 2);
        block = two(block);
    }
    Some(Layout { kind, cells: (0..count).map(|cell| two(head + 2 * cell)).collect(), content, unused })
}

impl Layout {
    /// Whether cells of this size together, with what is unused, are the content of the page.
    pub(super) fn adds_up(&self, cells_bytes: usize, page: &[u8]) -> bool {
        self.content + cells_bytes + self.unused == page.len()
    }
}

/// The cell at `at`: its record and its length in the page. `used` learns which overflow pages it has.
pub(super) fn cell(
    page: &[u8],
    at: usize,
    kind: PageKind,
    read: ReadPage<'_>,
    used: &mut BTreeSet<u32>,
) -> Option<(Record, usize)> {
    let start = at;
    let at = if kind == PageKind::IndexInterior { at + 4 } else { at };
    let (bytes, at) = varint(page, at)?;
    let (row, at) = if kind == PageKind::Table { varint(page, at)? } else { (0, at) };
    let bytes = usize::try_from(bytes).ok().filter(|bytes| *bytes <= RECORD_BYTES_MAX)?;
    let local = local_bytes(bytes, page.len(), kind);
    let mut payload = page.get(at..at.checked_add(local)?)?.to_vec();
    let mut end = at + local;
    // A head that fits no record spares the walk along its pages.
    columns(&payload)?;
    if local < bytes {
        let mut next = word(page.get(end..end + 4)?, 0);
        end += 4;
        while payload.len() < bytes {
            let more = read(next).filter(|_| next > 1)?;
            used.insert(next);
            payload.extend_from_slice(&more[4..more.len().min(4 + bytes - payload.len())]);
            next = word(&more, 0);
        }
    }
    let values = values(&payload)?;
    Some((Record { row, values }, (end - start).max(4)))
}

/// Bytes of a record that lie in the page itself.
fn local_bytes(bytes: usize, usable: usize, kind: PageKind) -> usize {
    let most = if kind == PageKind::Table { usable - 35 } else { (usable - 12) * 64 / 255 - 23 };
    if bytes <= most {
        return bytes;
    }
    let least = (usable - 12) * 32 / 255 - 23;
    let rest = least + (bytes - least) % (usable - 4);
    if rest <= most { rest } else { least }
}

/// Types of a record's columns, and where the first one begins.
fn columns(payload: &[u8]) -> Option<(Vec<i64>, usize)> {
    let (head, mut at) = varint(payload, 0)?;
    let head = usize::try_from(head).ok().filter(|head| (2..=64).contains(head) && *head <= payload.len())?;
    let mut types = Vec::new();
    while at < head {
        let (kind, next) = varint(payload, at)?;
        if kind < 0 || matches!(kind, 10 | 11) {
            return None;
        }
        types.push(kind);
        at = next;
    }
    (at == head).then_some((types, head))
}

fn values(payload: &[u8]) -> Option<Vec<Value>> {
    let (types, mut at) = columns(payload)?;
    let mut values = Vec::with_capacity(types.len());
    for kind in types {
        let bytes = match kind {
            0 | 8 | 9 => 0,
            1..=4 => kind as usize,
            5 => 6,
            6 | 7 => 8,
            _ => (kind as usize - 12) / 2,
        };
        let content = payload.get(at..at.checked_add(bytes)?)?;
        at += bytes;
        values.push(match kind {
            0 => Value::Null,
            1..=6 => Value::Integer(integer(content)),
            7 => Value::Real(f64::from_bits(integer(content) as u64)),
            8 | 9 => Value::Integer(kind - 8),
            kind if kind % 2 == 0 => Value::Blob(content.to_vec()),
            _ => Value::Text(String::from_utf8(content.to_vec()).ok()?),
        });
    }
    (at == payload.len()).then_some(values)
}

fn integer(bytes: &[u8]) -> i64 {
    let sign = if bytes.first().is_some_and(|first| first & 0x80 != 0) { -1 } else { 0 };
    bytes.iter().fold(sign, |number, byte| number << 8 | i64::from(*byte))
}

/// SQLite's number of one to nine bytes, and where it ends.
fn varint(bytes: &[u8], at: usize) -> Option<(i64, usize)> {
    let mut number: u64 = 0;
    for place in 0..9 {
        let byte = *bytes.get(at + place)?;
        if place == 8 {
            return Some(((number << 8 | u64::from(byte)) as i64, at + 9));
        }
        number = number << 7 | u64::from(byte & 0x7f);
        if byte & 0x80 == 0 {
            return Some((number as i64, at + place + 1));
        }
    }
    None
}
