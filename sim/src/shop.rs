//! A scenario behind real sockets, in accelerated time.
//!
//! A task moves the world on by `speed` × the real time that went by, samples the probes and puts the numbers where the
//! devices answer from; messages are published as often as asked for. Dropping the shop closes everything.

use std::io;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, SystemTime, UNIX_EPOCH};

use sumpwarden_protocol::modbus::{Address, Table};
use tokio::task::JoinHandle;
use tokio::time::{Instant, MissedTickBehavior};

use crate::device::{
    Bank, Line, LineOptions, PublishError, Publisher, PublisherOptions, Reading, Server, ServerOptions, Unit,
};
use crate::probe::{Raw, RawSample};
use crate::scenario::{
    BrokerAccess, Configuration, ConfigurationOptions, Endpoint, Endpoints, Link, Place, Plant, ProbePlan,
    Scenario,
};
use crate::stamp::Stamp;
use crate::world::{Action, Event, Truth};

/// Longest step of the world at one go, so that a machine that slept does not freeze the runtime while it catches up: what
/// is over it is lost, and simulated time runs late.
const STEP_MAX: Duration = Duration::from_secs(6 * 3600);
/// Registers of a device: reply counter and room for a dozen probes.
const REGISTERS: u16 = 32;
const CONTACTS: u16 = 16;

/// How a shop runs.
#[derive(Clone, PartialEq, Debug)]
pub struct ShopOptions {
    /// Simulated seconds in a real one, greater than 0.
    pub speed: f64,
    /// How often the registers are renewed.
    pub tick: Duration,
    /// How often each message is published.
    pub publish_every: Duration,
    /// Broker for the scenario's topics; without one nothing is published.
    pub broker: Option<BrokerAccess>,
    /// Serial lines keep the time of their baud rate.
    pub paced: bool,
}

impl Default for ShopOptions {
    fn default() -> Self {
        Self {
            speed: 1.0,
            tick: Duration::from_millis(200),
            publish_every: Duration::from_secs(1),
            broker: None,
            paced: true,
        }
    }
}

/// A running shop.
#[derive(Debug)]
pub struct Shop {
    scenario: Arc<Scenario>,
    options: ShopOptions,
    plant: Arc<Mutex<Plant>>,
    wires: Vec<Wire>,
    publisher: Option<Arc<Publisher>>,
    driver: JoinHandle<()>,
}

/// One of the scenario's wires with its devices.
#[derive(Debug)]
struct Wire {
    name: &'static str,
    bank: Bank,
    end: End,
}

#[derive(Debug)]
enum End {
    Server(Server),
    Line(Line),
}

impl Shop {
    /// Opens the wires and lets time run. Must be called within a tokio runtime.
    pub async fn start(scenario: Scenario, options: ShopOptions) -> io::Result<Self> {
        if !(options.speed > 0.0 && options.speed.is_finite()) {
            let text = format!("speed {}: time must run forward", options.speed);
            return Err(io::Error::new(io::ErrorKind::InvalidInput, text));
        }
        let mut wires = Vec::with_capacity(scenario.buses.len());
        for index in 0..scenario.buses.len() {
            wires.push(open(&scenario, index, options.paced).await?);
        }
        let publisher = options.broker.clone().map(|broker| {
            let client_id = format!("sim-{}", scenario.name);
            let BrokerAccess { host, port, user } = broker;
            Arc::new(Publisher::start(PublisherOptions { host, port, client_id, user }))
        });
        let plant = Arc::new(Mutex::new(Plant::new(&scenario)));
        let scenario = Arc::new(scenario);
        let outlet = Outlet {
            scenario: Arc::clone(&scenario),
            banks: wires.iter().map(|wire| wire.bank.clone()).collect(),
            publisher: publisher.clone(),
            sequence: vec![0; scenario.probes.len()],
        };
        // Whoever connects at once finds numbers, not zeros.
        outlet.renew_registers(&lock(&plant).sample());
        let driver = tokio::spawn(drive(Arc::clone(&plant), outlet, options.clone()));
        Ok(Self { scenario, options, plant, wires, publisher, driver })
    }

    /// The scenario.
    pub fn scenario(&self) -> &Scenario {
        &self.scenario
    }

    /// Simulated time.
    pub fn now(&self) -> Stamp {
        lock(&self.plant).world().now()
    }

    /// What is true in a sump now.
    ///
    /// # Panics
    /// If there is no such sump.
    pub fn truth(&self, sump: usize) -> Truth {
        lock(&self.plant).world().truth(sump)
    }

    /// What happened so far.
    pub fn events(&self) -> Vec<Event> {
        lock(&self.plant).world().events().to_vec()
    }

    /// Makes something happen in a sump now.
    ///
    /// # Panics
    /// If there is no such sump.
    pub fn act(&self, sump: usize, action: &Action) {
        lock(&self.plant).world_mut().act(sump, action);
    }

    /// Registers, faults and counts of the devices on a wire.
    pub fn bank(&self, bus: &str) -> Option<&Bank> {
        self.wires.iter().find(|wire| wire.name == bus).map(|wire| &wire.bank)
    }

    /// The server of a wire, where it is a socket.
    pub fn server(&self, bus: &str) -> Option<&Server> {
        self.wires.iter().find(|wire| wire.name == bus).and_then(|wire| match &wire.end {
            End::Server(server) => Some(server),
            End::Line(_) => None,
        })
    }

