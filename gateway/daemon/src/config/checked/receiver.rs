//! Receivers of messages, and the outside watcher.

use std::collections::BTreeSet;
use std::time::Duration;

use jiff::civil::{Time, Weekday};
use sumpwarden_core::acquire::settings::{BrokerSettings, Secret};
use sumpwarden_core::alarm::wording::{Reader, Units};
use sumpwarden_core::model::Name;
use sumpwarden_core::notify::ReceiverSettings;
use sumpwarden_core::notify::quiet::{QuietHours, weekdays};
use sumpwarden_core::notify::settings::{
    Escalation, MailSecurity, MailSettings, MqttSettings, Way, WebhookSettings,
};

use super::super::file::{
    Escalate, MailSecurityWord, MailTable, MqttTable, PriorityWord, Quiet, Receiver, Shop, Switch, UnitsWord,
    WebhookTable,
};
use super::bus::split_address;
use super::gateway::{SiteSettings, timezone};
use super::notes::{At, Notes, name};
use super::probe::priority;
use super::secret::{SecretKeys, secret};
use crate::edge::notify::template::{RECIPES, TEMPLATE_BYTES_MAX, Template};
use crate::edge::notify::{HeartbeatSettings, check_url};

const SECOND: Duration = Duration::from_secs(1);
const HOUR: Duration = Duration::from_hours(1);
const DAY: Duration = Duration::from_hours(24);

pub(super) fn receivers(
    notes: &mut Notes<'_>,
    shop: &Shop,
    site: Option<&SiteSettings>,
    brokers: &[(String, BrokerSettings)],
) -> Vec<ReceiverSettings> {
    let all: Vec<ReceiverSettings> = (shop.receiver.iter())
        .filter_map(|(key, table)| receiver(notes, key, table, shop, site?, brokers))
        .collect();
    if let Some(least) = all.iter().map(|one| one.step).min().filter(|least| *least > 0) {
        let what = format!("nobody is told at once: the lowest step is {least}");
        notes.wrong(&At::root().key("receiver"), what, "give one receiver step = 0, or leave its step away");
    }
    all
}

fn receiver(
    notes: &mut Notes<'_>,
    key: &str,
    table: &Receiver,
    shop: &Shop,
    site: &SiteSettings,
    brokers: &[(String, BrokerSettings)],
) -> Option<ReceiverSettings> {
    let at = At::root().key("receiver").key(key);
    let way = way(notes, &at, key, table, shop, brokers);
    let zone = match table.timezone.as_deref() {
        None => Some(site.timezone.clone()),
        text => timezone(notes, &at.key("timezone"), text),
    };
    let units = match table.units.unwrap_or(UnitsWord::Metric) {
        UnitsWord::Metric => Units::Metric,
        UnitsWord::Us => Units::Us,
    };
    let quiet = table.quiet.as_ref().map(|quiet| quiet_hours(notes, &at.key("quiet"), quiet));
    let sumps = table.sumps.as_ref().map(|sumps| chosen(notes, &at.key("sumps"), sumps, shop));
    let test_daily = table.test_daily.as_deref().map(|text| time_of_day(notes, &at.key("test_daily"), text));
    let step = table.step.unwrap_or(0);
    if step > 9 {
        notes.wrong(&at.key("step"), format!("`step` is {step}"), "it lies from 0 to 9");
    }
    let escalation = escalation(notes, &at, table.escalate.as_ref());
    let default = ReceiverSettings::new(name(key), way?);
    for (key, written, value) in [
        ("gateway", table.gateway.is_some(), default.gateway),
        ("returns", table.returns.is_some(), default.returns),
        ("acknowledgements", table.acknowledgements.is_some(), default.acknowledgements),
        ("pager", table.pager.is_some(), default.pager),
    ] {
        notes.default(&at, key, written, value);
    }
    notes.default(&at, "step", table.step.is_some(), step);
    notes.default(&at, "least", table.least.is_some(), format_args!("\"{}\"", default.least.word()));
    notes.default(&at, "units", table.units.is_some(), "\"metric\"");
    let (short, long) = ((Duration::ZERO, HOUR), (HOUR, 365 * DAY));
    Some(ReceiverSettings {
        least: table.least.map_or(default.least, priority),
        sumps,
        gateway: table.gateway.unwrap_or(default.gateway),
        reader: Reader { units, zone: zone? },
        quiet: match quiet {
            Some(quiet) => Some(quiet?),
            None => None,
        },
        gather_for: notes.time(&at, "gather_for", table.gather_for, default.gather_for, short),
        rate: notes.time(&at, "rate", table.rate, default.rate, short),
        step,
        escalation,
        returns: table.returns.unwrap_or(default.returns),
        acknowledgements: table.acknowledgements.unwrap_or(default.acknowledgements),
        pager: table.pager.unwrap_or(default.pager),
        expire_after: notes.time(&at, "expire_after", table.expire_after, default.expire_after, long),
        test_daily: match test_daily {
            Some(time) => Some(time?),
            None => None,
        },
        ..default
    })
}

