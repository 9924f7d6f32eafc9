//! The whole actor against scripted devices.

use std::future::Future;
use std::net::TcpListener;
use std::path::PathBuf;
use std::rc::Rc;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use sumpwarden_core::acquire::plan;
use sumpwarden_core::acquire::settings::{BusLink, BusSettings};
use sumpwarden_core::model::{BusIndex, DeviceIndex, Fault, Raw};
use tokio::sync::{mpsc, watch};
use tokio::task::{JoinHandle, LocalSet};

use super::super::{BusCounters, BusReport, OpenError, read_once, run_bus};
use super::peer::{Act, Asked, rtu, serial_device, tcp_device, tcp_device_on};
use super::{LINE, counter_bus, ms};
use crate::edge::clock::{Clock, PreciseTimer};

pub(super) fn on_one_thread(test: impl Future<Output = ()>) {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    LocalSet::new().block_on(&runtime, test);
}

/// A running actor.
pub(super) struct Running {
    reports: mpsc::Receiver<BusReport>,
    pub(super) counters: Rc<BusCounters>,
    stop: watch::Sender<bool>,
    task: JoinHandle<()>,
}

impl Running {
    pub(super) fn start(settings: BusSettings) -> Self {
        let (sender, reports) = mpsc::channel(8);
        let (stop, shutdown) = watch::channel(false);
        let counters = Rc::new(BusCounters::default());
        let shared = Rc::clone(&counters);
        let task = tokio::task::spawn_local(async move {
            let timer = PreciseTimer::start(Clock).unwrap();
            let plan = plan(&settings).unwrap();
            run_bus(BusIndex(3), &settings, &plan, &timer, sender, &shared, shutdown).await;
        });
        Self { reports, counters, stop, task }
    }

    pub(super) async fn report(&mut self) -> BusReport {
        tokio::time::timeout(Duration::from_secs(10), self.reports.recv()).await.unwrap().unwrap()
    }

    /// The first raw value of the next readings.
    pub(super) async fn raw(&mut self) -> Raw {
        loop {
            if let BusReport::Readings { readings, .. } = self.report().await {
                return readings[0].raw;
            }
        }
    }

    async fn until(&mut self, wanted: impl Fn(&Raw) -> bool) -> Raw {
        loop {
            let raw = self.raw().await;
            if wanted(&raw) {
                return raw;
            }
        }
    }

    async fn end(mut self) {
        self.stop.send(true).unwrap();
        // Reports still under way are taken, as the engine would.
        while self.reports.recv().await.is_some() {}
        tokio::time::timeout(Duration::from_secs(5), self.task).await.unwrap().unwrap();
        assert!(self.counters.devices().iter().all(sumpwarden_core::acquire::DeviceCounters::balanced));
        assert!(!self.counters.connected());
    }
}

fn good(asked: &Asked) -> Vec<Act> {
    vec![Act::Send(asked.tcp(&asked.pdu()))]
}

fn tcp_bus(script: impl FnMut(&Asked) -> Vec<Act> + Send + 'static, period: Duration) -> BusSettings {
    counter_bus(BusLink::Tcp { address: tcp_device(script).to_string() }, period)
}

/// For devices that do not answer.
fn impatient(mut settings: BusSettings) -> BusSettings {
    settings.devices[0].timeout = ms(150);
    settings.devices[0].worst_reply = ms(200);
    settings
}

fn is_number(raw: &Raw) -> bool {
    matches!(raw, Raw::Number(_))
}

#[test]
fn values_arrive_in_order_and_on_time() {
    on_one_thread(async {
        let mut bus = Running::start(tcp_bus(good, ms(20)));
        assert_eq!(bus.report().await, BusReport::Connected { bus: BusIndex(3) });
        let mut last = None;
        for number in 1..=20 {
            let BusReport::Readings { bus, device, due, sent, readings } = bus.report().await else {
                panic!()
            };
            assert_eq!((bus, device, readings.len()), (BusIndex(3), DeviceIndex(0), 1));
            assert_eq!(readings[0].raw, Raw::Number(f64::from(number)));
            assert!(sent >= due && readings[0].received >= sent);
            assert_eq!(readings[0].at.as_nanos() % 1_000_000, 0);
            assert!(last.is_none_or(|last| due > last));
            last = Some(due);
        }
        bus.end().await;
    });
}

