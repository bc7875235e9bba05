//! Pairing: two devices that have never met prove to each other that they were given the same short code, and that
//! nobody stands between them.
//!
//! A password-authenticated key exchange (SPAKE2: Abdalla, Pointcheval, CT-RSA 2005; RFC 9382) gives both sides a key
//! if they used the same code, and whoever guessed wrong nothing to try further guesses on. Each side then proves
//! that it has the key by a keyed hash (HMAC-SHA-256) over both certificates' fingerprints: somebody between the two
//! shows other certificates, so the proofs differ.

use hmac::{Hmac, KeyInit as _, Mac as _};
use sha2::Sha256;
use spake2::{Ed25519Group, Identity as Name, Password, Spake2};

use super::identity::Fingerprint;

/// Digits of a code. Each guess costs an attempt, and an offer has [`ATTEMPTS`].
pub const DIGITS: u32 = 6;
/// Wrong codes after which an offer is withdrawn.
pub const ATTEMPTS: u32 = 3;
/// How long an offer stands, in ms.
pub const OFFER_MS: u64 = 5 * 60 * 1_000;

/// A code from random bytes, every one as likely.
pub fn code(random: [u8; 32]) -> String {
    let number = u64::from_be_bytes([0, random[0], random[1], random[2], random[3], random[4], random[5], random[6]]);
    format!("{:0width$}", number % 10_u64.pow(DIGITS), width = DIGITS as usize)
}

/// A code as typed: digits, with spaces or dashes wherever.
pub fn read_code(text: &str) -> Option<String> {
    let digits: String = text.chars().filter(|c| !c.is_whitespace() && *c != '-').collect();
    (digits.len() == DIGITS as usize && digits.bytes().all(|b| b.is_ascii_digit())).then_some(digits)
}

/// One side, after its first message and before the other's.
pub struct Begun(Spake2<Ed25519Group>);

/// One side with the key that both have if the code was the same.
pub struct Agreed {
    key: Vec<u8>,
}

/// The caller's first message.
pub fn call(code: &str) -> (Begun, Vec<u8>) {
    let (state, message) = Spake2::start_a(&Password::new(code), &Name::new(b"calls"), &Name::new(b"serves"));
    (Begun(state), message)
}

/// The server's first message.
pub fn answer(code: &str) -> (Begun, Vec<u8>) {
    let (state, message) = Spake2::start_b(&Password::new(code), &Name::new(b"calls"), &Name::new(b"serves"));
    (Begun(state), message)
}

impl Begun {
    /// The key, with the other side's first message; none where that is no such message.
    pub fn finish(self, message: &[u8]) -> Option<Agreed> {
        self.0.finish(message).ok().map(|key| Agreed { key })
    }
}

/// Who proves.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
#[allow(missing_docs)]
pub enum Side {
    Calls,
    Serves,
}

impl Agreed {
    fn keyed(&self, side: Side, calls: Fingerprint, serves: Fingerprint) -> Hmac<Sha256> {
        let mut mac = Hmac::<Sha256>::new_from_slice(&self.key).unwrap_or_else(|_| unreachable!("any length is a key"));
        mac.update(match side {
            Side::Calls => b"sheetloft pairing 1 calls ",
            Side::Serves => b"sheetloft pairing 1 serves",
        });
        mac.update(&calls.0);
        mac.update(&serves.0);
        mac
    }

    /// A side's proof.
    pub fn prove(&self, side: Side, calls: Fingerprint, serves: Fingerprint) -> Vec<u8> {
        self.keyed(side, calls, serves).finalize().into_bytes().to_vec()
    }

    /// Whether the other side's proof holds; compared without saying by its time where it differs.
    pub fn holds(&self, side: Side, calls: Fingerprint, serves: Fingerprint, proof: &[u8]) -> bool {
        self.keyed(side, calls, serves).verify_slice(proof).is_ok()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const A: Fingerprint = Fingerprint([1; 32]);
    const B: Fingerprint = Fingerprint([2; 32]);

    fn agreed(calls: &str, serves: &str) -> (Agreed, Agreed) {
        let (a, to_b) = call(calls);
        let (b, to_a) = answer(serves);
        (a.finish(&to_a).unwrap(), b.finish(&to_b).unwrap())
    }

    #[test]
    fn the_same_code_and_the_same_certificates_and_nothing_else() {
        let (a, b) = agreed("482913", "482913");
        assert!(b.holds(Side::Calls, A, B, &a.prove(Side::Calls, A, B)));
        assert!(a.holds(Side::Serves, A, B, &b.prove(Side::Serves, A, B)));
        // Somebody between: the server sees another certificate than the caller's.
        assert!(!b.holds(Side::Calls, Fingerprint([9; 32]), B, &a.prove(Side::Calls, A, B)));
        // A proof sent back to where it came from.
        assert!(!a.holds(Side::Serves, A, B, &a.prove(Side::Calls, A, B)));
        let (a, b) = agreed("482913", "482914");
        assert!(!b.holds(Side::Calls, A, B, &a.prove(Side::Calls, A, B)));
    }

    #[test]
    fn other_bytes_are_no_message() {
        for bytes in [&b""[..], b"A", &[0xff; 33], &[0; 5_000]] {
            assert!(call("482913").0.finish(bytes).is_none());
        }
    }

    #[test]
    fn codes_as_people_type_them() {
        assert_eq!(read_code(" 482 913"), Some("482913".into()));
        assert_eq!(read_code("482-913"), Some("482913".into()));
        for wrong in ["", "48291", "4829130", "48291x", "４８２９１３"] {
            assert_eq!(read_code(wrong), None, "{wrong}");
        }
        assert_eq!(code([0; 32]), "000000");
        assert_eq!(code([255; 32]).len(), 6);
    }
}
