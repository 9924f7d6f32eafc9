//! The task that owns the connection: polls the client, takes messages over, mends what breaks.

use std::collections::{HashMap, VecDeque};
use std::hash::{BuildHasher, RandomState};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use rumqttc::{
    AckMode, AsyncClient, Broker, ClientBuildError, ConnectionError, Event, EventLoop, ManualAck,
    MqttOptions, NetworkOptions, Outgoing, Packet, Publish, QoS, SubAck, SubscribeFilter,
    SubscribeReasonCode,
};
use sumpwarden_core::acquire::inflight::Coming;
use sumpwarden_core::acquire::pace::{End, Pace};
use sumpwarden_core::acquire::settings::{BrokerSettings, Secret};
use sumpwarden_core::acquire::{Fate, Message, Refusal, Taken, TopicMap};
use sumpwarden_core::estimate::note::draft::Refused;
use sumpwarden_core::model::{Ack, Batch, BrokerIndex, Fault, Raw, RawReading};
use tokio::sync::{OwnedSemaphorePermit, Semaphore, mpsc, watch};
use tokio::time::{sleep, timeout};

use super::connect::Target;
use super::inflight::{Inflight, UNACKNOWLEDGED_MAX};
use super::notes::{Heard, NoteEar};
use super::sieve::{Mark, Sieve};
use super::words::{explain, shown};
use super::{BrokerReport, BrokerStatus, Clock, INTAKE_WAIT_SHARE, Link, answer_with};
use crate::edge::pulse::Pulse;
use crate::edge::secret_file;
use crate::faults;

/// How long an attempt may take, from the name of the host to the broker's yes or no.
const CONNECT_MAX_S: u64 = 10;

/// The library pings after its keep-alive time without a word from us and gives up after as long again without an answer.
/// With this share of the configured time, a broker that fell silent is known for it within 1.4 of it.
const PING_SHARE: f64 = 0.7;

/// Packets read at once: with the packet limit, the most that is held before anything is looked at.
const READ_BATCH: usize = 16;

/// Acknowledgements written at once.
const WRITE_BATCH: usize = 64;

/// Longest packet sent, and filters in one SUBSCRIBE so that it stays under that.
const PACKET_OUT_BYTES_MAX: usize = 256 * 1024;
const FILTER_BYTES_PER_SUBSCRIBE: usize = 64 * 1024;
const FILTERS_PER_SUBSCRIBE: usize = 100;

/// Requests to the library that may wait: an answer for every place, what one read brings, and the subscriptions. Never
/// full by construction; if it is, the connection is given up.
const REQUESTS_MAX: usize = UNACKNOWLEDGED_MAX + 1024;

/// Where the task's ends go.
pub(super) struct Wires {
    pub(super) clock: Clock,
    pub(super) reports: mpsc::Sender<BrokerReport>,
    pub(super) status: watch::Sender<BrokerStatus>,
    pub(super) shutdown: watch::Receiver<bool>,
    pub(super) pulse: Pulse,
}

