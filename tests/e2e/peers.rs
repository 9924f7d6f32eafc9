//! The foreign peers themselves: each answers as the other tests expect, seen by a second independent program where there
//! is one.

use std::process::Command;

use sumpwarden_tests::database::{InfluxDb, Point, VictoriaMetrics, http};
use sumpwarden_tests::modbus::{ModbusRtu, ModbusTcp, REGISTERS};
use sumpwarden_tests::process::{run, tool};

const LINES: &str = "sump,probe=ph,sump=lathe\\ 3 value=8.71,raw=871 1700000000123000000\n\
                     sump,probe=ph,sump=lathe\\ 3 value=8.70 1700000001000000000\n";

fn expected() -> Vec<Point> {
    let point = |field: &str, time_ms: i64, value: f64| Point {
        series: format!("sump_{field}{{probe=ph,sump=lathe 3}}"),
        time_ns: time_ms * 1_000_000,
        value,
    };
    vec![
        point("raw", 1_700_000_000_123, 871.0),
        point("value", 1_700_000_000_123, 8.71),
        point("value", 1_700_000_001_000, 8.70),
    ]
}

#[test]
fn victoria_metrics_gives_back_what_the_v2_api_took() {
    let database = VictoriaMetrics::start();
    assert_eq!(database.points(), []);
    let answer = http(database.port, "POST", "/api/v2/write?org=shop&bucket=coolant&precision=ns", LINES);
    assert_eq!(answer.status, 204, "{}", answer.body);
    assert_eq!(database.points(), expected());
}

#[test]
fn influx_gives_back_what_was_written_and_the_last_write_of_a_point_wins() {
    let database = InfluxDb::start();
    assert_eq!(database.write(LINES).0, 204);
    assert_eq!(database.write(LINES).0, 204);
    assert_eq!(database.points(), expected());
    let (status, body) = database.write("sump,probe=ph,sump=lathe\\ 3 value=\"text\" 1700000002000000000\n");
    assert!(status == 400 && body.contains("partial write"), "{status} {body}");
}

fn mbpoll(arguments: &[&str]) -> String {
    run(Command::new(tool("mbpoll")).args(["-0", "-1", "-q"]).args(arguments))
}

/// The values mbpoll prints, as text: `[42]: 21.5`.
fn values(output: &str) -> Vec<String> {
    output
        .lines()
        .filter_map(|line| Some(line.strip_prefix('[')?.split_once("]:")?.1.trim().to_owned()))
        .collect()
}

#[test]
fn pymodbus_on_tcp_speaks_as_the_table_says() {
    let devices = ModbusTcp::start(&[1, 7]);
    let port = devices.port.to_string();
    let ask = |unit: &str, rest: &[&str]| {
        values(&mbpoll(&[&["-m", "tcp", "-p", &port, "-a", unit], rest, &["127.0.0.1"]].concat()))
    };
    // mbpoll: low word first unless told -B.
    assert_eq!(ask("7", &["-t", "4:float", "-B", "-r", "40"]), ["21.5"]);
    assert_eq!(ask("7", &["-t", "3:float", "-r", "42"]), ["21.5"]);
    assert_eq!(ask("1", &["-t", "4:int", "-B", "-r", "30"]), ["-100000"]);
    assert_eq!(ask("1", &["-t", "0", "-r", "0", "-c", "8"]), ["1", "0", "1", "1", "0", "0", "1", "0"]);
    for n in 1..=3 {
        assert_eq!(ask("1", &["-t", "4", "-r", "0", "-c", "2"]), ["0".to_owned(), n.to_string()]);
    }
    assert_eq!(ask("7", &["-t", "3", "-r", "0", "-c", "2"]), ["0", "1"]);
    assert_eq!(devices.answered(), [(1, 1), (1, 2), (1, 3), (7, 1)]);
    let beyond = Command::new(tool("mbpoll"))
        .args(["-0", "-1", "-q", "-m", "tcp", "-p", &port, "-a", "1", "-t", "4", "127.0.0.1"])
        .args(["-r", &REGISTERS.to_string()])
        .output()
        .expect("mbpoll runs");
    assert!(String::from_utf8_lossy(&beyond.stderr).contains("Illegal data address"), "{beyond:?}");
}

#[test]
fn pymodbus_on_a_serial_line_answers_too() {
    let devices = ModbusRtu::start(&[3], 19_200);
    let mut answered = Vec::new();
    for _ in 0..20 {
        let asked = Command::new(tool("mbpoll"))
            .args([
                "-0", "-1", "-q", "-m", "rtu", "-b", "19200", "-P", "none", "-s", "2", "-a", "3", "-o", "0.5",
            ])
            .args(["-t", "4:float", "-B", "-r", "40", &devices.port])
            .output()
            .expect("mbpoll runs");
        answered = values(&String::from_utf8_lossy(&asked.stdout));
        if !answered.is_empty() {
            break;
        }
    }
    assert_eq!(answered, ["21.5"]);
}
