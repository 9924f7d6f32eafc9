//! Buses that two boxes share: carries out what the lease says, and holds the gate before the bus to it.
//!
//! The gate is set after every step of the lease and before anything is said, so that no word which lets the other box begin
//! leaves before this one has ended.

use std::collections::BTreeMap;
use std::hash::{BuildHasher, RandomState};
use std::net::{IpAddr, SocketAddr};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use serde_json::json;
use sumpwarden_core::acquire::standby::{Answer, Event, Order, Question, Rank, Sign, Stand, Standby, What};
use sumpwarden_core::alarm::condition::Fault;
use sumpwarden_core::alarm::settings::FaultKey;
use sumpwarden_core::model::{Name, Uptime};
use tokio::net::TcpListener;
use tokio::sync::{mpsc, watch};
use tokio::time::{Instant, MissedTickBehavior, interval, sleep, timeout_at};

use super::acquisition::{FaultNews, LeaseNews};
use super::keeper::Keeper;
use super::{StartError, Tasks, kinds};
use crate::config::SharedBus;
use crate::edge::clock::Clock;
use crate::edge::modbus::BusCounters;
use crate::edge::mqtt::signs::{Heard, SIGNS_MAX, Voice, listen};
use crate::edge::peer;

/// What has happened between boxes, on its way to the engine. Full: the lease waits, and its gate closes by itself.
pub(super) const LEASES_MAX: usize = 16;
/// Answers of the other box on their way. Full: they come too late to count anyway.
const ANSWERS_MAX: usize = 4;
/// How long a stop waits for the line to be let go, and for the word of it to get out.
const STOP_GRACE: (Duration, Duration) = (Duration::from_secs(2), Duration::from_secs(1));
/// How often a stop looks whether the line is free.
const LOOK_AGAIN: Duration = Duration::from_millis(20);

/// One shared bus, for its task and for whoever is asked about it.
#[derive(Debug)]
struct Place {
    name: Name,
    own: Name,
    shared: SharedBus,
    lease: Mutex<Standby>,
    counters: Arc<BusCounters>,
    stand: watch::Sender<Stand>,
    clock: Clock,
}

impl Place {
    fn lock(&self) -> MutexGuard<'_, Standby> {
        self.lease.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// One step of the lease, and what follows for the gate.
    fn step<T>(&self, step: impl FnOnce(&mut Standby, Uptime) -> T) -> T {
        let now = self.clock.uptime();
        let mut lease = self.lock();
        let outcome = step(&mut lease, now);
        self.counters.gate().set(lease.polls_until());
        let stand = lease.stand(now);
        self.stand.send_if_modified(|before| std::mem::replace(before, stand.clone()) != stand);
        outcome
    }
}

/// How a shared bus stands, by its name.
pub(super) type Stands = BTreeMap<String, watch::Receiver<Stand>>;

/// Closes the gates, starts a task a shared bus, and answers what other boxes ask.
pub(super) async fn start(
    shared: Vec<SharedBus>,
    own: &Name,
    buses: &[(Name, Arc<BusCounters>)],
    leases: mpsc::Sender<LeaseNews>,
    keeper: &Keeper,
    tasks: &Tasks,
) -> Result<Stands, StartError> {
    let clock = keeper.clock;
    let run = RandomState::new().hash_one(clock.now().utc) as u32;
    let mut places = Vec::new();
    for shared in shared {
        let (name, counters) = buses[shared.bus.slot()].clone();
        counters.gate().set(Uptime::default());
        let lease = Mutex::new(Standby::new(shared.lease.clone(), own.as_str(), run, clock.uptime()));
        let own = own.clone();
        let stand = watch::Sender::default();
        places.push(Arc::new(Place { name, own, shared, lease, counters, stand, clock }));
    }
    answer_others(&places, keeper, tasks).await?;
    let mut stands = Stands::new();
    for place in places {
        stands.insert(place.name.to_string(), place.stand.subscribe());
        let (kept, news, stop) = (Arc::clone(&place), keeper.news.clone(), keeper.stop.clone());
        let leases = leases.clone();
        let make = move || agree(Arc::clone(&kept), leases.clone(), news.clone(), stop.clone());
        tasks.keep(keeper.clone(), (kinds::STANDBY, Some(place.name.as_str())), None, make);
    }
    Ok(stands)
}

/// One listener an address, for all buses that name it.
async fn answer_others(places: &[Arc<Place>], keeper: &Keeper, tasks: &Tasks) -> Result<(), StartError> {
    let mut of: BTreeMap<SocketAddr, Vec<Arc<Place>>> = BTreeMap::new();
    for place in places {
        let listen = place.shared.peer.map(|peer| peer.listen);
        listen.into_iter().for_each(|listen| of.entry(listen).or_default().push(Arc::clone(place)));
    }
    for (address, places) in of {
        let failed = |why| StartError::Peer { address, why };
        let listener = TcpListener::bind(address).await.map_err(failed)?;
        let answers: peer::Answers = Arc::new(move |from, path| reply(&places, from, path));
        let stopped = super::stopped(&keeper.stop);
        tasks.spawn(format!("peer {address}"), async move {
            tokio::select! {
                () = peer::serve(listener, answers) => {}
                () = stopped => {}
            }
        });
    }
    Ok(())
}

