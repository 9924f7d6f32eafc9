//! Time-series databases: VictoriaMetrics (takes the v2 write API) and InfluxDB 1.6 (takes its own /write only), and
//! what is in them.

use std::io::{BufRead, BufReader, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::process::Command;
use std::thread::spawn;
use std::time::Duration;

use serde_json::Value;

use crate::process::{Peer, TempDir, free_port, tool};

/// One point as a database gives it back.
#[derive(Clone, PartialEq, PartialOrd, Debug)]
pub struct Point {
    /// `measurement_field{tag=value,…}`, tags by name.
    pub series: String,
    /// Nanoseconds since 1970; VictoriaMetrics keeps whole milliseconds.
    pub time_ns: i64,
    /// Value.
    pub value: f64,
}

/// VictoriaMetrics. It takes `/api/v2/write` plain and gzip, ignores organisation, bucket and token, answers 204 to a
/// malformed line and keeps a point twice that was sent twice.
#[derive(Debug)]
pub struct VictoriaMetrics {
    /// Where it listens, on the loopback address.
    pub port: u16,
    _peer: Peer,
    _folder: TempDir,
}

impl VictoriaMetrics {
    /// Starts an empty one.
    pub fn start() -> Self {
        let (folder, port) = (TempDir::new("victoria"), free_port());
        let mut command = Command::new(tool("victoria-metrics"));
        command.args([
            format!("-storageDataPath={}", folder.file("data")),
            format!("-httpListenAddr=127.0.0.1:{port}"),
            "-retentionPeriod=100y".to_owned(),
            "-memory.allowedBytes=134217728".to_owned(),
        ]);
        let mut peer = Peer::start("victoria-metrics", &mut command);
        peer.wait_for_port(port);
        Self { port, _peer: peer, _folder: folder }
    }

    /// Everything in it, sorted.
    ///
    /// # Panics
    /// If it does not answer.
    pub fn points(&self) -> Vec<Point> {
        http(self.port, "GET", "/internal/force_flush", "").ok("force_flush");
        let path = "/api/v1/export?match%5B%5D=%7B__name__%21%3D%22%22%7D";
        let body = http(self.port, "GET", path, "").ok("export");
        let mut points = Vec::new();
        for line in body.lines() {
            let line: Value = serde_json::from_str(line).expect("one JSON object a line");
            let mut tags = line["metric"].as_object().expect("a metric").clone();
            let name = tags.remove("__name__").expect("a name");
            let series = series(name.as_str().expect("a text"), &tags);
            let times = line["timestamps"].as_array().expect("times");
            let values = line["values"].as_array().expect("values");
            points.extend(times.iter().zip(values).map(|(time, value)| Point {
                series: series.clone(),
                time_ns: time.as_i64().expect("milliseconds") * 1_000_000,
                value: value.as_f64().expect("a number"),
            }));
        }
        sorted(points)
    }
}

/// InfluxDB 1.6: only `/write`, the last write of a point wins.
#[derive(Debug)]
pub struct InfluxDb {
    /// Where it listens, on the loopback address.
    pub port: u16,
    _peer: Peer,
    _folder: TempDir,
}

impl InfluxDb {
    /// Its one database.
    pub const DATABASE: &'static str = "coolant";

    /// Starts one with an empty database.
    ///
    /// # Panics
    /// If it does not start.
    pub fn start() -> Self {
        let (folder, port) = (TempDir::new("influx"), free_port());
        let configuration = format!(
            "reporting-disabled = true\nbind-address = \"127.0.0.1:{}\"\n[meta]\ndir = {:?}\n[data]\ndir = {:?}\n\
             wal-dir = {:?}\n[http]\nbind-address = \"127.0.0.1:{port}\"\n[monitor]\nstore-enabled = false\n",
            free_port(),
            folder.file("meta"),
            folder.file("data"),
            folder.file("wal"),
        );
        std::fs::write(folder.file("influxdb.conf"), configuration).expect("a temporary file");
        let mut command = Command::new(tool("influxd"));
        let mut peer = Peer::start("influxd", command.args(["-config", &folder.file("influxdb.conf")]));
        peer.wait_for_port(port);
        let create = format!("/query?q=CREATE+DATABASE+{}", Self::DATABASE);
        http(port, "POST", &create, "").ok("CREATE DATABASE");
        Self { port, _peer: peer, _folder: folder }
    }

    /// Writes line protocol with times in nanoseconds; returns status and body.
    pub fn write(&self, lines: &str) -> (u16, String) {
        let answer = http(self.port, "POST", &format!("/write?db={}&precision=ns", Self::DATABASE), lines);
        (answer.status, answer.body)
    }

    /// Everything in it, sorted.
    ///
    /// # Panics
    /// If it does not answer.
    pub fn points(&self) -> Vec<Point> {
        let path = format!("/query?db={}&epoch=ns&q=SELECT+*+FROM+%2F.*%2F+GROUP+BY+*", Self::DATABASE);
        let answer: Value =
            serde_json::from_str(&http(self.port, "GET", &path, "").ok("SELECT")).expect("a JSON answer");
        let mut points = Vec::new();
        for found in answer["results"][0]["series"].as_array().unwrap_or(&Vec::new()) {
            let none = serde_json::Map::new();
            let tags = found["tags"].as_object().unwrap_or(&none);
            let measurement = found["name"].as_str().expect("a name");
            let columns = found["columns"].as_array().expect("columns");
            for row in found["values"].as_array().expect("rows") {
                let time_ns = row[0].as_i64().expect("nanoseconds");
                for (n, column) in columns.iter().enumerate().skip(1) {
                    let Some(value) = row[n].as_f64() else { continue };
                    let name = format!("{measurement}_{}", column.as_str().expect("a column's name"));
                    points.push(Point { series: series(&name, tags), time_ns, value });
                }
            }
        }
        sorted(points)
    }
}

/// Stands before InfluxDB 1.6 and takes the v2 write API for it: the body goes on as it came, packed or not, to the path
/// that 1.6 knows, and its answer comes back.
#[derive(Debug)]
pub struct OtherPath {
    /// Where it listens, on the loopback address.
    pub port: u16,
}

impl OtherPath {
    /// Starts one before `database`. It serves until the test ends.
    ///
    /// # Panics
    /// If there is no port.
    pub fn before(database: &InfluxDb) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").expect("a free port");
        let port = listener.local_addr().expect("a bound socket has an address").port();
        let behind = database.port;
        spawn(move || {
            for client in listener.incoming().map_while(Result::ok) {
                spawn(move || serve_other_path(client, behind));
            }
        });
        Self { port }
    }
}

