//! How often the detectors are right on simulated sites; run by hand.
