//! Modbus TCP against scripted devices.

use std::net::SocketAddr;
use std::time::Duration;

use sumpwarden_core::acquire::settings::BusLink;
use sumpwarden_protocol::modbus::Table;

use super::super::exchange::{Answer, Connection, Ended};
use super::super::open::{OpenError, open};
use super::peer::{Act, Asked, mbap, tcp_device};
use super::{PATIENT, ask, ms};

async fn connect(address: SocketAddr) -> Connection {
    Connection::new(open(&BusLink::Tcp { address: address.to_string() }, ms(500)).await.unwrap())
}

/// One request for two registers to a device that follows `script`.
async fn one(script: impl FnMut(&Asked) -> Vec<Act> + Send + 'static) -> Ended {
    one_within(PATIENT, script).await
}

async fn one_within(patience: Duration, script: impl FnMut(&Asked) -> Vec<Act> + Send + 'static) -> Ended {
    connect(tcp_device(script)).await.exchange_for(&ask(Table::InputRegister, 2, patience)).await
}

fn good(asked: &Asked) -> Act {
    Act::Send(asked.tcp(&asked.pdu()))
}

fn usable(answer: Answer) -> Ended {
    Ended { answer, sent: None, reusable: true }
}

fn lost_step(answer: Answer) -> Ended {
    Ended { answer, sent: None, reusable: false }
}

#[tokio::test]
async fn every_table_is_read() {
    let mut connection = connect(tcp_device(|a| vec![good(a)])).await;
    for (number, table) in [(1, Table::InputRegister), (2, Table::HoldingRegister)] {
        let ended = connection.exchange_for(&ask(table, 3, PATIENT)).await;
        assert_eq!(ended, usable(Answer::Words(vec![0, number, 2])));
    }
    for table in [Table::Coil, Table::DiscreteInput] {
        let ended = connection.exchange_for(&ask(table, 10, PATIENT)).await;
        let bits = (0..10).map(|i| i % 2 == 0).collect();
        assert_eq!(ended, usable(Answer::Bits(bits)));
    }
}

#[tokio::test]
async fn a_late_reply_is_thrown_away() {
    let late = |a: &Asked| if a.number == 1 { vec![Act::Pause(ms(90)), good(a)] } else { vec![good(a)] };
    let mut connection = connect(tcp_device(late)).await;
    let request = ask(Table::InputRegister, 2, ms(60));
    assert_eq!(connection.exchange_for(&request).await, usable(Answer::NoReply));
    tokio::time::sleep(ms(500)).await;
    let patient = ask(Table::InputRegister, 2, PATIENT);
    assert_eq!(connection.exchange_for(&patient).await, usable(Answer::Words(vec![0, 2])));
}

#[tokio::test]
async fn a_reply_that_is_later_still_costs_the_connection_but_is_never_a_value() {
    let later = |a: &Asked| if a.number == 1 { vec![Act::Pause(ms(700)), good(a)] } else { vec![good(a)] };
    let mut connection = connect(tcp_device(later)).await;
    let request = ask(Table::InputRegister, 2, ms(60));
    assert_eq!(connection.exchange_for(&request).await, usable(Answer::NoReply));
    tokio::time::sleep(ms(30)).await;
    let patient = ask(Table::InputRegister, 2, PATIENT);
    assert_eq!(connection.exchange_for(&patient).await, lost_step(Answer::Unmatched));
}

#[tokio::test]
async fn a_doubled_reply_is_thrown_away() {
    let mut connection = connect(tcp_device(|a| vec![good(a), good(a)])).await;
    for number in 1..20 {
        let ended = connection.exchange_for(&ask(Table::InputRegister, 2, PATIENT)).await;
        // The second copy may still be on its way when the next request goes out; then its transaction tells.
        if ended.answer == Answer::Unmatched {
            assert!(!ended.reusable);
            return;
        }
        assert_eq!(ended, usable(Answer::Words(vec![0, number])));
        tokio::time::sleep(ms(5)).await;
    }
}

#[tokio::test]
async fn a_reply_to_something_else_costs_the_connection() {
    let frames: [fn(&Asked) -> Vec<u8>; 4] = [
        |a| mbap(a.transaction.wrapping_add(1), 0, 7, a.unit, &a.pdu()),
        |a| mbap(a.transaction, 0, 7, a.unit + 1, &a.pdu()),
        |a| a.tcp(&[&[3], &a.pdu()[1..]].concat()),
        |a| a.tcp(&[0x83, 2]),
    ];
    for frame in frames {
        assert_eq!(one(move |a| vec![Act::Send(frame(a))]).await, lost_step(Answer::Unmatched));
    }
}

#[tokio::test]
async fn a_reply_of_the_wrong_length_is_no_reply() {
    // One word too few and one too many, sound in themselves: only the request tells.
    for words in [1_u8, 3] {
        let pdu = [vec![4, 2 * words], vec![0; usize::from(2 * words)]].concat();
        assert_eq!(one(move |a| vec![Act::Send(a.tcp(&pdu))]).await, lost_step(Answer::BadFrame));
    }
    // Byte counts that do not fit their own frame, an odd one, an empty PDU.
    for pdu in [vec![4, 6, 0, 1, 0, 2], vec![4, 2, 0, 1, 0, 2], vec![4, 3, 0, 1, 0], vec![4], vec![4, 4, 0]] {
        assert_eq!(one(move |a| vec![Act::Send(a.tcp(&pdu))]).await, lost_step(Answer::BadFrame));
    }
    let bits = |a: &Asked| vec![Act::Send(a.tcp(&[1, 1, 0xFF]))];
    let ended = connect(tcp_device(bits)).await.exchange_for(&ask(Table::Coil, 9, PATIENT)).await;
    assert_eq!(ended, lost_step(Answer::BadFrame));
}

