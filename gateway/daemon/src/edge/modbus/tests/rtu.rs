//! RTU over a pseudo terminal and over TCP against scripted devices.

use std::path::Path;
use std::time::Duration;

use sumpwarden_core::acquire::settings::BusLink;
use sumpwarden_protocol::modbus::Table;

use super::super::exchange::{Answer, Connection, Ended};
use super::super::open::{OpenError, open};
use super::peer::{Act, Asked, Line, rtu, serial_device};
use super::{LINE, PATIENT, ask, ms};

fn link(path: &Path) -> BusLink {
    BusLink::Rtu { port: path.to_str().unwrap().to_owned(), line: LINE }
}

async fn connect(line: &Line) -> Connection {
    Connection::new(open(&link(&line.path), ms(500)).await.unwrap())
}

fn good(asked: &Asked) -> Act {
    Act::Send(asked.rtu(&asked.pdu()))
}

fn usable(answer: Answer) -> Ended {
    Ended { answer, sent: None, reusable: true }
}

/// The first request meets `first`, the second a healthy device: what becomes of both. In between the bus stays quiet as
/// the schedule would have it.
async fn first_then_good(
    patience: Duration,
    first: impl Fn(&Asked) -> Vec<Act> + Send + 'static,
) -> (Ended, Ended) {
    let line = serial_device(move |a| if a.number == 1 { first(a) } else { vec![good(a)] });
    let mut connection = connect(&line).await;
    let one = connection.exchange_for(&ask(Table::InputRegister, 2, patience)).await;
    tokio::time::sleep(ms(400)).await;
    connection.settle(async || tokio::time::sleep(ms(2)).await).await;
    (one, connection.exchange_for(&ask(Table::InputRegister, 2, PATIENT)).await)
}

fn second_reply() -> Ended {
    usable(Answer::Words(vec![0, 2]))
}

#[tokio::test]
async fn every_table_is_read_over_a_line_and_over_tcp() {
    let line = serial_device(|a| vec![good(a)]);
    let server = tcp_rtu_device();
    let over_tcp = BusLink::RtuOverTcp { address: server.to_string(), line: LINE };
    for mut connection in [connect(&line).await, Connection::new(open(&over_tcp, ms(500)).await.unwrap())] {
        for (number, table) in [(1, Table::InputRegister), (2, Table::HoldingRegister)] {
            let ended = connection.exchange_for(&ask(table, 3, PATIENT)).await;
            assert_eq!(ended, usable(Answer::Words(vec![0, number, 2])));
        }
        let ended = connection.exchange_for(&ask(Table::Coil, 10, PATIENT)).await;
        assert_eq!(ended, usable(Answer::Bits((0..10).map(|i| i % 2 == 0).collect())));
    }
}

/// RTU requests have eight bytes, four fewer than on TCP.
fn tcp_rtu_device() -> std::net::SocketAddr {
    use std::io::{Read, Write};
    let listener = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    let address = listener.local_addr().unwrap();
    std::thread::spawn(move || {
        let (mut stream, _) = listener.accept().unwrap();
        for number in 1_u8.. {
            let mut request = [0; 8];
            let Ok(()) = stream.read_exact(&mut request) else { return };
            let pdu = match request[1] {
                1 => vec![1, 2, 0b0101_0101, 0b0101_0101],
                function => vec![function, 6, 0, 0, 0, number, 0, 2],
            };
            stream.write_all(&rtu(request[0], &pdu)).unwrap();
        }
    });
    address
}

#[tokio::test]
async fn a_late_reply_is_thrown_away() {
    let (late, next) = first_then_good(ms(60), |a| vec![Act::Pause(ms(90)), good(a)]).await;
    assert_eq!((late, next), (usable(Answer::NoReply), second_reply()));
}

#[tokio::test]
async fn without_the_port_a_late_reply_is_taken_for_the_next() {
    // The client library alone, to show what the port is for: request 2 is answered with the reply to request 1.
    use tokio_modbus::client::Reader;
    let line =
        serial_device(|a| if a.number == 1 { vec![Act::Pause(ms(90)), good(a)] } else { vec![good(a)] });
    let builder = tokio_serial::new(line.path.to_str().unwrap(), LINE.baud);
    let bare = tokio_serial::SerialStream::open(&builder).unwrap();
    let mut client = tokio_modbus::client::rtu::attach_slave(bare, tokio_modbus::Slave(7));
    assert!(tokio::time::timeout(ms(60), client.read_input_registers(0, 2)).await.is_err());
    tokio::time::sleep(ms(400)).await;
    let shifted = tokio::time::timeout(PATIENT, client.read_input_registers(0, 2)).await.unwrap().unwrap();
    assert_eq!(shifted, Ok(vec![0, 1]));
}

#[tokio::test]
async fn a_doubled_reply_is_thrown_away() {
    let (one, next) = first_then_good(PATIENT, |a| vec![good(a), good(a)]).await;
    assert_eq!((one, next), (usable(Answer::Words(vec![0, 1])), second_reply()));
    let (one, next) = first_then_good(PATIENT, |a| vec![good(a), Act::Pause(ms(40)), good(a)]).await;
    assert_eq!((one, next), (usable(Answer::Words(vec![0, 1])), second_reply()));
}

