//! Links to acknowledge by: who may acknowledge which occurrence of which alarm, until when, in a form that cannot be made
//! without the key of this gateway.
//!
//! A token is the base64url of version, expiry, occurrence, receiver and alarm, and of an HMAC-SHA256 over them.

use std::time::Duration;

use ring::hmac;
use sumpwarden_core::acquire::settings::Secret;
use sumpwarden_core::alarm::notice::Notice;
use sumpwarden_core::model::{Name, Timestamp};

/// How long a link works.
const LINK_LASTS: Duration = Duration::from_hours(48);

const VERSION: u8 = 1;
/// Longest token that is looked at, characters.
const TOKEN_CHARS_MAX: usize = 1024;

/// What a token stands for.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Claim {
    /// Alarm, as in [`Notice::alarm`].
    pub alarm: String,
    /// Which time it came up.
    pub occurrence: u64,
    /// Who was sent the link.
    pub receiver: String,
    /// Until when it works, seconds since 1970.
    pub expires_s: u64,
}

/// Why a token is not accepted.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
pub enum LinkError {
    /// Not made with this gateway's key, or changed since.
    #[error("the link is not one of this gateway")]
    NotOurs,
    /// Too old.
    #[error("the link has expired")]
    Expired,
}

/// Makes and checks links.
#[derive(Debug)]
pub struct Links {
    key: hmac::Key,
    base: String,
}

impl Links {
    /// Links under `base` (`https://sumps.example`), signed with `key`.
    pub fn new(key: &Secret, base: &str) -> Self {
        Self {
            key: hmac::Key::new(hmac::HMAC_SHA256, key.reveal().as_bytes()),
            base: base.trim_end_matches('/').to_owned(),
        }
    }

    /// Address of the page where `notice` can be acknowledged; none where the token would be too long.
    pub fn address(&self, notice: &Notice, receiver: &Name, now: Timestamp) -> Option<String> {
        let expires = now.plus(LINK_LASTS).as_millis().div_euclid(1000);
        let claim = Claim {
            alarm: notice.alarm.clone(),
            occurrence: notice.occurrence,
            receiver: receiver.to_string(),
            expires_s: u64::try_from(expires).unwrap_or(0),
        };
        let token = self.sign(&claim);
        (token.len() <= TOKEN_CHARS_MAX).then(|| format!("{}/acknowledge/{token}", self.base))
    }

    /// The token of a claim.
    fn sign(&self, claim: &Claim) -> String {
        let mut bytes = vec![VERSION];
        bytes.extend_from_slice(&claim.expires_s.to_be_bytes());
        bytes.extend_from_slice(&claim.occurrence.to_be_bytes());
        // A name has at most 48 characters.
        bytes.push(claim.receiver.len() as u8);
        bytes.extend_from_slice(claim.receiver.as_bytes());
        bytes.extend_from_slice(claim.alarm.as_bytes());
        let tag = hmac::sign(&self.key, &bytes);
        bytes.extend_from_slice(tag.as_ref());
        to_base64url(&bytes)
    }

    /// What a token stands for. The comparison takes the same time whatever is wrong with it.
    pub fn verify(&self, token: &str, now: Timestamp) -> Result<Claim, LinkError> {
        const TAG_BYTES: usize = 32;
        let bytes = (token.len() <= TOKEN_CHARS_MAX).then(|| from_base64url(token)).flatten();
        let bytes = bytes.ok_or(LinkError::NotOurs)?;
        let split = bytes.len().checked_sub(TAG_BYTES).ok_or(LinkError::NotOurs)?;
        let (signed, tag) = bytes.split_at(split);
        hmac::verify(&self.key, signed, tag).map_err(|_| LinkError::NotOurs)?;
        let claim = read(signed).ok_or(LinkError::NotOurs)?;
        if u64::try_from(now.as_millis().div_euclid(1000)).unwrap_or(0) >= claim.expires_s {
            return Err(LinkError::Expired);
        }
        Ok(claim)
    }
}

