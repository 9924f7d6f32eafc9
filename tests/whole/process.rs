//! The process that is killed and started again: the program's own decisions on a simulated machine.
//!
//! Nothing is decided here that the daemon decides in its own code. What its edges do with sockets and files is done with
//! the world's stand-ins, in the same order: ask the pure part, carry out, say what came of it.

use std::collections::BTreeMap;

use sumpwarden_core::acquire::inflight::{Coming, Delivery, Inflight};
use sumpwarden_core::acquire::pace::{End, Pace};
use sumpwarden_core::acquire::{Backoff, Exchange, Message, Next, Outcome, Reply, Schedule, TopicMap, plan};
use sumpwarden_core::alarm::condition::Fault as Broken;
use sumpwarden_core::alarm::order::{Order, Said};
use sumpwarden_core::alarm::settings::FaultKey;
use sumpwarden_core::engine::{Engine, Intake};
use sumpwarden_core::estimate::note::draft::Draft;
use sumpwarden_core::model::{
    Ack, Batch, BrokerIndex, BusIndex, Fault, Name, Now, ProbeIndex, Raw, RawReading, Timestamp, Uptime,
};
use sumpwarden_core::notify::dispatch::{self, Decision, Dispatch};
use sumpwarden_core::notify::{Mark, OutboxEntry, RowState};
use sumpwarden_core::store::forward::ForwardTotals;
use sumpwarden_core::store::forwarder::{Errand, Forwarder, JOURNAL_MAX, Waits};
use sumpwarden_core::store::lines::Catalogue;
use sumpwarden_core::store::parcel::{Answer, LINES_MAX, Lines};
use sumpwarden_core::store::stamp::{Stamps, times_asked_for};
use sumpwarden_core::store::{Origin, Point, SeriesId, StoredSeries};

use super::Mutation;
use super::books::Asked;
use super::clock::ms;
use super::disk::{Inbox, Step, Window};
use super::peers::Sent;
use super::shop;
use super::weather::What;
use super::world::World;

fn origin() -> Origin {
    let name = |text| Name::new(text).expect("a name of letters");
    Origin { site: name("hall-2"), box_name: name("box-1") }
}

/// Acknowledgements of people are those of the broker after the last.
pub(crate) const PEOPLE: BrokerIndex = BrokerIndex(1);

/// A bus and what is under way on it.
#[derive(Debug)]
struct Bus {
    schedule: Schedule,
    backoff: Backoff,
    /// None while it is open; else when it is tried next.
    open_at: Option<Uptime>,
    complained: bool,
    flight: Option<(Exchange, Uptime, Heard)>,
}

/// What is being written, as which points, until when.
type Writing = (Window, Vec<(SeriesId, Point)>, Uptime);

