//! How late polls started, as the contender itself knows it.

use std::error::Error;
use std::io::{Read, Write};
use std::net::{SocketAddr, TcpStream};

use serde::Deserialize;

use crate::quantiles::Quantiles;

/// Where a contender says it.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Told {
    /// In its metrics, at any time.
    Metrics(SocketAddr),
    /// In the line of JSON that it ends with, the time while it settled left out.
    AtTheEnd,
}

/// Starts so far by lateness: end of a bucket in ms, and how many were no later.
type Cumulative = Vec<(f64, u64)>;

#[derive(Deserialize)]
struct Farewell {
    lateness_ms: Option<Quantiles>,
}

impl Told {
    /// What is known now; nothing where it is told at the end.
    pub(crate) fn now(self) -> Result<Cumulative, Box<dyn Error>> {
        match self {
            Self::Metrics(page) => buckets(page),
            Self::AtTheEnd => Ok(Vec::new()),
        }
    }
}

/// Quantiles of the starts between two looks.
pub(crate) fn between(before: &Cumulative, after: &Cumulative) -> Option<Quantiles> {
    let counts: Vec<u64> = after.iter().zip(before).map(|(after, before)| after.1 - before.1).collect();
    let count = *counts.last()?;
    let at = |quantile: f64| {
        let wanted = (quantile * count as f64).ceil() as u64;
        counts.iter().position(|&c| c >= wanted.max(1)).map_or(f64::NAN, |place| after[place].0)
    };
    (count > 0).then(|| Quantiles {
        count: count as usize,
        p50: at(0.5),
        p99: at(0.99),
        p999: at(0.999),
        max: at(1.0),
    })
}

/// What a contender said at its end.
pub(crate) fn farewell(output: &[u8]) -> Result<Option<Quantiles>, Box<dyn Error>> {
    let last = output.split(|&b| b == b'\n').rfind(|line| !line.is_empty()).ok_or("it said nothing")?;
    Ok(serde_json::from_slice::<Farewell>(last)?.lateness_ms)
}

/// Reads the histogram from `/metrics`.
fn buckets(page: SocketAddr) -> Result<Cumulative, Box<dyn Error>> {
    let mut stream = TcpStream::connect(page)?;
    stream.write_all(
        format!("GET /metrics HTTP/1.1\r\nHost: {page}\r\nConnection: close\r\n\r\n").as_bytes(),
    )?;
    let mut answer = String::new();
    stream.read_to_string(&mut answer)?;
    let mut found = Vec::new();
    for line in answer.lines() {
        let Some(rest) = line.strip_prefix("sumpwarden_poll_start_late_seconds_bucket{le=\"") else {
            continue;
        };
        let (end, count) = rest.split_once("\"} ").ok_or("a bucket without a count")?;
        let end = if end == "+Inf" { f64::INFINITY } else { 1e3 * end.parse::<f64>()? };
        found.push((end, count.parse()?));
    }
    if found.is_empty() { Err(format!("no histogram in {answer}").into()) } else { Ok(found) }
}
