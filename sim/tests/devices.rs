//! The devices, asked over bare sockets and a bare terminal: what is on the wire, to the byte.

#![allow(clippy::unwrap_used, reason = "tests")]

use std::io::{Read, Write};
use std::net::TcpStream;
use std::time::{Duration, Instant};

use sumpwarden_protocol::modbus::{Address, Table};
use sumpwarden_sim::device::{Bank, Fault, Line, LineOptions, Plain, Server, ServerOptions, Times, Unit};

const INPUT: Address = Address { table: Table::InputRegister, index: 0 };

fn hex(text: &str) -> Vec<u8> {
    text.split(' ').map(|byte| u8::from_str_radix(byte, 16).unwrap()).collect()
}

/// Unit 17 holds the specification's example (V1.1b3, 6.3: registers 108 to 110 are 555, 0, 100), unit 1 counts replies.
fn bank() -> Bank {
    let bank = Bank::new()
        .with_unit(17, Unit::new().with_holding_registers(200))
        .with_unit(1, Unit::new().with_input_registers(10).with_counter_at(INPUT))
        .with_stranger(11);
    bank.set_words(17, Address::new(Table::HoldingRegister, 0x6B), &[555, 0, 100]);
    bank
}

struct Client(TcpStream);

impl Client {
    fn open(address: std::net::SocketAddr) -> Self {
        let stream = TcpStream::connect(address).unwrap();
        stream.set_read_timeout(Some(Duration::from_millis(300))).unwrap();
        Self(stream)
    }

    fn send(&mut self, bytes: &str) {
        self.0.write_all(&hex(bytes)).unwrap();
    }

    /// What comes until `count` bytes, an end or 300 ms of silence.
    fn read(&mut self, count: usize) -> Vec<u8> {
        let mut got = Vec::new();
        let mut buffer = [0; 512];
        while got.len() < count {
            match self.0.read(&mut buffer) {
                Ok(0) | Err(_) => break,
                Ok(n) => got.extend_from_slice(&buffer[..n]),
            }
        }
        got
    }

    fn ask(&mut self, request: &str, reply_bytes: usize) -> Vec<u8> {
        self.send(request);
        self.read(reply_bytes)
    }

    fn is_closed(&mut self) -> bool {
        matches!(self.0.read(&mut [0; 16]), Ok(0) | Err(_)) && self.read(1).is_empty()
    }
}

/// Servers on a runtime of their own, so that the client may block.
struct Rig {
    runtime: tokio::runtime::Runtime,
    bank: Bank,
    server: Option<Server>,
}

impl Rig {
    fn tcp(options: ServerOptions) -> Self {
        let runtime =
            tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build().unwrap();
        let bank = bank();
        let server = Some(runtime.block_on(Server::tcp(bank.clone(), options)).unwrap());
        Self { runtime, bank, server }
    }

    fn rtu() -> Self {
        let mut rig = Self::tcp(ServerOptions::default());
        let served = rig.runtime.block_on(Server::rtu_over_tcp(rig.bank.clone(), ServerOptions::default()));
        rig.server = Some(served.unwrap());
        rig
    }

    fn server(&self) -> &Server {
        self.server.as_ref().unwrap()
    }

    fn client(&self) -> Client {
        Client::open(self.server().address())
    }
}

/// A reply is booked once it has been written, which may be after the client has read it.
fn assert_comes_to<T: PartialEq + std::fmt::Debug>(counted: impl Fn() -> T, expected: T) {
    let until = Instant::now() + Duration::from_secs(5);
    while counted() != expected && Instant::now() < until {
        std::thread::sleep(Duration::from_millis(1));
    }
    assert_eq!(counted(), expected);
}

const ASK_17: &str = "00 01 00 00 00 06 11 03 00 6B 00 03";
const ASK_COUNTER: &str = "00 02 00 00 00 06 01 04 00 00 00 02";

#[test]
fn tcp_answers_the_specification_s_example_in_an_mbap_frame() {
    let rig = Rig::tcp(ServerOptions::default());
    let mut client = rig.client();
    assert_eq!(client.ask(ASK_17, 15), hex("00 01 00 00 00 09 11 03 06 02 2B 00 00 00 64"));
    // Two requests in one segment, one request in two.
    client.send(&format!("{ASK_COUNTER} 00 03 00 00 00 06 01 04"));
    assert_eq!(client.read(13), hex("00 02 00 00 00 07 01 04 04 00 00 00 01"));
    assert_eq!(client.ask("00 00 00 02", 13), hex("00 03 00 00 00 07 01 04 04 00 00 00 02"));
    // Exceptions 1, 2, 3 and the gateway's 11 for a unit that is not there.
    assert_eq!(client.ask("00 04 00 00 00 06 01 06 00 00 00 01", 9), hex("00 04 00 00 00 03 01 86 01"));
    assert_eq!(client.ask("00 05 00 00 00 06 01 04 00 09 00 02", 9), hex("00 05 00 00 00 03 01 84 02"));
    assert_eq!(client.ask("00 06 00 00 00 06 01 04 00 00 00 7E", 9), hex("00 06 00 00 00 03 01 84 03"));
    assert_eq!(client.ask("00 07 00 00 00 06 09 04 00 00 00 01", 9), hex("00 07 00 00 00 03 09 84 0B"));
    assert_comes_to(|| rig.bank.answered(1), vec![1..=2]);
}

