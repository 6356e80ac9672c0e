//! The PIN of the page and its second factor: how they are made, kept and compared. Neither is ever written anywhere in
//! clear but on the terminal that asked for it; the secret of the second factor lies in a file that only the page's
//! user can read.

use super::state::{self, StateError};
use argon2::{Algorithm, Argon2, Block, Params, Version};
use aws_lc_rs::constant_time::verify_slices_are_equal;
use aws_lc_rs::hmac;
use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use pintle_core::moment::Utc;
use serde::{Deserialize, Serialize};
use std::path::Path;
use std::sync::{Mutex, PoisonError};

/// Digits of a PIN. Source: issue of the page; 10^8 with the waits of `tries` outlives any trailer.
pub(super) const DIGITS: usize = 8;
/// Memory of one comparison, KiB, and its passes. Source: OWASP password storage, Argon2id with 7 MiB and 5 passes
/// (from memory); more would not fit into the page's 15 MiB.
const MEMORY_KIB: u32 = 7168;
const PASSES: u32 = 5;
/// Step of the second factor, s, and its digits. Source: RFC 6238 section 4.1, RFC 4226 section 5.3.
const STEP_S: u64 = 30;
const CODE_DIGITS: usize = 6;
/// Bytes of its secret: the length of the hash. Source: RFC 4226 section 4, R6.
const SECRET_BYTES: usize = 20;
const FILE: &str = "pin.json";
/// Blocks that are asked for at once. Only the first are touched, and only what is touched needs memory; from 32 MiB on
/// the allocator takes a piece of its own from the system and gives it back after the comparison, below that it may
/// keep it for ever. Source: mallopt(3), `M_MMAP_THRESHOLD` and its upper limit.
const BLOCKS_ASKED: usize = 33 * 1024;
/// One comparison at a time, also when the one who asked has hung up.
static TURN: Mutex<()> = Mutex::new(());

/// What is kept of a PIN.
#[derive(Clone, Serialize, Deserialize)]
pub(super) struct Pin {
    format: u32,
    salt: String,
    hash: String,
    /// When it was set, RFC 3339; sessions of an earlier one end with it.
    pub(super) set: String,
    /// The secret of the second factor, base64; absent: there is none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    second: Option<String>,
}

/// A new PIN, as it is shown once.
pub(super) struct Shown {
    pub(super) pin: String,
    /// The secret of the second factor as authenticator programs take it.
    pub(super) second: Option<String>,
}

impl Pin {
    /// The PIN that is set; `None` if there is none.
    ///
    /// # Errors
    /// [`StateError`] if the file is there and can't be read.
    pub(super) fn read(folder: &Path) -> Result<Option<Self>, StateError> {
        state::read_json(folder, FILE)
    }

    /// Makes a new PIN at random and keeps what compares with it.
    ///
    /// # Errors
    /// [`StateError`] if it can't be kept.
    pub(super) fn make(folder: &Path, second: bool, now: Utc) -> Result<Shown, StateError> {
        let pin = random_digits();
        let secret = second.then(rand::random::<[u8; SECRET_BYTES]>);
        let salt: [u8; 16] = rand::random();
        let hash = hash(&pin, &salt).ok_or(StateError::Hash)?;
        let kept = Self {
            format: 1,
            salt: STANDARD.encode(salt),
            hash: STANDARD.encode(hash),
            set: now.to_rfc3339(),
            second: secret.map(|secret| STANDARD.encode(secret)),
        };
        state::write_json(folder, FILE, &kept)?;
        Ok(Shown { pin, second: secret.map(|secret| base32(&secret)) })
    }

    /// Whether a code of the second factor is asked for.
    pub(super) fn has_second(&self) -> bool {
        self.second.is_some()
    }

    /// Whether both are right. Takes its time on purpose. `used` is the last step whose code was taken: none is taken
    /// twice; the step of this one is answered.
    pub(super) fn matches(&self, pin: &str, code: &str, now: Utc, used: u64) -> Option<u64> {
        let salt = STANDARD.decode(&self.salt).ok()?;
        let kept = STANDARD.decode(&self.hash).ok()?;
        // A space between the digits is no mistake.
        let digits: String = pin.chars().filter(|c| !c.is_whitespace()).collect();
        let right = hash(&digits, &salt).is_some_and(|hash| verify_slices_are_equal(&hash, &kept).is_ok());
        let step = match &self.second {
            None => Some(used),
            Some(secret) => {
                let secret = STANDARD.decode(secret).ok()?;
                let at = u64::try_from(now.0).unwrap_or(0) / 1000 / STEP_S;
                // A clock that is a step off is no mistake. Source: RFC 6238 section 5.2.
                (at.saturating_sub(1)..=at + 1).find(|step| used < *step && code_of(&secret, *step) == code.trim())
            }
        };
        step.filter(|_| right)
    }
}

