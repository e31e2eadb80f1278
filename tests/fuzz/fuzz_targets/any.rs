//! One target of the collector's list, chosen by `MOSSWARDEN_TARGET`, under libFuzzer. Its seeds are written where libFuzzer looks for
//! them, `corpus/any`, at the first start. The collector's sources are compiled here as they are, without what needs Polars.
#![no_main]
#![allow(dead_code, unreachable_pub, unused_imports, reason = "only the readers are used")]

use std::path::Path;
use std::sync::LazyLock;

use libfuzzer_sys::fuzz_target;

#[path = "../../../collector/src/columns.rs"]
mod columns;
#[path = "../../../collector/src/csv.rs"]
mod csv;
#[path = "../../../collector/src/decode/mod.rs"]
mod decode;
#[path = "../../../collector/src/disk.rs"]
mod disk;
#[path = "../../../collector/src/feeds.rs"]
mod feeds;
#[path = "../../../collector/src/journal.rs"]
mod journal;
#[path = "../../../collector/src/lines.rs"]
mod lines;
#[path = "../../../collector/src/message.rs"]
mod message;
#[path = "../../../collector/src/fuzz/seeds.rs"]
mod seeds;
#[path = "../../../collector/src/fuzz/targets.rs"]
mod targets;
#[path = "../../../collector/src/validate.rs"]
mod validate;

mod broker {
    #[path = "../../../../collector/src/broker/wire/mod.rs"]
    pub(crate) mod wire;
}

mod import {
    #[path = "../../../../collector/src/import/line.rs"]
    pub(crate) mod line;
    pub use line::BadLine;
    pub(crate) use line::{places, unknown_word};
}

mod spool {
    #[path = "../../../../collector/src/spool/frame.rs"]
    pub(crate) mod frame;
}

static TARGET: LazyLock<&targets::Target> = LazyLock::new(|| {
    let wanted = std::env::var("MOSSWARDEN_TARGET").unwrap_or_default();
    let names: Vec<&str> = targets::ALL.iter().map(|target| target.name).collect();
    let target = targets::ALL.iter().find(|target| target.name == wanted);
    let target = target.unwrap_or_else(|| panic!("MOSSWARDEN_TARGET is one of {}", names.join(", ")));
    let corpus = Path::new("corpus/any");
    fs_err::create_dir_all(corpus).expect("room");
    for (number, seed) in seeds::of(target.name).iter().enumerate() {
        fs_err::write(corpus.join(format!("{}-{number}", target.name)), seed).expect("room");
    }
    target
});

fuzz_target!(init: { LazyLock::force(&TARGET); }, |bytes: &[u8]| (TARGET.run)(bytes));
