//! Mistakes in what was inherited: one for the type where every user makes it, otherwise with whoever does.

use std::collections::{BTreeMap, BTreeSet};

use super::super::in_force::Facts;
use super::super::report::{Mistake, Place};
use super::super::sources::{KeyPath, Layered};
use super::notes::{Heir, Notes};

/// Puts equal mistakes of several heirs into one. Where not all heirs make it, or there is only one, whoever it is stands
/// beside it: the type may be right, and something of the heir's own not go with it.
pub(super) fn settle(notes: Notes<'_>) -> Facts {
    let Notes { layered, report, inherited, facts, .. } = notes;
    let mut heirs: BTreeMap<Mistake, BTreeSet<Heir>> = BTreeMap::new();
    for (place, heir) in &inherited {
        heirs.entry(report.mistakes[*place].clone()).or_default().insert(heir.clone());
    }
    let inherited: BTreeSet<usize> = inherited.into_iter().map(|(place, _)| place).collect();
    let mut place = 0;
    report.mistakes.retain(|_| {
        place += 1;
        !inherited.contains(&(place - 1))
    });
    for (mut mistake, heirs) in heirs {
        if mistake.other.is_none() && !all(layered, &heirs) {
            mistake.other = first(layered, &heirs);
        }
        report.mistakes.push(mistake);
    }
    facts.unwrap_or_default()
}

/// Whether these are all of several heirs.
fn all(layered: &Layered, heirs: &BTreeSet<Heir>) -> bool {
    let Some(first) = heirs.first() else { return true };
    let users: BTreeSet<&KeyPath> = heirs.iter().map(|heir| &heir.user).collect();
    let all = layered.inherited.uses.get(&first.from).into_iter().flatten();
    let all: BTreeSet<&KeyPath> = all.filter(|user| user[0] == first.user[0]).collect();
    all.len() > 1 && users == all
}

/// Where the first of them says what it inherits from.
fn first(layered: &Layered, heirs: &BTreeSet<Heir>) -> Option<(Place, String)> {
    let Heir { from, user } = heirs.first()?;
    // A sump has a device type's probes by naming a device.
    let keys = if from[0] == format!("{}_type", user[0]) { ["type"; 2] } else { ["device", "devices"] };
    let said = keys.map(|key| [user.as_slice(), &[key.to_owned()]].concat());
    let at = said.iter().find(|path| layered.spots.contains_key(*path)).unwrap_or(user);
    let more = match heirs.len() - 1 {
        0 => String::new(),
        more => format!(" and {more} more"),
    };
    Some((layered.key_place(at), format!("used by {} \"{}\"{more}", user[0], user[1])))
}
