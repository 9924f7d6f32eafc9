//! Asking the running daemon over loopback, with the key from its data directory.

use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr};
use std::time::Duration;

use serde_json::Value;
use sumpwarden_core::acquire::settings::Secret;

use super::{Exit, block_on, console};
use crate::config::Settings;
use crate::edge::web::key;

/// How long the daemon may take to answer; it gives up itself after ten seconds.
const ANSWER_WAIT_MAX: Duration = Duration::from_secs(15);

/// Hands `body` in under `path`, with the key, and gives the answer; what went wrong is told. `twice` says what to do where
/// nobody knows whether it was taken.
pub(super) fn hand_in(settings: &Settings, path: &str, body: &Value, twice: &str) -> Result<Value, Exit> {
    let key = key_of(settings)?;
    answer(settings, path, Some((key, body.to_string())), twice)
}

/// What stands under `path`.
pub(super) fn look_up(settings: &Settings, path: &str) -> Result<Value, Exit> {
    answer(settings, path, None, "ask again")
}

fn answer(
    settings: &Settings,
    path: &str,
    body: Option<(Secret, String)>,
    twice: &str,
) -> Result<Value, Exit> {
    match block_on(send(address_of(settings.web.listen), path, body, twice))? {
        Ok((200..=299, answer)) => Ok(answer),
        Ok((status, problem)) => {
            let detail = problem["detail"].as_str().unwrap_or("no reason given");
            console::complain(&console::plain(&format!("refused ({status}): {detail}")));
            Err(if status == 503 { Exit::Outside } else { Exit::Negative })
        }
        Err(why) => {
            console::complain(&why);
            Err(Exit::Outside)
        }
    }
}

fn key_of(settings: &Settings) -> Result<Secret, Exit> {
    if let Some(key) = &settings.web.note_key {
        return Ok(key.clone());
    }
    let directory = &settings.store.directory;
    key::read(directory, key::NOTE_KEY).map_err(|error| {
        let path = key::key_file(directory, key::NOTE_KEY);
        let cure = match error.kind() {
            std::io::ErrorKind::NotFound => "start the daemon once (sumpwarden run): it makes the key",
            std::io::ErrorKind::PermissionDenied => "run this as the daemon's user, with sudo -u USER",
            _ => "see that only the daemon's user can read it",
        };
        console::complain(&format!("the key for notes {}: {error}; {cure}", path.display()));
        Exit::Outside
    })
}

/// Where a daemon that listens on all addresses is found on its own machine.
fn address_of(listen: SocketAddr) -> SocketAddr {
    let ip = match listen.ip() {
        IpAddr::V4(ip) if ip.is_unspecified() => IpAddr::V4(Ipv4Addr::LOCALHOST),
        IpAddr::V6(ip) if ip.is_unspecified() => IpAddr::V6(Ipv6Addr::LOCALHOST),
        ip => ip,
    };
    SocketAddr::new(ip, listen.port())
}

/// Status and JSON of the daemon's answer; null where it says nothing more.
async fn send(
    address: SocketAddr,
    path: &str,
    body: Option<(Secret, String)>,
    twice: &str,
) -> Result<(u16, Value), String> {
    if address.port() == 0 {
        return Err("the page listens on a port that the system chooses; give [web] listen a port".to_owned());
    }
    let failed = |error: reqwest::Error| {
        let cure = if error.is_connect() {
            "the daemon does not run, or listens elsewhere: start it with sumpwarden run, or look at [web] listen".to_owned()
        } else {
            format!("it is not known whether it was taken; {twice}")
        };
        format!("no answer from the daemon at {address}; {cure}")
    };
    // The daemon is on this machine: whatever proxy the environment names has no part in it.
    let client = reqwest::Client::builder().no_proxy().timeout(ANSWER_WAIT_MAX).build().map_err(failed)?;
    let url = format!("http://{address}{path}");
    let request = match body {
        None => client.get(url),
        Some((key, body)) => {
            let request = client.post(url).bearer_auth(key.reveal());
            request.header(reqwest::header::CONTENT_TYPE, "application/json").body(body)
        }
    };
    let response = request.send().await.map_err(failed)?;
    let status = response.status().as_u16();
    let text = response.text().await.map_err(failed)?;
    if text.is_empty() {
        return Ok((status, Value::Null));
    }
    let answer = serde_json::from_str(&text)
        .map_err(|_| format!("what answers at {address} is not this daemon; look at [web] listen"))?;
    Ok((status, answer))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_daemon_is_asked_where_it_can_be_reached() {
        for (listen, asked) in [
            ("127.0.0.1:1", "127.0.0.1:1"),
            ("0.0.0.0:2", "127.0.0.1:2"),
            ("[::]:3", "[::1]:3"),
            ("192.0.2.7:4", "192.0.2.7:4"),
        ] {
            assert_eq!(address_of(listen.parse().unwrap()).to_string(), asked);
        }
    }
}
