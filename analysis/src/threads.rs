//! The same work for many items, on several cores; what comes of it stands in the items' order, however many there were.

use std::sync::atomic::{AtomicUsize, Ordering};
use std::thread;

/// More at once would hold more memory than they save time.
const THREADS_MAX: usize = 4;

/// Cores that this process may use, at most [`THREADS_MAX`].
pub(crate) fn cores() -> usize {
    thread::available_parallelism()
        .map_or(1, usize::from)
        .min(THREADS_MAX)
}

/// What `work` makes of each item, in the items' order, on so many threads.
pub(crate) fn in_order<T: Sync, R: Send>(
    items: &[T],
    threads: usize,
    work: impl Fn(&T) -> R + Sync,
) -> Vec<R> {
    let next = AtomicUsize::new(0);
    let take = || {
        let mut done = Vec::new();
        loop {
            let index = next.fetch_add(1, Ordering::Relaxed);
            let Some(item) = items.get(index) else {
                return done;
            };
            done.push((index, work(item)));
        }
    };
    let mut done = thread::scope(|scope| {
        let others: Vec<_> = (1..threads.min(items.len())).map(|_| scope.spawn(take)).collect();
        let mut done = take();
        for other in others {
            match other.join() {
                Ok(theirs) => done.extend(theirs),
                Err(panic) => std::panic::resume_unwind(panic),
            }
        }
        done
    });
    done.sort_by_key(|(index, _)| *index);
    done.into_iter().map(|(_, result)| result).collect()
}
