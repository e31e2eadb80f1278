//! The command line as types: the only reader of arguments and of the environment.

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand, ValueEnum};
use mosswarden_config::journal::MEANINGS;
use mosswarden_config::site::{ArchivePlace, Site};
use mosswarden_config::table::reports_dir;

use crate::memory::Use;
use crate::reporter::Failure;

/// Logs planted animal enclosures from MQTT into Parquet and says which sensors can be trusted, what the animals lived
/// through, and what to look at. It never replaces a thermostat or a veterinarian.
#[derive(Debug, Parser)]
#[command(version, max_term_width = 100)]
pub(crate) struct Arguments {
    /// The site file [default: site.toml in this folder, then the file named by MOSSWARDEN_SITE]
    #[arg(long, global = true, value_name = "FILE")]
    pub(crate) site: Option<PathBuf>,
    /// Read this archive of the same sensors as well: a data folder, or s3://BUCKET/NAME; may be given several times
    #[arg(long = "archive", global = true, value_name = "PLACE", value_parser = place)]
    pub(crate) archives: Vec<ArchivePlace>,
    /// Log more; twice for every message
    #[arg(short, long, global = true, action = clap::ArgAction::Count)]
    pub(crate) verbose: u8,
    #[command(subcommand)]
    pub(crate) command: Command,
}

#[derive(Debug, Subcommand)]
pub(crate) enum Command {
    /// Show the whole job on this machine with invented data: devices, collector, archive, findings, report
    Demo(Demo),
    /// Collect readings from MQTT until stopped; serves the page and raises alerts
    Collect(Collect),
    /// Listen to a broker and draft a site file from what it says
    Discover(Discover),
    /// Say whether the site file, the way in, the folder and the clock are fit; changes nothing
    Check,
    /// Look through every file of the archive and say what is wrong; exit code 3 where something is
    Verify(Verify),
    /// Take history in from tidy CSV
    Import(Import),
    /// Give readings as tidy CSV
    Export(Export),
    /// Say what was found in a span; exit code 3 where something needs attention
    Flags(Flags),
    /// Write the weekly health report
    Report(Report),
    /// Write what one enclosure's animals lived through before a moment, for a veterinarian
    Audit(Audit),
    /// Say what a change did to an enclosure: before against after at the same room, with an interval on each measure
    Compare(Compare),
    /// Say which misting times would hold the wanted humidity, by the enclosure's own record; switches nothing
    Advise(Advise),
    /// Write what the next keeper of an enclosure must know
    Handover(Handover),
    /// Write what stands before some days away: what to see to first, what falls due, what heat and cold would do
    Away(Away),
    /// Note what you saw and did, or read it back
    #[command(subcommand)]
    Journal(Journal),
    /// Tasks that come back: what is due, tick off what is done, a calendar
    #[command(subcommand)]
    Care(Care),
    /// The page's password
    #[command(subcommand)]
    Page(Page),
    /// Check a sensor beside another or over a salt, and note the correction that follows
    #[command(subcommand)]
    Calibrate(Calibrate),
    /// Say which dangers are open and whether the ways to tell them work
    Alerts(Alerts),
    /// Simulate enclosures with known faults, as MQTT messages and tidy CSV with its truth
    Simulate(Simulate),
    /// Print the systemd unit with which `collect` runs as a service
    Service,
    /// Print what lets a shell complete commands and options
    Completions {
        #[arg(value_enum)]
        shell: clap_complete::Shell,
    },
    /// Write the manual pages into a folder, for whoever packages
    Man {
        #[arg(value_name = "DIR")]
        folder: PathBuf,
    },
}

#[derive(Debug, Args)]
pub(crate) struct Alerts {
    /// Send one test message by webhook and e-mail now
    #[arg(long)]
    pub(crate) test: bool,
}

#[derive(Debug, Args)]
pub(crate) struct Demo {
    /// End when the report is written, instead of going on live
    #[arg(long)]
    pub(crate) once: bool,
    /// Where to put the demo's site file, archive and report [default: a new folder mosswarden-demo here]
    #[arg(long, value_name = "DIR")]
    pub(crate) folder: Option<PathBuf>,
    /// Seed of the invented data
    #[arg(long, default_value_t = 1)]
    pub(crate) seed: u64,
}

#[derive(Debug, Args)]
pub(crate) struct Collect {
    /// The name of this collector, where several take turns at one broker's messages and write one archive (MQTT 5 shared
    /// subscriptions); it has no page and sends no alerts
    #[arg(long, value_name = "NAME")]
    pub(crate) share: Option<String>,
}

