//! The gateway itself: site, store, page, databases to forward to.

use std::net::{IpAddr, SocketAddr};
use std::path::PathBuf;
use std::time::Duration;

use sumpwarden_core::acquire::settings::Secret;
use sumpwarden_core::engine::settings::Pace;
use sumpwarden_core::model::Name;
use sumpwarden_core::store::Origin;
use sumpwarden_core::store::settings::{ForwardSettings, StoreSettings};

use super::super::DATA_DIRECTORY;
use super::super::file::{self, Forward, Shop};
use super::super::nearest::did_you_mean;
use super::bus::is_this_machine;
use super::notes::{At, Notes, name};
use super::receiver::public_url;
use super::secret::{SecretKeys, secret};

/// Where the gateway stands.
#[derive(Clone, PartialEq, Debug)]
pub struct SiteSettings {
    /// Tag on everything that is forwarded.
    pub name: Name,
    /// Which of the boxes there it is; a tag as well.
    pub box_name: Name,
    /// What people read is written in it.
    pub timezone: jiff::tz::TimeZone,
    /// It is there once the clock is right; where none is named, the clock is judged by what is known.
    pub clock_set_file: Option<PathBuf>,
}

impl SiteSettings {
    /// What everything that leaves is marked with.
    pub fn origin(&self) -> Origin {
        Origin { site: self.name.clone(), box_name: self.box_name.clone() }
    }
}

/// The embedded store.
#[derive(Clone, PartialEq, Debug)]
pub struct StoreConfig {
    /// Its directory.
    pub directory: PathBuf,
    /// How much is kept, and how long.
    pub limits: StoreSettings,
}

/// The page and its interface.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct WebSettings {
    /// Where to listen.
    pub listen: SocketAddr,
    /// The key that lets a program hand in notes and orders about alarms; where none is given, the daemon makes one.
    pub note_key: Option<Secret>,
    /// Where people reach it, for links in messages.
    pub public_url: Option<String>,
    /// Where its certificate comes from.
    pub tls: PageTls,
    /// Whether looking takes a login.
    pub reads_need_login: bool,
    /// Server that stands before it, whose word on who asks is believed.
    pub proxy: Option<IpAddr>,
}

/// Where the page's certificate comes from.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum PageTls {
    /// Nowhere: no TLS.
    Off,
    /// The daemon makes it.
    Own,
    /// The shop has one.
    Files {
        /// Certificate and those that vouch for it, PEM.
        certificate: String,
        /// Its private key, PEM.
        key: Secret,
    },
}

/// Shortest key for notes: 128 bits in hexadecimal.
const NOTE_KEY_LEN_MIN: usize = 32;

const DAY: Duration = Duration::from_secs(86_400);
const SECOND: Duration = Duration::from_secs(1);

pub(super) fn site(notes: &mut Notes<'_>, shop: &Shop) -> Option<SiteSettings> {
    let at = At::root().key("site");
    let text = shop.site.name.as_deref();
    let text = if text.is_none() && shop.site == Default::default() && !notes.doubtful(&at) {
        notes.require(
            &At::root(),
            "site",
            None::<&str>,
            "{ name = \"hall-2\" }, or a table [site] with a name",
        )
    } else {
        notes.require(&at, "name", text, "\"hall-2\"")
    };
    let name = text.and_then(|text| match Name::new(text) {
        Ok(name) => Some(name),
        Err(error) => {
            notes.wrong(&at.key("name"), format!("\"{text}\" is no name of a site"), error.to_string());
            None
        }
    });
    notes.default(&at, "timezone", shop.site.timezone.is_some(), "\"UTC\"");
    let timezone = timezone(notes, &at.key("timezone"), shop.site.timezone.as_deref());
    let box_name = box_name(notes, &at.key("box"), shop.site.box_name.as_deref());
    let clock_set_file = shop.site.clock_set_file.as_deref();
    if clock_set_file.is_some_and(|file| file.is_empty() || file.contains('\0')) {
        let text = "`clock_set_file` names no file";
        notes.wrong(
            &at.key("clock_set_file"),
            text,
            "write a path, as in \"/run/systemd/timesync/synchronized\"",
        );
    }
    let clock_set_file = clock_set_file.map(|file| notes.path(file));
    Some(SiteSettings { name: name?, box_name: box_name?, timezone: timezone?, clock_set_file })
}