/// Exactly one way.
fn way(
    notes: &mut Notes<'_>,
    at: &At,
    key: &str,
    table: &Receiver,
    shop: &Shop,
    brokers: &[(String, BrokerSettings)],
) -> Option<Way> {
    let given: Vec<&str> = [
        ("webhook", table.webhook.is_some()),
        ("mail", table.mail.is_some()),
        ("mqtt", table.mqtt.is_some()),
    ]
    .into_iter()
    .filter_map(|(way, given)| given.then_some(way))
    .collect();
    if let [first, second, ..] = given[..] {
        let what = format!("receiver \"{key}\" is reached in more than one way");
        let cure = "make a receiver of each, with a name of its own";
        notes.clash(&at.key(second), what, cure, (&at.key(first), "also in this one"));
        return None;
    }
    if let Some(table) = &table.webhook {
        return webhook(notes, &at.key("webhook"), table).map(Way::Webhook);
    }
    if let Some(table) = &table.mail {
        return mail(notes, &at.key("mail"), table).map(Way::Mail);
    }
    if let Some(table) = &table.mqtt {
        return mqtt(notes, &at.key("mqtt"), key, table, shop, brokers).map(Way::Mqtt);
    }
    if !notes.doubtful(at) {
        let cure =
            format!("add a table [receiver.{key}.webhook], [receiver.{key}.mail] or [receiver.{key}.mqtt]");
        notes.wrong(at, format!("receiver \"{key}\" has no way to be reached"), cure);
    }
    None
}

fn webhook(notes: &mut Notes<'_>, at: &At, table: &WebhookTable) -> Option<WebhookSettings> {
    let url = address(notes, at, table.url.as_deref(), table.url_file.as_deref());
    let mut headers: Vec<(String, Secret)> = Vec::new();
    for (header, text) in &table.headers {
        let lower = header.to_ascii_lowercase();
        if ["auth", "cookie", "key", "token", "secret"].iter().any(|word| lower.contains(word)) {
            let what = format!("header `{header}` looks like a secret and stands in the file");
            let cure =
                format!("name a file of mode 0600 that holds it: header_files = {{ {header} = \"…\" }}");
            notes.wrong(&at.key("headers").key(header), what, cure);
        } else if checked_header(notes, &at.key("headers").key(header), header, text) {
            headers.push((header.clone(), Secret::new(text.clone())));
        }
    }
    for (header, path) in &table.header_files {
        let files = at.key("header_files");
        let at = files.key(header);
        let text = file_secret(notes, &at, path)?;
        if checked_header(notes, &at, header, text.reveal()) {
            headers.push((header.clone(), text));
        }
    }
    let keys = SecretKeys { file: "signing_key_file", direct: "signing_key" };
    let signing_key = secret(notes, at, keys, table.signing_key_file.as_deref(), None);
    let ca_file = table.ca_file.as_deref().map(|path| notes.pem_file(&at.key("ca_file"), path));
    Some(WebhookSettings {
        url: url?,
        headers,
        signing_key,
        template: template(notes, at, table),
        ca_file,
        private_network: table.private_network.unwrap_or(false),
    })
}

/// An address that stands in the file, or in a file of its own where it is a secret.
fn address(notes: &mut Notes<'_>, at: &At, url: Option<&str>, url_file: Option<&str>) -> Option<Secret> {
    let (key, url) = match (url, url_file) {
        (Some(_), Some(_)) => {
            let cure = "keep one of them";
            notes.clash(
                &at.key("url"),
                "both `url` and `url_file` are set",
                cure,
                (&at.key("url_file"), "also here"),
            );
            return None;
        }
        (None, Some(path)) => ("url_file", file_secret(notes, &at.key("url_file"), path)?),
        (url, None) => {
            let example = "\"https://chat.example/hook\"; where it is a secret, url_file = \"chat.url\"";
            ("url", Secret::new(notes.require(at, "url", url, example)?.to_owned()))
        }
    };
    // What is wrong is said without the address itself, which may be a secret.
    match check_url(url.reveal()) {
        Ok(_) => Some(url),
        Err(why) => {
            let cure = "write it as in \"https://chat.example/hook\"";
            notes.wrong(&at.key(key), format!("the address in `{key}` cannot be used: {why}"), cure);
            None
        }
    }
}

