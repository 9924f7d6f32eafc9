//! A broker of the demo's own, on loopback, in memory.

use std::collections::HashMap;
use std::io;
use std::net::{Ipv4Addr, SocketAddr, TcpListener};
use std::time::Duration;

use rumqttd::{Broker, Config, ConnectionSettings, RouterConfig, ServerSettings};

/// How long the broker may take until it listens.
const START_MAX: Duration = Duration::from_secs(5);

/// Starts it on a free port. It ends with the process: the library has no other way.
pub(super) fn start() -> io::Result<SocketAddr> {
    let address = free_address()?;
    let mut broker = Broker::new(config(address));
    std::thread::Builder::new().name("broker".into()).spawn(move || {
        if let Err(error) = broker.start() {
            tracing::error!(%error, "the embedded broker has stopped");
        }
    })?;
    wait_for(address)?;
    Ok(address)
}

/// Between letting go of the port and the broker taking it somebody else may; then the broker's log says so.
fn free_address() -> io::Result<SocketAddr> {
    TcpListener::bind((Ipv4Addr::LOCALHOST, 0))?.local_addr()
}

fn wait_for(address: SocketAddr) -> io::Result<()> {
    let step = Duration::from_millis(20);
    let mut waited = Duration::ZERO;
    loop {
        match std::net::TcpStream::connect(address) {
            Ok(_) => return Ok(()),
            Err(error) if waited >= START_MAX => return Err(error),
            Err(_) => std::thread::sleep(step),
        }
        waited += step;
    }
}

fn config(listen: SocketAddr) -> Config {
    let connections = ConnectionSettings {
        connection_timeout_ms: 5_000,
        max_payload_size: 64 * 1024,
        max_inflight_count: 200,
        auth: None,
        external_auth: None,
        dynamic_filters: false,
    };
    let server = ServerSettings {
        name: "demo".to_owned(),
        listen,
        tls: None,
        next_connection_delay_ms: 1,
        connections,
    };
    Config {
        id: 0,
        router: RouterConfig {
            max_connections: 64,
            max_outgoing_packet_count: 200,
            max_segment_size: 1024 * 1024,
            max_segment_count: 4,
            custom_segment: None,
            initialized_filters: None,
            ..RouterConfig::default()
        },
        v4: Some(HashMap::from([("demo".to_owned(), server)])),
        ..Config::default()
    }
}