fn box_name(notes: &mut Notes<'_>, at: &At, text: Option<&str>) -> Option<Name> {
    let Some(text) = text else { return Some(crate::edge::host::own_name()) };
    Name::new(text)
        .map_err(|error| notes.wrong(at, format!("\"{text}\" is no name of a box"), error.to_string()))
        .ok()
}

pub(super) fn timezone(notes: &mut Notes<'_>, at: &At, text: Option<&str>) -> Option<jiff::tz::TimeZone> {
    let Some(text) = text else { return Some(jiff::tz::TimeZone::UTC) };
    match jiff::tz::TimeZone::get(text) {
        Ok(zone) => Some(zone),
        Err(_) => {
            let known: Vec<String> = jiff::tz::db().available().map(|zone| zone.to_string()).collect();
            let near = did_you_mean(text, known.iter().map(String::as_str));
            let cure = format!("{near}write an IANA name, as in \"Europe/Vienna\" or \"America/Chicago\"");
            notes.wrong(at, format!("there is no time zone \"{text}\""), cure);
            None
        }
    }
}

pub(super) fn store(notes: &mut Notes<'_>, shop: &Shop) -> StoreConfig {
    let at = At::root().key("store");
    let table = &shop.store;
    let default = StoreSettings::default();
    let bytes_max = table.keep_bytes_max.map_or(default.bytes_max, |size| size.0);
    if bytes_max < StoreSettings::BYTES_MIN {
        let cure = format!("packing needs room: write \"{} MiB\" or more", StoreSettings::BYTES_MIN >> 20);
        notes.wrong(&at.key("keep_bytes_max"), format!("`keep_bytes_max` is {bytes_max} bytes"), cure);
    }
    let mib = |bytes: u64| format!("\"{} MiB\"", bytes >> 20);
    notes.default(&at, "keep_bytes_max", table.keep_bytes_max.is_some(), mib(default.bytes_max));
    notes.default(&at, "free_bytes_min", table.free_bytes_min.is_some(), mib(default.free_min));
    let directory = table.directory.as_deref().unwrap_or(DATA_DIRECTORY);
    notes.default(&at, "directory", table.directory.is_some(), format_args!("\"{DATA_DIRECTORY}\""));
    if directory.is_empty() || directory.contains('\0') {
        notes.wrong(&at.key("directory"), "`directory` names no directory", "write a path, as in \"data\"");
    }
    let keep_raw = days(notes, &at, "keep_raw_days", table.keep_raw_days, default.keep_raw);
    let keep_journal = days(notes, &at, "keep_journal_days", table.keep_journal_days, default.keep_journal);
    if keep_journal < keep_raw {
        let what = "the journal would be deleted before the samples it speaks of";
        let cure = "make `keep_journal_days` at least as long as `keep_raw_days`";
        notes.clash(
            &at.key("keep_journal_days"),
            what,
            cure,
            (&at.key("keep_raw_days"), "samples kept longer"),
        );
    }
    let free_min = table.free_bytes_min.map_or(default.free_min, |size| size.0);
    let limits = StoreSettings { keep_raw, keep_journal, bytes_max, free_min, ..default };
    StoreConfig { directory: notes.path(directory), limits }
}

/// How many hours pass in the sumps in one of the clock.
pub(super) fn pace(notes: &mut Notes<'_>, shop: &Shop) -> Pace {
    let at = At::root().key("site").key("pace");
    let pace = shop.site.pace.unwrap_or(1.0);
    notes.default(&At::root().key("site"), "pace", shop.site.pace.is_some(), pace);
    Pace(notes.within(&at, pace, (1.0, 10_000.0), "").unwrap_or(1.0))
}

