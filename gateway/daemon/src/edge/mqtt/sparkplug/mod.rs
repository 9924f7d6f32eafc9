//! One task per broker that plant systems look at: the shop as an edge node of Sparkplug B. It publishes and obeys one command,
//! the rebirth; nothing else that comes in is acted upon.
//!
//! ```text
//!             ┌─────────── wait: back-off with jitter ◀──────────────┐
//!             ▼                                                      │
//!   bdSeq + 1, kept ──▶ connect with a will ──▶ subscribe ──▶ look at the shop every so often, tell what has changed
//!                                                      (Session)          │
//!                                     NDEATH, DISCONNECT ◀── stop, or the primary host has gone
//! ```
//!
//! - A connection of its own, with a client id of its own: the will of this one is the death of the edge node, its session is
//!   clean as the standard asks, while the listener's is kept for what probes sent. Neither may end the other.
//! - Each connection is a new client of the library: what it had not sent is gone with it, and the births say how things stand.
//! - Nothing is queued beyond what one look brings: while any of that waits, nobody looks.
//! - The shop is asked for like the page asks; polls wait for neither.
//!
//! When what is said is [`Session`]'s to know, and what metrics mean [`metrics`]'s.

mod kept;
pub mod metrics;
mod talk;

use std::hash::{BuildHasher, RandomState};
use std::path::PathBuf;
use std::pin::{Pin, pin};
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Duration;

use rumqttc::{AckMode, AsyncClient, Event, EventLoop, LastWill, MqttOptions, Outgoing as Sent, Packet, QoS};
use sumpwarden_core::acquire::pace::{End, Pace};
use sumpwarden_core::acquire::settings::BrokerSettings;
use sumpwarden_protocol::sparkplug::session::{Outgoing, Session, SessionSettings};
use sumpwarden_protocol::sparkplug::topic::{EdgeNode, Id};
use tokio::sync::{mpsc, watch};
use tokio::time::{sleep, timeout};

use self::kept::Kept;
use self::metrics::{Facts, Seen};
use self::talk::{Left, Talk};
use super::GOODBYE_MAX;
use super::listener::{TAKEN_OVER, as_of_now, network, options};
use super::sieve::Mark;
use super::words::explain;
use crate::edge::clock::Clock;
use crate::edge::pulse::Pulse;

/// Added to the client id of the broker's table.
pub const CLIENT_ID_SUFFIX: &str = "-sparkplug";

/// Longest message sent, bytes: a sump with a hundred probes has a birth of a tenth of that.
const MESSAGE_BYTES_MAX: usize = 1 << 20;

/// Packets on their way from the library to whoever talks. Full: the library waits, and the broker with it.
const PACKETS_MAX: usize = 64;

/// An edge node.
#[derive(Clone, PartialEq, Debug)]
pub struct SparkplugSettings {
    /// The broker, with the client id of this connection.
    pub broker: BrokerSettings,
    /// Group and name.
    pub edge_node: EdgeNode,
    /// The host that must be there before anything is said.
    pub primary_host: Option<Id>,
    /// How often it is looked for changes.
    pub every: Duration,
    /// Part of a number by which it must have moved to go out again.
    pub deadband: f64,
}

/// Looks at the shop; none while the engine does not answer.
pub type Look = Arc<dyn Fn() -> Pin<Box<dyn Future<Output = Option<Seen>> + Send>> + Send + Sync>;

/// What surrounds it.
#[derive(Clone)]
pub struct Surroundings {
    /// What does not change.
    pub facts: Arc<Facts>,
    /// What does.
    pub look: Look,
    /// Where the number of the last connection is kept.
    pub directory: PathBuf,
    /// The clock.
    pub clock: Clock,
    /// Rises with every pass of the loop.
    pub pulse: Pulse,
}