/// How an exchange will have ended.
#[derive(Clone, Debug)]
enum Heard {
    Words(Vec<u16>),
    Other(Outcome<'static>),
}

/// A receiver's task.
#[derive(Debug)]
struct Task {
    dispatch: Dispatch,
    cursor: i64,
    stage: Stage,
}

#[derive(Debug)]
enum Stage {
    Looking,
    /// A message is out; its answer comes then.
    Sending(Vec<i64>, dispatch::Outcome, Uptime),
    /// What it came to is being recorded.
    Marking(Vec<i64>, Option<dispatch::Outcome>),
}

/// What the forwarder waits for.
#[derive(Debug)]
enum Busy {
    No,
    Store,
    Answer(Uptime, Answer),
}

/// One run of the program.
#[derive(Debug)]
pub(crate) struct Process {
    pub(crate) intake: Intake,
    buses: Vec<Bus>,
    topics: TopicMap,
    inflight: Inflight<u16>,
    pace: Pace,
    /// None while connected to the broker.
    knock_at: Option<Uptime>,
    told_broker: Option<bool>,
    pub(crate) inbox: Inbox,
    writing: Option<Writing>,
    stamps: Stamps,
    forwarder: Forwarder,
    catalogue: Catalogue,
    busy: Busy,
    tasks: Vec<Task>,
    next_token: u64,
    waiting: BTreeMap<u64, Asked>,
    /// What the fault watch said last.
    trouble: [Option<bool>; 2],
    failing: [bool; 2],
}

impl Process {
    /// Starts from what is on the disk, by the program's own way of restoring.
    pub(crate) fn start(world: &mut World, now: Now) -> Self {
        let settings = shop::settings().engine;
        let mut engine = Engine::new(settings.clone()).expect("checked settings");
        let mutation = world.mutation;
        let saved = &world.disk.saved;
        let unreadable = engine.restore(now, |key| {
            let bytes = saved.get(key)?.clone();
            let shelved = String::from_utf8_lossy(&bytes).contains("SHLVD");
            (mutation != Mutation::ForgetShelves || !shelved).then_some(bytes)
        });
        world.check(unreadable.is_empty(), || format!("what was saved cannot be read: {unreadable:?}"));
        let probes = &settings.probes;
        let mut topics =
            TopicMap::new(&settings.brokers[0], |probe: ProbeIndex| probes[probe.slot()].expected())
                .expect("checked topics");
        for probe in engine.by_message().into_keys() {
            let series = SeriesId(probe.0);
            let points = world.disk.commits.iter().flatten().filter(|(id, _)| *id == series);
            let points: Vec<(Timestamp, Option<f64>)> = points.map(|(_, p)| (p.at, p.raw)).collect();
            topics.recall(probe, &times_asked_for(&points));
        }
        let seed = world.rng.bits();
        let buses = (0..).zip(&settings.buses).map(|(index, bus)| Bus {
            schedule: Schedule::new(BusIndex(index), bus, &plan(bus).expect("checked buses"), now.uptime),
            backoff: Backoff::new(bus.reconnect.0, bus.reconnect.1, seed ^ u64::from(index)),
            open_at: Some(now.uptime),
            complained: false,
            flight: None,
        });
        let series = (0..).zip(engine.series()).map(|(id, key)| StoredSeries {
            id: SeriesId(id),
            text: key.to_string(),
            quantity: key.quantity.word().to_owned(),
        });
        let catalogue = Catalogue::new(&origin(), &series.collect::<Vec<_>>());
        let task = |receiver: &sumpwarden_core::notify::ReceiverSettings| Task {
            dispatch: Dispatch::new(receiver.clone(), seed),
            cursor: 0,
            stage: Stage::Looking,
        };
        Self {
            buses: buses.collect(),
            topics,
            inflight: Inflight::default(),
            pace: Pace::new(settings.brokers[0].reconnect, seed),
            knock_at: Some(now.uptime),
            told_broker: None,
            inbox: Inbox::default(),
            writing: None,
            stamps: world.disk.open(),
            forwarder: Forwarder::new(Waits::default(), seed),
            catalogue,
            busy: Busy::No,
            tasks: settings.receivers.iter().map(task).collect(),
            next_token: 1,
            waiting: BTreeMap::new(),
            trouble: [None; 2],
            failing: [false; 2],
            intake: Intake::new(engine),
        }
    }

    /// Everything that is due happens; gives when something is due next.
    pub(crate) fn run(&mut self, world: &mut World, now: Now) -> Uptime {
        let mut next = Uptime::from_nanos(u64::MAX);
        for bus in 0..self.buses.len() {
            next = next.min(self.poll(world, now, bus));
        }
        next = next.min(self.listen(world, now));
        if self.intake.poll_timeout().is_some_and(|due| due <= now.uptime) {
            self.intake.tick(now);
        }
        self.hand_over(world, now);
        next = next.min(self.write(world, now));
        next = next.min(self.forward(world, now));
        for task in 0..self.tasks.len() {
            next = next.min(self.tell(world, now, task));
        }
        self.watch(now);
        self.hand_over(world, now);
        next = next.min(self.write(world, now));
        self.intake.poll_timeout().map_or(next, |due| next.min(due))
    }

