//! Receivers of messages, and the outside watcher.

use schemars::JsonSchema;
use serde::Deserialize;

use super::{Lasting, Named, PriorityWord, Switch, kept};

/// Somebody who is told of alarms, by one of `webhook`, `mail` and `mqtt`.
#[derive(Clone, PartialEq, Default, Debug, Deserialize, JsonSchema)]
pub struct Receiver {
    /// HTTP POST.
    pub webhook: Option<WebhookTable>,
    /// E-mail.
    pub mail: Option<MailTable>,
    /// MQTT publish.
    pub mqtt: Option<MqttTable>,
    /// Least priority it hears of. Default low.
    pub least: Option<PriorityWord>,
    /// Names of the sumps it hears of. Default all.
    pub sumps: Option<Vec<String>>,
    /// Whether it hears of faults of the gateway. Default true.
    pub gateway: Option<bool>,
    /// Units of its texts. Default metric.
    pub units: Option<UnitsWord>,
    /// IANA name of its time zone. Default the site's.
    pub timezone: Option<String>,
    /// When only what is urgent gets through.
    pub quiet: Option<Quiet>,
    /// How long a message waits for company. From 0 ms to 1 h. Default 10 s.
    pub gather_for: Option<Lasting>,
    /// Least time between two messages. From 0 ms to 1 h. Default 10 s.
    pub rate: Option<Lasting>,
    /// 0 is told at once, 1 and more only when nobody has acknowledged. From 0 to 9. Default 0.
    pub step: Option<u8>,
    /// After what time without an acknowledgement; `escalate = false` for never.
    pub escalate: Option<Switch<Escalate>>,
    /// Whether it is told that an alarm is over. Default true.
    pub returns: Option<bool>,
    /// Whether it is told that somebody has acknowledged. Default true.
    pub acknowledgements: Option<bool>,
    /// Whether texts are cut to 160 characters. Default false.
    pub pager: Option<bool>,
    /// What is older is no longer sent. From 1 h to 365 d. Default 7 d.
    pub expire_after: Option<Lasting>,
    /// Time of day of a daily test message: "06:00".
    pub test_daily: Option<String>,
}

/// HTTP POST to one address.
#[derive(Clone, PartialEq, Default, Debug, Deserialize, JsonSchema)]
pub struct WebhookTable {
    /// Address.
    pub url: Option<String>,
    /// File with the address, where that is a secret.
    pub url_file: Option<String>,
    /// Headers with their values.
    #[serde(default)]
    pub headers: Named<String>,
    /// Headers with files that hold their values.
    #[serde(default)]
    pub header_files: Named<String>,
    /// File with the key that messages are signed by.
    pub signing_key_file: Option<String>,
    /// Name of a ready recipe for the body.
    #[schemars(schema_with = "kept::recipes")]
    pub recipe: Option<String>,
    /// File with a template for the body.
    pub template_file: Option<String>,
    /// Certificate authorities to trust beside the well-known ones (PEM).
    pub ca_file: Option<String>,
    /// Whether its name may lead to a private address. Default false.
    pub private_network: Option<bool>,
}

/// E-mail by one server.
#[derive(Clone, PartialEq, Default, Debug, Deserialize, JsonSchema)]
pub struct MailTable {
    /// `host:port`.
    pub server: Option<String>,
    /// How the connection is protected. Default starttls.
    pub security: Option<MailSecurityWord>,
    /// User name.
    pub user: Option<String>,
    /// File with the password.
    pub password_file: Option<String>,
    /// The password itself: by environment variable only.
    pub password: Option<String>,
    /// Sender's address.
    pub from: Option<String>,
    /// Addresses it goes to.
    pub to: Option<Vec<String>>,
    /// Certificate authorities to trust instead of the system's (PEM).
    pub ca_file: Option<String>,
}

/// Publishing to a topic of a broker.
#[derive(Clone, PartialEq, Default, Debug, Deserialize, JsonSchema)]
pub struct MqttTable {
    /// Name of the broker.
    pub broker: Option<String>,
    /// Topic.
    pub topic: Option<String>,
}

/// Quiet hours.
#[derive(Clone, PartialEq, Default, Debug, Deserialize, JsonSchema)]
pub struct Quiet {
    /// Time of day at which they begin: "22:00".
    pub from: Option<String>,
    /// Time of day at which they end; the next day where that is not later.
    pub to: Option<String>,
    /// Days on which they begin: "mon" to "sun". Default every day.
    pub weekdays: Option<Vec<String>>,
    /// Least priority that still gets through. Default high.
    pub through: Option<PriorityWord>,
}

/// Times without an acknowledgement, by priority.
#[derive(Clone, PartialEq, Default, Debug, Deserialize, JsonSchema)]
pub struct Escalate {
    /// For high priority. From 1 min to 1 d. Default 5 min.
    pub high: Option<Lasting>,
    /// For medium priority. From 1 min to 1 d. Default 15 min.
    pub medium: Option<Lasting>,
    /// For low priority. From 1 min to 1 d. Default never.
    pub low: Option<Lasting>,
}

/// A watcher outside that speaks up when it hears nothing.
#[derive(Clone, PartialEq, Default, Debug, Deserialize, JsonSchema)]
pub struct Heartbeat {
    /// Address that a POST is sent to.
    pub url: Option<String>,
    /// File with the address, where that is a secret.
    pub url_file: Option<String>,
    /// How often it hears of the daemon. From 30 s to 1 h. Default 1 min.
    pub every: Option<Lasting>,
    /// Whether its name may lead to a private address. Default false.
    pub private_network: Option<bool>,
}

/// Units of texts.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum UnitsWord {
    /// Litres, millimetres, °C, mg/L.
    Metric,
    /// US gallons, inches, °F, grains per gallon.
    Us,
}

/// How a connection to a mail server is protected.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum MailSecurityWord {
    /// TLS from the first byte.
    Tls,
    /// Plain, then TLS; never without.
    Starttls,
    /// Not at all.
    None,
}