/// Is the edge node until `shutdown` turns true.
pub async fn run_edge_node(
    settings: &SparkplugSettings,
    around: Surroundings,
    mut shutdown: watch::Receiver<bool>,
) {
    let name = settings.broker.name.to_string();
    let kept = Kept::of(&around.directory, &settings.broker.name);
    let session = SessionSettings {
        edge_node: settings.edge_node.clone(),
        primary_host: settings.primary_host.clone(),
        deadband: settings.deadband,
    };
    let mut session = Session::new(session, kept.read().await);
    let mut pace = Pace::new(settings.broker.reconnect, RandomState::new().hash_one(&name));
    let mut said = String::new();
    while !*shutdown.borrow() {
        let will = session.connect(now_ms(around.clock));
        kept.write(session.bd_seq()).await;
        let ended = connection(settings, &around, &mut session, &mut pace, will, &shutdown).await;
        let (end, was_accepted, words) = match ended {
            Ended::Told => break,
            Ended::Broken { end, was_accepted, words } => (end, was_accepted, words),
        };
        session.cut();
        let wait = pace.next_wait(end, was_accepted, around.clock.uptime());
        let words = if pace.looks_taken_over() { TAKEN_OVER.to_owned() } else { words };
        // Once per reason, or a broker that stays away would fill the log.
        if said != words {
            tracing::warn!(broker = %name, reason = %words, "plant systems do not see this box");
            said = words;
        }
        tokio::select! {
            biased;
            _ = shutdown.wait_for(|stop| *stop) => {}
            () = around.pulse.during(sleep(wait)) => {}
        }
        if was_accepted {
            said.clear();
        }
    }
    tracing::info!(broker = %name, "the edge node has left");
}

/// How a connection, or the attempt at one, ended.
enum Ended {
    /// The daemon stops.
    Told,
    /// Otherwise.
    Broken { end: End, was_accepted: bool, words: String },
}

impl Ended {
    fn before_it_began(error: &dyn std::error::Error) -> Self {
        Self::Broken { end: End::NotReached, was_accepted: false, words: error.to_string() }
    }
}

/// One connection from its beginning to its end.
async fn connection(
    settings: &SparkplugSettings,
    around: &Surroundings,
    session: &mut Session,
    pace: &mut Pace,
    will: Outgoing,
    shutdown: &watch::Receiver<bool>,
) -> Ended {
    let broker = as_of_now(&settings.broker).await;
    let options = match with_will(&broker, will) {
        Ok(options) => options,
        Err(error) => return Ended::before_it_began(&error),
    };
    let sumps = around.facts.sump_alarms.len();
    let (client, mut eventloop) =
        match AsyncClient::builder(options).capacity(talk::requests_max(sumps)).try_build() {
            Ok(built) => built,
            Err(error) => return Ended::before_it_began(&error),
        };
    eventloop.set_network_options(network());
    let (packets, arriving) = mpsc::channel(PACKETS_MAX);
    let waiting = Arc::new(AtomicUsize::new(0));
    let mut driving = pin!(drive(eventloop, packets, Arc::clone(&waiting), around.pulse.clone()));
    let mut talk = Talk::new(settings, around, session, pace, client, Arc::clone(&waiting), shutdown.clone());
    let left = tokio::select! {
        broken = &mut driving => Err(broken),
        left = talk.run(arriving) => Ok(left),
    };
    let was_accepted = talk.was_accepted();
    match left {
        Err((end, words)) => Ended::Broken { end, was_accepted, words },
        Ok(Left { told, words }) => {
            if was_accepted {
                // The goodbye is on its way; who does not take it in time publishes the will.
                let _ = timeout(GOODBYE_MAX, driving).await;
            }
            if told { Ended::Told } else { Ended::Broken { end: End::Lost, was_accepted, words } }
        }
    }
}

fn with_will(broker: &BrokerSettings, will: Outgoing) -> Result<MqttOptions, rumqttc::ClientBuildError> {
    let mut options = options(broker, Mark::draw())?;
    options.try_set_clean_session(true)?;
    options
        .set_ack_mode(AckMode::Automatic)
        .set_max_packet_size(broker.packet_bytes_max as usize, MESSAGE_BYTES_MAX)
        .set_last_will(LastWill::new(will.topic, will.payload, QoS::AtLeastOnce, false));
    Ok(options)
}

/// Lets the library work until the connection ends; gives how it ended. `waiting` falls with every message that has left.
async fn drive(
    mut eventloop: EventLoop,
    packets: mpsc::Sender<Packet>,
    waiting: Arc<AtomicUsize>,
    pulse: Pulse,
) -> (End, String) {
    loop {
        // The library ends its waits itself: by its ping, its time-out, or an event.
        match pulse.during(eventloop.poll()).await {
            // Nobody may be listening any more: then only the goodbye has to get out.
            Ok(Event::Incoming(packet)) => drop(packets.send(packet).await),
            Ok(Event::Outgoing(Sent::Publish(_))) => {
                let _ = waiting.fetch_update(Ordering::Relaxed, Ordering::Relaxed, |n| n.checked_sub(1));
            }
            Ok(Event::Outgoing(_)) => {}
            Err(error) => return explain(&error),
        }
    }
}

/// Milliseconds since 1970.
fn now_ms(clock: Clock) -> u64 {
    u64::try_from(clock.utc().as_millis()).unwrap_or_default()
}
