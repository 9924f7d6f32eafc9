//! One POST to one configured address, and what its answer means.
//!
//! The name is looked up here ([`super::address`]) and the connection pinned to what was found; redirections are not
//! followed, no proxy is asked, and of the answer only its status and `Retry-After` count: its body is read up to a bound and
//! thrown away.

use std::time::Duration;
use sumpwarden_core::model::line::error_chain;

use reqwest::Url;
use reqwest::header::{HeaderMap, RETRY_AFTER};

use super::{MESSAGE_DEADLINE, Outcome, address};

/// Most bytes of an answer that are read.
const ANSWER_BYTES_MAX: usize = 64 * 1024;
/// To reach the other side.
const CONNECT_DEADLINE: Duration = Duration::from_secs(5);

/// Where requests go.
#[derive(Clone, Debug)]
pub(super) struct Target {
    pub(super) url: Url,
    pub(super) private_network: bool,
    /// Certificate authorities to trust beside the well-known ones.
    pub(super) ca_file: Option<String>,
}

/// The address of a text; none but `http` and `https` to a host, without a user in it, and no address in disguise.
pub fn check_url(text: &str) -> Result<Url, String> {
    let url = Url::parse(text).map_err(|error| format!("it is no address: {error}"))?;
    if !matches!(url.scheme(), "http" | "https") || url.host_str().is_none() {
        return Err("it does not begin with http:// or https:// and a host".to_owned());
    }
    if !url.username().is_empty() || url.password().is_some() {
        return Err("it holds a user name or password".to_owned());
    }
    if address::disguised(text, &url) {
        return Err("its host is an IP address written in disguise".to_owned());
    }
    Ok(url)
}

/// Sends `body`. The whole of it, answer included, takes at most [`MESSAGE_DEADLINE`].
pub(super) async fn post(target: &Target, headers: HeaderMap, body: Vec<u8>) -> Outcome {
    let addresses = match address::resolve(&target.url, target.private_network).await {
        Ok(addresses) => addresses,
        Err(why) => return Outcome::Later(why, None),
    };
    let client = match client(target, &addresses).await {
        Ok(client) => client,
        Err(why) => return Outcome::Later(why, None),
    };
    match client.post(target.url.clone()).headers(headers).body(body).send().await {
        Ok(answer) => judge(answer).await,
        // The address may be a secret by itself, and the client puts it into its errors.
        Err(error) => Outcome::Later(chain(&error.without_url()), None),
    }
}

async fn client(target: &Target, addresses: &[std::net::SocketAddr]) -> Result<reqwest::Client, String> {
    let host = target.url.host_str().unwrap_or_default();
    let mut builder = reqwest::ClientBuilder::new()
        .user_agent(concat!("sumpwarden/", env!("CARGO_PKG_VERSION")))
        .redirect(reqwest::redirect::Policy::none())
        .no_proxy()
        .no_gzip()
        .connect_timeout(CONNECT_DEADLINE)
        .timeout(MESSAGE_DEADLINE)
        .min_tls_version(reqwest::tls::Version::TLS_1_2)
        .resolve_to_addrs(host, addresses);
    if let Some(file) = &target.ca_file {
        let pem = tokio::fs::read(file).await.map_err(|error| format!("{file}: {error}"))?;
        let authority = reqwest::Certificate::from_pem(&pem)
            .map_err(|_| format!("{file}: no certificate in PEM can be read from it"))?;
        builder = builder.add_root_certificate(authority);
    }
    builder.build().map_err(|error| chain(&error))
}

async fn judge(mut answer: reqwest::Response) -> Outcome {
    let status = answer.status().as_u16();
    let asked = answer.headers().get(RETRY_AFTER).and_then(|value| value.to_str().ok()).and_then(seconds);
    let mut read = 0;
    while let Ok(Some(piece)) = answer.chunk().await {
        read += piece.len();
        if read > ANSWER_BYTES_MAX {
            break;
        }
    }
    let why = format!("HTTP {status}");
    match status {
        200..=299 => Outcome::Taken,
        413 => Outcome::TooLarge,
        408 | 425 | 429 | 500.. => Outcome::Later(why, asked),
        // A redirection says that the address is wrong, or that somebody stands in between: the message is good.
        100..=399 => Outcome::Later(format!("{why}: redirections are not followed"), asked),
        _ => Outcome::Refused(why),
    }
}

/// Seconds of a `Retry-After`. One that names a date is left out of account: back-off does as well.
fn seconds(text: &str) -> Option<Duration> {
    text.trim().parse().ok().map(Duration::from_secs)
}

/// An error with its causes.
pub(super) fn chain(error: &dyn std::error::Error) -> String {
    error_chain(error, 300)
}