#[test]
fn a_refused_bus_is_reported_once_and_found_again() {
    on_one_thread(async {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let address = listener.local_addr().unwrap();
        drop(listener);
        let mut bus = Running::start(counter_bus(BusLink::Tcp { address: address.to_string() }, ms(200)));
        let BusReport::NotConnected { why: OpenError::Refused { .. }, .. } = bus.report().await else {
            panic!()
        };
        assert_eq!(bus.raw().await, Raw::Fault(Fault::NotConnected));
        assert_eq!(bus.raw().await, Raw::Fault(Fault::NotConnected));
        assert!(bus.counters.open_failures() >= 2);
        tcp_device_on(TcpListener::bind(address).unwrap(), good);
        assert_eq!(bus.until(is_number).await, Raw::Number(1.0));
        let counters = bus.counters.devices()[0];
        assert!(counters.not_connected >= 2 && counters.polls_sent == counters.replies_ok);
        bus.end().await;
    });
}

#[test]
fn attempts_to_connect_back_off() {
    on_one_thread(async {
        let free = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap();
        let bus = Running::start(counter_bus(BusLink::Tcp { address: free.to_string() }, ms(200)));
        tokio::time::sleep(ms(2000)).await;
        // Waits are drawn from 0..20, 0..40, 0..80, 0..160 ms and then 0..200 ms: about 22 on average.
        let attempts = bus.counters.open_failures();
        assert!((10..45).contains(&attempts), "{attempts} attempts in 2 s");
        bus.end().await;
    });
}

#[test]
fn a_reset_connection_is_made_anew() {
    on_one_thread(async {
        let script = |a: &Asked| if a.number.is_multiple_of(3) { vec![Act::Reset] } else { good(a) };
        let mut settings = tcp_bus(script, ms(30));
        settings.devices[0].retries = 2;
        let mut bus = Running::start(settings);
        let mut last = 0.0;
        for _ in 0..20 {
            let Raw::Number(number) = bus.until(is_number).await else {
                unreachable!("a number was asked for")
            };
            assert!(number > last);
            last = number;
        }
        assert!(bus.counters.connects() >= 6);
        bus.end().await;
    });
}

#[test]
fn a_connection_closed_while_idle_costs_no_reading() {
    on_one_thread(async {
        let script = |a: &Asked| good(a).into_iter().chain([Act::Close]).collect();
        let mut settings = tcp_bus(script, ms(100));
        settings.reconnect = (ms(5), ms(20));
        let mut bus = Running::start(settings);
        for number in 1..=5 {
            assert_eq!(bus.raw().await, Raw::Number(f64::from(number)));
        }
        let counters = bus.counters.devices()[0];
        assert_eq!((counters.polls_sent, counters.not_connected), (5, 0));
        bus.end().await;
    });
}

#[test]
fn a_half_open_connection_is_given_up_within_two_polls() {
    on_one_thread(async {
        let script = |a: &Asked| {
            if a.connection == 1 && a.number > 3 { vec![] } else { good(a) }
        };
        // The scripted server takes one connection at a time; the backlog holds the second until the first is closed.
        let mut bus = Running::start(impatient(tcp_bus(script, ms(50))));
        assert_eq!(bus.until(|r| !is_number(r)).await, Raw::Fault(Fault::NoReply));
        assert!(is_number(&bus.until(is_number).await));
        // Two, unless a busy machine made a good reply late as well.
        assert!((2..5).contains(&bus.counters.devices()[0].timeouts));
        assert!((2..4).contains(&bus.counters.connects()));
        bus.end().await;
    });
}

#[test]
fn a_dead_unit_does_not_cost_the_others_their_connection() {
    on_one_thread(async {
        let script = |a: &Asked| if a.unit == 8 { vec![] } else { good(a) };
        let mut settings = impatient(tcp_bus(script, ms(50)));
        let mut dead = settings.devices[0].clone();
        dead.unit_id = 8;
        settings.devices.push(dead);
        let mut bus = Running::start(settings);
        let mut alive = 0;
        while alive < 40 {
            alive += u32::from(is_number(&bus.raw().await));
        }
        assert_eq!(bus.counters.connects(), 1);
        let counters = bus.counters.devices();
        assert!(counters[1].timeouts >= 2 && counters[1].timeouts < 6, "{counters:?}");
        bus.end().await;
    });
}

