//! What a broker's messages might be, and a first site file made of it.
//!
//! - [`heard`]: what came, by topic, bounded; [`guess`]: payload samples → quantity and unit, each with its reason;
//!   [`draft`]: a site file that is accepted as it stands, with what must be filled in said in it.
//!
//! Pure: it knows no network, no terminal and no file.

pub(crate) mod draft;
pub(crate) mod guess;
pub(crate) mod heard;