    fn poll(&mut self, world: &mut World, now: Now, index: usize) -> Uptime {
        let up = world.weather.of(What::Bus(index)).is_none();
        let mut readings = Vec::new();
        let bus_index = BusIndex(index as u32);
        loop {
            let bus = &mut self.buses[index];
            if let Some((exchange, ends, said)) = bus.flight.take() {
                if !up || now.uptime >= ends {
                    let outcome = match &said {
                        _ if !up => Outcome::Lost { partial: false },
                        Heard::Words(words) => Outcome::Reply(Reply::Words(words)),
                        Heard::Other(outcome) => *outcome,
                    };
                    bus.schedule.finished(outcome, now, &mut readings);
                    if matches!(outcome, Outcome::Reply(_) | Outcome::Exception(_)) {
                        bus.backoff.reset();
                    }
                    let counters = *bus.schedule.counters_of(exchange.device);
                    world.check(counters.balanced(), || format!("polls do not add up: {counters:?}"));
                    if !up || bus.schedule.looks_dead() {
                        bus.schedule.disconnected();
                        bus.open_at = Some(now.uptime.plus(bus.backoff.next_wait()));
                    }
                    self.take(world, now, &mut readings);
                    continue;
                }
                bus.flight = Some((exchange, ends, said));
                return ends;
            }
            if let Some(open_at) = bus.open_at {
                if now.uptime >= open_at {
                    if up {
                        bus.open_at = None;
                        bus.complained = false;
                        bus.schedule.connected();
                        self.intake.bus(now, bus_index, None);
                        continue;
                    }
                    bus.open_at = Some(now.uptime.plus(bus.backoff.next_wait().max(ms(1))));
                    if !std::mem::replace(&mut bus.complained, true) {
                        self.intake.bus(now, bus_index, Some("refused"));
                    }
                    continue;
                }
                match bus.schedule.next(now, &mut readings) {
                    Next::NotConnected(_) => self.take(world, now, &mut readings),
                    Next::Wait(until) => return until.min(open_at),
                    Next::Exchange(_) => unreachable!("the schedule was told that the bus is gone"),
                }
                continue;
            }
            match bus.schedule.next(now, &mut readings) {
                Next::Exchange(exchange) => {
                    let (said, after) = ask(world, index, &exchange);
                    bus.flight = Some((exchange, now.uptime.plus(after), said));
                }
                Next::Wait(until) => return until,
                Next::NotConnected(_) => unreachable!("the schedule was told that the bus is there"),
            }
        }
    }

    fn take(&mut self, world: &mut World, now: Now, readings: &mut Vec<RawReading>) {
        if !readings.is_empty() {
            self.intake.readings(now, readings);
            readings.clear();
            self.hand_over(world, now);
        }
    }

    fn listen(&mut self, world: &mut World, now: Now) -> Uptime {
        let up = world.weather.of(What::Broker) != Some(0);
        if let Some(at) = self.knock_at {
            if now.uptime < at {
                return at;
            }
            if !up {
                let at = now.uptime.plus(self.pace.next_wait(End::NotReached, false, now.uptime).max(ms(1)));
                self.knock_at = Some(at);
                self.tell_broker(now, false);
                let fault = |probe| RawReading {
                    probe,
                    at: now.utc.floor_to_millis(),
                    received: now.uptime,
                    raw: Raw::Fault(Fault::NotConnected),
                };
                let readings: Vec<_> = self.topics.probes().into_iter().map(fault).collect();
                self.intake.batch(now, &Batch { readings, ack: None });
                self.hand_over(world, now);
                return at;
            }
            if !world.broker.accept() {
                self.inflight.forget_session();
            }
            self.pace.accepted(now.uptime);
            self.knock_at = None;
            self.tell_broker(now, true);
        }
        self.pace.settled(now.uptime);
        while let Some(sent) = world.broker.receive() {
            self.take_over(world, now, &sent);
        }
        if self.inflight.has_lost() {
            world.broker.cut();
        }
        if !world.broker.is_connected() {
            self.inflight.cut();
            let at = now.uptime.plus(self.pace.next_wait(End::ClosedByPeer, true, now.uptime).max(ms(1)));
            self.knock_at = Some(at);
            self.tell_broker(now, false);
            return at;
        }
        Uptime::from_nanos(u64::MAX)
    }

    fn tell_broker(&mut self, now: Now, connected: bool) {
        if self.told_broker.replace(connected) != Some(connected) {
            self.intake.broker(now, BrokerIndex(0), (!connected).then_some("closed"));
        }
    }

    fn take_over(&mut self, world: &mut World, now: Now, sent: &Sent) {
        let print = u64::from_le_bytes(std::array::from_fn(|i| {
            sent.what
                .payload
                .bytes()
                .skip(i)
                .step_by(8)
                .fold(i as u8, |sum, byte| sum.wrapping_mul(31).wrapping_add(byte))
        }));
        let delivery = Delivery { packet_id: sent.id, dup: sent.dup, print };
        let mut readings = Vec::new();
        let coming = self.inflight.coming(delivery);
        if !matches!(coming, Coming::Again(_)) {
            let payload = Some(sent.what.payload.as_bytes());
            let token = Some(self.inflight.next_token());
            let message = Message { topic: sent.what.topic, payload, retained: sent.retained, token };
            self.topics.forget(&self.inflight.gone());
            let taken = self.topics.read(&message, now);
            if let Some((probe, bits)) = sent.what.number {
                for fate in &taken.fates {
                    world.books.fate(probe, bits, sent.what.at, *fate);
                }
            }
            if !taken.waits_for_the_store() {
                let token = self.inflight.add(delivery, coming, sent.id);
                self.answer_broker(world, token);
                return;
            }
            readings = taken.readings;
        }
        let token = self.inflight.add(delivery, coming, sent.id);
        self.intake.batch(now, &Batch { readings, ack: Some(Ack { broker: BrokerIndex(0), token }) });
        self.hand_over(world, now);
    }

