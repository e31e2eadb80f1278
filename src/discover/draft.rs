//! A first site file from what was heard: accepted as it stands, with what only the keeper knows marked to be filled in.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;

use mosswarden_config::quantity::Quantity;

use super::guess::{Form, Guess, guess, words};
use super::heard::Heard;

/// What stands for a species that nobody named.
pub(crate) const NO_SPECIES: &str = "to-be-filled-in";
/// Limits so wide that nothing is called wrong by them, until the keeper writes the animals' own.
const WIDE_LIMITS: &str = "{ day_c = [5.0, 35.0], night_c = [5.0, 35.0], min_c = 2.0, max_c = 40.0 }";

/// Words that make a topic's last part a quantity rather than a device.
const QUANTITY_WORDS: [&str; 14] = [
    "temperature",
    "temp",
    "humidity",
    "hum",
    "rh",
    "pressure",
    "lux",
    "illuminance",
    "battery",
    "uv",
    "soil",
    "moisture",
    "state",
    "status",
];
const CONTROLLER_WORDS: [&str; 4] = ["stat", "controller", "thermostat", "humidistat"];
const REFERENCE_WORDS: [&str; 3] = ["check", "reference", "ref"];
/// Words of a topic that tell a device's kind.
const KIND_WORDS: [(&str, &[&str]); 7] = [
    ("uv-lamp", &["uv", "uvb"]),
    (
        "mister",
        &["mister", "mist", "misting", "spray", "sprayer", "rain"],
    ),
    ("fogger", &["fogger", "fog"]),
    ("heater", &["heater", "heat", "heating", "mat"]),
    ("lamp", &["lamp", "light", "lights", "led"]),
    ("fan", &["fan", "vent"]),
    ("pump", &["pump", "filter", "waterfall"]),
];

/// A sensor or a device: one sender, however many topics it has.
#[derive(Debug, Default)]
struct Sender {
    id: String,
    topics: Vec<(String, Vec<Guess>)>,
}

/// What was heard, laid to enclosures.
pub(crate) struct Layout {
    room: Vec<Sender>,
    enclosures: BTreeMap<String, Vec<Sender>>,
    /// Topics of which nothing can be used.
    pub(crate) unused: Vec<String>,
}

/// What the keeper was asked, or what stands in for it.
pub(crate) struct Answers {
    pub(crate) url: String,
    pub(crate) username: Option<String>,
    pub(crate) password_file: Option<String>,
    pub(crate) ca_file: Option<String>,
    pub(crate) zone: String,
    pub(crate) is_zone_said: bool,
    /// By enclosure; absent where nobody said.
    pub(crate) species: BTreeMap<String, String>,
}

impl Layout {
    pub(crate) fn new(heard: &Heard) -> Layout {
        let mut senders: BTreeMap<Vec<String>, Vec<(String, Vec<Guess>)>> = BTreeMap::new();
        let mut unused = Vec::new();
        for (topic, said) in &heard.topics {
            let guesses = guess(topic, &said.samples);
            if guesses.iter().any(Guess::is_usable) {
                senders
                    .entry(path(topic, &guesses))
                    .or_default()
                    .push((topic.clone(), guesses));
            } else {
                unused.push(topic.clone());
            }
        }
        let shared = shared_parts(senders.keys());
        let mut layout = Layout {
            room: Vec::new(),
            enclosures: BTreeMap::new(),
            unused,
        };
        let mut taken = BTreeSet::new();
        for (path, topics) in senders {
            let rest = &path[shared.min(path.len() - 1)..];
            let is_room = words(&rest[0]).first().is_some_and(|word| word == "room");
            let place = sound(&rest[0]);
            let wanted = match (rest.len(), is_room) {
                (1, false) => format!("{place}-sensor"),
                _ => sound(&rest.join("-")),
            };
            let id = unique(wanted, &mut taken);
            let sender = Sender { id, topics };
            if is_room {
                layout.room.push(sender);
            } else {
                layout.enclosures.entry(place).or_default().push(sender);
            }
        }
        layout
    }

    pub(crate) fn enclosures(&self) -> impl Iterator<Item = &str> {
        self.enclosures.keys().map(String::as_str)
    }

    pub(crate) fn is_empty(&self) -> bool {
        self.room.is_empty() && self.enclosures.is_empty()
    }
}

/// The parts of a topic that name the sender: all, but for a last one that names the quantity of a plain value.
fn path(topic: &str, guesses: &[Guess]) -> Vec<String> {
    let mut parts: Vec<String> = topic
        .split('/')
        .filter(|part| !part.is_empty())
        .map(str::to_owned)
        .collect();
    let is_plain = guesses
        .iter()
        .all(|guess| matches!(guess.form, Form::Number | Form::State { pointer: None }));
    let names_quantity = parts.last().is_some_and(|last| {
        words(last)
            .iter()
            .any(|word| QUANTITY_WORDS.contains(&word.as_str()))
    });
    if parts.len() > 1 && is_plain && names_quantity {
        parts.pop();
    }
    if parts.is_empty() {
        parts.push(topic.to_owned());
    }
    parts
}