/// Why the task stops what it does.
#[derive(Clone, PartialEq, Eq, Debug)]
enum Stop {
    /// Asked to, or nobody listens to us any more.
    Asked,
    /// This connection is of no more use.
    GiveUp(&'static str),
}

/// Room for one message on its way to the engine.
type Room = (Option<OwnedSemaphorePermit>, mpsc::OwnedPermit<BrokerReport>);

pub(super) struct Listener {
    broker: BrokerIndex,
    name: String,
    user: Option<(String, Secret)>,
    topics: TopicMap,
    notes: Option<NoteEar>,
    wires: Wires,
    client: AsyncClient,
    eventloop: EventLoop,
    inflight: Arc<Mutex<Inflight>>,
    places: Arc<Semaphore>,
    intake_wait: Duration,
    pace: Pace,
    mark: Mark,
    /// Accepted by the broker at present.
    accepted: bool,
    /// What the engine was told last; nothing at first.
    told_connected: Option<bool>,
    subscribing: Subscribing,
}

/// Subscriptions on their way, to know which filter a refusal is for.
#[derive(Debug, Default)]
struct Subscribing {
    /// Queued and not yet sent, oldest first.
    queued: VecDeque<Vec<String>>,
    /// Sent, by packet id.
    sent: HashMap<u16, Vec<String>>,
}

impl Listener {
    pub(super) fn new(
        broker: BrokerIndex,
        settings: &BrokerSettings,
        (topics, notes): (TopicMap, Option<NoteEar>),
        inflight: Arc<Mutex<Inflight>>,
        wires: Wires,
    ) -> Result<(AsyncClient, Self), ClientBuildError> {
        let mark = Mark::draw();
        let (client, mut eventloop) =
            AsyncClient::builder(options(settings, mark)?).capacity(REQUESTS_MAX).try_build()?;
        eventloop.set_network_options(network());
        let places = lock(&inflight).places();
        let listener = Self {
            broker,
            name: settings.name.to_string(),
            user: settings.user.clone(),
            topics,
            notes,
            wires,
            client: client.clone(),
            eventloop,
            inflight,
            places,
            intake_wait: settings.keep_alive.mul_f64(INTAKE_WAIT_SHARE),
            pace: Pace::new(settings.reconnect, RandomState::new().hash_one(broker)),
            mark,
            accepted: false,
            told_connected: None,
            subscribing: Subscribing::default(),
        };
        Ok((client, listener))
    }

    /// Until asked to stop.
    pub(super) async fn run(mut self) {
        self.note(Link::NotConnected, "connecting".to_owned());
        loop {
            faults::pass("broker").await;
            // The library ends its waits itself: by its ping, its time-out, or an event.
            let step = match self.wires.pulse.during(self.eventloop.poll()).await {
                Ok(event) => self.step(event).await.and_then(|()| self.look_for_losses()),
                Err(ConnectionError::RequestsDone | ConnectionError::DisconnectTimeout) => Err(Stop::Asked),
                Err(error) => {
                    let (end, words) = explain(&error);
                    self.mend(end, words).await
                }
            };
            let step = match step {
                Err(Stop::GiveUp(words)) => self.mend(End::Lost, words.to_owned()).await,
                other => other,
            };
            if step.is_err() {
                return;
            }
        }
    }

    async fn step(&mut self, event: Event) -> Result<(), Stop> {
        if self.accepted && self.pace.settled(self.wires.clock.uptime()) {
            self.note(Link::Connected, "connected".to_owned());
        }
        match event {
            Event::Incoming(Packet::ConnAck(answer)) => self.accepted(answer.session_present).await,
            Event::Incoming(Packet::Publish(publish)) => self.take_over(publish).await,
            Event::Incoming(Packet::SubAck(answer)) => {
                self.subscribed(&answer);
                Ok(())
            }
            Event::Outgoing(Outgoing::Subscribe(packet_id)) => {
                if let Some(filters) = self.subscribing.queued.pop_front() {
                    self.subscribing.sent.insert(packet_id, filters);
                }
                Ok(())
            }
            Event::Incoming(_) | Event::Outgoing(_) => Ok(()),
        }
    }

    /// Gives the connection up if the store has lost what came over it. A silent broker is asked for a sign often enough
    /// that this is looked at within the keep-alive time.
    fn look_for_losses(&self) -> Result<(), Stop> {
        if lock(&self.inflight).has_lost() { Err(Stop::GiveUp(LOST)) } else { Ok(()) }
    }

