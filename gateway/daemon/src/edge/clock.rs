//! The only place that reads a clock, and a timer that wakes to a tenth of a millisecond.
//!
//! While the wall clock is not believed ([`Clock::doubt`]), what is given as UTC is a time of the gateway's own, which goes with
//! the monotonic clock; see [`sumpwarden_core::model::doubt`]. There is one such clock for the whole process.
//!
//! The runtime's own timer counts whole milliseconds and wakes two or three late: enough for a time-out, too coarse for
//! the start of a poll and for the silent interval of a serial line. [`PreciseTimer`] keeps all sleepers of a thread in
//! one ordered map over one kernel timer (timerfd), set to the earliest of them.

use std::cell::RefCell;
use std::collections::BTreeMap;
use std::future::Future;
use std::io;
use std::os::fd::OwnedFd;
use std::pin::Pin;
use std::rc::Rc;
use std::sync::atomic::{AtomicI64, Ordering};
use std::task::{Context, Poll, Waker};
use std::time::SystemTime;

use rustix::time::{
    ClockId, Itimerspec, TimerfdClockId, TimerfdFlags, TimerfdTimerFlags, Timespec, clock_gettime,
    timerfd_create, timerfd_settime,
};
use sumpwarden_core::model::{Now, Timestamp, Uptime, Zero};
use tokio::io::Interest;
use tokio::io::unix::AsyncFd;

/// The machine's clocks.
#[derive(Clone, Copy, Debug, Default)]
pub struct Clock;

/// Where the monotonic clock's zero lies in the gateway's own time, in ns since 1970; [`BELIEVED`] where the wall clock goes.
static OWN_ZERO: AtomicI64 = AtomicI64::new(BELIEVED);
const BELIEVED: i64 = i64::MIN;

/// Another number after every start of the machine.
const BOOT_ID: &str = "/proc/sys/kernel/random/boot_id";

impl Clock {
    /// Both clocks, read one right after the other.
    pub fn now(self) -> Now {
        let uptime = self.uptime();
        Now { uptime, utc: self.doubted().map_or_else(|| self.wall(), |zero| zero.at(uptime)) }
    }

    /// The monotonic clock: time since the machine started, sleep not counted.
    pub fn uptime(self) -> Uptime {
        let time = clock_gettime(ClockId::Monotonic);
        Uptime::from_nanos(u64::try_from(nanos(time)).unwrap_or(0))
    }

    /// UTC by the wall clock, or by the gateway's own time while that is not believed.
    pub fn utc(self) -> Timestamp {
        self.doubted().map_or_else(|| self.wall(), |zero| zero.at(self.uptime()))
    }

    /// The wall clock, believed or not. It is asked by way of the C library, where tests set it.
    pub fn wall(self) -> Timestamp {
        let epoch = Timestamp::default();
        match SystemTime::now().duration_since(SystemTime::UNIX_EPOCH) {
            Ok(since) => epoch.plus(since),
            Err(before) => epoch.minus(before.duration()),
        }
    }

    /// Where the gateway's own time has its zero; none while the wall clock is believed.
    pub fn doubted(self) -> Option<Zero> {
        let zero = OWN_ZERO.load(Ordering::Acquire);
        (zero != BELIEVED).then_some(Zero::from_nanos(zero))
    }

    /// From now on the gateway goes by its own time.
    pub fn doubt(self, own: Zero) {
        OWN_ZERO.store(own.as_nanos().max(BELIEVED + 1), Ordering::Release);
    }

    /// From now on the gateway goes by the wall clock; gives where that has its zero.
    pub fn believe(self) -> Zero {
        let zero = Zero::of(Now { uptime: self.uptime(), utc: self.wall() });
        OWN_ZERO.store(BELIEVED, Ordering::Release);
        zero
    }

    /// Completes once the wall clock is believed.
    pub async fn believed(self) {
        while self.doubted().is_some() {
            tokio::time::sleep(BELIEVED_LOOK_EVERY).await;
        }
    }