#[derive(Debug, Args)]
pub(crate) struct Verify {
    /// Put right what can be, without losing a reading; damaged files are set aside. Stop the collector first
    #[arg(long)]
    pub(crate) repair: bool,
}

#[derive(Debug, Args)]
pub(crate) struct Discover {
    /// The broker, as mqtt://HOST:PORT, or mqtts://HOST:PORT for TLS
    #[arg(long, default_value = "mqtt://127.0.0.1:1883")]
    pub(crate) url: String,
    /// How long to listen, in seconds
    #[arg(long, value_name = "N", default_value_t = 60, value_parser = clap::value_parser!(u64).range(1..=86_400))]
    pub(crate) seconds: u64,
    /// Ask nothing; what only you know is marked in the draft
    #[arg(long)]
    pub(crate) yes: bool,
    /// Where to write the draft [default: site.toml]; never over another file
    #[arg(long, value_name = "FILE")]
    pub(crate) out: Option<PathBuf>,
    /// Name at the broker
    #[arg(long, requires = "password_file")]
    pub(crate) user: Option<String>,
    /// File whose first line is the password
    #[arg(long, value_name = "FILE", requires = "user")]
    pub(crate) password_file: Option<PathBuf>,
    /// Certificates to check a broker behind TLS by [default: this machine's own]
    #[arg(long, value_name = "FILE")]
    pub(crate) ca_file: Option<PathBuf>,
}

#[derive(Debug, Args)]
pub(crate) struct Import {
    /// Tidy CSV files: time,enclosure,sensor,quantity,value,unit; or separated by semicolons, then decimal commas are read too
    #[arg(required = true, value_name = "FILE")]
    pub(crate) files: Vec<PathBuf>,
    /// For logs with a column a sensor: HEADER=time, and "HEADER=SENSOR QUANTITY UNIT" for each column to take. Local times are the site's;
    /// where dates are written like 1/3/2026, "HEADER=time day-first" or "HEADER=time month-first"
    #[arg(long, value_name = "COLUMN")]
    pub(crate) columns: Vec<String>,
}

/// A span; times are RFC 3339, or a local date or date-time in the site's zone.
#[derive(Debug, Args)]
pub(crate) struct SpanArguments {
    /// Begin [default: seven days before the end]
    #[arg(long, value_name = "T")]
    pub(crate) from: Option<String>,
    /// End, not included; nothing later is used. A date alone is its beginning, 00:00: that day is not in it [default: now]
    #[arg(long, value_name = "T")]
    pub(crate) to: Option<String>,
}