#[test]
fn tcp_closes_on_what_is_not_modbus() {
    let rig = Rig::tcp(ServerOptions::default());
    for bytes in ["00 01 00 07 00 06 01 04", "00 01 00 00 00 00 01 04", "00 01 00 00 FF FF 01 04"] {
        let mut client = rig.client();
        client.send(bytes);
        assert!(client.is_closed(), "{bytes}");
    }
    assert_eq!(rig.server().malformed(), 3);
}

#[test]
fn connections_over_the_limit_are_turned_away_until_one_leaves() {
    let rig = Rig::tcp(ServerOptions { connections_max: 1, ..ServerOptions::default() });
    let mut first = rig.client();
    assert_eq!(first.ask(ASK_17, 15).len(), 15);
    let mut second = rig.client();
    assert!(second.is_closed());
    drop(first);
    let start = Instant::now();
    while rig.server().open() > 0 && start.elapsed() < Duration::from_secs(2) {
        std::thread::sleep(Duration::from_millis(5));
    }
    assert_eq!(rig.client().ask(ASK_17, 15).len(), 15);
    assert_eq!((rig.server().accepted(), rig.server().turned_away()), (2, 1));
}

#[test]
fn a_dropped_server_is_gone_and_can_come_back_at_its_address() {
    let mut rig = Rig::tcp(ServerOptions::default());
    let mut client = rig.client();
    assert_eq!(client.ask(ASK_17, 15).len(), 15);
    let listen = rig.server().address();
    rig.server = None;
    assert!(client.is_closed());
    let options = ServerOptions { listen, ..ServerOptions::default() };
    let start = Instant::now();
    let back = loop {
        // The task that held the socket ends when the runtime gets round to it.
        match rig.runtime.block_on(Server::tcp(rig.bank.clone(), options)) {
            Ok(server) => break server,
            Err(error) => assert!(start.elapsed() < Duration::from_secs(2), "{error}"),
        }
    };
    assert_eq!(Client::open(back.address()).ask(ASK_17, 15).len(), 15);
}

#[test]
fn tcp_faults_do_what_they_say() {
    let rig = Rig::tcp(ServerOptions::default());
    let good = hex("00 01 00 00 00 09 11 03 06 02 2B 00 00 00 64");
    let play = |fault: Fault, client: &mut Client| {
        rig.bank.script(17, fault, Times::Next(1));
        client.ask(ASK_17, 1)
    };
    let mut client = rig.client();
    assert!(play(Fault::Silent, &mut client).is_empty());
    assert_eq!(play(Fault::WrongUnit, &mut client)[6], 0x51);
    assert_eq!(play(Fault::WrongFunction, &mut client)[7], 0x04);
    assert_eq!(play(Fault::WrongByteCount, &mut client)[8], 0x08);
    assert_ne!(play(Fault::WrongTransaction, &mut client)[..2], [0, 1]);
    assert_eq!(play(Fault::ProtocolId(7), &mut client)[2..4], [0, 7]);
    assert_eq!(play(Fault::LengthField(0), &mut client)[4..6], [0, 0]);
    assert_eq!(play(Fault::Exception(6), &mut client), hex("00 01 00 00 00 03 11 83 06"));
    assert_eq!(play(Fault::Truncated(5), &mut client), good[..5]);
    rig.bank.script(17, Fault::Twice, Times::Next(1));
    assert_eq!(client.ask(ASK_17, 30), [&good[..], &good[..]].concat());
    rig.bank.script(17, Fault::Pieces(Duration::from_millis(3)), Times::Next(1));
    let start = Instant::now();
    assert_eq!(client.ask(ASK_17, 15), good);
    assert!(start.elapsed() >= Duration::from_millis(42));
    for fault in [Fault::Close, Fault::Reset, Fault::CutOff(3)] {
        let mut client = rig.client();
        let got = play(fault.clone(), &mut client);
        assert!(got.len() <= 3 && client.is_closed(), "{fault:?}");
    }
    assert_eq!(client.ask(ASK_17, 15), good, "healthy again");
    let counted = || {
        let counts = rig.bank.counts(17);
        (counts.requests, counts.disturbed, counts.answered)
    };
    // An exception is a whole reply.
    assert_comes_to(counted, (15, 14, 2));
}

