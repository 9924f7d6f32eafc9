//! Codes on machines: whoever stands before a machine may write a note on its sump without a login. The code of a sump is a
//! signature of its name, so nothing is kept; a number that counts how often it was made void goes in with it.

use ring::hmac;
use sumpwarden_core::acquire::settings::Secret;
use sumpwarden_core::model::Name;

/// Bytes of a signature that a code holds: 80 bits, guessed at against the brake of the gate.
const CODE_BYTES: usize = 10;
/// Letters and digits that are not taken for each other, five bits each.
const LETTERS: &[u8; 32] = b"abcdefghijkmnpqrstuvwxyz23456789";

/// Makes and knows codes.
#[derive(Clone)]
pub struct Stickers {
    key: hmac::Key,
}

impl Stickers {
    /// Signed with `key`.
    pub fn new(key: &Secret) -> Self {
        Self { key: hmac::Key::new(hmac::HMAC_SHA256, key.reveal().as_bytes()) }
    }

    /// The code of a sump whose stickers were made void `voided` times.
    pub fn code(&self, sump: &Name, voided: u32) -> String {
        let tag = hmac::sign(&self.key, text(sump, voided).as_bytes());
        letters(&tag.as_ref()[..CODE_BYTES])
    }

    /// Whether `guess` is the code of that sump. Compared as hashes: how long it takes says nothing.
    pub(in super::super) fn opens(&self, sump: &Name, voided: u32, guess: &str) -> bool {
        let right = hmac::sign(&self.key, self.code(sump, voided).as_bytes());
        hmac::verify(&self.key, guess.trim().to_ascii_lowercase().as_bytes(), right.as_ref()).is_ok()
    }
}

fn text(sump: &Name, voided: u32) -> String {
    format!("sticker {voided} {sump}")
}

/// Bytes as letters and digits that are not taken for each other, five bits each; what is left over is left away.
pub(super) fn letters(bytes: &[u8]) -> String {
    let mut out = String::new();
    let (mut held, mut bits) = (0_u32, 0);
    for byte in bytes {
        held = held << 8 | u32::from(*byte);
        bits += 8;
        while bits >= 5 {
            bits -= 5;
            out.push(char::from(LETTERS[(held >> bits & 31) as usize]));
        }
        held &= (1 << bits) - 1;
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_code_opens_its_own_sump_until_it_is_made_void() {
        let stickers = Stickers::new(&Secret::new("k".repeat(64)));
        let [lathe, mill] = ["lathe-1", "mill-2"].map(|name| Name::new(name).unwrap());
        let code = stickers.code(&lathe, 0);
        assert_eq!(code.len(), 16);
        assert!(code.chars().all(|letter| letter.is_ascii_alphanumeric()), "{code}");
        assert!(stickers.opens(&lathe, 0, &code) && stickers.opens(&lathe, 0, &code.to_uppercase()));
        assert!(!stickers.opens(&mill, 0, &code) && !stickers.opens(&lathe, 1, &code));
        assert!(!stickers.opens(&lathe, 0, "") && !stickers.opens(&lathe, 0, &code[1..]));
        let other = Stickers::new(&Secret::new("q".repeat(64)));
        assert_ne!(other.code(&lathe, 0), code, "of another gateway");
    }
}