    /// The broker said yes: subscribe, whatever it remembers.
    async fn accepted(&mut self, session_present: bool) -> Result<(), Stop> {
        self.accepted = true;
        self.pace.accepted(self.wires.clock.uptime());
        if !session_present {
            lock(&self.inflight).forget_session();
        }
        self.wires.status.send_modify(|s| {
            s.counters.connects += 1;
            s.refused_filters.clear();
            s.weak_filters.clear();
        });
        self.subscribing = Subscribing::default();
        let mut filters = self.topics.subscriptions();
        filters.extend(self.notes.as_ref().map(NoteEar::filter));
        for filters in in_packets(&filters) {
            let wanted = filters.iter().map(|f| SubscribeFilter::new(f.clone(), QoS::AtLeastOnce));
            if let Err(error) = self.client.try_subscribe_many(wanted) {
                tracing::error!(broker = %self.name, %error, "cannot subscribe");
                return Err(Stop::GiveUp("subscriptions could not be queued"));
            }
            self.subscribing.queued.push_back(filters);
        }
        if self.pace.looks_taken_over() {
            self.note(Link::TakenOver, TAKEN_OVER.to_owned());
        } else {
            let kept = if session_present { "the broker kept our session" } else { "new session" };
            self.note(Link::Connected, format!("connected, {kept}"));
            tracing::info!(broker = %self.name, session_present, "connected");
        }
        self.tell_connected(true, "").await
    }

    fn subscribed(&mut self, answer: &SubAck) {
        let Some(filters) = self.subscribing.sent.remove(&answer.pkid) else { return };
        for (filter, code) in filters.into_iter().zip(&answer.return_codes) {
            match code {
                SubscribeReasonCode::Failure => {
                    tracing::error!(broker = %self.name, filter, "subscription refused: check access rights");
                    self.wires.status.send_modify(|s| s.refused_filters.push(filter));
                }
                SubscribeReasonCode::Success(QoS::AtMostOnce) => {
                    tracing::warn!(broker = %self.name, filter, "subscribed at QoS 0 only, nothing is kept for us");
                    self.wires.status.send_modify(|s| s.weak_filters.push(filter));
                }
                SubscribeReasonCode::Success(QoS::AtLeastOnce | QoS::ExactlyOnce) => {}
            }
        }
    }

    /// One message: to the engine, or to its counter.
    async fn take_over(&mut self, publish: Publish) -> Result<(), Stop> {
        self.count(|c| c.received += 1);
        let ack = self.client.prepare_ack(&publish);
        // Room first: what has been read is remembered as had, and must not be turned away after that.
        let (place, room) = match self.room(ack.is_some()).await {
            Ok(Some(room)) => room,
            none => {
                self.count(|c| if ack.is_some() { c.left += 1 } else { c.overflowed += 1 });
                return none.map(|_| ());
            }
        };
        let (coming, token) = {
            let mut inflight = lock(&self.inflight);
            self.topics.forget(&inflight.gone());
            (inflight.coming(&publish), ack.is_some().then(|| inflight.next_token()))
        };
        if let Coming::Again(_) = coming {
            self.count(|c| c.duplicates += 1);
            let ack = self.token(&publish, coming, ack.zip(place));
            self.hand_on(room, Vec::new(), ack);
            return Ok(());
        }
        if let Some(read) =
            self.notes.as_ref().and_then(|ear| ear.read(&publish, self.mark, self.wires.clock))
        {
            self.take_note(room, read, &publish, ack.zip(place));
            return Ok(());
        }
        let taken = self.read(&publish, token);
        self.note_fates(&publish, &taken);
        if taken.waits_for_the_store() {
            let ack = self.token(&publish, coming, ack.zip(place));
            self.hand_on(room, taken.readings, ack);
        } else if let Some((ack, place)) = ack.zip(place) {
            drop(room);
            self.answer(&publish, ack, place);
        }
        Ok(())
    }

    /// A message with a note: to the engine, or to its counter.
    fn take_note(
        &self,
        room: mpsc::OwnedPermit<BrokerReport>,
        read: Result<Heard, Refused>,
        publish: &Publish,
        ack: Option<(ManualAck, OwnedSemaphorePermit)>,
    ) {
        let Heard { note, same_within } = match read {
            Ok(heard) => heard,
            Err(refused) => {
                drop(room);
                self.refuse_note(publish, &refused);
                if let Some((ack, place)) = ack {
                    self.answer(publish, ack, place);
                }
                return;
            }
        };
        self.count(|c| c.notes += 1);
        let broker = self.broker;
        let ack = self.token(publish, Coming::First, ack);
        room.send(BrokerReport::Note { broker, note: Box::new(note), same_within, ack });
    }

