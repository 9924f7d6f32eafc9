//! Answers to a configuration file and the secrets beside it. What is not answered yet is filled in, so that the answers
//! so far can be checked.

use std::collections::BTreeMap;

use super::answers::Answers;
use super::scanned::Scanned;
use super::script::{LAST, NEW, model, way};
use super::words::{Form, pairs, tidy};

/// Conductivity that a typical coolant adds to that of its water, by per cent: common practice, no source.
const TYPICAL_CURVE: [(f64, f64); 5] =
    [(0.0, 0.0), (3.0, 450.0), (5.0, 730.0), (8.0, 1130.0), (12.0, 1630.0)];
/// Conductivity of a tap water of that hardness, uS/cm for each mg/L as CaCO3: common practice, no source.
const US_PER_MG_L: f64 = 2.3;

/// A configuration to be.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) struct Draft {
    /// The file.
    pub(super) text: String,
    /// Secrets it names: file name, what stands there until somebody puts the secret into it, and what it is.
    pub(super) secrets: Vec<(&'static str, &'static str, &'static str)>,
    /// What the dialog itself finds wrong with an answer, with a cure.
    pub(super) wrong: Vec<(String, String)>,
}

/// Writes the configuration of these answers.
pub(super) fn draft(answers: &Answers, scanned: &Scanned) -> Draft {
    let mut writer = Writer {
        answers,
        scanned,
        draft: Draft { text: String::new(), secrets: Vec::new(), wrong: Vec::new() },
        devices: BTreeMap::new(),
        buses: BTreeMap::new(),
    };
    writer.head();
    let wires = std::mem::take(&mut writer.draft.text);
    writer.liquids();
    writer.sumps();
    let body = std::mem::take(&mut writer.draft.text);
    writer.wires();
    let read = std::mem::take(&mut writer.draft.text);
    writer.draft.text = wires + &read + &body;
    writer.draft
}

struct Writer<'a> {
    answers: &'a Answers,
    scanned: &'a Scanned,
    draft: Draft,
    /// Tables of devices by name, and the names by what was answered.
    devices: BTreeMap<String, String>,
    /// Tables of buses by name.
    buses: BTreeMap<String, String>,
}

/// A text in quotes, as TOML writes it.
fn quoted(text: &str) -> String {
    toml::Value::String(text.to_owned()).to_string()
}

/// A name as a key of a table: in quotes where it could not stand bare, so that the check and not the syntax complains.
fn key(name: &str) -> String {
    let bare = |c: char| c.is_ascii_alphanumeric() || matches!(c, '-' | '_');
    if !name.is_empty() && name.chars().all(bare) { name.to_owned() } else { quoted(name) }
}