/// How many first parts all paths share; each keeps one of its own at least.
fn shared_parts<'p>(paths: impl Iterator<Item = &'p Vec<String>> + Clone) -> usize {
    let Some(first) = paths.clone().next() else {
        return 0;
    };
    let agree = |place: usize| {
        paths
            .clone()
            .all(|path| path.len() > place + 1 && path[place] == first[place])
    };
    (0..first.len()).take_while(|place| agree(*place)).count()
}

/// An id of letters, digits, '-' and '_'.
fn sound(text: &str) -> String {
    let id: String = text
        .chars()
        .map(|c| {
            if c.is_alphanumeric() || c == '_' {
                c.to_ascii_lowercase()
            } else {
                '-'
            }
        })
        .collect();
    let id = id.trim_matches('-').to_owned();
    if id.is_empty() { "unnamed".to_owned() } else { id }
}

fn unique(wanted: String, taken: &mut BTreeSet<String>) -> String {
    let mut id = wanted.clone();
    let mut number = 2;
    while !taken.insert(id.clone()) {
        id = format!("{wanted}-{number}");
        number += 1;
    }
    id
}

/// The draft.
pub(crate) fn draft(layout: &Layout, answers: &Answers) -> String {
    let mut out = String::new();
    write_draft(&mut out, layout, answers).expect("writing into a String cannot fail");
    out
}

fn write_draft(out: &mut String, layout: &Layout, answers: &Answers) -> std::fmt::Result {
    writeln!(
        out,
        "# A draft, made from what a broker's devices sent. Look through it: which sensor hangs where is guessed from topics.\n\
         # Then try it: mosswarden check --site THIS-FILE\n"
    )?;
    let fill_in_zone = if answers.is_zone_said {
        ""
    } else {
        "   # FILL IN: days and nights follow it; this is the machine's own"
    };
    writeln!(
        out,
        "[site]\nname = \"My enclosures\"   # FILL IN\ntimezone = {}{fill_in_zone}\ndata_dir = \"data\"\nunits = \"metric\"\n",
        quoted(&answers.zone)
    )?;
    writeln!(out, "[broker]\nurl = {}", quoted(&answers.url))?;
    if answers.username.is_none() {
        *out += "# username = \"collector\"\n# password_file = \"secrets/broker\"   # readable by its owner only\n";
    }
    let given = [
        ("username", &answers.username),
        ("password_file", &answers.password_file),
        ("ca_file", &answers.ca_file),
    ];
    for (key, value) in given {
        if let Some(value) = value {
            writeln!(out, "{key} = {}", quoted(value))?;
        }
    }
    out.push('\n');
    for sender in &layout.room {
        // A switch in the room belongs to no enclosure: it is shown, not used.
        write_sender(out, sender, "room.sensor", None)?;
    }
    for (place, senders) in &layout.enclosures {
        writeln!(
            out,
            "[[enclosure]]\nid = {}\nlabel = {}",
            quoted(place),
            quoted(place)
        )?;
        match answers.species.get(place) {
            Some(species) => writeln!(out, "species = {}", quoted(species))?,
            None => writeln!(
                out,
                "species = \"{NO_SPECIES}\"         # FILL IN, then take the limits below away\n\
                 # So wide that nothing is called too hot or too cold: they protect nobody.\n\
                 limits = {WIDE_LIMITS}"
            )?,
        }
        writeln!(
            out,
            "day = {{ start = \"08:00\", end = \"20:00\" }}   # the hours of light: correct them\n"
        )?;
        for sender in senders {
            write_sender(out, sender, "enclosure.sensor", Some("enclosure.device"))?;
        }
    }
    if !layout.unused.is_empty() {
        writeln!(out, "# Heard, and not understood:")?;
        for topic in &layout.unused {
            writeln!(out, "# {}", quoted(topic))?;
        }
    }
    Ok(())
}

