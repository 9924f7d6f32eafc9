//! Registers of one device that two probes read differently.

use sumpwarden_core::acquire::settings::Point;
use sumpwarden_protocol::words::NumberKind;

use super::notes::{At, Notes};

/// Notes every pair of neighbours in address order that share a register and disagree on what lies there, and warns of
/// two probes that read the very same number.
pub(super) fn note_overlaps(notes: &mut Notes<'_>, points: &[(&Point, &At)]) {
    let mut sorted: Vec<_> = points.to_vec();
    sorted.sort_by_key(|(point, _)| point.address);
    // The point that reaches furthest so far in this table: everything behind it is compared with that one.
    let mut furthest: Option<(&Point, &At)> = None;
    for (point, at) in sorted {
        if let Some((before, first)) = furthest
            && before.address.table == point.address.table
            && end(before) > u32::from(point.address.index)
        {
            note_pair(notes, (before, first), (point, at));
            if end(before) >= end(point) {
                continue;
            }
        }
        furthest = Some((point, at));
    }
}

/// One past the last address.
fn end(point: &Point) -> u32 {
    u32::from(point.address.index) + u32::from(point.encoding.word_count())
}

fn note_pair(notes: &mut Notes<'_>, (before, first): (&Point, &At), (point, at): (&Point, &At)) {
    let field = |p: &Point| matches!(p.encoding.kind, NumberKind::BitField { .. });
    let other = (&first.key("register"), "read here as well");
    if notes.written(first) == notes.written(at) {
        // One device serves two sumps: that is said once, not at every register.
        return;
    }
    let same = before.address == point.address && before.encoding.kind == point.encoding.kind;
    if same && before.encoding.order == point.encoding.order {
        let what = format!("`{}` is also read by `{}`", point.address.manual(), notes.text(first));
        notes.warn_clash(&at.key("register"), what, "check the register against the manual", other);
        return;
    }
    // Several bit fields of one word, or one beside the whole word, are how status registers are read.
    let word = |p: &Point| p.encoding.word_count() == 1;
    if word(before) && word(point) && (field(before) || field(point)) {
        return;
    }
    let what = format!(
        "`{}` as {} lies in the registers of `{}` ({} as {})",
        point.address.manual(),
        point.encoding.kind,
        notes.text(first),
        before.address.manual(),
        before.encoding.kind
    );
    notes.clash(&at.key("register"), what, "check both registers and numbers against the manual", other);
}
