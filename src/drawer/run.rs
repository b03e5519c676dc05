//! Slides on all cores: so many in flight, and no more.

use std::num::NonZeroUsize;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

use rayon::ThreadPoolBuilder;

use crate::error::{Error, Result};

/// Stack of a worker, bytes: what the main thread of a program has, which a slide is checked on otherwise.
const STACK_BYTES: usize = 8 << 20;

/// Works through `items` on `jobs` cores and gives the results back in the order of the items.
///
/// Each worker takes one item at a time, and the parallel loops within an item stay within its worker's share of the cores:
/// workers never wait for each other, no more items are in flight than there are jobs, and no more threads work than jobs. Few items share all cores between them.
///
/// # Errors
/// When the system gives no more threads.
pub fn in_flight<T: Sync, R: Send>(items: &[T], jobs: NonZeroUsize, work: impl Fn(&T) -> R + Sync) -> Result<Vec<R>> {
    let workers = jobs.get().min(items.len()).max(1);
    let share = jobs.get() / workers;
    let pools = (0..workers)
        .map(|_| ThreadPoolBuilder::new().num_threads(share).stack_size(STACK_BYTES).build())
        .collect::<Result<Vec<_>, _>>()
        .map_err(|e| Error::new("--jobs", "cannot all be started", "give fewer jobs").caused_by(e))?;
    let next = AtomicUsize::new(0);
    let done = Mutex::new(Vec::with_capacity(items.len()));
    std::thread::scope(|scope| {
        for pool in &pools {
            scope.spawn(|| {
                while let Some((n, item)) = {
                    let n = next.fetch_add(1, Ordering::Relaxed);
                    items.get(n).map(|item| (n, item))
                } {
                    let result = pool.install(|| work(item));
                    done.lock().unwrap_or_else(std::sync::PoisonError::into_inner).push((n, result));
                }
            });
        }
    });
    let mut done = done.into_inner().unwrap_or_else(std::sync::PoisonError::into_inner);
    done.sort_by_key(|(n, _)| *n);
    Ok(done.into_iter().map(|(_, result)| result).collect())
}

/// Runs a piece of work whose faults must not end the others': a panic becomes an error about `place`.
///
/// # Errors
/// What the work gives, or that it failed altogether.
pub fn unharmed<R>(place: &std::path::Path, work: impl FnOnce() -> Result<R>) -> Result<R> {
    catch_unwind(AssertUnwindSafe(work)).unwrap_or_else(|fault| {
        let said = fault.downcast_ref::<String>().cloned();
        let said = said.or_else(|| fault.downcast_ref::<&str>().map(|s| (*s).to_owned()));
        let error = Error::new(
            place,
            "this program failed on it",
            "this is a fault of the program and not of the slide; the other slides are not affected",
        );
        Err(match said {
            Some(said) => error.caused_by(said),
            None => error,
        })
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use rayon::prelude::*;
    use std::path::Path;
    use std::time::Duration;

    fn jobs(n: usize) -> NonZeroUsize {
        NonZeroUsize::new(n).unwrap()
    }

    #[test]
    fn no_more_are_in_flight_than_there_are_jobs_even_when_they_are_parallel_within() {
        for n in [1, 3] {
            let (now, most) = (AtomicUsize::new(0), AtomicUsize::new(0));
            let items: Vec<usize> = (0..24).collect();
            let results = in_flight(&items, jobs(n), |item| {
                most.fetch_max(now.fetch_add(1, Ordering::SeqCst) + 1, Ordering::SeqCst);
                // A worker that waits for its parts may not take up another item meanwhile.
                let sum: usize = (0..16_usize)
                    .into_par_iter()
                    .map(|k| {
                        std::thread::sleep(Duration::from_micros(200));
                        k * item
                    })
                    .sum();
                now.fetch_sub(1, Ordering::SeqCst);
                sum
            })
            .unwrap();
            assert_eq!(results, items.iter().map(|i| 120 * i).collect::<Vec<_>>(), "in the order of the items");
            assert_eq!(most.load(Ordering::SeqCst), n, "all jobs work, and no more");
        }
    }

    #[test]
    fn few_items_share_the_cores_and_many_have_one_each() {
        let threads =
            |items: usize, n: usize| in_flight(&vec![(); items], jobs(n), |()| rayon::current_num_threads()).unwrap();
        assert_eq!(threads(1, 4), [4]);
        assert_eq!(threads(2, 5), [2, 2]);
        assert_eq!(threads(6, 2), [1; 6]);
        assert_eq!(threads(0, 2), [0; 0]);
    }

    #[test]
    fn a_fault_is_an_error_and_not_the_end() {
        let results = in_flight(&[1, 2, 3], jobs(2), |n| {
            unharmed(Path::new("LM-2"), || {
                assert!(*n != 2, "nothing to divide by");
                Ok(*n)
            })
        })
        .unwrap();
        assert_eq!((results[0].as_ref().ok(), results[2].as_ref().ok()), (Some(&1), Some(&3)));
        let said = results[1].as_ref().unwrap_err().chain();
        assert!(said.contains("LM-2: this program failed on it") && said.ends_with("nothing to divide by"), "{said}");
    }
}
