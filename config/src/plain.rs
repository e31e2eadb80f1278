//! What the system says of files and networks, in a keeper's words.

use std::fmt;
use std::io;

/// Without the numbers that errors have inside the system.
pub fn plain(error: impl fmt::Display) -> String {
    const NUMBER: &str = " (os error ";
    let text = error.to_string();
    let mut parts = text.split(NUMBER);
    let mut words = parts.next().unwrap_or_default().to_owned();
    for part in parts {
        match part.split_once(')') {
            Some((_number, rest)) => words += rest,
            None => words = words + NUMBER + part,
        }
    }
    words
}

/// Why a file can't be read; its name stands before it.
pub fn why_unread(error: &io::Error) -> String {
    match error.kind() {
        io::ErrorKind::NotFound => "it is not there".to_owned(),
        io::ErrorKind::PermissionDenied => "this user may not read it".to_owned(),
        io::ErrorKind::IsADirectory => "it is a folder".to_owned(),
        io::ErrorKind::InvalidData => "it is no text in UTF-8".to_owned(),
        other => other.to_string(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_of_the_system_are_left_out() {
        for (text, words) in [
            ("no room (os error 28); free some", "no room; free some"),
            ("a (os error 2): b (os error 13)", "a: b"),
            ("cut (os error 2", "cut (os error 2"),
            ("nothing", "nothing"),
        ] {
            assert_eq!(plain(text), words);
        }
        assert_eq!(why_unread(&io::ErrorKind::NotFound.into()), "it is not there");
    }
}