/// A secret in a file that one key of a table names.
fn file_secret(notes: &mut Notes<'_>, at: &At, path: &str) -> Option<Secret> {
    let mut table = at.clone();
    let key = table.0.pop()?;
    super::secret::file(notes, &table, &key, path)
}

fn checked_header(notes: &mut Notes<'_>, at: &At, header: &str, text: &str) -> bool {
    /// What the client itself writes.
    const OURS: [&str; 6] =
        ["host", "content-length", "content-type", "transfer-encoding", "connection", "user-agent"];
    let lower = header.to_ascii_lowercase();
    if OURS.contains(&lower.as_str()) || lower.starts_with("sumpwarden-") {
        notes.wrong(at, format!("header `{header}` is written by the gateway itself"), "leave it away");
        return false;
    }
    if text.is_empty() || !text.chars().all(|c| (' '..='~').contains(&c)) {
        let cure = "write plain letters, digits and signs on one line";
        notes.wrong(at, format!("the value of header `{header}` cannot be sent"), cure);
        return false;
    }
    true
}

fn template(notes: &mut Notes<'_>, at: &At, table: &WebhookTable) -> Option<String> {
    let names: Vec<&str> = RECIPES.iter().map(|(name, _)| *name).collect();
    match (table.recipe.as_deref(), table.template_file.as_deref()) {
        (None, None) => None,
        (Some(_), Some(_)) => {
            let what = "both `recipe` and `template_file` are set";
            notes.clash(&at.key("recipe"), what, "keep one of them", (&at.key("template_file"), "also here"));
            None
        }
        (Some(recipe), None) => {
            let found = RECIPES.iter().find(|(name, _)| *name == recipe);
            if found.is_none() {
                let cure = format!("write one of {}, or name a template_file", names.join(", "));
                notes.wrong(&at.key("recipe"), format!("there is no recipe \"{recipe}\""), cure);
            }
            found.map(|(_, text)| (*text).to_owned())
        }
        (None, Some(path)) => {
            let at = at.key("template_file");
            let text = match template_text(&notes.path(path)) {
                Ok(text) => text,
                Err(why) => {
                    let cure =
                        "name a text file that this user may read; the ready ones lie in deploy/recipes";
                    notes.wrong(&at, format!("the template {path} cannot be read: {why}"), cure);
                    return None;
                }
            };
            if let Err(why) = Template::new(&text) {
                let cure = "compare it with the ready ones in deploy/recipes";
                notes.wrong(&at, format!("the template {path} does not work: {why}"), cure);
            }
            Some(text)
        }
    }
}

fn template_text(path: &std::path::Path) -> Result<String, String> {
    use std::io::Read;
    let file = std::fs::File::open(path).map_err(|error| error.to_string())?;
    let mut text = String::new();
    file.take(TEMPLATE_BYTES_MAX + 1).read_to_string(&mut text).map_err(|error| error.to_string())?;
    if text.len() as u64 > TEMPLATE_BYTES_MAX {
        return Err("it is larger than 64 KiB".to_owned());
    }
    Ok(text)
}

