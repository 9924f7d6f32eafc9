//! Types into the devices and sumps that use them, a step on the layered tree before anything else of it is read.
//!
//! What stands once in `[device_type.NAME]` or `[sump_type.NAME]` comes to stand in every table that says `type = "NAME"`, and a
//! device's probes in every sump that names the device, each key with the place where it was written. What a table says
//! itself wins, key by key and table by table. Values are only moved here; of the keys' meaning it is known no more than
//! which of them exclude each other. The limits on keys and bytes of the files hold for what comes of them as well.

mod alternatives;
mod tree;

use std::collections::{BTreeMap, BTreeSet};

use config::{Value, ValueKind};

use super::nearest::{did_you_mean, listed};
use super::reader::{self, Wrong, shortened};
use super::report::{Mistake, Place, Report, Weight};
use super::sources::{ALL_BYTES_MAX, ITEMS_MAX, KeyPath, Layered};
use alternatives::gives_way;
use tree::{get, join, keys, path, remove, set, weigh};

/// Tables that hold types, and whose types they are.
const KINDS: [(&str, &str); 2] = [("device_type", "device"), ("sump_type", "sump")];

/// What came from where.
#[derive(Default, Debug)]
pub(super) struct Inherited {
    /// Keys that a table did not write itself, and where each was written.
    pub(super) origins: BTreeMap<KeyPath, KeyPath>,
    /// Tables that others inherit from, with those that do.
    pub(super) uses: BTreeMap<KeyPath, BTreeSet<KeyPath>>,
    /// Keys that are missing for a reason that is already complained of.
    pub(super) excused: BTreeSet<KeyPath>,
}

impl Inherited {
    /// The path under which somebody wrote what stands at `path`.
    pub(super) fn written(&self, path: &[String]) -> KeyPath {
        (0..=path.len())
            .rev()
            .find_map(|n| self.origins.get(&path[..n]).map(|origin| [origin.as_slice(), &path[n..]].concat()))
            .unwrap_or_else(|| path.to_vec())
    }
}

/// Expands every type into the tables that use it. Mistakes of form in types and devices are handed back; what is wrong
/// is no longer in the tree, so that each is found once and not in every use.
pub(super) fn expand(layered: &mut Layered, report: &mut Report) -> Vec<Wrong> {
    let absent = layered.refused_keys();
    for refused in &absent {
        remove(&mut layered.root, refused);
    }
    let mut expansion = Expansion { absent, serving: BTreeMap::new(), layered, report, full: false };
    expansion.refuse_references();
    let wrong = expansion.take_out_mistakes();
    expansion.devices();
    expansion.sumps();
    expansion.note_unused();
    wrong
}

struct Expansion<'a> {
    layered: &'a mut Layered,
    report: &'a mut Report,
    /// Keys that would be in a type but for a mistake.
    absent: BTreeSet<KeyPath>,
    /// Devices whose probes a sump has, with the key that says so.
    serving: BTreeMap<String, KeyPath>,
    /// The limits are reached.
    full: bool,
}