#[tokio::test]
async fn a_reply_to_something_else_is_waited_out() {
    let frames: [fn(&Asked) -> Vec<u8>; 3] = [
        |a| rtu(a.unit + 1, &a.pdu()),
        |a| rtu(a.unit, &[&[3], &a.pdu()[1..]].concat()),
        |a| rtu(a.unit, &[0x83, 2]),
    ];
    for frame in frames {
        let (one, next) =
            first_then_good(PATIENT, move |a| vec![Act::Send(frame(a)), Act::Pause(ms(20)), good(a)]).await;
        assert_eq!((one, next), (usable(Answer::Unmatched), second_reply()));
    }
}

#[tokio::test]
async fn a_reply_of_the_wrong_length_is_no_reply() {
    for words in [1_u8, 3] {
        let pdu = [vec![4, 2 * words], vec![0; usize::from(2 * words)]].concat();
        let (one, next) = first_then_good(ms(200), move |a| vec![Act::Send(a.rtu(&pdu))]).await;
        assert_eq!((one, next), (usable(Answer::BadFrame), second_reply()));
    }
    for bytes in [1, 2, 5, 8] {
        let (one, next) =
            first_then_good(ms(200), move |a| vec![Act::Send(a.rtu(&a.pdu())[..bytes].to_vec())]).await;
        assert_eq!((one, next), (usable(Answer::NoReply), second_reply()), "{bytes} bytes of 9");
    }
}

#[tokio::test]
async fn no_single_flipped_bit_gets_through() {
    let line = serial_device(|a| {
        let mut frame = a.rtu(&a.pdu());
        let flipped = (a.number as usize - 1) % (8 * 9);
        frame[flipped / 8] ^= 1 << (flipped % 8);
        vec![Act::Send(frame)]
    });
    let mut connection = connect(&line).await;
    for bit in 0..8 * 9 {
        let ended = connection.exchange_for(&ask(Table::InputRegister, 2, ms(15))).await;
        let refused = matches!(ended.answer, Answer::BadFrame | Answer::NoReply | Answer::Unmatched);
        assert!(refused && ended.reusable, "bit {bit}: {ended:?}");
    }
}

#[tokio::test]
async fn noise_before_a_reply_costs_at_most_that_reply() {
    for length in [1, 3, 19, 21, 60, 200] {
        let noise: Vec<u8> = (0..length).map(|i| (i * 37 + 11) as u8).collect();
        let (one, next) = first_then_good(ms(200), move |a| vec![Act::Send(noise.clone()), good(a)]).await;
        let harmless = matches!(one.answer, Answer::BadFrame | Answer::NoReply | Answer::Unmatched)
            || one.answer == Answer::Words(vec![0, 1]);
        assert!(harmless && one.reusable, "{length} bytes of noise: {one:?}");
        assert_eq!(next, second_reply(), "{length} bytes of noise");
    }
}

#[tokio::test]
async fn a_reply_may_come_byte_by_byte() {
    let drip = |a: &Asked| {
        let bytes = a.rtu(&a.pdu());
        bytes.into_iter().flat_map(|b| [Act::Send(vec![b]), Act::Pause(ms(3))]).collect()
    };
    let (one, next) = first_then_good(PATIENT, drip).await;
    assert_eq!((one, next), (usable(Answer::Words(vec![0, 1])), second_reply()));
}

#[tokio::test]
async fn an_exception_is_an_answer() {
    for code in [1, 2, 3, 4, 5, 6, 8, 10, 11, 0x7F] {
        let (one, next) = first_then_good(PATIENT, move |a| vec![Act::Send(a.rtu(&[0x84, code]))]).await;
        assert_eq!((one, next), (usable(Answer::Exception(code)), second_reply()));
    }
}

#[tokio::test]
async fn a_pulled_adapter_is_a_lost_connection() {
    let line = serial_device(|a| if a.number == 1 { vec![good(a)] } else { vec![Act::Close] });
    let mut connection = connect(&line).await;
    let request = ask(Table::InputRegister, 2, PATIENT);
    assert_eq!(connection.exchange_for(&request).await, usable(Answer::Words(vec![0, 1])));
    let gone = connection.exchange_for(&request).await;
    assert_eq!(gone, Ended { answer: Answer::Lost { partial: false }, sent: None, reusable: false });
    let after = connection.exchange_for(&request).await;
    assert_eq!(after, Ended { answer: Answer::NotSent, sent: None, reusable: false });
}

#[tokio::test]
async fn failures_to_open_name_their_cure() {
    let missing = open(&link(Path::new("/dev/serial/by-id/none")), ms(500)).await.unwrap_err();
    assert!(matches!(missing, OpenError::Missing { .. }) && missing.to_string().contains("plugged in"));
    let line = serial_device(|a| vec![good(a)]);
    let _first = connect(&line).await;
    let busy = open(&link(&line.path), ms(500)).await.unwrap_err();
    assert!(
        matches!(busy, OpenError::Busy { .. }) && busy.to_string().contains("another program"),
        "{busy:?}"
    );
    let no_port = open(&link(Path::new("/dev/null")), ms(500)).await.unwrap_err();
    assert!(matches!(no_port, OpenError::Port { .. }), "{no_port:?}");
}