    fn answer_broker(&mut self, world: &mut World, token: u64) {
        for id in self.inflight.done(token) {
            if let Some(what) = world.broker.acknowledged(id) {
                world.broker_may_forget(&what, self.inbox.dropped);
            }
        }
    }

    fn hand_over(&mut self, world: &mut World, now: Now) {
        let Some(mut over) = self.intake.hand_over() else { return };
        world.books.at(now, false);
        world.books.submitted(&over);
        let early: Vec<Ack> = match world.mutation {
            Mutation::AckEarly => over.acks.extract_if(.., |ack| ack.broker != PEOPLE).collect(),
            Mutation::AnswerEarly => over.acks.extract_if(.., |ack| ack.broker == PEOPLE).collect(),
            _ => Vec::new(),
        };
        self.inbox.submit(now.uptime, over, world.books.hand_overs());
        self.inbox.lost.drain(..).for_each(|ack| self.inflight.lost(ack.token));
        self.durable(world, early);
    }

    /// The writer: one transaction at a time, the same one again until it is durable.
    fn write(&mut self, world: &mut World, now: Now) -> Uptime {
        loop {
            if let Some((window, points, ends)) = self.writing.take() {
                if now.uptime < ends {
                    self.writing = Some((window, points, ends));
                    return ends;
                }
                let fails = match world.weather.of(What::Disk) {
                    Some(0 | 2) => true,
                    Some(3) => world.rng.chance(0.5),
                    _ => false,
                };
                self.failing[0] = fails;
                if fails {
                    let again = now.uptime.plus(ms(1_000));
                    self.writing = Some((window, points, again));
                    return again;
                }
                let wrote = world.disk.write(&window, &points, world.mutation);
                world.hold(wrote);
                self.inbox.stored += points.len() as u64;
                world.books.durable(&window);
                self.settled(world, now, window);
                continue;
            }
            let Some(due) = self.inbox.due() else { return Uptime::from_nanos(u64::MAX) };
            if due > now.uptime {
                return due;
            }
            let window = self.inbox.take();
            let points = world.disk.prepare(&mut self.stamps, &window.samples, world.mutation);
            let takes = match world.weather.of(What::Disk) {
                Some(1) => ms(500 + world.rng.below(8_000)),
                _ => ms(world.rng.below(15)),
            };
            self.writing = Some((window, points, now.uptime.plus(takes)));
        }
    }

    /// What was written is durable: whoever waits for it hears.
    fn settled(&mut self, world: &mut World, now: Now, window: Window) {
        self.durable(world, window.acks);
        if window.step.is_some() {
            self.busy = Busy::No;
            let totals: ForwardTotals = world.disk.forward.clone().expect("a step was taken");
            self.forwarder.stands(now.uptime, totals);
        }
        for (place, _) in window.marks {
            let task = &mut self.tasks[place];
            let Stage::Marking(ids, outcome) = std::mem::replace(&mut task.stage, Stage::Looking) else {
                continue;
            };
            let report = match outcome {
                Some(outcome) => task.dispatch.settle(now.uptime, &ids, outcome),
                None => {
                    task.dispatch.remove(&ids);
                    None
                }
            };
            if let Some(report) = report {
                let name = task.dispatch.settings().name.clone();
                self.intake.receiver(now, &name, &report);
            }
        }
    }

    fn durable(&mut self, world: &mut World, acks: Vec<Ack>) {
        for ack in acks {
            if ack.broker == PEOPLE {
                if let Some(asked) = self.waiting.remove(&ack.token) {
                    world.answered(asked);
                }
            } else {
                self.answer_broker(world, ack.token);
            }
        }
    }