/// `/standby`: how all shared buses stand. `/standby/BUS?…`: the holder's question, which counts if the other box asks it.
fn reply(places: &[Arc<Place>], from: IpAddr, path: &str) -> Option<String> {
    let rest = path.strip_prefix("/standby")?;
    if rest.is_empty() {
        let own = places.first().map(|place| place.own.as_str());
        let bus = |place: &Arc<Place>| {
            let stand = place.stand.borrow();
            json!({ "bus": place.name, "polls": stand.polls, "holder": stand.holder })
        };
        return Some(json!({ "box": own, "buses": places.iter().map(bus).collect::<Vec<_>>() }).to_string());
    }
    let (bus, question) = rest.strip_prefix('/')?.split_once('?')?;
    let place = places.iter().find(|place| place.name.as_str() == bus)?;
    let asked_by_the_other =
        place.shared.peer.is_some_and(|peer| peer.ask.ip().to_canonical() == from.to_canonical());
    if !asked_by_the_other {
        return None;
    }
    let question = question_of(question)?;
    let answer = place.step(|lease, now| lease.question(now, &question));
    serde_json::to_string(&answer).ok()
}

/// `epoch=5&box=box-1&run=7&number=12`.
fn question_of(text: &str) -> Option<Question> {
    let mut words: BTreeMap<&str, &str> = text.split('&').filter_map(|word| word.split_once('=')).collect();
    let name = Name::new(words.remove("box")?).ok()?.to_string();
    let epoch = words.remove("epoch")?.parse().ok()?;
    let run = words.remove("run")?.parse().ok()?;
    let number = words.remove("number")?.parse().ok()?;
    Some(Question { rank: Rank { epoch, name, run }, number })
}

fn path_of(bus: &Name, question: &Question) -> String {
    let Question { rank: Rank { epoch, name, run }, number } = question;
    format!("/standby/{bus}?epoch={epoch}&box={name}&run={run}&number={number}")
}

/// Keeps the lease of one bus until the daemon stops.
async fn agree(
    place: Arc<Place>,
    leases: mpsc::Sender<LeaseNews>,
    news: mpsc::Sender<FaultNews>,
    mut stop: watch::Receiver<bool>,
) {
    let (heard, hearing) = mpsc::channel(SIGNS_MAX);
    let (answered, answers) = mpsc::channel(ANSWERS_MAX);
    let of = Arc::clone(&place);
    let listening = async move {
        let silence_max = of.shared.lease.term / 2;
        listen(&of.shared.broker, &of.shared.topic, silence_max, &heard).await;
    };
    let mut keeping =
        Keeping { place, leases, news, answered, voice: None, cut_off: false, told: None, complaint: None };
    // A task before this one may have crashed: nothing is heard yet.
    keeping.place.step(|lease, _| lease.unlinked());
    tokio::select! {
        () = listening => {}
        () = keeping.run(hearing, answers, &mut stop) => {}
    }
}

struct Keeping {
    place: Arc<Place>,
    leases: mpsc::Sender<LeaseNews>,
    news: mpsc::Sender<FaultNews>,
    answered: mpsc::Sender<Answer>,
    voice: Option<Voice>,
    cut_off: bool,
    /// How its fault was told to show last.
    told: Option<Option<String>>,
    complaint: Option<String>,
}

impl Keeping {
    async fn run(
        &mut self,
        mut hearing: mpsc::Receiver<Heard>,
        mut answers: mpsc::Receiver<Answer>,
        stop: &mut watch::Receiver<bool>,
    ) {
        let mut looks = interval(self.place.shared.lease.look_every());
        looks.set_missed_tick_behavior(MissedTickBehavior::Delay);
        loop {
            tokio::select! {
                _ = stop.wait_for(|stop| *stop) => break,
                heard = hearing.recv() => match heard {
                    Some(heard) => self.hear(heard),
                    None => return,
                },
                Some(answer) = answers.recv() => {
                    self.place.step(|lease, now| lease.answered(now, &answer));
                }
                _ = looks.tick() => self.look(),
            }
            self.carry_out().await;
        }
        self.end(hearing).await;
    }

    fn look(&self) {
        // Where the bus's own task was left away after crashes nobody polls here: the other box is to.
        let polls = self.place.counters.pulse().passes().is_some();
        self.place.step(|lease, now| if polls { lease.tick(now) } else { lease.stop() });
    }

