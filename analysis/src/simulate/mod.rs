//! A physical simulation of enclosures with known faults and its truth.