/// Requests of one connection until it closes.
fn serve_other_path(client: TcpStream, behind: u16) {
    let mut reader = BufReader::new(client.try_clone().expect("a socket has two ends"));
    loop {
        let mut head = Vec::new();
        while reader.by_ref().read_until(b'\n', &mut head).is_ok_and(|read| read > 2) {}
        let head = String::from_utf8_lossy(&head).to_ascii_lowercase();
        if head.is_empty() {
            return;
        }
        assert!(head.starts_with("post ") && head.contains("/api/v2/write?"), "{head}");
        assert!(head.contains("precision=ns"), "{head}");
        let header = |name: &str| head.lines().find_map(|line| line.strip_prefix(name)).map(str::trim);
        let length = header("content-length:").expect("a length").parse().expect("a number");
        let mut body = vec![0; length];
        if reader.read_exact(&mut body).is_err() {
            return;
        }
        let mut database = TcpStream::connect(("127.0.0.1", behind)).expect("it listens");
        let coding =
            header("content-encoding:").map(|c| format!("Content-Encoding: {c}\r\n")).unwrap_or_default();
        let path = format!("/write?db={}&precision=ns", InfluxDb::DATABASE);
        write!(
            database,
            "POST {path} HTTP/1.0\r\nHost: 127.0.0.1\r\n{coding}Content-Length: {length}\r\n\r\n"
        )
        .and_then(|()| database.write_all(&body))
        .expect("it takes the request");
        let mut answer = String::new();
        database.read_to_string(&mut answer).expect("it answers in UTF-8");
        let (answer_head, text) = answer.split_once("\r\n\r\n").expect("head and body");
        let status = answer_head.split(' ').nth(1).expect("a status line");
        let reply = format!("HTTP/1.1 {status} -\r\nContent-Length: {}\r\n\r\n{text}", text.len());
        if (&client).write_all(reply.as_bytes()).is_err() {
            return;
        }
    }
}

fn series(name: &str, tags: &serde_json::Map<String, Value>) -> String {
    let mut tags: Vec<String> =
        tags.iter().filter_map(|(key, value)| Some(format!("{key}={}", value.as_str()?))).collect();
    tags.retain(|tag| !tag.starts_with("db=") && !tag.ends_with('='));
    tags.sort();
    format!("{name}{{{}}}", tags.join(","))
}

fn sorted(mut points: Vec<Point>) -> Vec<Point> {
    points.sort_by(|a, b| a.partial_cmp(b).expect("databases hold no NaN"));
    points
}

/// What a server answered.
#[derive(Debug)]
pub struct Answer {
    /// Status code.
    pub status: u16,
    /// Body.
    pub body: String,
}

impl Answer {
    fn ok(self, what: &str) -> String {
        assert!((200..300).contains(&self.status), "{what}: {} {}", self.status, self.body);
        self.body
    }
}

/// One HTTP/1.0 exchange with a server on the loopback address: no compression, no chunks, closed at the end.
///
/// # Panics
/// If nobody answers.
pub fn http(port: u16, method: &str, path: &str, body: &str) -> Answer {
    http_with(port, method, path, "", body)
}

/// The same with further headers, each with its line end.
///
/// # Panics
/// If nobody answers.
pub fn http_with(port: u16, method: &str, path: &str, headers: &str, body: &str) -> Answer {
    let mut socket = TcpStream::connect(("127.0.0.1", port)).expect("it listens");
    socket.set_read_timeout(Some(Duration::from_secs(30))).expect("a time-out can be set");
    write!(
        socket,
        "{method} {path} HTTP/1.0\r\nHost: 127.0.0.1:{port}\r\n{headers}Content-Length: {}\r\n\r\n{body}",
        body.len()
    )
    .expect("it takes the request");
    let mut answer = String::new();
    socket.read_to_string(&mut answer).expect("it answers in UTF-8");
    let (head, body) = answer.split_once("\r\n\r\n").expect("head and body");
    let status = head.split(' ').nth(1).and_then(|code| code.parse().ok()).expect("a status line");
    Answer { status, body: body.to_owned() }
}
