//! Blocks: how a trailer and its receiver prove to each other that they hold the same events, byte for byte.
//!
//! Every event has a *leaf*: SHA-256 over 16 random bytes and the event's bytes as they were sent. The random bytes,
//! its salt, travel with the event and go with it: without them nobody can find out from a leaf what the event said,
//! not even by trying all plates. A *block* is a run of at most [`BLOCK`] sequences of one generation; its *root* is
//! SHA-256 over [`root_input`]. The hashing itself is done outside, this room only says over what (decision 0015).

/// Sequences in one block.
pub const BLOCK: u64 = 1000;

/// Random bytes of one event.
pub const SALT_BYTES: usize = 16;

/// Bytes of a leaf and of a root.
pub const HASH_BYTES: usize = 32;

/// A leaf.
pub type Leaf = [u8; HASH_BYTES];

/// Number of the block that `sequence` (1 and up) is in, counted from 0.
#[must_use]
pub fn block_of(sequence: u64) -> u64 {
    sequence.saturating_sub(1) / BLOCK
}

/// First sequence of a block.
#[must_use]
pub fn first_of(block: u64) -> u64 {
    block.saturating_mul(BLOCK).saturating_add(1)
}

/// Last sequence of a block.
#[must_use]
pub fn last_of(block: u64) -> u64 {
    first_of(block).saturating_add(BLOCK - 1)
}

/// What the root of a block is the SHA-256 of: a line that names the form, a line with the generation, the number of
/// leaves (8 bytes, big-endian), and for each event, rising, its sequence (8 bytes, big-endian) and its leaf.
#[must_use]
pub fn root_input(generation: &str, leaves: &[(u64, Leaf)]) -> Vec<u8> {
    let mut out = Vec::with_capacity(64 + generation.len() + leaves.len() * (8 + HASH_BYTES));
    out.extend_from_slice(b"pintle.block.v1\n");
    out.extend_from_slice(generation.as_bytes());
    out.push(b'\n');
    out.extend_from_slice(&(leaves.len() as u64).to_be_bytes());
    for (sequence, leaf) in leaves {
        out.extend_from_slice(&sequence.to_be_bytes());
        out.extend_from_slice(leaf);
    }
    out
}

/// Lower-case hexadecimal digits.
#[must_use]
pub fn to_hex(bytes: &[u8]) -> String {
    const DIGITS: &[u8; 16] = b"0123456789abcdef";
    let digit = |nibble: u8| char::from(DIGITS[usize::from(nibble & 15)]);
    bytes.iter().flat_map(|byte| [digit(byte >> 4), digit(*byte)]).collect()
}

/// Reads [`to_hex`] of exactly `N` bytes; `None` if it is anything else.
#[must_use]
pub fn from_hex<const N: usize>(text: &str) -> Option<[u8; N]> {
    let text = text.as_bytes();
    if text.len() != 2 * N {
        return None;
    }
    let nibble = |digit: u8| match digit {
        b'0'..=b'9' => Some(digit - b'0'),
        b'a'..=b'f' => Some(digit - b'a' + 10),
        _ => None,
    };
    let mut out = [0; N];
    for (byte, pair) in out.iter_mut().zip(text.chunks_exact(2)) {
        *byte = nibble(pair[0])? << 4 | nibble(pair[1])?;
    }
    Some(out)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_thousand_sequences_make_a_block_and_the_first_is_one() {
        let table = [(1, 0), (1000, 0), (1001, 1), (2000, 1), (2001, 2)];
        for (sequence, block) in table {
            assert_eq!(block_of(sequence), block, "{sequence}");
            assert!((first_of(block)..=last_of(block)).contains(&sequence));
        }
        assert_eq!((first_of(1), last_of(1)), (1001, 2000));
    }

    #[test]
    fn no_two_blocks_have_the_same_input() {
        let (a, b) = ([1; 32], [2; 32]);
        let inputs = [
            root_input("g", &[]),
            root_input("g", &[(1, a)]),
            root_input("g", &[(2, a)]),
            root_input("g", &[(1, b)]),
            root_input("h", &[(1, a)]),
            root_input("g", &[(1, a), (2, b)]),
            root_input("g", &[(1, b), (2, a)]),
        ];
        for (at, input) in inputs.iter().enumerate() {
            assert!(!inputs[..at].contains(input), "{at}");
        }
    }

    #[test]
    fn hexadecimal_is_read_as_it_was_written_and_nothing_else_is() {
        let bytes = [0x00, 0x0f, 0xa5, 0xff];
        assert_eq!(to_hex(&bytes), "000fa5ff");
        assert_eq!(from_hex("000fa5ff"), Some(bytes));
        for bad in ["", "000fa5f", "000fa5ff0", "000fA5ff", "000fa5fg", "000fa5f\u{e4}"] {
            assert_eq!(from_hex::<4>(bad), None, "{bad}");
        }
    }
}
