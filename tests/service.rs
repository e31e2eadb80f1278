//! As a service: what systemd is told, the journal's style, the unit, manual pages and completions.

use std::os::unix::fs::MetadataExt as _;
use std::os::unix::net::UnixDatagram;
use std::process::Command;
use std::time::Duration;

use crate::harness::{Home, SITE, is_there, skip};

#[test]
fn systemd_is_told_of_the_start_of_life_and_of_the_stop() {
    let (home, _) = Home::builtin();
    let socket = home.path("notify");
    let systemd = UnixDatagram::bind(&socket).expect("the temporary folder can be written");
    systemd
        .set_read_timeout(Some(Duration::from_secs(60)))
        .expect("a time");
    let collector = home.collect_with(|_| vec![("NOTIFY_SOCKET", socket.display().to_string())]);
    let next = || {
        let mut buffer = [0; 4096];
        let length = systemd.recv(&mut buffer).expect("systemd is told in time");
        String::from_utf8_lossy(&buffer[..length]).into_owned()
    };
    let mut said = Vec::new();
    while !(said.iter().any(|s: &String| s.contains("READY=1"))
        && said.iter().any(|s| s.contains("WATCHDOG=1")))
    {
        said.push(next());
    }
    assert!(
        said.iter()
            .any(|s| s.contains("STATUS=0 readings, none yet; 0 alerts open")),
        "{said:?}"
    );
    collector.stop("TERM");
    while !said.last().is_some_and(|s| s.contains("STOPPING=1")) {
        said.push(next());
    }
}

#[test]
fn the_journal_gets_priorities_and_neither_times_nor_colours() {
    let (home, port) = Home::builtin();
    let collector = home.collect_with(|log| {
        let found = fs_err::metadata(log).expect("it was made");
        vec![("JOURNAL_STREAM", format!("{}:{}", found.dev(), found.ino()))]
    });
    crate::harness::wait_until("it listens", || {
        std::net::TcpStream::connect(("127.0.0.1", port)).is_ok()
    });
    let log = collector.stop("TERM");
    let line = log
        .lines()
        .find(|line| line.contains("stopping: what has arrived"));
    assert_eq!(
        line,
        Some("<6>stopping: what has arrived is made durable, acknowledged and published"),
        "{log}"
    );
    // For a file that is not the journal's, times are kept.
    let collector = home.collect_with(|_| vec![("JOURNAL_STREAM", "1:2".to_owned())]);
    crate::harness::wait_until("it listens", || {
        std::net::TcpStream::connect(("127.0.0.1", port)).is_ok()
    });
    let log = collector.stop("TERM");
    assert!(!log.contains("<6>") && log.contains(" INFO "), "{log}");
}

#[test]
fn the_unit_is_sound_and_shut_in() {
    let home = Home::new(SITE);
    let unit = home.run(&["service"]).expect_code(0).stdout;
    assert!(unit.contains("\nType=notify\n"), "{unit}");
    if !is_there("systemd-analyze") {
        skip("systemd-analyze is missing");
        return;
    }
    // The program of this build stands in for the installed one.
    let unit = unit.replace("/usr/bin/mosswarden", env!("CARGO_BIN_EXE_mosswarden"));
    let file = home.write("mosswarden.service", &unit);
    let verified = Command::new("systemd-analyze")
        .args(["verify", "--man=no"])
        .arg(&file)
        .output()
        .expect("systemd-analyze was found");
    let said = String::from_utf8_lossy(&verified.stderr);
    assert!(verified.status.success(), "{said}");
    assert!(!said.contains("mosswarden.service"), "{said}");
    // Exposure from 0 (nothing) to 10; the limit is a little above what this unit has.
    let shut_in = Command::new("systemd-analyze")
        .args(["security", "--offline=true", "--threshold=20", "--no-pager"])
        .arg(&file)
        .output()
        .expect("systemd-analyze was found");
    assert!(
        shut_in.status.success(),
        "{}{}",
        String::from_utf8_lossy(&shut_in.stdout),
        String::from_utf8_lossy(&shut_in.stderr)
    );
}

#[test]
fn every_command_has_a_manual_page_that_man_can_show() {
    let home = Home::new(SITE);
    home.run(&["man", "pages"]).expect_code(0);
    let mut names: Vec<String> = fs_err::read_dir(home.path("pages"))
        .expect("it was made")
        .map(|entry| {
            entry
                .expect("readable")
                .file_name()
                .to_string_lossy()
                .into_owned()
        })
        .collect();
    names.sort();
    for command in [
        "",
        "-collect",
        "-flags",
        "-journal-add",
        "-calibrate-salt",
        "-alerts",
        "-service",
    ] {
        assert!(
            names.contains(&format!("mosswarden{command}.1")),
            "{command} in {names:?}"
        );
    }
    if !is_there("man") {
        skip("man is missing");
        return;
    }
    for name in &names {
        let shown = Command::new("man")
            .args(["--warnings", "-E", "UTF-8", "-l", "-Tutf8", "-Z"])
            .arg(home.path("pages").join(name))
            .env("MANROFFSEQ", "")
            .output()
            .expect("man was found");
        let said = String::from_utf8_lossy(&shown.stderr);
        assert!(shown.status.success() && said.trim().is_empty(), "{name}: {said}");
    }
}

#[test]
fn a_shell_takes_the_completions() {
    let home = Home::new(SITE);
    for shell in ["bash", "zsh", "fish", "elvish", "powershell"] {
        let script = home.run(&["completions", shell]).expect_code(0).stdout;
        assert!(script.contains("calibrate"), "{shell}: {script}");
    }
    home.run(&["completions", "csh"]).expect_code(2);
    let script = home.run(&["completions", "bash"]).expect_code(0).stdout;
    let file = home.write("completions.bash", &script);
    // What a person sees after typing `mosswarden cal` and the key.
    let ask = "source \"$1\"; COMP_WORDS=(mosswarden cal); COMP_CWORD=1; _mosswarden mosswarden cal mosswarden; echo \"${COMPREPLY[*]}\"";
    let said = Command::new("bash")
        .args(["-c", ask, "ask"])
        .arg(file)
        .output()
        .expect("bash is everywhere");
    assert_eq!(
        String::from_utf8_lossy(&said.stdout).trim(),
        "calibrate",
        "{said:?}"
    );
}