fn mail(notes: &mut Notes<'_>, at: &At, table: &MailTable) -> Option<MailSettings> {
    notes.default(at, "security", table.security.is_some(), "\"starttls\"");
    let security = match table.security.unwrap_or(MailSecurityWord::Starttls) {
        MailSecurityWord::Tls => MailSecurity::Tls,
        MailSecurityWord::Starttls => MailSecurity::StartTls,
        MailSecurityWord::None => MailSecurity::None,
    };
    let server = notes.require(at, "server", table.server.as_deref(), "\"mail.example:587\"");
    let server = server.and_then(|text| match split_address(text) {
        Ok((host, port)) => Some((host.trim_matches(['[', ']']).to_owned(), port)),
        Err(what) => {
            let cure = "write host and port, as in \"mail.example:587\"";
            notes.wrong(&at.key("server"), format!("\"{text}\" {what}"), cure);
            None
        }
    });
    let keys = SecretKeys { file: "password_file", direct: "password" };
    let password = secret(notes, at, keys, table.password_file.as_deref(), table.password.as_deref());
    let given = table.password.is_some() || table.password_file.is_some();
    if table.user.is_some() && !given && !notes.doubtful(&at.key("password")) {
        notes.require(at, "password_file", None::<()>, "\"mail.password\", a file of mode 0600");
    }
    if table.user.is_none() && given {
        notes.require(at, "user", None::<()>, "\"sumpwarden\", whose password it is");
    }
    if given && security == MailSecurity::None {
        notes.warn(
            &at.key("security"),
            "the password goes over the wire for everybody to read",
            "use starttls or tls",
        );
    }
    let from = notes.require(at, "from", table.from.as_deref(), "\"sumps@shop.example\"");
    let from = from.and_then(|text| mail_address(notes, &at.key("from"), text));
    let to = notes.require(at, "to", table.to.as_deref(), "[\"setter@shop.example\"]").unwrap_or_default();
    if table.to.as_ref().is_some_and(|to| to.is_empty() || to.len() > 20) {
        notes.wrong(&at.key("to"), format!("`to` has {} addresses", to.len()), "write 1 to 20");
    }
    let addresses: Vec<String> = (to.iter().enumerate())
        .filter_map(|(i, text)| mail_address(notes, &at.key("to").item(i), text))
        .collect();
    let ca_file = table.ca_file.as_deref().map(|path| notes.pem_file(&at.key("ca_file"), path));
    let (host, port) = server?;
    let user = table.user.clone().zip(password);
    Some(MailSettings { host, port, security, user, from: from?, to: addresses, ca_file })
}

/// An address, or a name with one in angle brackets, on one line.
fn mail_address(notes: &mut Notes<'_>, at: &At, text: &str) -> Option<String> {
    let fits = text.parse::<lettre::message::Mailbox>().is_ok() && !text.chars().any(char::is_control);
    if !fits {
        let what = format!("\"{}\" is no mail address", super::super::reader::shortened(text));
        notes.wrong(at, what, "write it as in \"setter@shop.example\" or \"Setter <setter@shop.example>\"");
    }
    fits.then(|| text.to_owned())
}

fn mqtt(
    notes: &mut Notes<'_>,
    at: &At,
    key: &str,
    table: &MqttTable,
    shop: &Shop,
    brokers: &[(String, BrokerSettings)],
) -> Option<MqttSettings> {
    let broker = notes.require(at, "broker", table.broker.as_deref(), "\"shop\", the name of a broker");
    let names = shop.broker.keys().map(|name| (name.as_str(), name.as_str()));
    let broker = broker.and_then(|broker| notes.refer(&at.key("broker"), "broker", broker, names));
    let topic = notes.require(at, "topic", table.topic.as_deref(), "\"hall-2/sump-alarms\"");
    if let Some(topic) = topic
        && (topic.is_empty()
            || topic.len() > 1024
            || topic.contains(['#', '+'])
            || topic.chars().any(char::is_control))
    {
        let cure = "write 1 to 1024 characters without the wildcards # and +";
        notes.wrong(&at.key("topic"), "`topic` cannot be published to", cure);
    }
    let (_, broker) = brokers.iter().find(|(name, _)| Some(name.as_str()) == broker)?;
    // A client id of its own: two connections with one would kick each other.
    let client_id = format!("{}-{key}", broker.client_id);
    let broker = BrokerSettings { client_id, topics: Vec::new(), ..broker.clone() };
    Some(MqttSettings { broker, topic: topic?.to_owned() })
}

fn chosen(notes: &mut Notes<'_>, at: &At, sumps: &[String], shop: &Shop) -> BTreeSet<Name> {
    if sumps.is_empty() {
        notes.wrong(at, "`sumps` is empty", "name at least one, or leave it away for all of them");
    }
    let mut chosen = BTreeSet::new();
    for (i, sump) in sumps.iter().enumerate() {
        let names = shop.sump.keys().map(|name| (name.as_str(), name.as_str()));
        chosen.extend(notes.refer(&at.item(i), "sump", sump, names).map(name));
    }
    chosen
}