    fn hear(&mut self, heard: Heard) {
        match heard {
            Heard::Linked(voice) => {
                tracing::info!(bus = %self.place.name, "the broker is heard, for the bus two boxes share");
                self.complaint = None;
                self.voice = Some(voice);
                self.place.step(|lease, now| lease.linked(now));
            }
            Heard::Lost(why) => {
                if self.complaint.as_ref() != Some(&why) {
                    tracing::warn!(bus = %self.place.name, why, "the broker is not heard, for the bus two boxes share");
                    self.complaint = Some(why);
                }
                self.voice = None;
                self.place.step(|lease, _| lease.unlinked());
            }
            Heard::Sign { payload, retained } => match serde_json::from_slice::<Sign>(&payload) {
                Ok(sign) => self.place.step(|lease, now| lease.heard(now, &sign, retained)),
                Err(error) => tracing::warn!(bus = %self.place.name, %error, "a sign that nobody can read"),
            },
        }
    }

    /// What the last step asks for.
    async fn carry_out(&mut self) {
        let free = !self.place.counters.gate().is_in_use();
        let (orders, events) = self.place.step(|lease, now| {
            if free {
                lease.let_go(now);
            }
            (lease.orders(), lease.events())
        });
        orders.into_iter().for_each(|order| self.carry_out_one(order));
        for event in events {
            tracing::info!(bus = %self.place.name, "{event}");
            self.cut_off |= event == Event::CutOff;
            // The engine has ended: nothing is journalled any more.
            let _ = self.leases.send(LeaseNews { bus: self.place.name.clone(), event }).await;
        }
        self.tell().await;
    }

    fn carry_out_one(&mut self, order: Order) {
        match order {
            Order::Publish { sign, retained } => {
                let Ok(payload) = serde_json::to_vec(&sign) else { return };
                if self.voice.as_ref().is_some_and(|voice| !voice.say(payload, retained)) {
                    // Nothing gets out, so nothing comes back: the lease runs out by itself.
                    tracing::warn!(bus = %self.place.name, "a sign could not be queued");
                }
            }
            Order::Ask(question) => {
                let Some(peer) = self.place.shared.peer else { return };
                let (path, answered) = (path_of(&self.place.name, &question), self.answered.clone());
                tokio::spawn(async move {
                    let body = peer::ask(peer.ask, &path).await;
                    let answer = body.ok().and_then(|body| serde_json::from_str(&body).ok());
                    // Whoever asked may have ended, or has enough answers.
                    answer.into_iter().for_each(|answer| drop(answered.try_send(answer)));
                });
            }
        }
    }

    /// Its fault, where that has changed.
    async fn tell(&mut self) {
        let stand = self.place.stand.borrow().clone();
        self.cut_off &= !stand.linked && !stand.polls;
        let shows = self.shows(&stand);
        if self.told.as_ref() == Some(&shows) {
            return;
        }
        self.told = Some(shows.clone());
        let key = FaultKey { fault: Fault::Standby, of: self.place.name.to_string() };
        let _ = self.news.send(FaultNews { key, shows }).await;
    }

    fn shows(&self, stand: &Stand) -> Option<String> {
        let own = &self.place.own;
        if stand.twin {
            Some(format!("another box is called {own} as well: give each its own `box` under [site]"))
        } else if self.cut_off {
            Some(
                "neither the broker nor the other box can be reached, this box has stopped polling"
                    .to_owned(),
            )
        } else if stand.lone {
            Some(match stand.polls {
                true => "nothing is heard of another box, none would take over".to_owned(),
                false => "nothing is heard of another box".to_owned(),
            })
        } else {
            None
        }
    }

    /// Lets go in order: the line first, then the word of it.
    async fn end(&mut self, mut hearing: mpsc::Receiver<Heard>) {
        self.place.step(|lease, _| lease.stop());
        let free_by = Instant::now() + STOP_GRACE.0;
        while self.place.counters.gate().is_in_use() && Instant::now() < free_by {
            sleep(LOOK_AGAIN).await;
        }
        self.carry_out().await;
        let Some(voice) = self.voice.take() else { return };
        let out_by = Instant::now() + STOP_GRACE.1;
        while let Ok(Some(heard)) = timeout_at(out_by, hearing.recv()).await {
            let Heard::Sign { payload, .. } = heard else { continue };
            let said = serde_json::from_slice::<Sign>(&payload);
            if said.is_ok_and(|sign| {
                sign.rank.name == self.place.own.as_str() && matches!(sign.what, What::Released { .. })
            }) {
                break;
            }
        }
        voice.goodbye();
        while let Ok(Some(heard)) = timeout_at(out_by, hearing.recv()).await {
            if matches!(heard, Heard::Lost(_)) {
                break;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_question_reads_as_it_was_asked() {
        let name = Name::new("line-1").unwrap();
        let question = Question { rank: Rank { epoch: 5, name: "box-1".into(), run: 7 }, number: 12 };
        let path = path_of(&name, &question);
        let text = path.strip_prefix("/standby/line-1?").unwrap();
        assert_eq!(question_of(text), Some(question));
        for wrong in ["", "epoch=5", "epoch=x&box=b&run=1&number=1", "epoch=1&box=b%20&run=1&number=1"] {
            assert_eq!(question_of(wrong), None, "{wrong}");
        }
    }
}
