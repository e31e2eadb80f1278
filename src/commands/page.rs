//! `page password`: makes the access file, with which the page may be seen from other machines.

use std::io::{BufRead as _, IsTerminal as _};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use mosswarden_config::site::Site;

use crate::cli::Page;
use crate::page::access::{self, PASSWORD_BYTES_MAX, PASSWORD_CHARS_MIN};
use crate::reporter::{Failure, Outcome};

pub(crate) fn run(site: &Site, command: &Page) -> Result<Outcome, Failure> {
    let Page::Password { out } = command;
    let beside = || {
        site.file
            .parent()
            .unwrap_or(Path::new(""))
            .join("secrets")
            .join("page")
    };
    let file: PathBuf = out
        .clone()
        .or_else(|| site.page.access_file.clone())
        .unwrap_or_else(beside);
    let password = if std::io::stdin().is_terminal() {
        let first = ask("New password for the page: ")?;
        if first != ask("The same again: ")? {
            return Err(Failure::usage("the two differ", "try again"));
        }
        first
    } else {
        let mut line = String::new();
        std::io::stdin()
            .lock()
            .read_line(&mut line)
            .map_err(Failure::failed("could not read the password"))?;
        line.trim_end_matches(['\r', '\n']).to_owned()
    };
    if password.chars().count() < PASSWORD_CHARS_MIN || password.len() > PASSWORD_BYTES_MAX {
        return Err(Failure::usage(
            format!(
                "a password has at least {PASSWORD_CHARS_MIN} characters and at most {PASSWORD_BYTES_MAX} bytes"
            ),
            "some words in a row are easy to keep in mind and hard to guess",
        ));
    }
    access::write(&file, &password).map_err(Failure::failed("could not write the access file"))?;
    println!("{}", file.display());
    if site.page.access_file.as_ref() == Some(&file) {
        eprintln!("  hint: start `mosswarden collect` anew; the page then asks for this password");
    } else {
        eprintln!(
            "  hint: name it in the site file, `access_file` in [page], and start `mosswarden collect` anew"
        );
    }
    Ok(Outcome::Done)
}

/// Reads a line without showing it. The shell does it, because it puts the terminal right again even after Ctrl-C.
fn ask(question: &str) -> Result<String, Failure> {
    const SCRIPT: &str = "trap 'stty echo; printf \"\\n\" >&2' EXIT; trap 'exit 130' INT TERM HUP; \
                          printf %s \"$0\" >&2; stty -echo; IFS= read -r line && printf %s \"$line\"";
    let said = Command::new("sh")
        .args(["-c", SCRIPT, question])
        .stdin(Stdio::inherit())
        .stderr(Stdio::inherit())
        .output()
        .map_err(Failure::failed("could not ask for the password"))?;
    if !said.status.success() {
        return Err(Failure::usage("no password was given", "try again"));
    }
    String::from_utf8(said.stdout).map_err(Failure::failed("the password is no text"))
}
