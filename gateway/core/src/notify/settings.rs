//! What notification is told by the checked configuration.

use std::collections::BTreeSet;
use std::time::Duration;

use jiff::tz::TimeZone;

use super::quiet::QuietHours;
use crate::acquire::settings::{BrokerSettings, Secret};
use crate::alarm::notice::Notice;
use crate::alarm::settings::Priority;
use crate::alarm::wording::{Reader, Units};
use crate::model::Name;

/// Lines of one message; what is more is counted in its last line.
pub const LINES_MAX: usize = 10;

/// Somebody who is told of alarms.
#[derive(Clone, PartialEq, Debug)]
pub struct ReceiverSettings {
    /// Name.
    pub name: Name,
    /// How it is reached.
    pub way: Way,
    /// Least priority it hears of.
    pub least: Priority,
    /// Sumps it hears of; none for all of them.
    pub sumps: Option<BTreeSet<Name>>,
    /// Whether it hears of faults of the gateway, its lines and its peers.
    pub gateway: bool,
    /// Units and time zone of its texts.
    pub reader: Reader,
    /// When only what is urgent gets through.
    pub quiet: Option<QuietHours>,
    /// How long a message waits for company. What is of high priority does not wait.
    pub gather_for: Duration,
    /// Least time between two messages.
    pub rate: Duration,
    /// 0 is told at once; 1 and more only when nobody has acknowledged, or nobody could be told.
    pub step: u8,
    /// How long it may go unacknowledged before it is told again, or the next step is told.
    pub escalation: Escalation,
    /// Whether it is told that an alarm has returned to normal.
    pub returns: bool,
    /// Whether it is told that somebody has acknowledged.
    pub acknowledgements: bool,
    /// Whether texts are cut to the 160 characters of a pager.
    pub pager: bool,
    /// What is older than this is no longer sent.
    pub expire_after: Duration,
    /// Hour and minute, in its zone, of a daily message that says nothing but that it arrives.
    pub test_daily: Option<jiff::civil::Time>,
}

impl ReceiverSettings {
    /// Somebody who hears of everything, as the defaults are: in metric units and UTC, ten seconds for company and
    /// between two messages, a week until a message is too old.
    pub fn new(name: Name, way: Way) -> Self {
        Self {
            name,
            way,
            least: Priority::Low,
            sumps: None,
            gateway: true,
            reader: Reader { units: Units::Metric, zone: TimeZone::UTC },
            quiet: None,
            gather_for: Duration::from_secs(10),
            rate: Duration::from_secs(10),
            step: 0,
            escalation: Escalation::default(),
            returns: true,
            acknowledgements: true,
            pager: false,
            expire_after: Duration::from_hours(7 * 24),
            test_daily: None,
        }
    }

    /// Whether it is to hear of `notice`. Nobody is told over a line that this line is dead.
    pub fn wants(&self, notice: &Notice) -> bool {
        let its_own = notice.alarm.strip_prefix("gateway/receiver/") == Some(self.name.as_str());
        let place = match &notice.sump {
            None => self.gateway && !its_own,
            Some(sump) => {
                self.sumps.as_ref().is_none_or(|sumps| sumps.iter().any(|one| one.as_str() == sump))
            }
        };
        place && notice.priority >= self.least
    }
}

/// Time without an acknowledgement after which the next one is told, by priority; none for never.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Escalation {
    /// High priority.
    pub high: Option<Duration>,
    /// Medium priority.
    pub medium: Option<Duration>,
    /// Low priority.
    pub low: Option<Duration>,
}

impl Default for Escalation {
    fn default() -> Self {
        Self { high: Some(Duration::from_mins(5)), medium: Some(Duration::from_mins(15)), low: None }
    }
}

impl Escalation {
    /// That of a priority.
    pub const fn of(&self, priority: Priority) -> Option<Duration> {
        match priority {
            Priority::High => self.high,
            Priority::Medium => self.medium,
            Priority::Low => self.low,
        }
    }
}

/// How a receiver is reached.
#[derive(Clone, PartialEq, Debug)]
pub enum Way {
    /// HTTP POST.
    Webhook(WebhookSettings),
    /// E-mail.
    Mail(MailSettings),
    /// MQTT publish, QoS 1.
    Mqtt(MqttSettings),
}

/// HTTP POST to one address.
#[derive(Clone, PartialEq, Debug)]
pub struct WebhookSettings {
    /// `http://` or `https://`, with path and query. Often secret by itself.
    pub url: Secret,
    /// Headers with their values.
    pub headers: Vec<(String, Secret)>,
    /// Key of the signature, where messages are signed.
    pub signing_key: Option<Secret>,
    /// Text of the template the body is made by; none for the generic body.
    pub template: Option<String>,
    /// Certificate authorities to trust beside the well-known ones (PEM file).
    pub ca_file: Option<String>,
    /// Whether its name may lead to private addresses.
    pub private_network: bool,
}

impl WebhookSettings {
    /// The generic body to `url`, unsigned.
    pub const fn to(url: Secret) -> Self {
        Self {
            url,
            headers: Vec::new(),
            signing_key: None,
            template: None,
            ca_file: None,
            private_network: false,
        }
    }
}

/// E-mail by one server.
#[derive(Clone, PartialEq, Debug)]
pub struct MailSettings {
    /// Server.
    pub host: String,
    /// Its port.
    pub port: u16,
    /// How the connection is protected.
    pub security: MailSecurity,
    /// User and password, where the server wants them.
    pub user: Option<(String, Secret)>,
    /// Sender's address.
    pub from: String,
    /// Addresses it goes to.
    pub to: Vec<String>,
    /// Certificate authorities to trust instead of the system's (PEM file).
    pub ca_file: Option<String>,
}

/// How a connection to a mail server is protected.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum MailSecurity {
    /// TLS from the first byte.
    Tls,
    /// Plain, then TLS; never without.
    StartTls,
    /// Not at all.
    None,
}

/// Publishing to one topic.
#[derive(Clone, PartialEq, Debug)]
pub struct MqttSettings {
    /// The broker, with a client id of this receiver's own; its topics do not matter here.
    pub broker: BrokerSettings,
    /// Topic.
    pub topic: String,
}