/// How often estimates are stored and written out.
pub(super) fn estimates_every(notes: &mut Notes<'_>, shop: &Shop) -> Duration {
    notes.time(
        &At::root().key("store"),
        "estimates_every",
        shop.store.estimates_every,
        60 * SECOND,
        (SECOND, DAY),
    )
}

fn days(notes: &mut Notes<'_>, at: &At, key: &str, days: Option<u32>, default: Duration) -> Duration {
    notes.default(at, key, days.is_some(), default.as_secs() / DAY.as_secs());
    match days {
        None => default,
        Some(days @ 1..=36_500) => DAY * days,
        Some(days) => {
            notes.wrong(&at.key(key), format!("`{key}` is {days}"), "it lies from 1 to 36500 days");
            default
        }
    }
}

pub(super) fn web(notes: &mut Notes<'_>, shop: &Shop) -> Option<WebSettings> {
    let table = At::root().key("web");
    let at = table.key("listen");
    let text = shop.web.listen.as_deref().unwrap_or("127.0.0.1:8480");
    notes.default(&table, "listen", shop.web.listen.is_some(), format_args!("\"{text}\""));
    notes.default(&table, "reads", shop.web.reads.is_some(), "\"open\"");
    let Ok(listen) = text.parse::<SocketAddr>() else {
        let cure = "write an IP address and a port, as in \"127.0.0.1:8480\", or \"0.0.0.0:8480\" for the whole network";
        notes.wrong(&at, format!("\"{text}\" is no address to listen on"), cure);
        return None;
    };
    let tls = tls(notes, &table, shop);
    if !listen.ip().is_loopback() && tls == Some(PageTls::Off) {
        let cure = "write tls = \"own\" under [web], or put a server with TLS in front of it; until then nobody can log in from \
                    another machine";
        notes.warn(
            &at,
            format!("the page at {listen} can be reached from other machines, without TLS"),
            cure,
        );
    }
    let keys = SecretKeys { file: "note_key_file", direct: "note_key" };
    let note_key = secret(notes, &table, keys, shop.web.note_key_file.as_deref(), None);
    let note_key = note_key.filter(|key| {
        let long = key.reveal().len() >= NOTE_KEY_LEN_MIN;
        if !long {
            let what = format!("the key for notes has fewer than {NOTE_KEY_LEN_MIN} characters");
            notes.wrong(&table.key(keys.file), what, "let a generator make it: openssl rand -hex 32");
        }
        long
    });
    let reads_need_login = shop.web.reads == Some(file::Reads::Login);
    let public_url = public_url(notes, shop);
    Some(WebSettings {
        listen,
        note_key,
        public_url,
        tls: tls?,
        reads_need_login,
        proxy: proxy(notes, &table, shop)?,
    })
}

fn tls(notes: &mut Notes<'_>, table: &At, shop: &Shop) -> Option<PageTls> {
    let web = &shop.web;
    let mut file = |key: &str, text: &Option<String>| {
        let text = text.as_deref()?;
        Some(notes.pem_file(&table.key(key), text))
    };
    let (certificate, key) =
        (file("certificate_file", &web.certificate_file), file("key_file", &web.key_file));
    if web.tls.is_some() && (certificate.is_some() || key.is_some()) {
        let cure = "leave `tls` out where there are files, or the files where `tls` is written";
        notes.wrong(&table.key("tls"), "`tls` and the files of a certificate exclude each other", cure);
        return None;
    }
    match (certificate, key) {
        (None, None) if web.tls == Some(file::PageTls::Own) => Some(PageTls::Own),
        (None, None) => {
            notes.default(table, "tls", web.tls.is_some(), "\"off\"");
            Some(PageTls::Off)
        }
        (Some(certificate), Some(key)) => Some(PageTls::Files { certificate, key: Secret::new(key) }),
        (certificate, _) => {
            let missing = if certificate.is_some() { "key_file" } else { "certificate_file" };
            notes.require(table, missing, None::<()>, "\"page.pem\": certificate and key belong together");
            None
        }
    }
}