    fn forward(&mut self, world: &mut World, now: Now) -> Uptime {
        loop {
            match std::mem::replace(&mut self.busy, Busy::No) {
                Busy::No => {}
                Busy::Store => {
                    self.busy = Busy::Store;
                    return Uptime::from_nanos(u64::MAX);
                }
                Busy::Answer(ends, answer) if now.uptime < ends => {
                    self.busy = Busy::Answer(ends, answer);
                    return ends;
                }
                Busy::Answer(_, answer) => {
                    let answer = match (world.mutation, answer) {
                        (Mutation::CursorEarly, Answer::Later(_)) => Answer::Taken,
                        (_, answer) => answer,
                    };
                    self.failing[1] = matches!(answer, Answer::Later(_) | Answer::NotAllowed(_));
                    self.forwarder.answered(now.uptime, answer, None);
                }
            }
            let step = match self.forwarder.next(now.uptime) {
                Errand::Begin => Step::Begin,
                Errand::Split => Step::Split,
                Errand::Record(done) => Step::Delivered(*done),
                Errand::RecordJournal(to, parked) => Step::Journal(to, parked),
                Errand::Read(stretch) => {
                    let read = world.disk.read(stretch, LINES_MAX);
                    let lines = Lines::of_points(&self.catalogue, &read.points);
                    self.forwarder.read(now.uptime, read, lines);
                    continue;
                }
                Errand::ReadJournal(from) => {
                    let after = world.disk.journal.iter().skip(from as usize - 1).take(JOURNAL_MAX as usize);
                    let entries: Vec<_> = after.cloned().collect();
                    let lines = Lines::of_journal(&origin(), &entries);
                    self.forwarder.read_journal(&entries, lines);
                    continue;
                }
                Errand::Send => {
                    let mood = world.weather.of(What::Database);
                    let answer = world.database.take(self.forwarder.portion(), mood, &mut world.rng);
                    let answer = answer.unwrap_or_else(|why| {
                        world.check(false, || why);
                        Answer::Taken
                    });
                    let takes = ms(if mood == Some(6) { 30_000 } else { 5 + world.rng.below(100) });
                    self.busy = Busy::Answer(now.uptime.plus(takes), answer);
                    continue;
                }
                Errand::Wait(until) => return until,
            };
            self.busy = Busy::Store;
            self.inbox.step(now.uptime, step);
        }
    }

    /// One look round of a receiver's task.
    fn tell(&mut self, world: &mut World, now: Now, place: usize) -> Uptime {
        let task = &mut self.tasks[place];
        match std::mem::replace(&mut task.stage, Stage::Looking) {
            Stage::Looking => {}
            Stage::Sending(ids, outcome, ends) if now.uptime < ends => {
                task.stage = Stage::Sending(ids, outcome, ends);
                return ends;
            }
            Stage::Sending(ids, outcome, _) => match outcome.mark(&ids, now.utc) {
                Some(mark) => {
                    task.stage = Stage::Marking(ids, Some(outcome));
                    self.inbox.mark(now.uptime, place, mark);
                    return Uptime::from_nanos(u64::MAX);
                }
                None => drop(task.dispatch.settle(now.uptime, &ids, outcome)),
            },
            Stage::Marking(ids, outcome) => {
                task.stage = Stage::Marking(ids, outcome);
                return Uptime::from_nanos(u64::MAX);
            }
        }
        let name = task.dispatch.settings().name.clone();
        let after = world.disk.rows.iter().skip(task.cursor as usize);
        let fresh: Vec<_> = after
            .filter(|row| row.state == RowState::Pending && row.row.entry.receiver == name)
            .map(|row| row.row.clone())
            .collect();
        task.cursor = world.disk.rows.len() as i64;
        task.dispatch.take(now.uptime, fresh);
        match task.dispatch.next(now) {
            Decision::Wait(until) => {
                let look = now.uptime.plus(ms(10_000));
                until.map_or(look, |until| until.min(look))
            }
            Decision::Expire(ids) => {
                let mark =
                    Mark::Rows { ids: ids.clone(), state: RowState::Expired, reason: None, at: now.utc };
                task.stage = Stage::Marking(ids, None);
                self.inbox.mark(now.uptime, place, mark);
                Uptime::from_nanos(u64::MAX)
            }
            Decision::Send(ids) => {
                let rows: Vec<OutboxEntry> =
                    task.dispatch.rows(&ids).into_iter().map(|row| row.entry.clone()).collect();
                let mood = world.weather.of(What::Receiver(place));
                let outcome = if world.mutation == Mutation::MarkEarly && mood.is_some() {
                    dispatch::Outcome::Taken
                } else {
                    world.hearers[place].take(&rows, mood, &mut world.rng)
                };
                let takes = ms(if mood == Some(5) { 10_000 } else { 5 + world.rng.below(200) });
                let ends = now.uptime.plus(takes);
                task.stage = Stage::Sending(ids, outcome, ends);
                ends
            }
        }
    }

