//! The program from outside: the built binary, real MQTT clients and brokers, and the files that it leaves.
//!
//! `harness` starts and stops things; each other module checks one duty. Tests that need mosquitto or Python packages say
//! `skipped:` where those are missing; `MOSSWARDEN_REQUIRE_ALL=1` turns that into a failure (`tests/run` sets it).

mod alerts;
mod archive;
mod browser;
mod bucket;
mod builtin;
mod changes;
mod command_line;
mod demo;
mod documents;
mod harness;
mod journal;
mod mosquitto;
mod other_room;
mod page;
mod recording;
mod samples;
mod sensors;
mod service;
mod site_file;