#[test]
fn a_late_reply_lets_others_pass_and_a_slow_one_does_not() {
    let rig = Rig::tcp(ServerOptions::default());
    let mut client = rig.client();
    let by = Duration::from_millis(60);
    rig.bank.script(17, Fault::Late(by), Times::Next(1));
    client.send(ASK_17);
    assert_eq!(client.ask(ASK_COUNTER, 13)[1], 2, "the other unit first");
    assert_eq!(client.read(15)[1], 1, "then the late one");
    rig.bank.script(17, Fault::Slow(by), Times::Next(1));
    client.send(ASK_17);
    client.send(ASK_COUNTER);
    let both = client.read(28);
    assert_eq!((both[1], both[16]), (1, 2));
}

#[test]
fn rtu_over_tcp_answers_and_throws_garbage_away() {
    let rig = Rig::rtu();
    let mut client = rig.client();
    // Serial line guide and V1.1b3: unit 17, registers 108 to 110.
    assert_eq!(client.ask("11 03 00 6B 00 03 76 87", 11), hex("11 03 06 02 2B 00 00 00 64 C8 BA"));
    client.send("11 03 00 6B 00 03 76 88");
    assert!(client.read(1).is_empty());
    assert_eq!(client.ask("11 03 00 6B 00 03 76 87", 11).len(), 11);
    assert_eq!(rig.server().malformed(), 1);
}

/// Opens the slave side as a plain file; the line is raw already.
fn open_port(line: &Line) -> std::fs::File {
    std::fs::OpenOptions::new().read(true).write(true).open(line.path()).unwrap()
}

fn read_exactly(port: &mut std::fs::File, count: usize) -> Vec<u8> {
    let mut bytes = vec![0; count];
    port.read_exact(&mut bytes).unwrap();
    bytes
}

#[test]
fn a_line_answers_resynchronises_and_outlives_a_client() {
    let bank = bank();
    let line = Line::open(bank.clone(), LineOptions::default()).unwrap();
    let mut port = open_port(&line);
    port.write_all(&hex("11 03 00 6B 00 03 76 87")).unwrap();
    assert_eq!(read_exactly(&mut port, 11), hex("11 03 06 02 2B 00 00 00 64 C8 BA"));
    drop(port);
    let mut port = open_port(&line);
    port.write_all(&hex("11 03 00")).unwrap();
    std::thread::sleep(Duration::from_millis(60));
    port.write_all(&hex("11 03 00 6B 00 03 76 87")).unwrap();
    assert_eq!(read_exactly(&mut port, 11).len(), 11);
    assert_eq!(line.malformed(), 1);
    bank.script(17, Fault::Late(Duration::from_millis(40)), Times::Next(1));
    port.write_all(&hex("11 03 00 6B 00 03 76 87")).unwrap();
    std::thread::sleep(Duration::from_millis(5));
    port.write_all(&hex("01 04 00 00 00 02 71 CB")).unwrap();
    assert_eq!(read_exactly(&mut port, 9)[..7], hex("01 04 04 00 00 00 01"), "unit 1 first");
    assert_eq!(read_exactly(&mut port, 11)[0], 0x11, "then the late one");
}

#[test]
fn a_paced_line_keeps_the_wire_s_time() {
    // 9600 baud, 10 registers: 8 + 25 characters of 11 bits are 37.8 ms; with t3.5 before the reply 41.8 ms (serial line
    // guide's timing, computed).
    let line = Line::open(bank(), LineOptions { baud: Some(9600), turnaround: Duration::ZERO }).unwrap();
    let mut port = open_port(&line);
    let mut least = Duration::MAX;
    for _ in 0..5 {
        let start = Instant::now();
        port.write_all(&hex("01 04 00 00 00 0A 70 0D")).unwrap();
        read_exactly(&mut port, 25);
        least = least.min(start.elapsed());
    }
    assert!(least >= Duration::from_micros(41_800), "{least:?}");
}

#[test]
fn plain_devices_answer_with_their_counters() {
    let plain = Plain::start(3, 10).unwrap();
    for (i, address) in plain.addresses().iter().enumerate() {
        let mut client = Client::open(*address);
        let reply = client.ask("00 09 00 00 00 06 01 04 00 00 00 0A", 29);
        assert_eq!(reply[..13], hex("00 09 00 00 00 17 01 04 14 00 00 00 01"), "device {i}");
        assert_eq!(client.ask("00 0A 00 00 00 06 01 04 00 09 00 02", 9), hex("00 0A 00 00 00 03 01 84 02"));
    }
    assert_comes_to(|| plain.answered(), 6);
}
