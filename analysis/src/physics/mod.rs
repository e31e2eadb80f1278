//! Water vapour and heat: pure functions.
