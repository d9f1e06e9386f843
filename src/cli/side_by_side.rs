//! Work on many things side by side, in bounded number, taken up in their order.

use rayon::ThreadPoolBuilder;
use std::sync::mpsc::sync_channel;

/// Cores of this machine, at least one.
pub(super) fn cores() -> usize {
    std::thread::available_parallelism().map_or(1, usize::from)
}

/// Runs `work` with `threads` threads of its own, so that several such do not wait for one another; with all of
/// the machine's where it is alone or no pool can be made.
pub(super) fn with_threads<R: Send>(threads: Option<usize>, work: impl FnOnce() -> R + Send) -> R {
    let pool = threads.and_then(|n| ThreadPoolBuilder::new().num_threads(n).build().ok());
    match pool {
        Some(pool) => pool.install(work),
        None => work(),
    }
}

/// Works on all items, `workers` of them at a time, and hands the results to `take` in the items' order. No worker
/// is more than two items ahead of what was taken, so memory does not grow with the number of items.
///
/// # Errors
///
/// The first one of `take`; the rest is not worked on then.
pub(super) fn in_order<T: Send, R: Send, E>(
    items: Vec<T>,
    workers: usize,
    work: impl Fn(T) -> R + Sync,
    mut take: impl FnMut(R) -> Result<(), E>,
) -> Result<(), E> {
    let workers = workers.clamp(1, items.len().max(1));
    // Alone, a worker has all cores; one of several has its share of them and never waits for another's work.
    let threads = (workers > 1).then(|| (cores() / workers).max(1));
    let count = items.len();
    let mut hands: Vec<Vec<T>> = (0..workers).map(|_| Vec::new()).collect();
    for (i, item) in items.into_iter().enumerate() {
        hands[i % workers].push(item);
    }
    std::thread::scope(|scope| {
        let work = &work;
        let results: Vec<_> = hands
            .into_iter()
            .map(|hand| {
                let (send, results) = sync_channel(1);
                scope.spawn(move || {
                    with_threads(threads, || {
                        for item in hand {
                            // Nobody takes any more: an error ended it.
                            if send.send(work(item)).is_err() {
                                return;
                            }
                        }
                    });
                });
                results
            })
            .collect();
        for i in 0..count {
            // A worker that panicked sends nothing; the scope passes its panic on.
            let Ok(result) = results[i % workers].recv() else {
                break;
            };
            take(result)?;
        }
        Ok(())
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::atomic::{AtomicUsize, Ordering};
    use std::time::Duration;

    #[test]
    fn results_come_in_order_and_no_worker_runs_far_ahead() {
        let started = AtomicUsize::new(0);
        let mut taken = Vec::new();
        let most_ahead = AtomicUsize::new(0);
        let done: Result<(), ()> = in_order(
            (0..40).collect(),
            3,
            |i: u64| {
                started.fetch_add(1, Ordering::SeqCst);
                // The first of every four takes longest.
                std::thread::sleep(Duration::from_millis(3 - i % 4));
                i
            },
            |i| {
                taken.push(i);
                let ahead = started.load(Ordering::SeqCst) - taken.len();
                most_ahead.fetch_max(ahead, Ordering::SeqCst);
                std::thread::sleep(Duration::from_millis(2));
                Ok(())
            },
        );
        assert_eq!(done, Ok(()));
        assert_eq!(taken, (0..40).collect::<Vec<_>>());
        // Each of three workers: one waiting to be sent, one sent, one begun.
        assert!(most_ahead.into_inner() <= 9);
    }

    #[test]
    fn an_error_ends_the_work() {
        let worked = AtomicUsize::new(0);
        let ended = in_order(
            (0..1000).collect(),
            2,
            |i: usize| {
                worked.fetch_add(1, Ordering::SeqCst);
                i
            },
            |i| if i == 5 { Err("full") } else { Ok(()) },
        );
        assert_eq!(ended, Err("full"));
        assert!(worked.into_inner() < 20);
    }
}
