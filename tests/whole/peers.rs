//! Those on the other side: a broker, a database, and whoever hears of alarms.

use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::time::Duration;

use sumpwarden_core::model::Timestamp;
use sumpwarden_core::notify::OutboxEntry;
use sumpwarden_core::notify::dispatch::Outcome;
use sumpwarden_core::store::parcel::Answer;
use sumpwarden_sim::rng::Rng;

/// A message somebody published.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(crate) struct Published {
    pub(crate) topic: &'static str,
    pub(crate) payload: String,
    /// The probe's number in it where it is to be believed.
    pub(crate) number: Option<(usize, u64)>,
    /// When it was taken, as it says.
    pub(crate) at: Timestamp,
}

/// A message on its way to us.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(crate) struct Sent {
    pub(crate) id: u16,
    pub(crate) dup: bool,
    pub(crate) retained: bool,
    pub(crate) what: Published,
}

/// Messages out at once, as brokers hold back.
const OUT_MAX: usize = 20;

/// A broker with one session, ours.
#[derive(Debug, Default)]
pub(crate) struct Broker {
    session: bool,
    connected: bool,
    queue: VecDeque<Published>,
    /// Sent and not acknowledged, in order; sent again as they were sent first, retained ones as
    /// retained (so does mosquitto 2, seen on the wire).
    out: VecDeque<Sent>,
    wire: VecDeque<Sent>,
    retained: BTreeMap<&'static str, Published>,
    next_id: u16,
    /// Messages it lost with the session.
    pub(crate) lost: u64,
}

impl Broker {
    pub(crate) fn publish(&mut self, what: Published) {
        self.retained.insert(what.topic, what.clone());
        if self.session {
            self.queue.push_back(what);
        }
    }

    /// We connect; whether it knew us.
    pub(crate) fn accept(&mut self) -> bool {
        let present = std::mem::replace(&mut self.session, true);
        self.connected = true;
        self.wire.clear();
        self.wire.extend(self.out.iter().map(|sent| Sent { dup: true, ..sent.clone() }));
        let kept: Vec<Published> = self.retained.values().cloned().collect();
        for what in kept {
            let sent = self.send(true, what);
            self.wire.push_back(sent);
        }
        present
    }

    /// Under a packet id of its own.
    fn send(&mut self, retained: bool, what: Published) -> Sent {
        let sent = Sent { id: self.id(), dup: false, retained, what };
        self.out.push_back(sent.clone());
        sent
    }

    fn id(&mut self) -> u16 {
        self.next_id = self.next_id.checked_add(1).unwrap_or(1);
        self.next_id
    }

    pub(crate) fn is_connected(&self) -> bool {
        self.connected
    }

    pub(crate) fn cut(&mut self) {
        self.connected = false;
        self.wire.clear();
    }

    /// It is started anew without its memory.
    pub(crate) fn forget(&mut self) {
        self.cut();
        self.lost += (self.out.len() + self.queue.len()) as u64;
        self.session = false;
        self.out.clear();
        self.queue.clear();
    }

    pub(crate) fn receive(&mut self) -> Option<Sent> {
        if let Some(sent) = self.wire.pop_front() {
            return Some(sent);
        }
        if !self.connected || self.out.len() >= OUT_MAX {
            return None;
        }
        let what = self.queue.pop_front()?;
        Some(self.send(false, what))
    }

    /// We acknowledge; gives the message that is forgotten now.
    pub(crate) fn acknowledged(&mut self, id: u16) -> Option<Published> {
        let place = self.out.iter().position(|sent| sent.id == id)?;
        self.out.remove(place).map(|sent| sent.what)
    }

    /// Messages that have not been acknowledged.
    pub(crate) fn waiting(&self) -> usize {
        self.out.len() + self.queue.len()
    }
}

/// A database.
#[derive(Debug, Default)]
pub(crate) struct Database {
    /// Series and stamp of every point it holds, by the fields' own series.
    pub(crate) stored: BTreeSet<(String, i64)>,
    pub(crate) requests: u64,
}

/// Whether the database will never take this line, while it is in such a mood.
pub(crate) fn is_poison(line: &str) -> bool {
    line.starts_with("probe") && line.contains("7.0,status")
}

impl Database {
    /// Takes a request in its mood; none where the reply is lost.
    pub(crate) fn take(&mut self, text: &str, mood: Option<u64>, rng: &mut Rng) -> Result<Answer, String> {
        self.requests += 1;
        let lines = text.lines().count();
        let refuse = |status: u16| Ok(Answer::of_status(status, format!("{status}: so it is")));
        match mood {
            None => {}
            Some(0) => return refuse(500 + rng.below(5) as u16),
            Some(1) => return refuse(429),
            Some(2) => return refuse([401, 403, 404][rng.below(3) as usize]),
            Some(3) if lines > 40 => return refuse(413),
            // The number decides, so that the same line is always the same.
            Some(4 | 7) if text.lines().any(is_poison) => return refuse(422),
            Some(5) if rng.chance(0.5) => {
                self.store(text)?;
                return Ok(Answer::Later("the reply was lost".to_owned()));
            }
            Some(6) => return Ok(Answer::Later("unreachable".to_owned())),
            Some(_) => {}
        }
        self.store(text)?;
        Ok(Answer::Taken)
    }

    fn store(&mut self, text: &str) -> Result<(), String> {
        for line in text.lines() {
            self.stored.extend(points_of(line).ok_or_else(|| format!("a line that is none: {line}"))?);
        }
        Ok(())
    }
}

/// Series and stamps that a line speaks of, read by the rules of the format: neither tags nor fields of ours hold spaces
/// outside quotes.
fn points_of(line: &str) -> Option<Vec<(String, i64)>> {
    let (head, rest) = line.split_once(' ')?;
    let (fields, at) = rest.rsplit_once(' ')?;
    let at: i64 = at.parse().ok()?;
    let mut tags = head.split(',');
    let measurement = tags.next()?;
    let tags: BTreeMap<&str, &str> = tags.filter_map(|tag| tag.split_once('=')).collect();
    let of = |text: String| vec![(text, at)];
    match measurement {
        "probe" => Some(of(format!("probe/{}/{}", tags.get("sump")?, tags.get("probe")?))),
        "estimate" => {
            let series = format!("estimate/{}/{}", tags.get("sump")?, tags.get("quantity")?);
            let bound = ["low90", "high90"].into_iter().find(|bound| fields.starts_with(*bound));
            Some(of(bound.map_or(series.clone(), |bound| format!("{series}/{bound}"))))
        }
        "journal" => Some(Vec::new()),
        _ => None,
    }
}

/// Somebody who is told.
#[derive(Debug, Default)]
pub(crate) struct Hearer {
    /// Rows as they came, with repeats.
    pub(crate) heard: Vec<OutboxEntry>,
}

impl Hearer {
    pub(crate) fn take(&mut self, rows: &[OutboxEntry], mood: Option<u64>, rng: &mut Rng) -> Outcome {
        match mood {
            Some(0) => return Outcome::Later("503".to_owned(), None),
            Some(1) => return Outcome::Later("429".to_owned(), Some(Duration::from_secs(30))),
            Some(2) => return Outcome::Refused("404".to_owned()),
            Some(3) if rows.len() > 1 => return Outcome::TooLarge,
            Some(4) if rng.chance(0.5) => {
                self.heard.extend_from_slice(rows);
                return Outcome::Later("the reply was lost".to_owned(), None);
            }
            Some(5) => return Outcome::Later("unreachable".to_owned(), None),
            _ => {}
        }
        self.heard.extend_from_slice(rows);
        Outcome::Taken
    }
}
