//! Which thread goes first where there are fewer cores than work: the one that polls.
//!
//! Packing a store, answering a page and sending a backlog can wait for a millisecond; a poll that is due, or a serial line that
//! is free, loses it. So every other thread steps back a little behind the thread that polls, which any process may do. Nobody
//! is starved by it, and other programs on the box take precedence over those threads as they would over any long work.

use rustix::io;
use rustix::process::{getpid, getpriority_process, setpriority_process};
use rustix::thread::gettid;

/// How far back, in steps of `nice`: a thread so far back has a third of the share of one that is not.
const STEPS: i32 = 5;

/// The last step there is.
const LAST: i32 = 19;

/// Has the thread that calls this step behind the program's first one, and all that have not called it. Once is enough: a thread
/// begins where the one that started it stands.
pub(crate) fn step_back() {
    // Where a system refuses, all threads are equal as they were.
    if let Err(error) = place().and_then(|place| setpriority_process(Some(gettid()), place)) {
        tracing::debug!(%error, "a thread does not step back");
    }
}

/// Where a thread stands that has stepped back, however often.
fn place() -> io::Result<i32> {
    Ok((getpriority_process(Some(getpid()))? + STEPS).min(LAST))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_thread_steps_back_alone_and_once() {
        let now = || getpriority_process(Some(gettid())).unwrap();
        let before = now();
        let stepped = std::thread::spawn(move || {
            step_back();
            step_back();
            std::thread::spawn(now).join().unwrap()
        });
        assert_eq!(stepped.join().unwrap(), (before + STEPS).min(LAST), "and whom it starts");
        assert_eq!(now(), before, "the others stay");
    }
}
