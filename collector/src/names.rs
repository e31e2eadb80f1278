//! Texts that many readings share.

use std::collections::HashSet;
use std::sync::Arc;

/// One shared text a name, however many rows bear it.
#[derive(Default)]
pub(crate) struct Names {
    known: HashSet<Arc<str>>,
    last: Option<Arc<str>>,
}

impl Names {
    pub(crate) fn shared(&mut self, name: &str) -> Arc<str> {
        if let Some(last) = self.last.as_ref().filter(|last| &***last == name) {
            return Arc::clone(last);
        }
        let found = match self.known.get(name) {
            Some(known) => Arc::clone(known),
            None => Arc::from(name),
        };
        self.known.insert(Arc::clone(&found));
        self.last = Some(Arc::clone(&found));
        found
    }
}
