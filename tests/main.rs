//! end to end
