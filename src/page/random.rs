//! Random bytes from the system, for tokens and salts.

use std::io::{self, Read as _};

const BYTES: usize = 16;

pub(super) fn bytes() -> io::Result<[u8; BYTES]> {
    let mut bytes = [0_u8; BYTES];
    fs_err::File::open("/dev/urandom")?.read_exact(&mut bytes)?;
    Ok(bytes)
}

/// Thirty-two hexadecimal digits.
pub(super) fn hex() -> io::Result<String> {
    Ok(bytes()?.iter().map(|byte| format!("{byte:02x}")).collect())
}
