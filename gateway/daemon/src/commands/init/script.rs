//! The questions, in the order in which they come: a function of what was answered so far, and of a scan.

use super::answers::Answers;
use super::scanned::Scanned;
use super::words::Form;

/// The answer that stands for "nothing".
pub(super) const NONE: &str = "none";
/// The answer that ends the list of sumps.
pub(super) const LAST: &str = "-";
/// The answer that says that a sump is not like the one before.
pub(super) const NEW: &str = "new";

/// Where numbers come from.
const WAYS: &[&str] = &["serial", "network", "mqtt"];
/// The same where a scan has found devices.
const WAYS_SCANNED: &[&str] = &["scan", "serial", "network", "mqtt"];
/// What can be measured.
pub(super) const QUANTITIES: &[&str] =
    &["ph", "conductivity", "level", "temperature", "pump_running", "flow_total"];

/// One question.
#[derive(Clone, PartialEq, Debug)]
pub(super) struct Question {
    /// Its name in a file of answers.
    pub(super) key: String,
    /// What is asked.
    pub(super) ask: String,
    /// What an empty answer stands for.
    pub(super) default: Option<String>,
    /// What `?` says.
    pub(super) help: &'static str,
    /// What kind of answer it takes.
    pub(super) form: Form,
}

/// The next question; `None` when all is answered.
pub(super) fn next(answers: &Answers, scanned: &Scanned) -> Option<Question> {
    let mut script = Script { answers, scanned, next: None };
    script.shop();
    script.wires();
    script.liquids();
    script.sumps();
    script.people();
    script.next
}

struct Script<'a> {
    answers: &'a Answers,
    scanned: &'a Scanned,
    next: Option<Question>,
}

