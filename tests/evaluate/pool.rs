//! Cases on all cores: a queue, threads that take from it, results in the order of the queue.

use std::num::NonZero;
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::thread;

use indicatif::{ProgressBar, ProgressStyle};

use crate::case::Case;
use crate::play::{PlayError, Played, play};

/// Plays every case; a bar on stderr, where that is a terminal, counts simulated days.
pub(crate) fn play_all(cases: &[Case], threads: Option<NonZero<usize>>) -> Result<Vec<Played>, PlayError> {
    let threads =
        threads.map_or_else(|| thread::available_parallelism().map_or(1, NonZero::get), NonZero::get);
    let bar = ProgressBar::new(cases.iter().map(Case::days).sum());
    bar.set_style(ProgressStyle::with_template("{bar:40} {pos}/{len} simulated days, {eta} to go")?);
    let next = AtomicUsize::new(0);
    let results: Vec<Mutex<Option<Result<Played, PlayError>>>> =
        cases.iter().map(|_| Mutex::new(None)).collect();
    thread::scope(|scope| {
        for _ in 0..threads.min(cases.len()) {
            scope.spawn(|| {
                loop {
                    let place = next.fetch_add(1, Ordering::Relaxed);
                    let Some(case) = cases.get(place) else { return };
                    let played = play(case, || bar.inc(1));
                    *results[place].lock().expect("no other thread has this place") = Some(played);
                }
            });
        }
    });
    bar.finish_and_clear();
    let taken = results.into_iter().map(|slot| slot.into_inner().expect("no thread panicked in a place"));
    taken.map(|played| played.expect("the queue was worked off")).collect()
}