impl Expansion<'_> {
    fn mistake(&mut self, at: &[String], what: String, cure: String, other: Option<(Place, String)>) {
        let place = self.layered.value_place(at);
        self.report.mistakes.push(Mistake { place, weight: Weight::Mistake, what, cure, other });
    }

    /// Types stand by themselves: they name no other type, and leave it to sumps to name devices.
    fn refuse_references(&mut self) {
        for (kind, user) in KINDS {
            for name in keys(&self.layered.root, &path(&[kind])) {
                let table = path(&[kind, &name]);
                let cure = format!(
                    "write its keys here; a {user} names one type, and alters what it has differently"
                );
                self.refuse_key(&table, "type", "a type refers to no other type", &cure);
                if kind == "sump_type" {
                    let cure = "delete it here: each sump of this type names its own device";
                    for key in ["device", "devices"] {
                        self.refuse_key(&table, key, "a type of sump names no device", cure);
                    }
                }
            }
        }
        for kind in ["device_type", "device"] {
            for name in keys(&self.layered.root, &path(&[kind])) {
                let probes = path(&[kind, &name, "probe"]);
                for probe in keys(&self.layered.root, &probes) {
                    let what = "a device's probe is read from that device";
                    self.refuse_key(&join(&probes, &probe), "device", what, "delete it");
                }
            }
        }
    }

    fn refuse_key(&mut self, table: &[String], key: &str, what: &str, cure: &str) {
        let at = join(table, key);
        if get(&self.layered.root, &at).is_some() {
            self.mistake(&at, what.to_owned(), cure.to_owned(), None);
            remove(&mut self.layered.root, &at);
        }
    }

    /// Reads what others inherit, and takes out what is wrong.
    fn take_out_mistakes(&mut self) -> Vec<Wrong> {
        let wrong = reader::read_types(self.layered);
        for mistake in &wrong {
            let named =
                mistake.path.iter().rposition(|part| !part.starts_with('#')).map_or(0, |last| last + 1);
            remove(&mut self.layered.root, &mistake.path[..named]);
            self.absent.insert(mistake.path[..named].to_vec());
            self.absent.extend(mistake.meant.clone());
        }
        wrong
    }

    fn devices(&mut self) {
        for name in keys(&self.layered.root, &path(&["device"])) {
            let device = path(&["device", &name]);
            let mut sources = Vec::new();
            if let Some(its_type) = self.type_of(&device, "device_type") {
                self.inherit(&its_type, &device);
                sources.push(join(&its_type, "probe"));
            }
            self.leave_out_probes(&device, &sources);
        }
    }

    fn sumps(&mut self) {
        for name in keys(&self.layered.root, &path(&["sump"])) {
            let sump = path(&["sump", &name]);
            let mut sources = Vec::new();
            if let Some(its_type) = self.type_of(&sump, "sump_type") {
                self.inherit(&its_type, &sump);
                sources.push(join(&its_type, "probe"));
            }
            let devices = self.devices_of(&sump);
            for (device, at) in &devices {
                let probes = path(&["device", device, "probe"]);
                if self.layered.inherited.excused.contains(&probes[..2]) {
                    self.layered.inherited.excused.insert(sump.clone());
                }
                self.note_serving(device, at);
                self.note_doubles(&sump, &probes, &sources, at);
                self.lay(&probes, &join(&sump, "probe"));
                self.bind(&sump, &keys(&self.layered.root, &probes), device, at);
                sources.push(probes);
            }
            self.leave_out_probes(&sump, &sources);
            if let [(device, at)] = &devices[..] {
                self.bind_rest(&sump, device, at);
            }
            self.fill_in_topics(&sump, &name);
        }
    }

    /// The table of the type that `user` names.
    fn type_of(&mut self, user: &[String], kind: &str) -> Option<KeyPath> {
        let at = join(user, "type");
        if self.absent.contains(&at) {
            self.layered.inherited.excused.insert(user.to_vec());
        }
        let ValueKind::String(name) = get(&self.layered.root, &at)?.kind.clone() else {
            self.layered.inherited.excused.insert(user.to_vec());
            return None;
        };
        let found = path(&[kind, &name]);
        if get(&self.layered.root, &found).is_some() {
            self.layered.inherited.uses.entry(found.clone()).or_default().insert(user.to_vec());
            return Some(found);
        }
        self.note_missing(&at, kind, &name);
        self.layered.inherited.excused.insert(user.to_vec());
        None
    }

    /// Says that there is no such entry of a table, unless it may lie in what could not be read.
    fn note_missing(&mut self, at: &[String], table: &str, name: &str) {
        if self.layered.partial || self.absent.range(path(&[table])..).next().is_some_and(|p| p[0] == table) {
            return;
        }
        let there = keys(&self.layered.root, &path(&[table]));
        let names: Vec<&str> = there.iter().map(String::as_str).collect();
        let cure = match names.is_empty() {
            true => format!("add a table [{table}.NAME], and name it here"),
            false => format!("{}there is: {}", did_you_mean(name, names.iter().copied()), listed(&names)),
        };
        self.mistake(at, format!("there is no {table} \"{}\"", shortened(name)), cure, None);
    }

    /// Devices that a sump names, each with the key that does.
    fn devices_of(&mut self, sump: &[String]) -> Vec<(String, KeyPath)> {
        let (one, several) = (join(sump, "device"), join(sump, "devices"));
        if get(&self.layered.root, &one).is_some() && get(&self.layered.root, &several).is_some() {
            let other = (self.layered.key_place(&one), "also set here".to_owned());
            let cure = "write all of them in `devices`".to_owned();
            self.mistake(&several, "`device` and `devices` exclude each other".to_owned(), cure, Some(other));
            remove(&mut self.layered.root, &several);
        }
        let mut named: Vec<KeyPath> = vec![one];
        if let Some(ValueKind::Array(items)) = get(&self.layered.root, &several).map(|list| &list.kind) {
            named.extend((0..items.len()).map(|n| join(&several, &format!("#{n}"))));
        }
        let mut found = Vec::new();
        for at in named {
            let Some(value) = get(&self.layered.root, &at) else { continue };
            let ValueKind::String(name) = value.kind.clone() else { continue };
            if found.iter().any(|(before, _)| *before == name) {
                self.mistake(&at, format!("device \"{name}\" stands twice"), "name it once".to_owned(), None);
            } else if get(&self.layered.root, &path(&["device", &name])).is_some() {
                found.push((name, at));
            } else {
                self.note_missing(&at, "device", &name);
                self.layered.inherited.excused.insert(sump.to_vec());
            }
        }
        found
    }

    /// A device whose probes are already those of another sump.
    fn note_serving(&mut self, device: &str, at: &[String]) {
        if keys(&self.layered.root, &path(&["device", device, "probe"])).is_empty() {
            return;
        }
        let Some(first) = self.serving.insert(device.to_owned(), at.to_vec()) else { return };
        let what = format!("the probes of device \"{device}\" are already those of sump \"{}\"", first[1]);
        let cure = "name the device in this sump; if it serves both, write each sump's probes there, with their registers";
        let other = (self.layered.value_place(&first), "named here".to_owned());
        self.mistake(at, what, cure.to_owned(), Some(other));
    }

    /// Two devices of one sump that bring a probe of the same name.
    fn note_doubles(&mut self, sump: &[String], probes: &[String], before: &[KeyPath], at: &[String]) {
        let devices: Vec<&KeyPath> = before.iter().filter(|table| table[0] == "device").collect();
        for probe in keys(&self.layered.root, probes) {
            let first = devices.iter().find(|table| get(&self.layered.root, &join(table, &probe)).is_some());
            let Some(first) = first else { continue };
            let what =
                format!("device \"{}\" brings a probe `{probe}`, and so does \"{}\"", probes[1], first[1]);
            let cure =
                format!("leave it out of one of them: {probe} = false under [device.{}.probe]", probes[1]);
            let other = (self.layered.key_place(&join(sump, "devices")), "both named here".to_owned());
            self.mistake(at, what, cure, Some(other));
        }
    }

    /// Reads these probes of the sump from the device, but for those that say otherwise.
    fn bind(&mut self, sump: &[String], probes: &[String], device: &str, at: &[String]) {
        let place = self.layered.value_place(at);
        for probe in probes {
            let table = path(&[&sump[0], &sump[1], "probe", probe]);
            let Some(ValueKind::Table(written)) = get(&self.layered.root, &table).map(|t| &t.kind) else {
                continue;
            };
            if written.contains_key("device") || written.contains_key("broker") {
                continue;
            }
            let key = join(&table, "device");
            set(&mut self.layered.root, &key, Value::new(None, ValueKind::String(device.to_owned())));
            self.layered.spots.insert(key, super::sources::Spot { key: place.clone(), value: place.clone() });
        }
    }

    /// Reads from a sump's only device what names no source. A device that nothing is read from then was named in vain.
    fn bind_rest(&mut self, sump: &[String], device: &str, at: &[String]) {
        let probes = join(sump, "probe");
        let rest = keys(&self.layered.root, &probes);
        self.bind(sump, &rest, device, at);
        let of_device = path(&["device", device, "probe"]);
        let is_read = |probe: &String| {
            let probe = join(&probes, probe);
            let named = get(&self.layered.root, &join(&probe, "device")).map(|v| &v.kind);
            let read = get(&self.layered.root, &join(&probe, "register")).is_some();
            read && matches!(named, Some(ValueKind::String(named)) if named == device)
        };
        let brings = !keys(&self.layered.root, &of_device).is_empty() || rest.iter().any(is_read);
        let doubtful = self.layered.partial || self.absent.iter().any(|p| p.starts_with(&of_device[..2]));
        if !brings && !doubtful && !self.layered.inherited.excused.contains(sump) {
            let what = format!("nothing comes from device \"{device}\": it has no type with probes");
            let cure = "give the device a type, as in type = \"NAME\", or the sump's probes a register there";
            let other = (self.layered.key_place(&of_device[..2]), "the device".to_owned());
            self.mistake(at, what, cure.to_owned(), Some(other));
            self.layered.inherited.excused.insert(sump.to_vec());
        }
    }

    /// Takes out the probes that `user` switches off, of those that it would inherit.
    fn leave_out_probes(&mut self, user: &[String], sources: &[KeyPath]) {
        let probes = join(user, "probe");
        for probe in keys(&self.layered.root, &probes) {
            let at = join(&probes, &probe);
            if !matches!(get(&self.layered.root, &at).map(|v| &v.kind), Some(ValueKind::Boolean(false))) {
                continue;
            }
            let brought: BTreeSet<String> =
                sources.iter().flat_map(|table| keys(&self.layered.root, table)).collect();
            if !brought.contains(&probe) && !self.layered.inherited.excused.contains(user) {
                let near = did_you_mean(&probe, brought.iter().map(String::as_str));
                let what = format!("neither type nor device brings a probe `{probe}` that could be left out");
                self.mistake(&at, what, format!("{near}delete the line, or write the probe's table"), None);
            }
            remove(&mut self.layered.root, &at);
        }
    }

    /// In a type `{sump}` in a topic stands for the sump.
    fn fill_in_topics(&mut self, sump: &[String], name: &str) {
        let probes = join(sump, "probe");
        for probe in keys(&self.layered.root, &probes) {
            let at = join(&join(&probes, &probe), "topic");
            if !self.layered.inherited.origins.contains_key(&at) {
                continue;
            }
            if let Some(ValueKind::String(topic)) = get(&self.layered.root, &at).map(|value| &value.kind) {
                let topic = topic.replace("{sump}", name);
                set(&mut self.layered.root, &at, Value::new(None, ValueKind::String(topic)));
            }
        }
    }

    /// Lays a value under what stands at `to`.
    fn lay(&mut self, from: &[String], to: &[String]) {
        match (get(&self.layered.root, from).map(|v| &v.kind), get(&self.layered.root, to).map(|v| &v.kind)) {
            (Some(_), None) => self.copy(from, to),
            (Some(ValueKind::Table(_)), Some(ValueKind::Table(_))) => self.inherit(from, to),
            _ => {}
        }
    }

    /// Lays the keys of one table under those of another.
    fn inherit(&mut self, from: &[String], to: &[String]) {
        self.excuse(from, to);
        let own = keys(&self.layered.root, to);
        for key in keys(&self.layered.root, from) {
            let (from, to) = (join(from, &key), join(to, &key));
            let other_tank = key == "tank" && self.is_other_shape(&from, &to);
            if !other_tank && !gives_way(&to, &own) {
                self.lay(&from, &to);
            }
        }
    }

    /// Sizes of a tank of another shape are those of another tank.
    fn is_other_shape(&self, from: &[String], to: &[String]) -> bool {
        let shape = |tank: &[String]| match get(&self.layered.root, &join(tank, "shape")).map(|v| &v.kind) {
            Some(ValueKind::String(word)) => Some(word.clone()),
            _ => None,
        };
        shape(to).is_some_and(|own| shape(from).is_some_and(|other| own != other))
    }

    /// What a type lacks because of a mistake is nobody's second mistake.
    fn excuse(&mut self, from: &[String], to: &[String]) {
        let missing = self.absent.range(from.to_vec()..).take_while(|p| p.starts_with(from));
        let missing: Vec<KeyPath> = missing.map(|p| [to, &p[from.len()..]].concat()).collect();
        let own = |path: &KeyPath| get(&self.layered.root, path).is_some();
        let missing: Vec<KeyPath> = missing.into_iter().filter(|path| !own(path)).collect();
        self.layered.inherited.excused.extend(missing.iter().cloned());
        // A sump inherits from devices in turn.
        self.absent.extend(missing);
    }

    fn copy(&mut self, from: &[String], to: &[String]) {
        self.excuse(from, to);
        let Some(value) = get(&self.layered.root, from).cloned() else { return };
        if !self.afford(&value, to) {
            return;
        }
        let spots = self.layered.spots.range(from.to_vec()..).take_while(|(p, _)| p.starts_with(from));
        let spots: Vec<_> = spots.map(|(p, spot)| (p.clone(), spot.clone())).collect();
        for (source, spot) in spots {
            let target = [to, &source[from.len()..]].concat();
            let inherited = &mut self.layered.inherited;
            let origin = inherited.origins.get(&source).unwrap_or(&source).clone();
            inherited.uses.entry(origin[..2].to_vec()).or_default().insert(to[..2].to_vec());
            inherited.origins.insert(target.clone(), origin);
            self.layered.spots.insert(target, spot);
        }
        set(&mut self.layered.root, to, value);
    }

    /// Whether the limits on files leave room for a copy.
    fn afford(&mut self, value: &Value, to: &[String]) -> bool {
        let (items, bytes) = weigh(value);
        self.layered.items += items;
        self.layered.bytes += bytes;
        let what = match (self.layered.items > ITEMS_MAX, self.layered.bytes > ALL_BYTES_MAX) {
            (false, false) => return !self.full,
            (true, _) => {
                format!("with what its types bring, the shop has over {ITEMS_MAX} keys and list items")
            }
            (false, true) => "with what its types bring, the shop has over 8 MiB".to_owned(),
        };
        if !self.full {
            (self.full, self.layered.partial) = (true, true);
            self.mistake(
                &join(&to[..2], "type"),
                what,
                "split the shop over several gateways".to_owned(),
                None,
            );
        }
        false
    }

    fn note_unused(&mut self) {
        if self.layered.partial {
            return;
        }
        for (kind, user) in KINDS {
            for name in keys(&self.layered.root, &path(&[kind])) {
                let table = path(&[kind, &name]);
                if !self.layered.inherited.uses.contains_key(&table) {
                    let place = self.layered.key_place(&table);
                    let what = format!("no {user} is of type \"{name}\"");
                    let cure = format!("delete it, or write type = \"{name}\" in a {user}");
                    self.report.mistakes.push(Mistake {
                        place,
                        weight: Weight::Warning,
                        what,
                        cure,
                        other: None,
                    });
                }
            }
        }
    }
}

#[cfg(test)]
mod tests;