#[derive(Debug, Args)]
pub(crate) struct Export {
    #[command(flatten)]
    pub(crate) span: SpanArguments,
    /// Only these enclosures
    #[arg(long = "enclosure", value_name = "ID")]
    pub(crate) enclosures: Vec<String>,
    /// Add what the QARTOD tests say of each reading: the flag (1 pass, 2 not evaluated, 3 suspect, 4 fail), and which tests raised it
    #[arg(long, conflicts_with = "parquet")]
    pub(crate) marks: bool,
    /// Write one Parquet file instead of CSV on standard output; it must not exist
    #[arg(long, value_name = "FILE")]
    pub(crate) parquet: Option<PathBuf>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum FlagsFormat {
    Text,
    Json,
}

#[derive(Debug, Args)]
pub(crate) struct Flags {
    #[command(flatten)]
    pub(crate) span: SpanArguments,
    #[arg(long, value_enum, default_value_t = FlagsFormat::Text)]
    pub(crate) format: FlagsFormat,
    /// Only these enclosures
    #[arg(long = "enclosure", value_name = "ID")]
    pub(crate) enclosures: Vec<String>,
}

/// Where a paper goes: what is there is never written over by chance.
#[derive(Debug, Clone, Default, Args)]
pub(crate) struct Paper {
    /// Folder for the files [default: reports in the data folder]
    #[arg(long, value_name = "DIR")]
    pub(crate) out: Option<PathBuf>,
    /// Overwrite one of the same name
    #[arg(long)]
    pub(crate) force: bool,
    /// Open it when it is written
    #[arg(long)]
    pub(crate) open: bool,
}

impl Paper {
    pub(crate) fn folder(&self, site: &Site) -> PathBuf {
        self.out.clone().unwrap_or_else(|| reports_dir(&site.data_dir))
    }
}

#[derive(Debug, Args)]
pub(crate) struct Report {
    /// ISO 8601 week, such as 2026-W21 [default: the last whole week; the time since the first reading where that is later]
    #[arg(long, value_name = "WEEK", conflicts_with_all = ["from", "to"])]
    pub(crate) week: Option<String>,
    #[command(flatten)]
    pub(crate) span: SpanArguments,
    /// Only these enclosures; their ids stand in the files' names
    #[arg(long = "enclosure", value_name = "ID")]
    pub(crate) enclosures: Vec<String>,
    #[command(flatten)]
    pub(crate) paper: Paper,
}

/// How far an audit and a hand-over look back where nothing is said: what the 12 weeks of the audit's first page need; a year has all
/// seasons.
pub(crate) const AUDIT_DAYS: u32 = 84;
pub(crate) const HANDOVER_DAYS: u32 = 365;

#[derive(Debug, Args)]
pub(crate) struct Audit {
    /// The enclosure
    #[arg(long, value_name = "ID")]
    pub(crate) enclosure: String,
    /// When an animal looked unwell; nothing later is used. A date alone is its beginning, 00:00: that day is not in it
    #[arg(long, value_name = "T")]
    pub(crate) until: String,
    /// How many days to look back; since arrival where the journal knows it and it is longer ago
    #[arg(long, value_name = "N", default_value_t = AUDIT_DAYS, value_parser = clap::value_parser!(u32).range(3..=3660))]
    pub(crate) days: u32,
    #[command(flatten)]
    pub(crate) paper: Paper,
}

#[derive(Debug, Args)]
pub(crate) struct Compare {
    /// The enclosure
    #[arg(long, value_name = "ID")]
    pub(crate) enclosure: String,
    /// When it was changed [default: each change of the last eight weeks that the journal has]
    #[arg(long, value_name = "T")]
    pub(crate) at: Option<String>,
    /// How many days on either side, at most
    #[arg(long, value_name = "N", default_value_t = 21, value_parser = clap::value_parser!(u32).range(7..=84))]
    pub(crate) days: u32,
    /// What was changed, such as "new lid"
    #[arg(long, value_name = "TEXT", requires = "at")]
    pub(crate) what: Option<String>,
    #[arg(long, value_enum, default_value_t = FlagsFormat::Text)]
    pub(crate) format: FlagsFormat,
}

#[derive(Debug, Args)]
pub(crate) struct Advise {
    /// The enclosure
    #[arg(long, value_name = "ID")]
    pub(crate) enclosure: String,
    /// Nothing later is used; a date alone is its beginning, 00:00 [default: now]
    #[arg(long, value_name = "T")]
    pub(crate) until: Option<String>,
    #[arg(long, value_enum, default_value_t = FlagsFormat::Text)]
    pub(crate) format: FlagsFormat,
}

#[derive(Debug, Args)]
pub(crate) struct Handover {
    /// The enclosure
    #[arg(long, value_name = "ID")]
    pub(crate) enclosure: String,
    /// When it is handed over; a date alone is its beginning, 00:00 [default: now]
    #[arg(long, value_name = "T")]
    pub(crate) until: Option<String>,
    /// How many days to look back; since arrival where the journal knows it and it is longer ago
    #[arg(long, value_name = "N", default_value_t = HANDOVER_DAYS, value_parser = clap::value_parser!(u32).range(14..=3660))]
    pub(crate) days: u32,
    #[command(flatten)]
    pub(crate) paper: Paper,
}

#[derive(Debug, Args)]
pub(crate) struct Away {
    /// When you leave, such as tomorrow or 2026-06-01T08:00 [default: now]
    #[arg(long, value_name = "T")]
    pub(crate) from: Option<String>,
    /// When you come back; a date alone is your last day away, as a whole
    #[arg(long, value_name = "T")]
    pub(crate) to: String,
    /// Coldest and warmest that you expect of the room, such as 17..28, in the site's degrees [default: as in the last 14 days]
    #[arg(long, value_name = "LOW..HIGH", allow_hyphen_values = true)]
    pub(crate) room: Option<String>,
    /// Only these enclosures; their ids stand in the files' names
    #[arg(long = "enclosure", value_name = "ID")]
    pub(crate) enclosures: Vec<String>,
    /// Nothing later is used [default: now]
    #[arg(long, value_name = "T")]
    pub(crate) until: Option<String>,
    #[command(flatten)]
    pub(crate) paper: Paper,
}

#[derive(Debug, Subcommand)]
pub(crate) enum Journal {
    /// Add one entry
    Add(JournalAdd),
    /// List entries, amended ones too, marked as such
    List(JournalList),
    /// Correct an entry: a further one stands for it, and both stay in the file
    Amend(JournalAmend),
    /// Take entries in from CSV: time,enclosure,kind,subject,text; the subject may be absent
    Import {
        #[arg(value_name = "FILE")]
        file: PathBuf,
    },
}

/// The kinds of entries with what each says, one a line.
fn kinds() -> String {
    let lines = MEANINGS.map(|(kind, meaning)| format!("  {kind:<20} {meaning}"));
    format!("Kinds:\n{}", lines.join("\n"))
}

#[derive(Debug, Args)]
#[command(after_help = kinds())]
pub(crate) struct JournalAdd {
    /// An enclosure's id, or room
    #[arg(long, value_name = "ID")]
    pub(crate) enclosure: String,
    /// What kind of entry, of those below
    #[arg(long, value_name = "KIND")]
    pub(crate) kind: String,
    /// The sensor or device that it concerns; the task for care-done
    #[arg(long, value_name = "ID")]
    pub(crate) subject: Option<String>,
    /// When it was [default: now]
    #[arg(long, value_name = "T")]
    pub(crate) at: Option<String>,
    /// Who writes
    #[arg(long, value_name = "NAME")]
    pub(crate) by: Option<String>,
    /// What was seen or done
    pub(crate) text: Vec<String>,
}

#[derive(Debug, Args)]
pub(crate) struct JournalList {
    #[command(flatten)]
    pub(crate) span: SpanArguments,
    /// Begin each line with the entry's id, which `amend` takes
    #[arg(long)]
    pub(crate) ids: bool,
    #[arg(long, value_enum, default_value_t = FlagsFormat::Text)]
    pub(crate) format: FlagsFormat,
}

/// What is not given stays as it was.
#[derive(Debug, Args)]
pub(crate) struct JournalAmend {
    /// The entry's id, as `journal list --ids` shows it; its beginning will do
    #[arg(value_name = "ID")]
    pub(crate) id: String,
    #[arg(long, value_name = "ID")]
    pub(crate) enclosure: Option<String>,
    #[arg(long, value_name = "KIND")]
    pub(crate) kind: Option<String>,
    /// The sensor or device that it concerns, or the task; `none` for none
    #[arg(long, value_name = "ID")]
    pub(crate) subject: Option<String>,
    #[arg(long, value_name = "T")]
    pub(crate) at: Option<String>,
    /// Who amends
    #[arg(long, value_name = "NAME")]
    pub(crate) by: Option<String>,
    /// What it should say
    pub(crate) text: Vec<String>,
}

#[derive(Debug, Subcommand)]
pub(crate) enum Care {
    /// List the tasks: when each is due, and when it was last done
    List,
    /// Tick a task off
    Done {
        /// The task, such as water-bowl
        #[arg(value_name = "TASK")]
        task: String,
        /// An enclosure's id, or room
        #[arg(long, value_name = "ID")]
        enclosure: String,
        /// When it was done [default: now]
        #[arg(long, value_name = "T")]
        at: Option<String>,
        /// Who did it
        #[arg(long, value_name = "NAME")]
        by: Option<String>,
    },
    /// Print the due days as an iCalendar file (RFC 5545)
    Calendar,
}

#[derive(Debug, Subcommand)]
pub(crate) enum Page {
    /// Set the password without which the page answers to this machine only
    Password {
        /// Where its hash goes [default: access_file of the site file, else secrets/page beside it]
        #[arg(long, value_name = "FILE")]
        out: Option<PathBuf>,
    },
}

#[derive(Debug, Subcommand)]
pub(crate) enum Calibrate {
    /// How a check is prepared, with its cautions
    Guide,
    /// Judge several sensors that stood in one closed tub for some hours
    SideBySide(SideBySide),
    /// Judge a sensor that stood in a closed jar over a saturated salt
    Salt(SaltCheck),
    /// List the corrections that were noted
    List,
    /// Let a sensor's correction end; what was noted stays in the file
    Withdraw {
        #[arg(long, value_name = "ID")]
        sensor: String,
        /// From when on [default: now]
        #[arg(long, value_name = "T")]
        valid_from: Option<String>,
        /// Who says so
        #[arg(long, value_name = "NAME")]
        by: Option<String>,
    },
}

/// What both kinds of check share.
#[derive(Debug, Args)]
pub(crate) struct CheckArguments {
    /// When the lid was closed
    #[arg(long, value_name = "T")]
    pub(crate) from: String,
    /// When it was opened
    #[arg(long, value_name = "T")]
    pub(crate) to: String,
    /// Humidity at which the sensor works, %RH [default: its median over two weeks before the test]
    #[arg(long, value_name = "PCT")]
    pub(crate) working: Option<f64>,
    /// Note the correction, so that it applies to later readings
    #[arg(long)]
    pub(crate) save: bool,
    /// From when on it applies [default: the end of the test]
    #[arg(long, value_name = "T", requires = "save")]
    pub(crate) valid_from: Option<String>,
    /// Who made the check
    #[arg(long, value_name = "NAME", requires = "save")]
    pub(crate) by: Option<String>,
}

#[derive(Debug, Args)]
pub(crate) struct SideBySide {
    #[command(flatten)]
    pub(crate) check: CheckArguments,
    /// The sensor that is trusted most [default: the mean of all, three at least]
    #[arg(long, value_name = "ID")]
    pub(crate) reference: Option<String>,
    /// The sensors in the tub; the reference may be among them
    #[arg(required = true, value_name = "SENSOR")]
    pub(crate) sensors: Vec<String>,
}

#[derive(Debug, Args)]
pub(crate) struct SaltCheck {
    #[command(flatten)]
    pub(crate) check: CheckArguments,
    #[arg(long, value_enum)]
    pub(crate) salt: SaltName,
    #[arg(long, value_name = "ID")]
    pub(crate) sensor: String,
    /// A second jar, for the gain
    #[arg(long, value_enum, requires = "second_from", requires = "second_to")]
    pub(crate) second_salt: Option<SaltName>,
    #[arg(long, value_name = "T", requires = "second_salt")]
    pub(crate) second_from: Option<String>,
    #[arg(long, value_name = "T", requires = "second_salt")]
    pub(crate) second_to: Option<String>,
}

/// The salts that the guide offers.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum SaltName {
    /// Magnesium chloride, about 33 %RH
    Mgcl2,
    /// Table salt, about 75 %RH
    Nacl,
    /// Potassium chloride, about 84 %RH
    Kcl,
    /// Potassium sulphate, about 97 %RH
    K2so4,
}