#[tokio::test]
async fn a_header_that_lies_costs_the_connection() {
    let frames: [fn(&Asked) -> Vec<u8>; 5] = [
        |a| mbap(a.transaction, 0, 0, a.unit, &a.pdu()),
        |a| mbap(a.transaction, 0, 1, a.unit, &a.pdu()),
        |a| mbap(a.transaction, 0, 65_535, a.unit, &a.pdu()),
        |a| mbap(a.transaction, 1, 7, a.unit, &a.pdu()),
        |_| vec![0xFF; 13],
    ];
    for frame in frames {
        assert_eq!(
            one_within(ms(700), move |a| vec![Act::Send(frame(a))]).await,
            lost_step(Answer::BadFrame)
        );
    }
}

#[tokio::test]
async fn a_flood_is_cut_off() {
    let ended =
        one(|a| vec![Act::Send([mbap(a.transaction, 0, 65_535, a.unit, &[]), vec![0; 100_000]].concat())])
            .await;
    assert_eq!(ended, lost_step(Answer::Lost { partial: true }));
    let mut connection = connect(tcp_device(|a| vec![good(a), Act::Send(vec![0; 100_000])])).await;
    let request = ask(Table::InputRegister, 2, PATIENT);
    assert_eq!(connection.exchange_for(&request).await.answer, Answer::Words(vec![0, 1]));
    tokio::time::sleep(ms(50)).await;
    assert_eq!(connection.exchange_for(&request).await, lost_step(Answer::NotSent));
}

#[tokio::test]
async fn part_of_a_reply_and_then_silence_is_a_time_out() {
    for bytes in [1, 8, 12] {
        let ended = one_within(ms(120), move |a| vec![Act::Send(a.tcp(&a.pdu())[..bytes].to_vec())]).await;
        assert_eq!(ended, lost_step(Answer::NoReply), "{bytes} bytes of 13");
    }
}

#[tokio::test]
async fn a_reply_may_come_byte_by_byte() {
    let drip = |a: &Asked| {
        let bytes = a.tcp(&a.pdu());
        bytes.into_iter().flat_map(|b| [Act::Send(vec![b]), Act::Pause(ms(5))]).collect()
    };
    let ended = connect(tcp_device(drip)).await.exchange_for(&ask(Table::InputRegister, 2, PATIENT)).await;
    assert_eq!(ended, usable(Answer::Words(vec![0, 1])));
}

#[tokio::test]
async fn an_exception_is_an_answer() {
    for code in [1, 2, 3, 4, 5, 6, 8, 10, 11, 0, 0x7F, 0xFF] {
        assert_eq!(
            one(move |a| vec![Act::Send(a.tcp(&[0x84, code]))]).await,
            usable(Answer::Exception(code))
        );
    }
}

#[tokio::test]
async fn a_peer_that_goes_away() {
    assert_eq!(one(|_| vec![Act::Close]).await, lost_step(Answer::Lost { partial: false }));
    assert_eq!(one(|_| vec![Act::Reset]).await, lost_step(Answer::Lost { partial: false }));
    let cut = |a: &Asked| vec![Act::Send(a.tcp(&a.pdu())[..9].to_vec()), Act::Pause(ms(20)), Act::Close];
    assert_eq!(one(cut).await, lost_step(Answer::Lost { partial: true }));
    let mut connection = connect(tcp_device(|a| vec![good(a), Act::Close])).await;
    let request = ask(Table::InputRegister, 2, PATIENT);
    assert_eq!(connection.exchange_for(&request).await.answer, Answer::Words(vec![0, 1]));
    tokio::time::sleep(ms(20)).await;
    assert_eq!(
        connection.exchange_for(&request).await,
        lost_step(Answer::NotSent),
        "closed while idle: not a poll"
    );
}

#[tokio::test]
async fn a_time_out_comes_when_it_should() {
    let mut connection = connect(tcp_device(|_| vec![])).await;
    let mut shortest = PATIENT;
    for _ in 0..5 {
        let start = std::time::Instant::now();
        assert_eq!(
            connection.exchange_for(&ask(Table::InputRegister, 2, ms(60))).await,
            usable(Answer::NoReply)
        );
        shortest = shortest.min(start.elapsed());
    }
    assert!(shortest >= ms(60) && shortest < ms(70), "{shortest:?}");
}

#[tokio::test]
async fn failures_to_connect_name_their_cure() {
    let free = std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap();
    let refused = open(&BusLink::Tcp { address: free.to_string() }, ms(500)).await.unwrap_err();
    assert!(matches!(refused, OpenError::Refused { .. }) && refused.to_string().contains("port number"));
    let nobody =
        open(&BusLink::Tcp { address: "no-such-host.invalid:502".to_owned() }, ms(5000)).await.unwrap_err();
    assert!(matches!(nobody, OpenError::Unreachable { .. } | OpenError::TimedOut { .. }), "{nobody}");
}
