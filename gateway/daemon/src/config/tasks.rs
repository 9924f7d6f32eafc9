//! Kinds of tasks that the daemon starts again when they crash: each task has an alarm, named by kind and name
//! (`task/forwarder/database`, `task/page`).

/// Polls one bus.
pub const BUS: &str = "bus";
/// Listens to one broker.
pub const BROKER: &str = "broker";
/// Forwards to one database.
pub const FORWARDER: &str = "forwarder";
/// Sends the messages of one receiver.
pub const RECEIVER: &str = "receiver";
/// Is an edge node at one broker.
pub const SPARKPLUG: &str = "sparkplug";
/// Agrees with another box on who polls a bus.
pub const STANDBY: &str = "standby";
/// Serves the page.
pub const PAGE: &str = "page";
/// Passes on what the store says.
pub const DISPATCHER: &str = "dispatcher";
/// Looks for faults of the store and of what reads from it.
pub const FAULT_WATCH: &str = "fault-watch";
/// Writes the week's measures of the alarms.
pub const WEEKLY_REPORT: &str = "weekly-report";
/// Sends the sign of life.
pub const HEARTBEAT: &str = "heartbeat";

/// Judges the clock while it is not believed, and writes down how late it is.
pub const CLOCK: &str = "clock";
/// Reads the configuration anew.
pub const RELOAD: &str = "reload";

/// Without it nothing more would be acknowledged or answered: where it cannot be kept, the process ends.
pub const VITAL: &str = DISPATCHER;

/// Kinds of which there is one.
pub const SINGLE: [&str; 7] = [PAGE, DISPATCHER, FAULT_WATCH, WEEKLY_REPORT, HEARTBEAT, RELOAD, CLOCK];