#[test]
fn an_exception_never_costs_the_connection() {
    on_one_thread(async {
        let mut bus = Running::start(tcp_bus(|a| vec![Act::Send(a.tcp(&[0x84, 4]))], ms(20)));
        for _ in 0..10 {
            assert_eq!(bus.raw().await, Raw::Fault(Fault::Exception(4)));
        }
        assert_eq!(bus.counters.connects(), 1);
        bus.end().await;
    });
}

#[test]
fn a_replugged_adapter_is_found_by_its_path() {
    on_one_thread(async {
        let reply = |a: &Asked| vec![Act::Send(rtu(a.unit, &a.pdu()))];
        let directory = std::env::temp_dir().join(format!("sumpwarden-replug-{}", std::process::id()));
        std::fs::create_dir_all(&directory).unwrap();
        let by_id = directory.join("usb-0");
        let pulled = by_id.clone();
        // The link goes before the terminal, whose number another test may be given.
        let first = serial_device(move |a| {
            if a.number <= 3 {
                return reply(a);
            }
            std::fs::remove_file(&pulled).unwrap();
            vec![Act::Close]
        });
        plug(&first.path, &by_id);
        let link = BusLink::Rtu { port: by_id.to_str().unwrap().to_owned(), line: LINE };
        let mut bus = Running::start(counter_bus(link, ms(50)));
        for number in 1..=3 {
            assert_eq!(bus.raw().await, Raw::Number(f64::from(number)));
        }
        let missing = loop {
            if let BusReport::NotConnected { why, .. } = bus.report().await {
                break why;
            }
        };
        assert!(matches!(missing, OpenError::Missing { .. }), "{missing}");
        drop(first);
        assert_eq!(bus.raw().await, Raw::Fault(Fault::NotConnected));
        let second = serial_device(reply);
        plug(&second.path, &by_id);
        assert_eq!(bus.until(is_number).await, Raw::Number(1.0));
        bus.end().await;
        std::fs::remove_dir_all(&directory).unwrap();
    });
}

fn plug(terminal: &PathBuf, by_id: &PathBuf) {
    std::os::unix::fs::symlink(terminal, by_id).unwrap();
}

#[test]
fn the_silent_interval_is_kept_and_not_much_more() {
    on_one_thread(async {
        let line = serial_device(|a| vec![Act::Send(rtu(a.unit, &a.pdu()))]);
        let link = BusLink::Rtu { port: line.path.to_str().unwrap().to_owned(), line: LINE };
        let mut bus = Running::start(counter_bus(link, Duration::from_micros(100)));
        for _ in 0..300 {
            bus.raw().await;
        }
        bus.end().await;
        let mut gaps = line.gaps.lock().unwrap().clone();
        gaps.sort();
        // 1.75 ms above 19200 baud (Serial Line V1.02, 2.5.1.1). The device notes the end of its reply after it was
        // written, so it may see a little less than the gateway kept.
        assert!(gaps[gaps.len() / 2] >= Duration::from_micros(1700), "median {:?}", gaps[gaps.len() / 2]);
        // On a busy machine the device itself is woken late, so the quick ones tell.
        assert!(gaps[gaps.len() / 10] <= Duration::from_micros(2750), "quick {:?}", gaps[gaps.len() / 10]);
    });
}

#[test]
fn points_are_read_once_for_people() {
    on_one_thread(async {
        let asked = Arc::new(Mutex::new(0));
        let count = Arc::clone(&asked);
        let mut settings = tcp_bus(
            move |a| {
                *count.lock().unwrap() += 1;
                match a.number {
                    1 => vec![],
                    2 => good(a),
                    _ => vec![Act::Send(a.tcp(&[0x84, 2]))],
                }
            },
            ms(1000),
        );
        settings = impatient(settings);
        settings.devices[0].retries = 1;
        let other = settings.devices[0].points[0].clone();
        settings.devices[0].points.push(other);
        let device = DeviceIndex(0);
        let read = read_once(&settings, &[(device, 0), (device, 1)]).await.unwrap();
        assert_eq!(read[0].words, Ok(vec![0, 2]), "the second attempt");
        assert_eq!(read[1].words, Err(Fault::Exception(2)));
        assert_eq!(*asked.lock().unwrap(), 3, "an exception is not asked again");
        assert!(read_once(&settings, &[(device, 9)]).await.unwrap_err().to_string().contains("no point 9"));
        settings.link = BusLink::Tcp { address: "127.0.0.1:1".to_owned() };
        assert!(read_once(&settings, &[(device, 0)]).await.unwrap_err().to_string().contains("refuses"));
    });
}