fn escalation(notes: &mut Notes<'_>, at: &At, table: Option<&Switch<Escalate>>) -> Escalation {
    const WITHIN: (Duration, Duration) = (Duration::from_mins(1), Duration::from_hours(24));
    let default = Escalation::default();
    match table {
        None | Some(Switch::Plain(true)) => default,
        Some(Switch::Plain(false)) => Escalation { high: None, medium: None, low: None },
        Some(Switch::Table(table)) => {
            let at = at.key("escalate");
            let mut time = |key, value: Option<_>, default: Option<Duration>| match value {
                None => default,
                value => Some(notes.time(&at, key, value, Duration::ZERO, WITHIN)),
            };
            Escalation {
                high: time("high", table.high, default.high),
                medium: time("medium", table.medium, default.medium),
                low: time("low", table.low, default.low),
            }
        }
    }
}

fn quiet_hours(notes: &mut Notes<'_>, at: &At, table: &Quiet) -> Option<QuietHours> {
    let from = notes.require(at, "from", table.from.as_deref(), "\"22:00\"");
    let to = notes.require(at, "to", table.to.as_deref(), "\"06:00\"");
    let from = from.and_then(|text| time_of_day(notes, &at.key("from"), text));
    let to = to.and_then(|text| time_of_day(notes, &at.key("to"), text));
    if from.is_some() && from == to {
        let cure = "let them end at another time; for no quiet hours leave the table away";
        notes.clash(
            &at.key("to"),
            "quiet hours begin and end at the same time",
            cure,
            (&at.key("from"), "here"),
        );
    }
    let mut days = Vec::new();
    for (i, word) in table.weekdays.iter().flatten().enumerate() {
        const WORDS: [(&str, Weekday); 7] = [
            ("mon", Weekday::Monday),
            ("tue", Weekday::Tuesday),
            ("wed", Weekday::Wednesday),
            ("thu", Weekday::Thursday),
            ("fri", Weekday::Friday),
            ("sat", Weekday::Saturday),
            ("sun", Weekday::Sunday),
        ];
        match WORDS.iter().find(|(one, _)| one == word) {
            Some((_, day)) => days.push(*day),
            None => {
                let cure = "write mon, tue, wed, thu, fri, sat or sun";
                notes.wrong(&at.key("weekdays").item(i), format!("\"{word}\" is no day"), cure);
            }
        }
    }
    notes.default(at, "through", table.through.is_some(), "\"high\"");
    let through = priority(table.through.unwrap_or(PriorityWord::High));
    Some(QuietHours { from: from?, to: to?, weekdays: weekdays(&days), through })
}

/// `HH:MM`.
fn time_of_day(notes: &mut Notes<'_>, at: &At, text: &str) -> Option<Time> {
    let time = text.split_once(':').and_then(|(hour, minute)| {
        let two = |text: &str| {
            (text.len() == 2 && text.bytes().all(|b| b.is_ascii_digit())).then(|| text.parse().ok()).flatten()
        };
        Time::new(two(hour)?, two(minute)?, 0, 0).ok()
    });
    if time.is_none() {
        let what = format!("\"{}\" is no time of day", super::super::reader::shortened(text));
        notes.wrong(at, what, "write hours and minutes, as in \"06:00\" or \"22:30\"");
    }
    time
}

pub(super) fn heartbeat(notes: &mut Notes<'_>, shop: &Shop) -> Option<HeartbeatSettings> {
    let at = At::root().key("heartbeat");
    let table = shop.heartbeat.as_ref()?;
    let url = address(notes, &at, table.url.as_deref(), table.url_file.as_deref());
    let every = notes.time(&at, "every", table.every, 60 * SECOND, (30 * SECOND, HOUR));
    let private_network = table.private_network.unwrap_or(false);
    Some(HeartbeatSettings { url: url?, every, private_network })
}

/// The address people reach the page at, for links: scheme and host.
pub(super) fn public_url(notes: &mut Notes<'_>, shop: &Shop) -> Option<String> {
    let text = shop.web.public_url.as_deref()?;
    let at = At::root().key("web").key("public_url");
    let wrong = match check_url(text) {
        Err(why) => Some(why),
        Ok(url) if url.path() != "/" || url.query().is_some() || url.fragment().is_some() => {
            Some("it has something behind the host".to_owned())
        }
        Ok(_) => None,
    };
    if let Some(why) = wrong {
        let cure = "write scheme and host, as in \"https://sumps.example\"";
        notes.wrong(&at, format!("`public_url` cannot be used for links: {why}"), cure);
        return None;
    }
    if text.starts_with("http://") {
        let cure = "put a server with TLS in front of it, and write https://";
        notes.warn(&at, "links in messages lead to a page without TLS", cure);
    }
    Some(text.trim_end_matches('/').to_owned())
}