    fn refuse_note(&self, publish: &Publish, refused: &Refused) {
        let topic = shown(&String::from_utf8_lossy(&publish.topic));
        tracing::warn!(broker = %self.name, topic, reason = refused.why.word(), "note refused: {refused}");
        self.wires.status.send_if_modified(|s| {
            s.counters.refuse_note(refused.why);
            s.last_refused = Some(format!("{topic}: {refused}"));
            false
        });
    }

    /// A place for a message that waits for its acknowledgement, and room in the channel to the engine. None while
    /// stopping: the connection stays for what is still to be acknowledged.
    async fn room(&self, acknowledged: bool) -> Result<Option<Room>, Stop> {
        let both = async {
            let place = if acknowledged {
                let places = Arc::clone(&self.places);
                Some(places.acquire_owned().await.expect("nobody closes the semaphore"))
            } else {
                None
            };
            Ok(Some((place, self.wires.reports.clone().reserve_owned().await.map_err(|_| Stop::Asked)?)))
        };
        let mut shutdown = self.wires.shutdown.clone();
        tokio::select! {
            biased;
            _ = shutdown.wait_for(|stop| *stop) => Ok(None),
            waited = self.wires.pulse.during(timeout(self.intake_wait, both)) => waited.unwrap_or(Err(Stop::GiveUp(TOO_SLOW))),
        }
    }

    fn read(&mut self, publish: &Publish, token: Option<u64>) -> Taken {
        read(&mut self.topics, self.mark, publish, token, self.wires.clock)
    }

    /// What goes with a message through the store, if it waits for an acknowledgement.
    fn token(
        &self,
        publish: &Publish,
        coming: Coming,
        ack: Option<(ManualAck, OwnedSemaphorePermit)>,
    ) -> Option<Ack> {
        let (ack, place) = ack?;
        let token = lock(&self.inflight).add(publish, coming, ack, place);
        Some(Ack { broker: self.broker, token })
    }

    fn hand_on(&self, room: mpsc::OwnedPermit<BrokerReport>, readings: Vec<RawReading>, ack: Option<Ack>) {
        let broker = self.broker;
        room.send(BrokerReport::Batch { broker, batch: Batch { readings, ack } });
    }

    /// Acknowledges what nobody has to store, in its turn.
    fn answer(&self, publish: &Publish, ack: ManualAck, place: OwnedSemaphorePermit) {
        let mut inflight = lock(&self.inflight);
        let token = inflight.add(publish, Coming::First, ack, place);
        for answer in inflight.done(token) {
            answer_with(&self.client, answer, &self.wires.status);
        }
    }

    /// After the end of a connection or of an attempt: put away what belonged to it, tell, wait.
    async fn mend(&mut self, end: End, words: String) -> Result<(), Stop> {
        let left_over = self.put_away();
        let was_accepted = std::mem::take(&mut self.accepted);
        for publish in left_over {
            if let Err(Stop::Asked) = self.take_over(publish).await {
                return Err(Stop::Asked);
            }
        }
        let wait = self.pace.next_wait(end, was_accepted, self.wires.clock.uptime());
        let (link, words) = if self.pace.looks_taken_over() {
            (Link::TakenOver, TAKEN_OVER.to_owned())
        } else if end == End::ClosedByPeer && !was_accepted {
            (Link::NotConnected, CLOSED_UNANSWERED.to_owned())
        } else if end == End::Refused {
            (Link::Refused, words)
        } else {
            (Link::NotConnected, words)
        };
        if *self.wires.shutdown.borrow() {
            return Err(Stop::Asked);
        }
        // Once per reason, or a broker that stays away would fill the log.
        if self.wires.status.borrow().words != words {
            tracing::warn!(broker = %self.name, reason = %words, "broker not connected");
        }
        self.note(link, words.clone());
        self.tell_connected(false, &words).await?;
        // A broker that is back at the next attempt is no outage for its probes.
        if !was_accepted {
            self.report_faults().await?;
        }
        let mut shutdown = self.wires.shutdown.clone();
        tokio::select! {
            biased;
            _ = shutdown.wait_for(|stop| *stop) => return Err(Stop::Asked),
            () = self.wires.reports.closed() => return Err(Stop::Asked),
            () = self.wires.pulse.during(sleep(wait)) => {}
        }
        self.renew_password().await;
        Ok(())
    }