    /// The publisher, where there is a broker.
    pub fn publisher(&self) -> Option<&Publisher> {
        self.publisher.as_deref()
    }

    /// Where each wire can be reached.
    pub fn endpoints(&self) -> Endpoints {
        let endpoint = |wire: &Wire| match &wire.end {
            End::Server(server) => Endpoint::Socket(server.address()),
            End::Line(line) => Endpoint::Port(line.path().into()),
        };
        self.wires.iter().map(|wire| (wire.name, endpoint(wire))).collect()
    }

    /// The configuration that reads this shop; speed and broker are this shop's own, whatever `options` says of them.
    pub fn configuration(&self, options: &ConfigurationOptions) -> Configuration {
        let options = ConfigurationOptions {
            speed: self.options.speed,
            broker: self.options.broker.clone(),
            ..options.clone()
        };
        self.scenario.configuration(&self.endpoints(), &options)
    }

    /// Writes that configuration into a directory; returns the path of the main file.
    pub fn write_configuration(
        &self,
        directory: &Path,
        options: &ConfigurationOptions,
    ) -> io::Result<PathBuf> {
        self.configuration(options).write(directory)
    }
}

impl Drop for Shop {
    fn drop(&mut self) {
        self.driver.abort();
    }
}

/// A panic in another thread leaves a whole plant behind: its steps do not panic half way.
fn lock(plant: &Mutex<Plant>) -> MutexGuard<'_, Plant> {
    plant.lock().unwrap_or_else(PoisonError::into_inner)
}

async fn open(scenario: &Scenario, index: usize, paced: bool) -> io::Result<Wire> {
    let plan = scenario.buses[index];
    let counter = Address::new(Table::InputRegister, 0);
    let bank =
        scenario.devices.iter().filter(|device| device.bus == index).fold(Bank::new(), |bank, device| {
            let unit = Unit::new()
                .with_input_registers(REGISTERS)
                .with_discrete_inputs(CONTACTS)
                .with_counter_at(counter);
            bank.with_unit(device.unit_id, unit)
        });
    let end = match plan.link {
        Link::Tcp => {
            End::Server(Server::tcp(bank.clone().with_stranger(11), ServerOptions::default()).await?)
        }
        Link::RtuOverTcp { .. } => {
            End::Server(Server::rtu_over_tcp(bank.clone(), ServerOptions::default()).await?)
        }
        Link::Rtu { baud } => {
            let options = LineOptions { baud: paced.then_some(baud), ..LineOptions::default() };
            End::Line(Line::open(bank.clone(), options)?)
        }
    };
    Ok(Wire { name: plan.name, bank, end })
}

async fn drive(plant: Arc<Mutex<Plant>>, mut outlet: Outlet, options: ShopOptions) {
    let mut tick = tokio::time::interval(options.tick);
    tick.set_missed_tick_behavior(MissedTickBehavior::Delay);
    let mut last = Instant::now();
    let mut published = None;
    loop {
        let now = tick.tick().await;
        let step = (now - last).mul_f64(options.speed).min(STEP_MAX);
        last = now;
        let samples = {
            let mut plant = lock(&plant);
            plant.step(step);
            plant.sample()
        };
        outlet.renew_registers(&samples);
        if published.is_none_or(|at| now - at >= options.publish_every) {
            published = Some(now);
            outlet.publish(&samples);
        }
    }
}

/// Where the probes' numbers go.
struct Outlet {
    scenario: Arc<Scenario>,
    banks: Vec<Bank>,
    publisher: Option<Arc<Publisher>>,
    sequence: Vec<u64>,
}

impl Outlet {
    fn renew_registers(&self, samples: &[Option<RawSample>]) {
        for (plan, sample) in self.scenario.probes.iter().zip(samples) {
            let (Place::Register { device, index }, Some(sample)) = (&plan.place, sample) else { continue };
            let device = &self.scenario.devices[*device];
            let bank = &self.banks[device.bus];
            match &sample.raw {
                Raw::Words(words) => {
                    bank.set_words(device.unit_id, Address::new(Table::InputRegister, *index), words)
                }
                Raw::Bit(on) => bank.set_bit(device.unit_id, Address::new(Table::DiscreteInput, *index), *on),
            }
        }
    }

    fn publish(&mut self, samples: &[Option<RawSample>]) {
        let Some(publisher) = &self.publisher else { return };
        for ((plan, sample), sequence) in self.scenario.probes.iter().zip(samples).zip(&mut self.sequence) {
            let (Place::Topic { topic, format, retained }, Some(sample)) = (&plan.place, sample) else {
                continue;
            };
            *sequence += 1;
            let payload = reading(&self.scenario, plan, sample.number, *sequence).encode(*format);
            if let Err(PublishError { topic, why }) = publisher.try_publish(topic, payload, *retained) {
                // A sender without memory: what the broker does not take now is gone.
                tracing::debug!(topic, why, "simulated message lost");
            }
        }
    }
}

/// The message's own time is the real one: the gateway that gets it lives in real time.
fn reading(scenario: &Scenario, plan: &ProbePlan, value: f64, sequence: u64) -> Reading {
    let now = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default();
    Reading {
        base_name: format!("{}:", scenario.sumps[plan.sump].name),
        name: plan.setup.name.into(),
        unit: crate::scenario::unit(plan.setup.measures).into(),
        value,
        at: Stamp(now.as_millis() as i64),
        sequence,
    }
}