impl Script<'_> {
    /// Asks unless it is answered, or something before it is not.
    fn ask(
        &mut self,
        key: &str,
        ask: &str,
        default: Option<&str>,
        form: Form,
        help: &'static str,
    ) -> Option<String> {
        if let Some(text) = self.answers.get(key) {
            return Some(text.to_owned());
        }
        if self.next.is_none() {
            let (key, ask, default) = (key.to_owned(), ask.to_owned(), default.map(str::to_owned));
            self.next = Some(Question { key, ask, default, help, form });
        }
        None
    }

    fn shop(&mut self) {
        self.ask(
            "shop.name",
            "Short name of the shop or hall",
            Some("shop"),
            Form::Text,
            "It stands on every message and every forwarded point: letters, digits, - and _, as in hall-2.",
        );
        self.ask(
            "shop.timezone",
            "Time zone",
            Some(&super::time_zone()),
            Form::Text,
            "The name of the nearest large city in the time zone list: Europe/Vienna, America/Chicago. \
             Messages and the log book go by it.",
        );
        self.ask(
            "shop.rules",
            "Whose rules for checks by hand: uk, de, us or none",
            Some("none"),
            Form::OneOf(&["uk", "de", "us", "none"]),
            "What agencies there ask for (daily look, weekly readings, dip slides, nitrite) becomes the \
             test plan, each check with its source. With none, nothing is asked for until you write a \
             [plan].",
        );
        self.ask(
            "shop.units",
            "Units of messages: metric (litres, mm, °C) or us (gallons, inches, °F, gpg)",
            Some(if self.answers.get("shop.rules") == Some("us") { "us" } else { "metric" }),
            Form::OneOf(&["metric", "us"]),
            "Your answers here may be in any unit; this is for what is sent. On the page everybody chooses.",
        );
    }

    fn wires(&mut self) {
        let scanned = !self.scanned.devices.is_empty();
        let ways = self.ask(
            "from.ways",
            if scanned {
                "Where the probes are read: scan (devices of the scan), serial, network, mqtt; or several"
            } else {
                "Where the probes are read: serial (RS-485 line), network (Modbus TCP), mqtt; or several"
            },
            Some(if scanned { "scan" } else { "serial" }),
            Form::SomeOf(if scanned { WAYS_SCANNED } else { WAYS }),
            "serial: transmitters on a two-wire line at this box. network: transmitters or gateways with an \
             address of their own. mqtt: something publishes the readings to a broker. `sumpwarden scan` \
             finds what is on a line or in a range of addresses.",
        );
        let Some(ways) = ways else { return };
        if has(&ways, "serial") {
            self.serial();
        }
        if has(&ways, "mqtt") {
            self.mqtt();
        }
    }

    fn serial(&mut self) {
        self.ask(
            "line.port",
            "Serial port of the line",
            Some(&super::first_port()),
            Form::Text,
            "The path under /dev/serial/by-id stays the same when the adapter is plugged in elsewhere; `ls \
             /dev/serial/by-id` lists what is there.",
        );
        self.ask(
            "line.baud",
            "Rate of the line, bits per second",
            Some("19200"),
            Form::Number,
            "As set on the transmitters, all of them alike; 9600 and 19200 are common.",
        );
        self.ask(
            "line.parity",
            "Parity of the line: even, odd or none",
            Some("even"),
            Form::OneOf(&["even", "odd", "none"]),
            "As set on the transmitters. Even is what the standard asks for.",
        );
    }

    fn mqtt(&mut self) {
        self.ask(
            "mqtt.address",
            "Address and port of the MQTT broker",
            Some("127.0.0.1:1883"),
            Form::Text,
            "As in broker.example:1883; with TLS usually 8883.",
        );
        self.ask(
            "mqtt.tls",
            "Does the broker speak TLS: yes or no",
            Some("no"),
            Form::OneOf(&["yes", "no"]),
            "With TLS readings and password are encrypted on the way. A broker on this machine needs none.",
        );
        self.ask(
            "mqtt.user",
            "User name at the broker",
            Some(NONE),
            Form::Text,
            "none where everybody may listen. The password goes into a file that only this box reads, never \
             into the configuration.",
        );
    }

    fn liquids(&mut self) {
        self.ask(
            "water.hardness",
            "Hardness of the make-up water, with its unit (°dH, gpg, mg/L, °fH)",
            None,
            Form::Hardness,
            "From the waterworks' sheet or a test strip: 13.4 °dH, 14 gpg or 240 mg/L as CaCO3. Soft or \
             demineralised water: 0 mg/L.",
        );
        self.ask(
            "water.conductivity",
            "Conductivity of the make-up water at 25 °C",
            Some(NONE),
            Form::Measure,
            "560 uS/cm or 0.56 mS/cm, from the waterworks' sheet or a hand meter; none if you do not know.",
        );
        self.ask(
            "fluid.name",
            "Short name of the coolant",
            Some("coolant"),
            Form::Text,
            "A name of your own, as in semi-synthetic: letters, digits, - and _.",
        );
        self.ask(
            "fluid.factor",
            "Refractometer factor of the coolant",
            None,
            Form::Number,
            "On the product's sheet: per cent = Brix × factor. Often between 1 and 2.5.",
        );
        self.ask(
            "fluid.target",
            "Concentration to be held, per cent",
            None,
            Form::Number,
            "On the product's sheet for your material and machining, often 5 to 10.",
        );
        self.ask(
            "fluid.jar",
            "Jar test: per cent and conductivity in uS/cm, pairs with ; between them",
            Some(NONE),
            Form::Pairs,
            "Four or five mixes in your own water, measured at 25 °C: 0 560; 3 1010; 5 1290; 8 1690; 12 \
             2190. With none a typical curve stands in, marked as a guess; concentrations are then less \
             sure until readings by hand come in.",
        );
    }

    fn sumps(&mut self) {
        for number in 1.. {
            let name = self.sump_name(number);
            let Some(name) = name.filter(|name| name != LAST) else { return };
            let mut whole = number == 1;
            if number > 1 {
                let ask =
                    format!("Its {}; or `{NEW}` if it is not like the last one", self.where_words(number));
                let key = format!("sump.{number}.where");
                let default = self.next_device(number);
                let answer = self.ask(&key, &ask, default.as_deref(), Form::Text, WHERE_HELP);
                whole = answer.as_deref() == Some(NEW);
            }
            if whole {
                self.sump(number, &name);
            }
            if self.next.is_some() {
                return;
            }
        }
    }

    fn sump_name(&mut self, number: usize) -> Option<String> {
        let key = format!("sump.{number}.name");
        let help = "The name on its messages and curves: letters, digits, - and _, as in lathe-3.";
        if number == 1 {
            self.ask(&key, "Short name of the first sump", None, Form::Text, help)
        } else {
            self.ask(
                &key,
                "Short name of the next sump, or - when that was the last",
                Some(LAST),
                Form::Text,
                help,
            )
        }
    }

    /// The next device of the scan, or the unit id after that of the sump before.
    fn next_device(&self, number: usize) -> Option<String> {
        match way(self.answers, number) {
            "scan" => self.scanned.unused(self.answers),
            "serial" => {
                let before = |rest: &str| self.answers.get(&format!("sump.{}.{rest}", number - 1));
                let unit = before("where").filter(|text| *text != NEW).or_else(|| before("device"))?;
                unit.parse::<u8>().ok()?.checked_add(1).map(|unit| unit.to_string())
            }
            _ => None,
        }
    }

    /// What says where the readings of a sump come from, in words.
    fn where_words(&self, number: usize) -> &'static str {
        match way(self.answers, number) {
            "network" => "transmitter's address and unit id (192.0.2.10 or 192.0.2.10:502/1)",
            "mqtt" => "base topic (hall2/lathe3)",
            "scan" => "device of the scan",
            _ => "transmitter's unit id on the line",
        }
    }

    fn sump(&mut self, number: usize, name: &str) {
        let key = |rest: &str| format!("sump.{number}.{rest}");
        self.ask(
            &key("title"),
            "What people call it",
            Some(name),
            Form::Text,
            "Any words, as in Lathe 3, bay B.",
        );
        let ways = self.answers.get("from.ways").unwrap_or_default().to_owned();
        if ways.contains(',') {
            let ask = format!("How it is read: {ways}");
            let form = Form::OneOf(WAYS_SCANNED);
            self.ask(&key("by"), &ask, ways.split(',').next(), form, "One of the ways you named before.");
        }
        let ask = format!("Its {}", self.where_words(number));
        let default = match way(self.answers, number) {
            "serial" => Some("1".to_owned()),
            "scan" => self.scanned.unused(self.answers),
            _ => None,
        };
        let device = self.ask(&key("device"), &ask, default.as_deref(), Form::Text, WHERE_HELP);
        self.tank(number);
        self.ask(
            &key("fill_mark"),
            "Height of the fill mark above the lowest point of the floor",
            None,
            Form::Measure,
            "Where the sump counts as full while the machine stands: 310 mm or 12.2 in, measured with a \
             folding rule from the floor.",
        );
        self.ask(
            &key("pump_minimum"),
            "Height under which the pump draws air",
            Some(NONE),
            Form::Measure,
            "As in 120 mm or 4 in, from the machine's manual or the upper edge of the pump's inlet; none if \
             you do not know.",
        );
        self.ask(
            &key("holdup"),
            "Hold-up: what runs back when the pumps stop, litres or gallons, or two marks",
            Some(NONE),
            Form::Text,
            "With all pumps running, mark the level. Stop them, wait until nothing runs back any more, mark \
             it again. Write both heights, lower one first, as in 290 mm; 312 mm: the litres between them \
             are worked out from the tank. Or write litres, as in 35 L. Without it, top-ups may overflow \
             when the machine is switched off.",
        );
        self.probes(number, device.as_deref());
    }

    fn tank(&mut self, number: usize) {
        let key = |rest: &str| format!("sump.{number}.{rest}");
        let shape = self.ask(
            &key("shape"),
            "Shape of the tank: box, sloped-floor, lying-cylinder or strapping (litres by height)",
            Some("box"),
            Form::OneOf(&["box", "sloped-floor", "lying-cylinder", "strapping"]),
            "Inner measures. A tank of several boxes or with ribs is best filled by the bucket: strapping \
             takes pairs of height and litres.",
        );
        const INSIDE: &str = "Inner measure, as in 1200 mm or 47 in.";
        let measures: &[(&str, &str)] = match shape.as_deref() {
            None => return,
            Some("strapping") => {
                let ask = "Height in mm and litres, pairs with ; between them";
                let help = "Pour in known amounts and mark the height each time: 0 0; 100 84; 400 336. Both \
                    rise, the last one is the brim.";
                self.ask(&key("table"), ask, None, Form::Pairs, help);
                return;
            }
            Some("lying-cylinder") => {
                &[("diameter", "Inner diameter"), ("length", "Length of the straight part")]
            }
            Some("sloped-floor") => &[
                ("length", "Length"),
                ("width", "Width"),
                ("height", "Height to the brim"),
                ("drop", "By how much the floor rises over the length"),
            ],
            Some(_) => &[("length", "Length"), ("width", "Width"), ("height", "Height to the brim")],
        };
        for (rest, ask) in measures {
            self.ask(&key(rest), ask, None, Form::Measure, INSIDE);
        }
        if shape.as_deref() == Some("lying-cylinder") {
            self.ask(
                &key("heads"),
                "Ends of the cylinder: flat, torispherical or ellipsoidal",
                Some("flat"),
                Form::OneOf(&["flat", "torispherical", "ellipsoidal"]),
                "Torispherical ends are the common dished ones.",
            );
        }
    }

    fn probes(&mut self, number: usize, device: Option<&str>) {
        let key = |rest: &str| format!("sump.{number}.{rest}");
        let probes = self.ask(
            &key("probes"),
            "Probes in it: ph, conductivity, level, temperature, pump_running, flow_total",
            Some("ph, conductivity, level, temperature"),
            Form::SomeOf(QUANTITIES),
            "Level and conductivity are what concentration is worked out from. pump_running is a contact \
             that closes while the pump runs, flow_total a meter on the make-up line.",
        );
        let Some(probes) = probes else { return };
        let by = way(self.answers, number).to_owned();
        for (place, quantity) in probes.split(", ").enumerate() {
            let (ask, default, help) = if by == "mqtt" {
                (
                    format!(
                        "Topic of {quantity} under the base topic, and where in a JSON message, and unit"
                    ),
                    quantity.to_owned(),
                    TOPIC_HELP,
                )
            } else {
                let found = device.and_then(|device| self.scanned.best(device, quantity));
                (
                    format!("Register of {quantity}: address, kind, factor, unit"),
                    found.unwrap_or_else(|| register(place, quantity)),
                    REGISTER_HELP,
                )
            };
            self.ask(&key(&format!("probe_{quantity}")), &ask, Some(&default), Form::Text, help);
        }
    }

    fn people(&mut self) {
        let how = self.ask(
            "tell.how",
            "Who is told of alarms, by: mail, chat (webhook), or none",
            Some("none"),
            Form::OneOf(&["mail", "chat", "none"]),
            "The page shows alarms anyway. A chat service gives an address for its incoming messages \
             (webhook).",
        );
        match how.as_deref() {
            Some("mail") => {
                const ADDRESS: &str = "As in lead@shop.example.";
                let server = "As in mail.example:587. Passwords go into a file of their own.";
                self.ask("tell.server", "Mail server and port", None, Form::Text, server);
                self.ask("tell.user", "User name at the mail server", Some(NONE), Form::Text, server);
                self.ask("tell.from", "Sender's address", None, Form::Text, ADDRESS);
                self.ask("tell.to", "Address of whoever is told", None, Form::Text, ADDRESS);
            }
            Some("chat") => {
                self.ask(
                    "tell.recipe",
                    "What the chat service wants: text-field, content-field, blocks or card-sections",
                    Some("text-field"),
                    Form::OneOf(&["text-field", "content-field", "blocks", "card-sections"]),
                    "The shape of its messages, from the service's page on incoming webhooks: a JSON object \
                     with `text`, with `content`, with `blocks`, or a card. Its address goes into a file of \
                     its own.",
                );
            }
            _ => {}
        }
    }
}