    /// The boot of the machine, which the monotonic clock counts from. Where the system does not say, every process is one of
    /// its own.
    pub fn boot(self) -> String {
        let said = std::fs::read_to_string(BOOT_ID).unwrap_or_default();
        match said.trim() {
            "" => format!("process {} of {}", std::process::id(), self.wall()),
            boot => boot.to_owned(),
        }
    }
}

/// How often whoever waits for the clock looks.
const BELIEVED_LOOK_EVERY: std::time::Duration = std::time::Duration::from_millis(200);

fn nanos(time: Timespec) -> i64 {
    time.tv_sec.saturating_mul(NANOS_PER_SECOND).saturating_add(time.tv_nsec)
}

const NANOS_PER_SECOND: i64 = 1_000_000_000;

/// A timer for the tasks of one thread. Clones are the same timer.
#[derive(Clone, Debug)]
pub struct PreciseTimer {
    inner: Rc<Inner>,
}

#[derive(Debug)]
struct Inner {
    clock: Clock,
    kernel: AsyncFd<OwnedFd>,
    sleepers: RefCell<Sleepers>,
}

#[derive(Debug, Default)]
struct Sleepers {
    /// By instant, then by order of arrival.
    wakers: BTreeMap<(Uptime, u64), Waker>,
    arrivals: u64,
    /// What the kernel timer is set to.
    set_to: Option<Uptime>,
}

impl PreciseTimer {
    /// Starts the timer; its driver is a task of the current [`tokio::task::LocalSet`] and ends with it.
    ///
    /// Fails when the system has no timer or no descriptor left. Panics outside a `LocalSet`.
    pub fn start(clock: Clock) -> io::Result<Self> {
        let fd = timerfd_create(TimerfdClockId::Monotonic, TimerfdFlags::NONBLOCK | TimerfdFlags::CLOEXEC)?;
        #[expect(
            deprecated,
            reason = "its successor is unsafe for descriptors in general; an OwnedFd keeps its one for life"
        )]
        let kernel = AsyncFd::with_interest(fd, Interest::READABLE)?;
        let inner = Rc::new(Inner { clock, kernel, sleepers: RefCell::default() });
        let timer = Self { inner: Rc::clone(&inner) };
        tokio::task::spawn_local(drive(inner));
        Ok(timer)
    }

    /// Completes at `at`, or as soon as the runtime comes round to it if that has passed.
    pub fn sleep_until(&self, at: Uptime) -> SleepUntil {
        SleepUntil { inner: Rc::clone(&self.inner), at, arrival: None }
    }

    /// The clock the timer goes by.
    pub fn clock(&self) -> Clock {
        self.inner.clock
    }
}

/// Wakes whoever is due, each time the kernel timer has run out.
async fn drive(inner: Rc<Inner>) {
    loop {
        // The descriptor is watched for changes, so the event alone is enough: setting the timer anew forgets the count
        // that a read would fetch.
        match inner.kernel.readable().await {
            Ok(mut guard) => guard.clear_ready(),
            Err(error) => {
                tracing::error!(%error, "timer lost, polling stops");
                return;
            }
        }
        let now = inner.clock.uptime();
        let due = inner.sleepers.borrow_mut().take_due(now);
        due.into_values().for_each(Waker::wake);
        inner.set();
    }
}

impl Sleepers {
    fn take_due(&mut self, now: Uptime) -> BTreeMap<(Uptime, u64), Waker> {
        self.set_to = None;
        let later = self.wakers.split_off(&(now, u64::MAX));
        std::mem::replace(&mut self.wakers, later)
    }
}

