//! Names that only the holder of a key can repeat.

use sha2::{Digest, Sha256};

/// Bytes that the hash works on at a time.
const BLOCK: usize = 64;

/// A name under a key: the first half of HMAC-SHA-256 in hexadecimal digits (RFC 2104; check values of RFC 4231).
///
/// ```
/// use drawoff_store::keyed_hash;
/// // RFC 4231, test case 2
/// assert_eq!(keyed_hash("Jefe", "what do ya want for nothing?"), "5bdcc146bf60754e6a042426089575c7");
/// ```
#[must_use]
pub fn keyed_hash(key: &str, name: &str) -> String {
    let mut block = [0_u8; BLOCK];
    let hashed;
    let bytes = if key.len() > BLOCK {
        hashed = Sha256::digest(key.as_bytes());
        &hashed[..]
    } else {
        key.as_bytes()
    };
    block[..bytes.len()].copy_from_slice(bytes);
    let padded = |pad: u8| block.map(|b| b ^ pad);
    let inner = Sha256::new().chain_update(padded(0x36)).chain_update(name.as_bytes()).finalize();
    let outer = Sha256::new().chain_update(padded(0x5c)).chain_update(inner).finalize();
    outer[..16].iter().map(|b| format!("{b:02x}")).collect()
}