impl Writer<'_> {
    fn line(&mut self, text: &str) {
        self.draft.text.push_str(text);
        self.draft.text.push('\n');
    }

    fn text(&self, key: &str, otherwise: &str) -> String {
        quoted(self.answers.some(key).unwrap_or(otherwise))
    }

    /// A number as it was typed; a text where it is none, for the check to complain of.
    fn number(&self, key: &str, otherwise: &str) -> String {
        let typed = self.answers.some(key).unwrap_or(otherwise);
        match typed.parse::<f64>() {
            Ok(number) if number.is_finite() => number.to_string(),
            _ => quoted(typed),
        }
    }

    fn head(&mut self) {
        let (name, zone) = (self.text("shop.name", "shop"), self.text("shop.timezone", "UTC"));
        self.line(
            "# Written by `sumpwarden init` from answers. Everything in it may be changed by hand; \
            `sumpwarden check` says",
        );
        self.line(
            "# whether it fits and what follows from it. Lengths, volumes and times are texts with \
            their unit: \"310 mm\" or",
        );
        self.line(
            "# \"12.2 in\", \"35 L\" or \"9 [gal_us]\", \"10 s\". Secrets never stand here, but in \
            files of mode 0600 beside it.\n",
        );
        self.line(&format!(
            "[site]\nname = {name}                 # stands on every message and forwarded \
            point\ntimezone = {zone}"
        ));
        self.line("\n[store]\ndirectory = \"data\"              # relative to this file\n");
        self.line(
            "[web]\nlisten = \"127.0.0.1:8480\"       # the page, on this machine only; for phones: \
            listen = \"0.0.0.0:8480\", tls = \"own\"",
        );
        if let Some(rules) = self.answers.get("shop.rules").filter(|rules| *rules != "none") {
            self.line(&format!(
                "\n[plan]\ncountry = {}                   # checks by hand that its agencies ask for",
                quoted(rules)
            ));
        }
        self.people();
    }

    fn people(&mut self) {
        let units = self.text("shop.units", "metric");
        match self.answers.get("tell.how") {
            Some("mail") => {
                let server = self.text("tell.server", "mail.example:587");
                let from = self.text("tell.from", "sumps@shop.example");
                let to = self.text("tell.to", "lead@shop.example");
                self.line(&format!(
                    "\n[receiver.mail]                 # who is told of alarms\nunits = \
                    {units}\n\n[receiver.mail.mail]"
                ));
                self.line(&format!("server = {server}\nfrom = {from}\nto = [{to}]"));
                if self.answers.some("tell.user").is_some() {
                    let user = self.text("tell.user", "");
                    self.line(&format!("user = {user}\npassword_file = \"mail.password\""));
                    self.draft.secrets.push((
                        "mail.password",
                        "replace-me",
                        "the password at the mail server",
                    ));
                }
            }
            Some("chat") => {
                let recipe = self.text("tell.recipe", "text-field");
                self.line(&format!(
                    "\n[receiver.chat]                 # who is told of alarms\nunits = {units}"
                ));
                self.line(&format!("webhook = {{ url_file = \"chat.url\", recipe = {recipe} }}"));
                let what = "the address the chat service gave for incoming messages";
                self.draft.secrets.push(("chat.url", "https://chat.example/replace-me", what));
            }
            _ => {}
        }
    }

    fn wires(&mut self) {
        self.line("\n# --- what is read, and over which wire\n");
        if self.answers.get("mqtt.address").is_some() {
            let address = self.text("mqtt.address", "127.0.0.1:1883");
            self.line(&format!("[broker.shop]\naddress = {address}"));
            if self.answers.some("mqtt.user").is_some() {
                let user = self.text("mqtt.user", "");
                self.line(&format!("user = {user}\npassword_file = \"mqtt.password\""));
                self.draft.secrets.push(("mqtt.password", "replace-me", "the password at the MQTT broker"));
            }
            if self.answers.get("mqtt.tls") == Some("yes") {
                self.line(
                    "tls = {}                        # trusts the system's authorities; or ca_file = \
                    \"ca.pem\"",
                );
            }
            self.line("");
        }
        if self.answers.get("line.port").is_some() {
            let port = self.text("line.port", "/dev/ttyS0");
            let baud = self.number("line.baud", "19200");
            let parity = self.text("line.parity", "even");
            let table = format!("link = \"modbus-rtu\"\nport = {port}\nbaud = {baud}\nparity = {parity}\n");
            self.buses.insert("line-1".to_owned(), table);
        }
        for (name, table) in std::mem::take(&mut self.buses) {
            self.line(&format!("[bus.{}]\n{table}", key(&name)));
        }
        for (name, table) in std::mem::take(&mut self.devices) {
            self.line(&format!("[device.{}]\n{table}", key(&name)));
        }
    }

    fn liquids(&mut self) {
        let hardness = self.text("water.hardness", "240 mg/L");
        self.line(&format!("# --- what goes into the sumps\n\n[water.mains]\nhardness = {hardness}"));
        if self.answers.some("water.conductivity").is_some() {
            let conductivity = self.text("water.conductivity", "");
            self.line(&format!("conductivity = {conductivity}"));
        }
        let name = key(self.answers.some("fluid.name").unwrap_or("coolant"));
        let factor = self.number("fluid.factor", "1.4");
        self.line(&format!(
            "\n[fluid.{name}]\nrefractometer_factor = {factor}       # per cent = Brix × \
            factor, from the product's sheet"
        ));
        let (curve, guess) = self.curve();
        if guess {
            self.line(
                "# A GUESS: what a typical coolant adds to this water. Make a jar test of four or \
                five mixes in your own water and put it",
            );
            self.line("# here as [[per cent, uS/cm at 25 °C], …]; until then concentrations are less sure.");
        }
        let rows: Vec<String> = curve.iter().map(|(percent, us)| format!("[{percent}, {us}]")).collect();
        self.line(&format!("conductivity_curve = [{}]\n", rows.join(", ")));
    }

    /// The jar test, or a typical curve in this water.
    fn curve(&self) -> (Vec<(f64, f64)>, bool) {
        if let Some(Ok(rows)) = self.answers.some("fluid.jar").map(pairs) {
            return (rows, false);
        }
        let us = self.answers.some("water.conductivity").and_then(|text| {
            let measure = crate::config::quantity::Measure::parse(text).ok()?;
            measure.unit?.convert(measure.value, sumpwarden_core::model::Unit::MicrosiemensPerCm)
        });
        let hardness = self.answers.some("water.hardness");
        let hardness = hardness.and_then(|text| crate::config::quantity::Hardness::parse(text).ok());
        let water = us.unwrap_or_else(|| hardness.map_or(560.0, |hardness| hardness.0 * US_PER_MG_L)).round();
        // Of demineralised water as well, the first point lies above zero.
        let water = water.max(5.0);
        (TYPICAL_CURVE.iter().map(|(percent, us)| (*percent, water + us)).collect(), true)
    }

    fn sumps(&mut self) {
        self.line("# --- sumps: heights count from the lowest point of the floor");
        for number in 1.. {
            let name = self.answers.get(&format!("sump.{number}.name"));
            match name {
                Some(LAST) => return,
                Some(name) => self.sump(number, name),
                None if number == 1 => {
                    self.sump(1, "sump-1");
                    return;
                }
                None => return,
            }
        }
    }

    fn sump(&mut self, number: usize, name: &str) {
        let like = model(self.answers, number);
        let typed = self.type_of(like);
        if let Some(type_name) = typed.as_ref().filter(|_| number == like) {
            self.line(&format!(
                "\n[sump_type.{}]              # what these sumps have in common",
                key(type_name)
            ));
            self.measures(like);
            self.device_type(like, type_name);
        }
        let title = self.answers.some(&format!("sump.{number}.title")).unwrap_or(name);
        self.line(&format!("\n[sump.{}]\ntitle = {}", key(name), quoted(title)));
        match &typed {
            Some(type_name) => self.line(&format!("type = {}", quoted(type_name))),
            None => self.measures(like),
        }
        self.probes(number, like, name, typed.as_deref());
    }

    /// Name of the type of all sumps that are like this one, where there are several.
    fn type_of(&self, like: usize) -> Option<String> {
        let named = |n: &usize| {
            let name = self.answers.get(&format!("sump.{n}.name"));
            name.is_some_and(|name| name != LAST)
        };
        let several =
            (like + 1..).take_while(named).take_while(|n| model(self.answers, *n) == like).count() > 0;
        let name = self.answers.get(&format!("sump.{like}.name"))?;
        several.then(|| "like-".chars().chain(name.chars().take(43)).collect())
    }

    /// What a sump is, wherever its numbers come from.
    fn measures(&mut self, like: usize) {
        let of = |rest: &str| format!("sump.{like}.{rest}");
        let fluid = self.text("fluid.name", "coolant");
        let target = self.number("fluid.target", "7");
        self.line(&format!("fluid = {fluid}\nwater = \"mains\"\ntarget_percent = {target}"));
        let tank = self.tank(like);
        self.line(&format!("tank = {tank}"));
        let fill = self.text(&of("fill_mark"), "1 mm");
        self.line(&format!("fill_mark = {fill}"));
        if self.answers.some(&of("pump_minimum")).is_some() {
            let pump = self.text(&of("pump_minimum"), "");
            self.line(&format!("pump_minimum = {pump}           # under it the pump draws air"));
        }
        if let Some(holdup) = self.answers.some(&of("holdup")) {
            let holdup = quoted(&self.holdup(like, holdup));
            self.line(&format!("holdup = {holdup}                # runs back when the pumps stop"));
        }
    }

    /// The probes that transmitters of these sumps have in common. Topics of MQTT differ from sump to sump.
    fn device_type(&mut self, like: usize, type_name: &str) {
        if way(self.answers, like) == "mqtt" {
            return;
        }
        for (quantity, typed) in self.quantities(like) {
            let probe = quantity.strip_suffix("_running").unwrap_or(&quantity);
            let table =
                format!("\n[device_type.{}.probe.{probe}]\nquantity = \"{quantity}\"", key(type_name));
            self.line(&table);
            self.register(None, &typed);
        }
    }

    /// Quantities with what was typed of where each is read.
    fn quantities(&self, like: usize) -> Vec<(String, String)> {
        let probes = self.answers.get(&format!("sump.{like}.probes")).unwrap_or_default();
        let typed = |quantity: &str| self.answers.get(&format!("sump.{like}.probe_{quantity}"));
        let read = |quantity: &str| Some((quantity.to_owned(), typed(quantity)?.to_owned()));
        probes.split(", ").filter_map(read).collect()
    }

    fn tank(&self, like: usize) -> String {
        let of = |rest: &str| format!("sump.{like}.{rest}");
        let shape = self.answers.get(&of("shape")).unwrap_or("box");
        let length = |rest: &str, otherwise: &str| format!("{rest} = {}", self.text(&of(rest), otherwise));
        let keys = match shape {
            "strapping" => {
                let rows = self.answers.get(&of("table")).map(pairs);
                let rows = rows
                    .and_then(Result::ok)
                    .unwrap_or_else(|| vec![(0.0, 0.0), (100.0, 84.0), (400.0, 336.0)]);
                let rows: Vec<String> = rows.iter().map(|(mm, litres)| format!("[{mm}, {litres}]")).collect();
                format!("table = [{}]", rows.join(", "))
            }
            "lying-cylinder" => {
                let heads = self.text(&of("heads"), "flat");
                format!("{}, {}, heads = {heads}", length("diameter", "600 mm"), length("length", "1200 mm"))
            }
            _ => {
                let mut keys =
                    vec![length("length", "1200 mm"), length("width", "700 mm"), length("height", "400 mm")];
                if shape == "sloped-floor" {
                    keys.push(length("drop", "1 mm"));
                }
                keys.join(", ")
            }
        };
        format!("{{ shape = \"{shape}\", {keys} }}")
    }

    /// Litres as they are, or those between two marks in this tank.
    fn holdup(&mut self, like: usize, typed: &str) -> String {
        let separator = if typed.contains(';') { ";" } else { ", " };
        let marks: Vec<&str> =
            typed.split(separator).map(str::trim).filter(|part| !part.is_empty()).collect();
        let [low, high] = marks.as_slice() else {
            return tidy(Form::Measure, typed).unwrap_or_else(|_| typed.to_owned());
        };
        match super::check::litres_between(&self.tank(like), low, high) {
            Ok(litres) => format!("{litres:.1} L"),
            Err(wrong) => {
                self.draft.wrong.push(wrong);
                "0 L".to_owned()
            }
        }
    }

    fn probes(&mut self, number: usize, like: usize, name: &str, type_name: Option<&str>) {
        let by = way(self.answers, number).to_owned();
        let device = self.answers.get(&format!("sump.{number}.where")).filter(|text| *text != NEW);
        let device = device.or_else(|| self.answers.get(&format!("sump.{number}.device")));
        let Some(device) = device.map(str::to_owned) else { return };
        let typed = type_name.filter(|_| by != "mqtt" && !self.quantities(like).is_empty());
        let source = if by == "mqtt" { None } else { self.device(&by, &device, name, typed) };
        if typed.is_some() {
            if let Some(source) = source {
                self.line(&format!("device = {}", quoted(&source)));
            }
            return;
        }
        for (quantity, typed) in self.quantities(like) {
            let probe = quantity.strip_suffix("_running").unwrap_or(&quantity);
            self.line(&format!("\n[sump.{}.probe.{probe}]\nquantity = \"{quantity}\"", key(name)));
            match &source {
                Some(source) => self.register(Some(source), &typed),
                None => self.topic(&device, &typed),
            }
        }
    }

    /// The device of a sump by name; its table is written once.
    fn device(&mut self, by: &str, typed: &str, sump: &str, type_name: Option<&str>) -> Option<String> {
        let type_line = type_name.map_or_else(String::new, |name| format!("type = {}\n", quoted(name)));
        match by {
            "scan" => {
                let Some(device) = self.scanned.device(typed) else {
                    let known: Vec<&str> = self.scanned.devices.iter().map(|d| d.name.as_str()).collect();
                    let what = format!("the scan found no device \"{typed}\"");
                    self.draft.wrong.push((what, format!("write one of {}", known.join(", "))));
                    return None;
                };
                let at: Vec<String> =
                    device.at.iter().map(|(key, value)| format!("{key} = {value}\n")).collect();
                self.buses.insert(device.bus.clone(), at.concat());
                let mut table =
                    format!("{type_line}bus = {}\nunit_id = {}\n", quoted(&device.bus), device.unit);
                if let Some(most) = device.registers_max() {
                    table += &format!("registers_max = {most}\n");
                }
                self.devices.insert(device.name.clone(), table);
                Some(device.name.clone())
            }
            "network" => {
                let (address, unit) = typed.split_once('/').unwrap_or((typed, "1"));
                let address =
                    if address.contains(':') { address.to_owned() } else { format!("{address}:502") };
                let host = address.strip_suffix(":502").unwrap_or(&address);
                let plain: String =
                    host.chars().map(|c| if c.is_ascii_alphanumeric() { c } else { '-' }).collect();
                let bus: String = format!("net-{}", plain.trim_matches('-')).chars().take(40).collect();
                self.buses
                    .insert(bus.clone(), format!("link = \"modbus-tcp\"\naddress = {}\n", quoted(&address)));
                Some(self.unit(&bus, unit, sump, &type_line))
            }
            _ => Some(self.unit("line-1", typed, sump, &type_line)),
        }
    }

    fn unit(&mut self, bus: &str, unit: &str, sump: &str, type_line: &str) -> String {
        let unit = if unit.parse::<u32>().is_ok() { unit.to_owned() } else { quoted(unit) };
        let table = format!("{type_line}bus = \"{bus}\"\nunit_id = {unit}\n");
        // Two sumps may share a transmitter of many channels.
        if let Some((name, _)) = self.devices.iter().find(|(_, known)| **known == table) {
            return name.clone();
        }
        let name: String = sump.chars().take(43).chain("-head".chars()).collect();
        self.devices.insert(name.clone(), table);
        name
    }

    fn register(&mut self, device: Option<&str>, typed: &str) {
        if let Some(device) = device {
            self.line(&format!("device = {}", quoted(device)));
        }
        let mut words = typed.split_whitespace();
        let register = words.next().unwrap_or_default();
        self.line(&format!("register = {}", quoted(register)));
        for word in words {
            let factor = word.strip_prefix(['x', '×', '*']).and_then(|factor| factor.parse::<f64>().ok());
            let factor = factor.filter(|factor| factor.is_finite());
            let lower = word.to_lowercase();
            let line = if let Some(factor) = factor {
                format!("scale = {factor}")
            } else if ["abcd", "cdab", "badc", "dcba"].contains(&lower.as_str()) {
                format!("order = \"{}\"", word.to_uppercase())
            } else if ["u16", "i16", "u32", "i32", "u64", "i64", "f32", "f64"].contains(&lower.as_str()) {
                format!("number = \"{lower}\"")
            } else {
                format!("unit = {}", quoted(word))
            };
            self.line(&line);
        }
    }

    fn topic(&mut self, base: &str, typed: &str) {
        let mut words = typed.split_whitespace();
        let (base, topic) = (base.trim_matches('/'), words.next().unwrap_or_default());
        self.line(&format!(
            "broker = \"shop\"\ntopic = {}",
            quoted(&format!("{base}/{}", topic.trim_matches('/')))
        ));
        let mut json = None;
        let mut unit = None;
        for word in words {
            if word.starts_with('/') { json = Some(word) } else { unit = Some(word) }
        }
        match json {
            Some(pointer) => self.line(&format!("json = {{ value = {} }}", quoted(pointer))),
            None => self.line("payload = \"number\""),
        }
        if let Some(unit) = unit {
            self.line(&format!("unit = {}", quoted(unit)));
        }
    }
}

impl Draft {
    /// The sumps' names are keys of tables: two of one name would be one sump.
    pub(super) fn same_names(answers: &Answers) -> Option<(String, String)> {
        let names: Vec<&str> = (1..).map_while(|n| answers.get(&format!("sump.{n}.name"))).collect();
        let (last, before) = names.split_last()?;
        (*last != LAST && before.contains(last)).then(|| {
            (format!("there is a sump \"{last}\" already"), "give each sump a name of its own".to_owned())
        })
    }
}