fn proxy(notes: &mut Notes<'_>, table: &At, shop: &Shop) -> Option<Option<IpAddr>> {
    let Some(text) = shop.web.proxy.as_deref() else { return Some(None) };
    let found = text.parse::<IpAddr>().ok();
    if found.is_none() {
        let cure = "write the IP address it asks from, as in \"127.0.0.1\"";
        notes.wrong(&table.key("proxy"), format!("\"{text}\" is no address of a server"), cure);
    }
    found.map(Some)
}

pub(super) fn forwards(
    notes: &mut Notes<'_>,
    shop: &Shop,
    site: Option<&SiteSettings>,
) -> Vec<ForwardSettings> {
    let mut all: Vec<ForwardSettings> = Vec::new();
    for (key, table) in &shop.forward {
        let Some(forward) = forward(notes, key, table, site) else { continue };
        let target = |one: &ForwardSettings| (one.url.clone(), one.organisation.clone(), one.bucket.clone());
        if let Some(first) = all.iter().find(|other| target(other) == target(&forward)) {
            let table = At::root().key("forward");
            let what = "two tables forward every point to the same bucket";
            let first = table.key(first.name.as_str());
            notes.clash(&table.key(key), what, "delete one of them", (&first, "the other one"));
        }
        all.push(forward);
    }
    all
}

fn forward(
    notes: &mut Notes<'_>,
    key: &str,
    table: &Forward,
    site: Option<&SiteSettings>,
) -> Option<ForwardSettings> {
    let at = At::root().key("forward").key(key);
    let url = notes.require(&at, "url", table.url.as_deref(), "\"http://127.0.0.1:8086\"");
    let url = url.and_then(|text| base_url(notes, &at.key("url"), text));
    let organisation = notes.require(&at, "organisation", table.organisation.clone(), "\"shop\"");
    let bucket = notes.require(&at, "bucket", table.bucket.clone(), "\"coolant\"");
    let keys = SecretKeys { file: "token_file", direct: "token" };
    let token = secret(notes, &at, keys, table.token_file.as_deref(), table.token.as_deref());
    if token.is_some()
        && let Some(host) = url.as_deref().and_then(|url| url.strip_prefix("http://"))
        && !is_this_machine(host.rsplit_once(':').map_or(host, |(host, _)| host))
    {
        notes.warn(&at.key("url"), "the token goes over the wire for everybody to read", "write https://");
    }
    Some(ForwardSettings {
        name: name(key),
        url: url?,
        organisation: organisation?,
        bucket: bucket?,
        // A database without authentication ignores the token; a token with a mistake refuses the whole file anyway.
        token: token.unwrap_or_else(|| Secret::new(String::new())),
        origin: site?.origin(),
    })
}

/// `http://host:port` or `https://host:port`, nothing behind it.
fn base_url(notes: &mut Notes<'_>, at: &At, text: &str) -> Option<String> {
    const EXAMPLE: &str = "write it as in \"http://127.0.0.1:8086\" or \"https://tsdb.example\"";
    let trimmed = text.strip_suffix('/').unwrap_or(text);
    let host = trimmed.strip_prefix("http://").or_else(|| trimmed.strip_prefix("https://"));
    let Some(host) = host else {
        notes.wrong(at, "`url` does not start with http:// or https://", EXAMPLE);
        return None;
    };
    if host.contains('@') {
        let cure = "name a file that holds the secret: token_file = \"tsdb.token\"";
        notes.wrong(at, "`url` holds a user name or password", cure);
        return None;
    }
    let plain = |c: char| c.is_ascii_alphanumeric() || matches!(c, '.' | '-' | ':' | '[' | ']');
    if host.is_empty() || !host.chars().all(plain) {
        notes.wrong(at, format!("\"{text}\" is no base address: {EXAMPLE}"), "leave away path and query");
        return None;
    }
    Some(trimmed.to_owned())
}