fn write_sender(out: &mut String, sender: &Sender, sensor: &str, device: Option<&str>) -> std::fmt::Result {
    let is_state = |guess: &Guess| matches!(guess.form, Form::State { .. });
    let feeds = |of_device: bool| -> Vec<String> {
        let mut claimed = BTreeSet::new();
        sender
            .topics
            .iter()
            .flat_map(|(topic, guesses)| guesses.iter().map(move |guess| (topic, guess)))
            .filter(|(_, guess)| guess.is_usable() && is_state(guess) == of_device)
            .filter(|(topic, guess)| claimed.insert((topic.as_str(), format!("{:?}", guess.form))))
            .map(|(topic, guess)| feed(topic, guess))
            .collect()
    };
    let (readings, states) = (feeds(false), feeds(true));
    if !readings.is_empty() {
        writeln!(out, "[[{sensor}]]\nid = {}", quoted(&sender.id))?;
        let named = words(&sender.id);
        let says = |known: &[&str]| named.iter().any(|word| known.contains(&word.as_str()));
        if device.is_some() && says(&CONTROLLER_WORDS) {
            writeln!(out, "role = \"controller\"   # by its name")?;
        } else if device.is_some() && says(&REFERENCE_WORDS) {
            writeln!(out, "role = \"reference\"   # by its name")?;
        }
        write_feeds(out, &readings)?;
    }
    if states.is_empty() {
        return Ok(());
    }
    match (device, kind(&sender.id)) {
        (Some(device), Some(kind)) => {
            let id = if readings.is_empty() {
                sender.id.clone()
            } else {
                format!("{}-switch", sender.id)
            };
            writeln!(
                out,
                "[[{device}]]\nid = {}\nkind = \"{kind}\"   # by its name",
                quoted(&id)
            )?;
            write_feeds(out, &states)
        }
        _ => {
            writeln!(
                out,
                "# On and off words come from {}; what it switches is not known:",
                quoted(&sender.id)
            )?;
            for feed in &states {
                writeln!(out, "# {feed}")?;
            }
            writeln!(out)
        }
    }
}

fn write_feeds(out: &mut String, feeds: &[String]) -> std::fmt::Result {
    writeln!(out, "feeds = [")?;
    for feed in feeds {
        writeln!(out, "  {feed},")?;
    }
    writeln!(out, "]\n")
}

fn feed(topic: &str, guess: &Guess) -> String {
    let topic = quoted(topic);
    let quantity = guess.quantity.map_or("", Quantity::name);
    let unit = guess.unit;
    let time = guess.time_pointer.as_ref().map_or_else(String::new, |pointer| {
        format!(", time_pointer = {}", quoted(pointer))
    });
    match &guess.form {
        Form::Json { pointer } => format!(
            "{{ topic = {topic}, format = \"json\", pointer = {}{time}, quantity = \"{quantity}\", unit = \"{unit}\" }}",
            quoted(pointer)
        ),
        Form::Number => {
            format!(
                "{{ topic = {topic}, format = \"number\", quantity = \"{quantity}\", unit = \"{unit}\" }}"
            )
        }
        Form::Senml => format!("{{ topic = {topic}, format = \"senml\" }}"),
        Form::State { pointer: None } => format!("{{ topic = {topic}, format = \"state\" }}"),
        Form::State {
            pointer: Some(pointer),
        } => format!(
            "{{ topic = {topic}, format = \"state\", pointer = {}{time} }}",
            quoted(pointer)
        ),
    }
}

fn kind(id: &str) -> Option<&'static str> {
    let words = words(id);
    KIND_WORDS
        .iter()
        .find(|(_, known)| words.iter().any(|word| known.contains(&word.as_str())))
        .map(|(kind, _)| *kind)
}