    /// Like certificates, the password is read at every attempt: one that was changed needs no restart.
    async fn renew_password(&mut self) {
        let Some((user, password)) = &mut self.user else { return };
        if secret_file::renew(password).await {
            tracing::info!(broker = %self.name, "its file holds another password: used from now on");
            self.eventloop.mqtt_options.set_credentials(user.clone(), password.reveal().to_owned());
        }
    }

    /// Ends the connection inside the library. Messages it had read and not yet given out: those of QoS 1 come again, the
    /// others are returned.
    fn put_away(&mut self) -> Vec<Publish> {
        // Under the lock, so that no acknowledgement of this connection is queued behind the cleaning.
        let mut inflight = lock(&self.inflight);
        inflight.cut();
        self.eventloop.clean();
        self.eventloop
            .state
            .events
            .drain(..)
            .filter_map(|event| match event {
                Event::Incoming(Packet::Publish(publish)) if publish.qos == QoS::AtMostOnce => Some(publish),
                Event::Incoming(_) | Event::Outgoing(_) => None,
            })
            .collect()
    }

    /// Tells the engine when it changes.
    async fn tell_connected(&mut self, connected: bool, why: &str) -> Result<(), Stop> {
        if self.told_connected == Some(connected) {
            return Ok(());
        }
        self.told_connected = Some(connected);
        let broker = self.broker;
        self.tell(if connected {
            BrokerReport::Connected { broker }
        } else {
            BrokerReport::NotConnected { broker, why: why.to_owned() }
        })
        .await
    }

    /// A failed attempt, as the probes see it.
    async fn report_faults(&self) -> Result<(), Stop> {
        let now = self.wires.clock.now();
        let fault = |probe| RawReading {
            probe,
            at: now.utc.floor_to_millis(),
            received: now.uptime,
            raw: Raw::Fault(Fault::NotConnected),
        };
        let readings = self.topics.probes().into_iter().map(fault).collect();
        self.tell(BrokerReport::Batch { broker: self.broker, batch: Batch { readings, ack: None } }).await
    }

    async fn tell(&self, report: BrokerReport) -> Result<(), Stop> {
        let mut shutdown = self.wires.shutdown.clone();
        tokio::select! {
            biased;
            _ = shutdown.wait_for(|stop| *stop) => Err(Stop::Asked),
            sent = self.wires.reports.send(report) => sent.map_err(|_| Stop::Asked),
        }
    }

    fn note(&self, link: Link, words: String) {
        let utc = self.wires.clock.utc();
        self.wires.status.send_modify(|s| {
            if s.link != link || s.words != words {
                (s.link, s.words, s.since) = (link, words, utc);
            }
        });
    }

    fn note_fates(&self, publish: &Publish, taken: &Taken) {
        let refused = taken.fates.iter().find_map(|fate| match fate {
            Fate::Refused(refusal) => Some(*refusal),
            Fate::Accepted | Fate::Duplicate | Fate::RetainedIgnored => None,
        });
        let last = refused.map(|refusal| {
            let topic = shown(&String::from_utf8_lossy(&publish.topic));
            tracing::debug!(broker = %self.name, topic, reason = refusal.text(), "message refused");
            format!("{topic}: {}", refusal.text())
        });
        self.wires.status.send_if_modified(|s| {
            taken.fates.iter().for_each(|fate| s.counters.count(*fate));
            if last.is_some() {
                s.last_refused = last;
            }
            false
        });
    }