#[derive(Debug, Args)]
pub(crate) struct Simulate {
    /// Folder for site.toml, readings.csv, messages.jsonl, journal.csv and truth.json; must not exist
    #[arg(long, value_name = "DIR")]
    pub(crate) out: PathBuf,
    #[arg(long, default_value_t = 1)]
    pub(crate) seed: u64,
    /// Which room
    #[arg(long, value_enum, default_value_t = Scenario::Holdout)]
    pub(crate) scenario: Scenario,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum Scenario {
    /// The demo's room: five enclosures, four weeks
    Demo,
    /// A random room over ten weeks with random faults and confounders
    Holdout,
    /// A random room in which nothing is wrong
    Healthy,
    /// One day of the demo's room at ten minutes, small enough to read: the day of sample-logs/
    Day,
}

impl Command {
    /// Whether it reads archives beside the site's own where they are named.
    pub(crate) fn reads(&self) -> bool {
        matches!(self, Command::Export(_)) || self.memory() == Some(Use::Judges)
    }

    /// What it needs of memory, where that is more than a moment's.
    pub(crate) fn memory(&self) -> Option<Use> {
        match self {
            Command::Collect(_) => Some(Use::Stays),
            Command::Demo(demo) if !demo.once => Some(Use::Stays),
            Command::Flags(_)
            | Command::Report(_)
            | Command::Audit(_)
            | Command::Compare(_)
            | Command::Advise(_)
            | Command::Handover(_)
            | Command::Away(_) => Some(Use::Judges),
            _ => None,
        }
    }
}

fn place(text: &str) -> Result<ArchivePlace, String> {
    ArchivePlace::from_text(text).map_err(str::to_owned)
}

/// The site file to use: as given, else `site.toml` here, else what MOSSWARDEN_SITE names.
pub(crate) fn site_file(given: Option<PathBuf>) -> Result<PathBuf, Failure> {
    const DEFAULT: &str = "site.toml";
    if let Some(file) = given {
        return Ok(file);
    }
    let here = PathBuf::from(DEFAULT);
    if here.exists() {
        return Ok(here);
    }
    std::env::var_os("MOSSWARDEN_SITE").map(PathBuf::from).ok_or_else(|| {
        Failure::usage(
            "there is no site.toml in this folder",
            "name the site file with --site FILE or in MOSSWARDEN_SITE; `mosswarden discover` drafts one from what a broker says, \
             `mosswarden demo` shows everything without one",
        )
    })
}