/// A TOML basic string.
fn quoted(text: &str) -> String {
    let mut out = String::from("\"");
    for c in text.chars() {
        match c {
            '"' => out.push_str("\\\""),
            '\\' => out.push_str("\\\\"),
            c if c.is_control() => {
                let _ = write!(out, "\\u{:04X}", u32::from(c));
            }
            c => out.push(c),
        }
    }
    out.push('"');
    out
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use mosswarden_config::site::{DeviceKind, Role, Site};

    use super::*;

    fn heard(messages: &[(&str, &str)]) -> Heard {
        let mut heard = Heard::default();
        for (topic, payload) in messages {
            heard.take_in(topic, payload.as_bytes(), false, 0);
        }
        heard
    }

    #[track_caller]
    fn site(heard: &Heard, species: &[(&str, &str)]) -> Site {
        let answers = Answers {
            url: "mqtt://127.0.0.1:1883".to_owned(),
            username: None,
            password_file: None,
            ca_file: None,
            zone: "Europe/Lisbon".to_owned(),
            is_zone_said: false,
            species: species
                .iter()
                .map(|(place, id)| ((*place).to_owned(), (*id).to_owned()))
                .collect(),
        };
        let source = draft(&Layout::new(heard), &answers);
        Site::from_source(Path::new("site.toml"), &source)
            .unwrap_or_else(|problems| panic!("{problems:?}\n{source}"))
    }

    const ROOM: [(&str, &str); 9] = [
        ("nature-room/room-wall", r#"{"t":19.8,"rh":52}"#),
        (
            "nature-room/mossy-1/stat",
            r#"{"at":"2026-03-01T08:00:00Z","humidity":81.2,"temperature":22.4}"#,
        ),
        (
            "nature-room/mossy-1/check",
            r#"[{"n":"t","u":"Cel","v":22.1},{"n":"rh","u":"%RH","v":81}]"#,
        ),
        ("nature-room/mossy-1/low/temperature", "71.6"),
        ("nature-room/mossy-1/low/humidity", "84"),
        ("nature-room/mossy-1/mister", "ON"),
        ("nature-room/mossy-1/gate", "OFF"),
        ("nature-room/gecko \"2\"", r#"{"temperature":24.0}"#),
        ("nature-room/notes", "hello"),
    ];

    #[test]
    fn the_draft_is_accepted_and_lays_topics_to_places() {
        let site = site(&heard(&ROOM), &[]);
        let ids: Vec<&str> = site.enclosures.iter().map(|e| e.id.as_str()).collect();
        assert_eq!(ids, ["gecko--2", "mossy-1"]);
        let mossy = site.enclosure("mossy-1").expect("it was heard");
        let sensors: Vec<(&str, Role)> = mossy.sensors.iter().map(|s| (s.id.as_str(), s.role)).collect();
        assert_eq!(
            sensors,
            [
                ("mossy-1-check", Role::Reference),
                ("mossy-1-low", Role::Probe),
                ("mossy-1-stat", Role::Controller),
            ]
        );
        assert_eq!(mossy.devices.len(), 1, "what the gate switches is not known");
        assert_eq!(mossy.devices[0].kind, DeviceKind::Mister);
        assert_eq!(site.room_sensors.len(), 1);
        assert_eq!(mossy.species_id, NO_SPECIES);
        assert_eq!(mossy.limits.max_c, 40.0);
        assert!(
            !site.warnings.is_empty(),
            "the species that is missing is told at each start"
        );
    }

    #[test]
    fn what_only_the_keeper_knows_is_marked() {
        let mut answers = Answers {
            url: "mqtt://127.0.0.1:1883".to_owned(),
            username: None,
            password_file: None,
            ca_file: None,
            zone: "Etc/UTC".to_owned(),
            is_zone_said: false,
            species: BTreeMap::new(),
        };
        let layout = Layout::new(&heard(&ROOM));
        let marked = |answers: &Answers| {
            let source = draft(&layout, answers);
            let lines = source.lines().filter(|line| line.contains("FILL IN"));
            lines
                .filter_map(|line| line.split(' ').next().map(str::to_owned))
                .collect::<BTreeSet<_>>()
        };
        let of = |names: &[&str]| {
            names
                .iter()
                .map(|name| (*name).to_owned())
                .collect::<BTreeSet<_>>()
        };
        assert_eq!(marked(&answers), of(&["name", "species", "timezone"]));
        answers.is_zone_said = true;
        assert_eq!(marked(&answers), of(&["name", "species"]));
    }

    #[test]
    fn a_named_species_brings_its_own_limits() {
        let site = site(&heard(&ROOM), &[("mossy-1", "mossy-frog")]);
        let mossy = site.enclosure("mossy-1").expect("it was heard");
        assert!(mossy.species.is_some());
        assert!(mossy.limits.max_c < 40.0);
    }

    #[test]
    fn odd_topics_make_no_odd_file() {
        let odd = [
            ("a", "21.0"),
            ("temperature", "21.0"),
            ("//", r#"{"temperature":21.0}"#),
            ("x/y/z/\\u\"]", r#"{"humidity":55,"Humidity":56}"#),
            ("x/y/z/temp", "20"),
            ("x/y/z", r#"{"temperature":20.5}"#),
        ];
        let topics = |messages: &[(&str, &str)]| {
            let heard = heard(messages);
            let wanted: BTreeSet<String> = heard
                .topics
                .iter()
                .filter(|(topic, said)| guess(topic, &said.samples).iter().any(Guess::is_usable))
                .map(|(topic, _)| topic.clone())
                .collect();
            let site = site(&heard, &[]);
            let sensors = site
                .enclosures
                .iter()
                .flat_map(|own| &own.sensors)
                .chain(&site.room_sensors);
            let feeds = sensors.flat_map(|sensor| &sensor.feeds);
            let drafted: BTreeSet<String> = feeds.map(|feed| feed.topic.clone()).collect();
            (drafted, wanted)
        };
        let (drafted, wanted) = topics(&odd);
        assert_eq!(drafted, wanted);
        assert_eq!(
            (wanted.len(), wanted.contains("a")),
            (odd.len() - 1, false),
            "all but a number of which nothing says what it is"
        );
        for one in odd {
            let (drafted, wanted) = topics(&[one]);
            assert_eq!(drafted, wanted);
        }
    }
}