    /// Counts without waking who waits for a change of the state.
    fn count(&self, change: impl FnOnce(&mut super::BrokerCounters)) {
        self.wires.status.send_if_modified(|s| {
            change(&mut s.counters);
            false
        });
    }
}

pub(super) const TAKEN_OVER: &str = "accepts us and throws us out again and again: another client seems to use our client id; \
                          give each gateway its own. Two attempts a minute meanwhile";

const CLOSED_UNANSWERED: &str = "closes the connection without saying yes or no: some brokers refuse a user, a password, \
                                 a client id or a missing certificate that way; or it is no MQTT broker, or wants TLS";

const LOST: &str = "the store had no room for what came; the broker sends it again";

const TOO_SLOW: &str =
    "the gateway takes messages over more slowly than they come; the broker keeps the rest";

pub(super) fn lock(inflight: &Mutex<Inflight>) -> MutexGuard<'_, Inflight> {
    inflight.lock().unwrap_or_else(PoisonError::into_inner)
}

/// The same broker, with the password that its file holds now.
pub(super) async fn as_of_now(settings: &BrokerSettings) -> BrokerSettings {
    let mut settings = settings.clone();
    if let Some((_, password)) = &mut settings.user {
        secret_file::renew(password).await;
    }
    settings
}

pub(super) fn options(settings: &BrokerSettings, mark: Mark) -> Result<MqttOptions, ClientBuildError> {
    let packet_bytes_max = settings.packet_bytes_max as usize;
    let target = Target {
        host: settings.host.clone(),
        port: settings.port,
        tls: settings.tls.clone(),
        packet_bytes_max,
        mark,
    };
    let mut options =
        MqttOptions::new(settings.client_id.clone(), Broker::tcp(settings.host.clone(), settings.port));
    options.try_set_clean_session(false)?;
    let ping_after_s = (settings.keep_alive.as_secs_f64() * PING_SHARE).clamp(1.0, f64::from(u16::MAX));
    options
        .set_keep_alive(ping_after_s as u16)
        .set_ack_mode(AckMode::Manual)
        .set_max_packet_size(Sieve::<()>::remaining_max(packet_bytes_max), PACKET_OUT_BYTES_MAX)
        .set_read_batch_size(READ_BATCH)
        .set_max_request_batch(WRITE_BATCH)
        .set_socket_connector(move |_, _| target.clone().connect());
    if let Some((user, password)) = &settings.user {
        options.set_credentials(user.clone(), password.reveal().to_owned());
    }
    Ok(options)
}

pub(super) fn network() -> NetworkOptions {
    let mut network = NetworkOptions::new();
    network.set_connection_timeout(CONNECT_MAX_S);
    network
}

/// What `publish`, which will go to the store with `token`, says to the probes of `topics`.
pub(super) fn read(
    topics: &mut TopicMap,
    mark: Mark,
    publish: &Publish,
    token: Option<u64>,
    clock: Clock,
) -> Taken {
    topics.doubt_clock(clock.doubted().is_some());
    match std::str::from_utf8(&publish.topic) {
        Ok(topic) => {
            let payload = (!mark.is(&publish.payload)).then_some(&publish.payload[..]);
            topics.read(&Message { topic, payload, retained: publish.retain, token }, clock.now())
        }
        Err(_) => Taken { fates: vec![Fate::Refused(Refusal::UnknownTopic)], ..Taken::default() },
    }
}

/// The filters in portions that fit into one SUBSCRIBE each.
pub(super) fn in_packets(filters: &[&str]) -> Vec<Vec<String>> {
    let mut packets: Vec<Vec<String>> = Vec::new();
    let mut bytes = 0;
    for filter in filters {
        match packets.last_mut() {
            Some(last)
                if last.len() < FILTERS_PER_SUBSCRIBE
                    && bytes + filter.len() <= FILTER_BYTES_PER_SUBSCRIBE =>
            {
                last.push((*filter).to_owned());
            }
            _ => {
                packets.push(vec![(*filter).to_owned()]);
                bytes = 0;
            }
        }
        bytes += filter.len();
    }
    packets
}
