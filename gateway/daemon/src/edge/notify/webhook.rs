//! Messages by HTTP POST: the generic body, or one made by a template.

use reqwest::header::{CONTENT_TYPE, HeaderMap, HeaderName, HeaderValue};
use ring::hmac;
use sumpwarden_core::model::Timestamp;
use sumpwarden_core::notify::settings::WebhookSettings;
use sumpwarden_core::notify::words::Composed;

use super::http::{Target, check_url, post};
use super::template::Template;
use super::{Outcome, ReceiverError};
use crate::edge::hex::hex;
use crate::edge::secret_file;

/// Seconds since 1970 at which the message was signed; part of what is signed.
const TIMESTAMP_HEADER: &str = "sumpwarden-timestamp";
/// HMAC-SHA256 over `TIMESTAMP.BODY`, in hexadecimal.
const SIGNATURE_HEADER: &str = "sumpwarden-signature";

/// Sends to one address.
pub(super) struct Webhook {
    settings: WebhookSettings,
    target: Target,
    headers: HeaderMap,
    key: Option<hmac::Key>,
    template: Option<Template>,
}

impl Webhook {
    pub(super) fn new(settings: &WebhookSettings) -> Result<Self, ReceiverError> {
        let url = check_url(settings.url.reveal())
            .map_err(|why| ReceiverError::Address(format!("the address cannot be used: {why}")))?;
        let mut headers = HeaderMap::new();
        headers.insert(CONTENT_TYPE, HeaderValue::from_static("application/json"));
        for (name, value) in &settings.headers {
            let bad = || ReceiverError::Message(format!("header {name} cannot be sent"));
            let mut value = HeaderValue::from_str(value.reveal()).map_err(|_| bad())?;
            value.set_sensitive(true);
            headers.insert(HeaderName::from_bytes(name.as_bytes()).map_err(|_| bad())?, value);
        }
        let key = settings
            .signing_key
            .as_ref()
            .map(|key| hmac::Key::new(hmac::HMAC_SHA256, key.reveal().as_bytes()));
        let template =
            settings.template.as_deref().map(Template::new).transpose().map_err(ReceiverError::Template)?;
        let target =
            Target { url, private_network: settings.private_network, ca_file: settings.ca_file.clone() };
        Ok(Self { settings: settings.clone(), target, headers, key, template })
    }

    /// Takes over other secrets, where their files hold such by now; whether it did.
    pub(super) async fn renew(&mut self) -> bool {
        let mut settings = self.settings.clone();
        let mut is_new = secret_file::renew(&mut settings.url).await;
        for (_, value) in &mut settings.headers {
            is_new |= secret_file::renew(value).await;
        }
        if let Some(key) = &mut settings.signing_key {
            is_new |= secret_file::renew(key).await;
        }
        if !is_new {
            return false;
        }
        match Self::new(&settings) {
            Ok(webhook) => {
                *self = webhook;
                true
            }
            Err(error) => {
                tracing::warn!(%error, "what the files of a webhook hold now cannot be used");
                false
            }
        }
    }

    pub(super) async fn send(&self, message: &Composed, now: Timestamp) -> Outcome {
        let body = match &self.template {
            None => generic_body(message),
            Some(template) => match template.render(message) {
                Ok(body) => body.into_bytes(),
                Err(why) => return Outcome::Refused(format!("template: {why}")),
            },
        };
        let mut headers = self.headers.clone();
        if let Some(key) = &self.key {
            let (timestamp, signature) = sign(key, &body, now);
            headers.insert(TIMESTAMP_HEADER, timestamp.into());
            let signature = HeaderValue::from_str(&signature).expect("hexadecimal digits");
            headers.insert(SIGNATURE_HEADER, signature);
        }
        post(&self.target, headers, body).await
    }
}

/// When it was signed, in seconds since 1970, and the signature.
fn sign(key: &hmac::Key, body: &[u8], now: Timestamp) -> (i64, String) {
    let timestamp = now.as_millis().div_euclid(1000);
    let mut context = hmac::Context::with_key(key);
    context.update(format!("{timestamp}.").as_bytes());
    context.update(body);
    (timestamp, hex(context.sign().as_ref()))
}

/// The message as it is, in JSON.
pub(super) fn generic_body(message: &Composed) -> Vec<u8> {
    serde_json::to_vec(message).expect("texts and numbers have a JSON form")
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 4231's second case holds for the function underneath; this is our way of putting timestamp and body together,
    /// worked out with another implementation (Python's hmac).
    #[test]
    fn a_signature_covers_timestamp_and_body() {
        let key = hmac::Key::new(hmac::HMAC_SHA256, b"Jefe");
        let now = Timestamp::from_millis(1_772_000_000_999);
        let (timestamp, signature) = sign(&key, br#"{"a":1}"#, now);
        assert_eq!(timestamp, 1_772_000_000);
        assert_eq!(signature, "da4436247423d0b6417915acaf8aa72f7e6eaf2c9c7fec8339c6a635a6725fbc");
    }
}