    /// Faults of the store and the forwarder, told where they have changed, and at first either way.
    fn watch(&mut self, now: Now) {
        for (place, fault, of) in [(0, Broken::Store, ""), (1, Broken::Forwarder, "tsdb")] {
            let fails = self.failing[place];
            if self.trouble[place].replace(fails) != Some(fails) {
                let key = FaultKey { fault, of: of.to_owned() };
                self.intake.fault(now, &key, fails.then_some("it fails"));
            }
        }
    }

    /// A person writes something down; none where that is refused.
    pub(crate) fn note(&mut self, world: &mut World, now: Now, draft: &Draft, mark: String) {
        let token = self.next_token;
        let taken = self.intake.draft(now, draft, |_| Ack { broker: PEOPLE, token });
        if taken.is_ok() {
            self.next_token += 1;
            self.waiting.insert(token, Asked { mark, shelf: None });
        }
        self.hand_over(world, now);
    }

    /// A person wants something done about an alarm.
    pub(crate) fn order(
        &mut self,
        world: &mut World,
        now: Now,
        alarm: &str,
        order: Order,
        mark: String,
    ) -> bool {
        let token = self.next_token;
        let said = Said::new(&mark, Some("a story"));
        let done = self.intake.order(now, alarm, order, said, || Ack { broker: PEOPLE, token }).is_ok();
        if done {
            self.next_token += 1;
            let shelf = match order {
                Order::Shelve { time } => Some((alarm.to_owned(), now.uptime.plus(time))),
                _ => None,
            };
            self.waiting.insert(token, Asked { mark, shelf });
        }
        self.hand_over(world, now);
        done
    }

    /// Whether what is being written becomes durable though the process dies before it hears of it.
    pub(crate) fn killed(self, world: &mut World) {
        let healthy = !matches!(world.weather.of(What::Disk), Some(0 | 2));
        let mut lost = self;
        if let Some((window, points, _)) = lost.writing.take()
            && healthy
            && world.rng.chance(0.5)
        {
            let wrote = world.disk.write(&window, &points, world.mutation);
            world.hold(wrote);
            world.books.durable(&window);
        }
        world.books.lost();
    }

    /// Stops in order: what has been handed over is written where the disk lets it.
    pub(crate) fn stop(mut self, world: &mut World, now: Now) {
        self.hand_over(world, now);
        if matches!(world.weather.of(What::Disk), None | Some(1)) {
            let mut now = now;
            for _ in 0..4 {
                now.uptime = now.uptime.plus(ms(10_000));
                self.write(world, now);
            }
        }
        world.books.lost();
    }

    /// Samples handed over and neither durable nor dropped.
    pub(crate) fn pending(&self) -> u64 {
        self.inbox.waiting() as u64 + self.writing.as_ref().map_or(0, |(_, points, _)| points.len() as u64)
    }
}

/// What a device says to a question, and after how long.
fn ask(world: &mut World, bus: usize, exchange: &Exchange) -> (Heard, std::time::Duration) {
    let device = if bus == 0 { exchange.device.0 as usize } else { 2 };
    let mood = world.weather.of(What::Device(device));
    let (quick, patience) = (ms(3 + world.rng.below(40)), exchange.patience);
    let first = exchange.start as usize / 2;
    let words = |world: &mut World, nonsense: bool| {
        let probes = first..first + exchange.quantity as usize / 2;
        let probe = |place: usize| if bus == 0 { place } else { 3 + place };
        let say = |place: usize| match nonsense {
            true => world.plant.nonsense(probe(place)),
            false => world.plant.say(probe(place)),
        };
        let counts: Vec<u32> = probes.map(say).collect();
        Heard::Words(counts.iter().flat_map(|n| [(n >> 16) as u16, *n as u16]).collect())
    };
    match mood {
        None => (words(world, false), quick),
        Some(1) => (words(world, false), patience.mul_f64(0.9)),
        // A late reply was said, but it is nobody's any more.
        Some(2) => {
            drop(words(world, false));
            (Heard::Other(Outcome::NoReply), patience)
        }
        Some(3) => (Heard::Other(Outcome::Exception(2)), quick),
        Some(4) => (Heard::Other(Outcome::Exception(6)), quick),
        Some(5) => (words(world, true), quick),
        Some(6) => (Heard::Other(Outcome::BadFrame), quick),
        Some(_) => (Heard::Other(Outcome::NoReply), patience),
    }
}
