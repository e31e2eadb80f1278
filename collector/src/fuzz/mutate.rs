//! Inputs for the targets: seeds, changed at random by one seed of chance, so that a run can be repeated.

/// Longest input that is made.
const BYTES_MAX: usize = 4096;
/// Changes of one input, at most.
const CHANGES_MAX: u64 = 6;
/// Bytes and texts on which decoders go wrong.
const TOKENS: [&[u8]; 40] = [
    b"\"",
    b"\"\"",
    b",",
    b",,",
    b"\n",
    b"\r\n",
    b"[",
    b"]",
    b"{",
    b"}",
    b":",
    b"\\u0000",
    b"\\ud800",
    b"null",
    b"-",
    b"-0",
    b"1e999",
    b"-1e-999",
    b"9007199254740993",
    b"18446744073709551616",
    b"NaN",
    b"inf",
    b"0x10",
    b"+1",
    b"1.",
    b"\xff\xff",
    b"\xc3\x28",
    b"\xef\xbb\xbf",
    b"\0",
    b"\0\0\0\0",
    b"\xff\xff\xff\x7f",
    b"\x80\x80\x80\x80\x01",
    b"1970-01-01T00:00:00Z",
    b"9999-12-31T23:59:60Z",
    b"-262144-01-01",
    b"2026-02-30",
    b"/",
    b"~1",
    b"#",
    b"[[enclosure]]\n",
];

/// Whole numbers that look random and are not (xorshift).
pub(crate) struct Chance(u64);

impl Chance {
    pub(crate) fn new(seed: u64) -> Chance {
        Chance(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1)
    }

    fn next(&mut self) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0
    }

    /// Below `limit`, which is above 0.
    fn below(&mut self, limit: usize) -> usize {
        ((self.next() >> 11) % limit as u64) as usize
    }
}

/// Puts a changed seed into `input`.
pub(crate) fn mutate(chance: &mut Chance, seeds: &[Vec<u8>], input: &mut Vec<u8>) {
    input.clear();
    input.extend_from_slice(&seeds[chance.below(seeds.len())]);
    for _ in 0..=chance.next() % CHANGES_MAX {
        change(chance, seeds, input);
    }
    input.truncate(BYTES_MAX.max(seeds[0].len()));
}

fn change(chance: &mut Chance, seeds: &[Vec<u8>], input: &mut Vec<u8>) {
    let at = chance.below(input.len() + 1);
    let span = at..input.len().min(at + 1 + chance.below(16));
    match chance.next() % 9 {
        0 if at < input.len() => input[at] ^= 1 << chance.below(8),
        1 if at < input.len() => input[at] = chance.next() as u8,
        2 => drop(input.drain(span)),
        3 => {
            let twice = input[span].to_vec();
            input.splice(at..at, twice);
        }
        4 => {
            let token = TOKENS[chance.below(TOKENS.len())];
            input.splice(at..at, token.iter().copied());
        }
        5 => {
            let token = TOKENS[chance.below(TOKENS.len())];
            input.splice(span, token.iter().copied());
        }
        6 => input.truncate(at),
        7 => {
            let other = &seeds[chance.below(seeds.len())];
            let from = chance.below(other.len() + 1);
            input.truncate(at);
            input.extend_from_slice(&other[from..]);
        }
        _ => {
            // A number in a text, or a length in a packet, a little off.
            if let Some(digit) = input[at..].iter().position(u8::is_ascii_digit) {
                input[at + digit] = b'0' + chance.below(10) as u8;
            } else if at < input.len() {
                input[at] = input[at].wrapping_add(1);
            }
        }
    }
}