fn read(signed: &[u8]) -> Option<Claim> {
    let (version, rest) = signed.split_first()?;
    let (expires, rest) = rest.split_first_chunk::<8>()?;
    let (occurrence, rest) = rest.split_first_chunk::<8>()?;
    let (receiver_len, rest) = rest.split_first()?;
    let (receiver, alarm) = rest.split_at_checked(usize::from(*receiver_len))?;
    let text = |bytes: &[u8]| String::from_utf8(bytes.to_vec()).ok();
    (*version == VERSION).then_some(())?;
    Some(Claim {
        alarm: text(alarm)?,
        occurrence: u64::from_be_bytes(*occurrence),
        receiver: text(receiver)?,
        expires_s: u64::from_be_bytes(*expires),
    })
}

const ALPHABET: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_";

/// RFC 4648, section 5, without padding.
fn to_base64url(bytes: &[u8]) -> String {
    let mut out = String::with_capacity(bytes.len().div_ceil(3) * 4);
    for group in bytes.chunks(3) {
        let word =
            group.iter().fold(0u32, |word, byte| word << 8 | u32::from(*byte)) << (8 * (3 - group.len()));
        for place in 0..=group.len() {
            out.push(char::from(ALPHABET[(word >> (18 - 6 * place) & 63) as usize]));
        }
    }
    out
}

/// None for anything that [`to_base64url`] would not have written.
fn from_base64url(text: &str) -> Option<Vec<u8>> {
    let mut out = Vec::with_capacity(text.len() * 3 / 4);
    for group in text.as_bytes().chunks(4) {
        let mut word = 0u32;
        for byte in group {
            word = word << 6 | u32::try_from(ALPHABET.iter().position(|one| one == byte)?).ok()?;
        }
        word <<= 6 * (4 - group.len());
        let bytes = word.to_be_bytes();
        match group.len() {
            4 => out.extend_from_slice(&bytes[1..]),
            3 if bytes[3] == 0 => out.extend_from_slice(&bytes[1..3]),
            2 if bytes[2..] == [0, 0] => out.push(bytes[1]),
            _ => return None,
        }
    }
    Some(out)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn links(secret: u8) -> Links {
        Links::new(&Secret::new(format!("{secret:064}")), "https://sumps.example/")
    }

    fn claim() -> Claim {
        Claim {
            alarm: "lathe-1/ph-low".to_owned(),
            occurrence: 7,
            receiver: "setter".to_owned(),
            expires_s: 1_772_000_000,
        }
    }

    const BEFORE: Timestamp = Timestamp::from_millis(1_771_999_999_999);

    #[test]
    fn a_token_says_what_it_was_made_of_until_it_expires() {
        let token = links(1).sign(&claim());
        assert_eq!(links(1).verify(&token, BEFORE), Ok(claim()));
        assert_eq!(
            links(1).verify(&token, Timestamp::from_millis(1_772_000_000_000)),
            Err(LinkError::Expired)
        );
        assert_eq!(links(2).verify(&token, BEFORE), Err(LinkError::NotOurs), "another gateway's key");
    }

    #[test]
    fn no_changed_token_is_accepted() {
        let token = links(1).sign(&claim());
        for at in 0..token.len() {
            for other in ["A", "B", "_", "", "=", "é"] {
                let changed = format!("{}{other}{}", &token[..at], &token[at + 1..]);
                if changed != token {
                    assert_eq!(links(1).verify(&changed, BEFORE), Err(LinkError::NotOurs), "{changed}");
                }
            }
        }
        for end in 0..token.len() {
            assert_eq!(links(1).verify(&token[..end], BEFORE), Err(LinkError::NotOurs));
        }
        assert_eq!(links(1).verify(&"A".repeat(TOKEN_CHARS_MAX + 1), BEFORE), Err(LinkError::NotOurs));
    }

    proptest! {
        #[test]
        fn base64url_comes_back(bytes in proptest::collection::vec(any::<u8>(), 0..80)) {
            let text = to_base64url(&bytes);
            prop_assert_eq!(from_base64url(&text), Some(bytes));
        }

        #[test]
        fn one_text_for_one_token(text in "[A-Za-z0-9_-]{0,20}") {
            if let Some(bytes) = from_base64url(&text) {
                prop_assert_eq!(to_base64url(&bytes), text);
            }
        }
    }
}
