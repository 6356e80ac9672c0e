//! The hashes by which trailer and receiver compare what they hold. Over what they go is said in
//! `pintle_core::queue::blocks`.

use aws_lc_rs::digest;
use pintle_core::queue::blocks::{HASH_BYTES, Leaf, SALT_BYTES, root_input};

/// The leaf of an event: SHA-256 over its random bytes and its bytes as sent.
#[must_use]
pub fn leaf(salt: &[u8; SALT_BYTES], event: &[u8]) -> Leaf {
    let mut hasher = digest::Context::new(&digest::SHA256);
    hasher.update(salt);
    hasher.update(event);
    taken(hasher.finish())
}

/// The root of a block: its events by rising sequence, each with its leaf.
#[must_use]
pub fn root(generation: &str, leaves: &[(u64, Leaf)]) -> [u8; HASH_BYTES] {
    taken(digest::digest(&digest::SHA256, &root_input(generation, leaves)))
}

fn taken(digest: digest::Digest) -> [u8; HASH_BYTES] {
    let mut out = [0; HASH_BYTES];
    out.copy_from_slice(digest.as_ref());
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use pintle_core::queue::blocks::to_hex;

    #[test]
    fn leaf_and_root_are_plain_sha_256() {
        // Values: sha256sum (GNU coreutils) over the same bytes, written by printf.
        let leaf = leaf(&[b'a'; 16], b"{}");
        assert_eq!(to_hex(&leaf), "acebf31ae14ad22a684f07eca83815ff26b3ca26220104203a0d8f1b1d6274bb");
        let root = root("g", &[(1, leaf)]);
        assert_eq!(to_hex(&root), "5cf401a89fcdbe6cff0e20b03d24d5856e50b0247fe4ab125c3f2d7ad8a7877f");
    }
}
