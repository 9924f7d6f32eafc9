//! What went wrong with a broker, in words a person can act on. Nothing a stranger sent is repeated here unescaped.

use std::io;

use rumqttc::{ConnectReturnCode, ConnectionError, StateError};
use rustls::{AlertDescription, CertificateError};
use sumpwarden_core::acquire::pace::End;

/// How it ended, and the words for it.
pub(super) fn explain(error: &ConnectionError) -> (End, String) {
    match error {
        // One that is just starting says so, and will be ready in a moment.
        ConnectionError::ConnectionRefused(code @ ConnectReturnCode::ServiceUnavailable) => {
            (End::NotReached, refused(*code).to_owned())
        }
        ConnectionError::ConnectionRefused(code) => (End::Refused, refused(*code).to_owned()),
        ConnectionError::NetworkTimeout => {
            (End::NotReached, "does not answer: nothing there, or something between us drops it".to_owned())
        }
        ConnectionError::FlushTimeout => {
            (End::Lost, "takes nothing any more: connection given up".to_owned())
        }
        ConnectionError::Io(error) => (End::NotReached, not_reached(error)),
        ConnectionError::NotConnAck(_) => {
            (End::NotReached, "answers, but not as an MQTT 3.1.1 broker does".to_owned())
        }
        ConnectionError::MqttState(state) => broken(state),
        other => (End::Lost, format!("connection given up: {}", shown(&other.to_string()))),
    }
}

fn refused(code: ConnectReturnCode) -> &'static str {
    match code {
        ConnectReturnCode::BadUserNamePassword => "refuses user name or password",
        ConnectReturnCode::NotAuthorized => "refuses us: user, password or access rights are wrong",
        ConnectReturnCode::BadClientId => "refuses the client id",
        ConnectReturnCode::RefusedProtocolVersion => "does not speak MQTT 3.1.1",
        ConnectReturnCode::ServiceUnavailable => "says it is not available",
        ConnectReturnCode::Success => "refuses without a reason",
    }
}

fn broken(state: &StateError) -> (End, String) {
    match state {
        StateError::AwaitPingResp => {
            (End::Lost, "has fallen silent: no answer within the keep-alive time".to_owned())
        }
        StateError::ConnectionAborted => (End::ClosedByPeer, "closed the connection".to_owned()),
        StateError::Io(error) | StateError::Deserialization(rumqttc::Error::Io(error)) => match tls_in(error)
        {
            Some(tls) => (End::Lost, of_tls(tls)),
            None => (End::ClosedByPeer, format!("broke the connection: {}", shown(&error.to_string()))),
        },
        StateError::Deserialization(error) => {
            (End::Lost, format!("sent what is no MQTT: {}", shown(&error.to_string())))
        }
        other => (End::Lost, format!("broke the rules of MQTT: {}", shown(&other.to_string()))),
    }
}

fn not_reached(error: &io::Error) -> String {
    match error.kind() {
        io::ErrorKind::ConnectionRefused => "nobody listens at that address and port".to_owned(),
        io::ErrorKind::UnexpectedEof => "closed the connection before it said anything".to_owned(),
        _ => of_io(error),
    }
}

fn of_io(error: &io::Error) -> String {
    tls_in(error).map_or_else(|| shown(&error.to_string()), of_tls)
}

fn tls_in(error: &io::Error) -> Option<&rustls::Error> {
    error.get_ref().and_then(|inner| inner.downcast_ref())
}

fn of_tls(error: &rustls::Error) -> String {
    let what = match error {
        rustls::Error::InvalidCertificate(why) => match why {
            CertificateError::NotValidForName | CertificateError::NotValidForNameContext { .. } => {
                "its certificate is for another name: connect by the name that stands in it"
            }
            CertificateError::Expired | CertificateError::ExpiredContext { .. } => {
                "its certificate has expired"
            }
            CertificateError::NotValidYet | CertificateError::NotValidYetContext { .. } => {
                "its certificate is not valid yet: is this machine's clock right?"
            }
            CertificateError::UnknownIssuer => "its certificate is signed by nobody we trust: check ca_file",
            _ => return format!("its certificate is no good: {}", shown(&error.to_string())),
        },
        rustls::Error::AlertReceived(
            AlertDescription::CertificateRequired
            | AlertDescription::BadCertificate
            | AlertDescription::UnknownCA
            | AlertDescription::CertificateUnknown
            | AlertDescription::CertificateExpired
            | AlertDescription::HandshakeFailure,
        ) => return format!("refuses our certificate, or wants one: {}", shown(&error.to_string())),
        rustls::Error::InvalidMessage(_) => "does not speak TLS on that port",
        _ => return format!("TLS fails: {}", shown(&error.to_string())),
    };
    what.to_owned()
}

/// Text from elsewhere, escaped and cut.
pub(super) fn shown(text: &str) -> String {
    const SHOWN_CHARS_MAX: usize = 200;
    let escaped = text.chars().flat_map(char::escape_debug);
    let mut cut: String = escaped.clone().take(SHOWN_CHARS_MAX).collect();
    if escaped.count() > SHOWN_CHARS_MAX {
        cut.push('…');
    }
    cut
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_broker_that_is_not_ready_is_asked_again_soon_and_one_that_refuses_us_is_not() {
        for (code, end) in [
            (ConnectReturnCode::ServiceUnavailable, End::NotReached),
            (ConnectReturnCode::BadUserNamePassword, End::Refused),
            (ConnectReturnCode::NotAuthorized, End::Refused),
            (ConnectReturnCode::BadClientId, End::Refused),
            (ConnectReturnCode::RefusedProtocolVersion, End::Refused),
        ] {
            assert_eq!(explain(&ConnectionError::ConnectionRefused(code)).0, end, "{code:?}");
        }
    }
}