const WHERE_HELP: &str = "On a line: the unit id set on the transmitter, 1 to 247. On the network: \
    192.0.2.10, with port and unit id as 192.0.2.10:502/3. By MQTT: what the topics of this sump begin \
    with, as in hall2/lathe3. From a scan: the device's name there.";
const REGISTER_HELP: &str = "From the transmitter's manual: 30001 (or input:0, holding:0, 0-based), then \
    the kind (u16 i16 u32 i32 f32), for 32 bits the order (ABCD CDAB BADC DCBA), a factor as x0.01, and the \
    unit of the result: 30003 f32 CDAB mS/cm.";
const TOPIC_HELP: &str = "As in ph for hall2/lathe3/ph. Where the message is JSON, add where the number \
    stands in it, as in status /coolant/ph; and its unit, as in mS/cm.";

/// Whether a list of words has this one.
pub(super) fn has(list: &str, word: &str) -> bool {
    list.split(", ").any(|part| part == word)
}

/// The last sump up to this one that was described in full.
pub(super) fn model(answers: &Answers, number: usize) -> usize {
    (2..=number).rev().find(|n| answers.get(&format!("sump.{n}.where")) == Some(NEW)).unwrap_or(1)
}

/// How a sump is read: its own answer, that of the one it is like, or the only way there is.
pub(super) fn way(answers: &Answers, number: usize) -> &str {
    let of = answers.get(&format!("sump.{}.by", model(answers, number)));
    of.unwrap_or_else(|| answers.get("from.ways").unwrap_or("serial").split(", ").next().unwrap_or("serial"))
}

fn register(place: usize, quantity: &str) -> String {
    let input = 30_001 + place;
    match quantity {
        "ph" => format!("{input} i16 x0.01"),
        "conductivity" => format!("{input} u16 uS/cm"),
        "level" => format!("{input} u16 mm"),
        "temperature" => format!("{input} i16 x0.1"),
        "pump_running" => "10001".to_owned(),
        _ => format!("{input} u16"),
    }
}