fn hash(pin: &str, salt: &[u8]) -> Option<[u8; 32]> {
    let params = Params::new(MEMORY_KIB, PASSES, 1, Some(32)).ok()?;
    let mut out = [0; 32];
    let turn = TURN.lock().unwrap_or_else(PoisonError::into_inner);
    let mut memory = Vec::with_capacity(BLOCKS_ASKED.max(params.block_count()));
    memory.resize(params.block_count(), Block::default());
    let argon2 = Argon2::new(Algorithm::Argon2id, Version::V0x13, params);
    let hashed = argon2.hash_password_into_with_memory(pin.as_bytes(), salt, &mut out, &mut memory);
    drop((memory, turn));
    hashed.ok().map(|()| out)
}

fn random_digits() -> String {
    (0..DIGITS).map(|_| char::from(b'0' + rand::random_range(0..10_u8))).collect()
}

/// Source: RFC 4226 section 5.3.
fn code_of(secret: &[u8], step: u64) -> String {
    let key = hmac::Key::new(hmac::HMAC_SHA1_FOR_LEGACY_USE_ONLY, secret);
    let tag = hmac::sign(&key, &step.to_be_bytes());
    let tag = tag.as_ref();
    let at = usize::from(tag.last().copied().unwrap_or(0) & 0xf);
    let word = tag.get(at..at + 4).and_then(|bytes| <[u8; 4]>::try_from(bytes).ok()).map_or(0, u32::from_be_bytes);
    format!("{:0width$}", (word & 0x7fff_ffff) % 1_000_000, width = CODE_DIGITS)
}

/// Source: RFC 4648 section 6, without padding, as authenticator programs take it.
fn base32(bytes: &[u8]) -> String {
    const LETTERS: &[u8; 32] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZ234567";
    let bits: Vec<u8> = bytes.iter().flat_map(|byte| (0..8).rev().map(move |bit| (byte >> bit) & 1)).collect();
    bits.chunks(5)
        .map(|five| {
            let value = five.iter().fold(0_u8, |value, bit| (value << 1) | bit) << (5 - five.len());
            char::from(LETTERS[usize::from(value)])
        })
        .collect()
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    #[test]
    fn codes_are_those_of_the_standard() {
        // Source: RFC 4226 appendix D; RFC 6238 appendix B (SHA-1, last six digits).
        let secret = b"12345678901234567890";
        assert_eq!([0, 1, 9].map(|step| code_of(secret, step)), ["755224", "287082", "520489"]);
        let at = |unix_s: u64| code_of(secret, unix_s / STEP_S);
        assert_eq!([59, 1_111_111_109, 20_000_000_000].map(at), ["287082", "081804", "353130"]);
        // Source: RFC 4648 section 10.
        assert_eq!([&b"f"[..], b"foobar"].map(base32), ["MY", "MZXW6YTBOI"]);
    }

    #[test]
    fn a_pin_is_kept_as_a_hash_and_only_it_opens() {
        let folder = tempfile::tempdir().unwrap();
        assert!(Pin::read(folder.path()).unwrap().is_none());
        let now = Utc(1_795_608_000_000);
        let shown = Pin::make(folder.path(), false, now).unwrap();
        assert!(shown.pin.len() == DIGITS && shown.pin.bytes().all(|c| c.is_ascii_digit()));
        let kept = std::fs::read_to_string(folder.path().join(FILE)).unwrap();
        assert!(!kept.contains(&shown.pin));
        let pin = Pin::read(folder.path()).unwrap().unwrap();
        let spaced = format!(" {} {}", &shown.pin[..4], &shown.pin[4..]);
        assert_eq!(pin.matches(&spaced, "", now, 7), Some(7));
        for wrong in ["", "1", "ab", &shown.pin[1..], &format!("{}0", shown.pin)] {
            assert_eq!(pin.matches(wrong, "", now, 7), None);
        }
    }

    #[test]
    fn a_code_of_the_second_factor_is_asked_for_and_taken_once() {
        let folder = tempfile::tempdir().unwrap();
        let now = Utc(1_795_608_000_000);
        let shown = Pin::make(folder.path(), true, now).unwrap();
        let pin = Pin::read(folder.path()).unwrap().unwrap();
        let secret = STANDARD.decode(pin.second.as_ref().unwrap()).unwrap();
        assert_eq!(shown.second.as_deref(), Some(base32(&secret).as_str()));
        let step = 1_795_608_000 / STEP_S;
        let code = code_of(&secret, step);
        assert_eq!(pin.matches(&shown.pin, "", now, 0), None);
        assert_eq!(pin.matches("00000000x", &code, now, 0), None, "the code alone opens nothing");
        assert_eq!(pin.matches(&shown.pin, &code, now, 0), Some(step));
        assert_eq!(pin.matches(&shown.pin, &code, now, step), None, "nobody uses it again");
        assert_eq!(pin.matches(&shown.pin, &code_of(&secret, step - 5), now, 0), None, "nor an old one");
    }
}
