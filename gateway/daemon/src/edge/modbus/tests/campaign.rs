//! Thousands of replies, some late and some doubled, with the reply's number in registers 0 and 1: no value may come from
//! a reply that was late, and none may come twice. Run once more over the bare client library to show that it can fail.

use std::collections::BTreeSet;
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use sumpwarden_core::acquire::settings::BusLink;
use sumpwarden_core::model::Raw;

use super::super::BusReport;
use super::actor::{Running, on_one_thread};
use super::peer::{Act, Asked, Line, rtu, serial_device, tcp_device};
use super::{LINE, counter_bus, ms};

const TIMEOUT: Duration = Duration::from_millis(12);
const LATE: Duration = Duration::from_millis(30);
/// Far longer than any reply is late, so that a busy machine does not fail the test.
const WORST_REPLY: Duration = Duration::from_millis(240);

/// Numbers of the replies that were sent late.
type LateOnes = Arc<Mutex<BTreeSet<u32>>>;

/// A device whose replies are late and doubled by chance, the same chance at every run. `twice` sends a reply two times.
fn unreliable(
    frame: fn(&Asked) -> Vec<u8>,
    twice: fn(Vec<u8>) -> Vec<Act>,
    late: LateOnes,
) -> impl FnMut(&Asked) -> Vec<Act> + Send + 'static {
    let mut random = 0x2545_F491_4F6C_DD1D_u64;
    move |asked| {
        // xorshift64 (Marsaglia 2003).
        random ^= random << 13;
        random ^= random >> 7;
        random ^= random << 17;
        let (draw, reply) = (random % 100, frame(asked));
        if draw < 2 {
            late.lock().unwrap().insert(asked.number);
            let came = Instant::now();
            std::thread::sleep(LATE);
            // Where the machine held it up for longer than its worst reply it says nothing: nobody could tell that one.
            if came.elapsed() > WORST_REPLY / 2 {
                return Vec::new();
            }
        }
        if (1..6).contains(&draw) { twice(reply) } else { vec![Act::Send(reply)] }
    }
}

/// A number that came as a value, and how long after its request.
type Value = (u32, Duration);

/// Polls until `polls` requests went out.
fn values(link: BusLink, polls: u64) -> Vec<Value> {
    let mut settings = counter_bus(link, Duration::from_micros(100));
    settings.devices[0].timeout = TIMEOUT;
    settings.devices[0].worst_reply = WORST_REPLY;
    settings.devices[0].retries = 3;
    settings.reconnect = (ms(1), ms(5));
    let mut values = Vec::new();
    on_one_thread(async {
        let mut bus = Running::start(settings);
        while bus.counters.devices().first().is_none_or(|c| c.polls_sent < polls) {
            let BusReport::Readings { sent, readings, .. } = bus.report().await else { continue };
            if let Raw::Number(number) = readings[0].raw {
                values.push((number as u32, readings[0].received.since(sent)));
            }
        }
        let counters = bus.counters.devices()[0];
        assert!(counters.timeouts > 10 && counters.balanced(), "{counters:?}");
    });
    values
}

/// Values that answer an earlier request: late ones that came sooner than they were sent after their own request, which
/// leaves out those that a busy machine saw together with the end of its patience, and those that are not new.
fn wrong(values: &[Value], late: &LateOnes) -> usize {
    let late = late.lock().unwrap();
    let stale = values.iter().filter(|(number, waited)| late.contains(number) && *waited < LATE).count();
    let repeated = values.windows(2).filter(|w| w[1].0 <= w[0].0).count();
    stale + repeated
}

fn line(late: &LateOnes) -> Line {
    // In one write: on a busy machine a second one may come after the silent interval, when it answers the next request for
    // all that anybody can tell.
    let twice = |reply: Vec<u8>| vec![Act::Send(reply.repeat(2))];
    serial_device(unreliable(|a| rtu(a.unit, &a.pdu()), twice, Arc::clone(late)))
}

#[test]
fn no_late_or_doubled_reply_becomes_a_value_on_a_line() {
    let late = LateOnes::default();
    let line = line(&late);
    let link = BusLink::Rtu { port: line.path.to_str().unwrap().to_owned(), line: LINE };
    let values = values(link, 2000);
    assert!(values.len() > 1800, "{} values", values.len());
    assert_eq!(wrong(&values, &late), 0);
}

#[test]
fn no_late_or_doubled_reply_becomes_a_value_on_tcp() {
    let late = LateOnes::default();
    let twice = |reply: Vec<u8>| vec![Act::Send(reply.clone()), Act::Send(reply)];
    let address = tcp_device(unreliable(|a| a.tcp(&a.pdu()), twice, Arc::clone(&late)));
    let values = values(BusLink::Tcp { address: address.to_string() }, 3000);
    assert!(values.len() > 2000, "{} values", values.len());
    assert_eq!(wrong(&values, &late), 0);
}

#[tokio::test]
async fn the_bare_client_library_fails_the_same_campaign() {
    use tokio_modbus::client::Reader;
    let late = LateOnes::default();
    let line = line(&late);
    let builder = tokio_serial::new(line.path.to_str().unwrap(), LINE.baud);
    let bare = tokio_serial::SerialStream::open(&builder).unwrap();
    let mut client = tokio_modbus::client::rtu::attach_slave(bare, tokio_modbus::Slave(7));
    let mut values = Vec::new();
    for _ in 0..500 {
        let sent = Instant::now();
        if let Ok(Ok(Ok(words))) = tokio::time::timeout(TIMEOUT, client.read_input_registers(0, 2)).await {
            values.push((u32::from(words[0]) << 16 | u32::from(words[1]), sent.elapsed()));
        }
    }
    assert!(wrong(&values, &late) > 0);
}