impl Inner {
    /// Sets the kernel timer to the first sleeper unless it wakes early enough already.
    fn set(&self) {
        let mut sleepers = self.sleepers.borrow_mut();
        let Some(&(first, _)) = sleepers.wakers.keys().next() else { return };
        if sleepers.set_to.is_some_and(|at| at <= first) {
            return;
        }
        sleepers.set_to = Some(first);
        // Zero would stop the timer; one nanosecond after the start has passed as surely.
        let at = i64::try_from(first.as_nanos()).unwrap_or(i64::MAX).max(1);
        let it_value = Timespec { tv_sec: at / NANOS_PER_SECOND, tv_nsec: at % NANOS_PER_SECOND };
        let it_interval = Timespec { tv_sec: 0, tv_nsec: 0 };
        timerfd_settime(
            self.kernel.get_ref(),
            TimerfdTimerFlags::ABSTIME,
            &Itimerspec { it_interval, it_value },
        )
        .expect("the time is valid and the descriptor is ours");
    }
}

/// Future of [`PreciseTimer::sleep_until`]. Dropping it forgets the sleeper.
#[derive(Debug)]
pub struct SleepUntil {
    inner: Rc<Inner>,
    at: Uptime,
    arrival: Option<u64>,
}

impl Future for SleepUntil {
    type Output = ();

    fn poll(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<()> {
        // The first time the clock is not asked: most sleepers are to wake later or are dropped before, and for an instant
        // that has passed the kernel timer runs out at once.
        if self.arrival.is_some() && self.inner.clock.uptime() >= self.at {
            return Poll::Ready(());
        }
        let arrival = {
            let mut sleepers = self.inner.sleepers.borrow_mut();
            let arrival = self.arrival.unwrap_or(sleepers.arrivals);
            if self.arrival.is_none() {
                sleepers.arrivals += 1;
            }
            sleepers.wakers.insert((self.at, arrival), cx.waker().clone());
            arrival
        };
        self.arrival = Some(arrival);
        self.inner.set();
        Poll::Pending
    }
}

impl Drop for SleepUntil {
    fn drop(&mut self) {
        if let Some(arrival) = self.arrival {
            self.inner.sleepers.borrow_mut().wakers.remove(&(self.at, arrival));
        }
    }
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use tokio::task::LocalSet;

    use super::*;

    fn on_one_thread<T>(test: impl Future<Output = T>) -> T {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
        LocalSet::new().block_on(&runtime, test)
    }

    #[test]
    fn sleepers_wake_in_order_and_never_early() {
        on_one_thread(async {
            let clock = Clock;
            let timer = PreciseTimer::start(clock).unwrap();
            let start = clock.uptime();
            let mut tasks = Vec::new();
            for i in (0..100u64).rev() {
                let at = start.plus(Duration::from_micros(100 * i));
                let sleep = timer.sleep_until(at);
                tasks.push(tokio::task::spawn_local(async move {
                    sleep.await;
                    let woke = Clock.uptime();
                    assert!(woke >= at);
                    woke.since(at)
                }));
            }
            let mut late = Vec::new();
            for task in tasks {
                late.push(task.await.unwrap());
            }
            late.sort();
            assert!(
                late[10] < Duration::from_millis(1),
                "median {:?}: the runtime's own timer takes longer",
                late[10]
            );
        });
    }

    #[test]
    fn a_dropped_sleeper_is_forgotten_and_the_others_wake() {
        on_one_thread(async {
            let timer = PreciseTimer::start(Clock).unwrap();
            let soon = Clock.uptime().plus(Duration::from_millis(5));
            let far = Clock.uptime().plus(Duration::from_secs(3600));
            for _ in 0..100 {
                tokio::select! {
                    biased;
                    () = timer.sleep_until(far) => unreachable!("an hour has not passed"),
                    () = std::future::ready(()) => {}
                }
            }
            assert!(timer.inner.sleepers.borrow().wakers.is_empty());
            timer.sleep_until(soon).await;
            assert!(Clock.uptime() >= soon);
            timer.sleep_until(Uptime::from_nanos(1)).await;
        });
    }

    #[test]
    fn the_clocks_go() {
        let (a, b) = (Clock.now(), Clock.now());
        assert!(b.uptime >= a.uptime);
        assert!(a.utc > Timestamp::parse("2024-01-01T00:00:00Z").unwrap());
    }
}
