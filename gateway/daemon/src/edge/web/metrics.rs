//! The gateway's own health for whoever collects metrics (OpenMetrics 1.0 text format).

use std::fmt::Write;

use sumpwarden_core::acquire::Lateness;
use sumpwarden_core::model::Timestamp;

use super::HealthView;
use super::status::StatusView;

/// Content type of the answer.
pub(super) const MEDIA_TYPE: &str = "application/openmetrics-text; version=1.0.0; charset=utf-8";

/// How late polls start, as one histogram; what has crashed, and whether anything is left away for it; how many entries of
/// the record of deeds could not be written; version and start; what became of samples, where they wait, what stands.
pub(super) fn write(
    starts: &Lateness,
    health: &HealthView,
    deeds_unwritten: u64,
    status: &StatusView,
) -> String {
    const NAME: &str = "sumpwarden_poll_start_late_seconds";
    const DEEDS: &str = "sumpwarden_deeds_unwritten";
    let mut out = format!(
        "# TYPE {NAME} histogram\n# UNIT {NAME} seconds\n\
         # HELP {NAME} Time from when a poll was planned to start until it did.\n"
    );
    let mut so_far = 0;
    for (end, count) in starts.buckets() {
        so_far += count;
        put(&mut out, format_args!("{NAME}_bucket{{le=\"{:?}\"}} {so_far}", end.as_secs_f64()));
    }
    put(&mut out, format_args!("{NAME}_bucket{{le=\"+Inf\"}} {}", starts.count()));
    put(&mut out, format_args!("{NAME}_count {}", starts.count()));
    put(&mut out, format_args!("{NAME}_sum {:?}", starts.sum().as_secs_f64()));
    put_health(&mut out, health);
    put_status(&mut out, status);
    put(&mut out, format_args!("# TYPE {DEEDS} counter"));
    put(
        &mut out,
        format_args!(
            "# HELP {DEEDS} Entries of the record of deeds that could not be written, since the start."
        ),
    );
    put(&mut out, format_args!("{DEEDS}_total {deeds_unwritten}"));
    out.push_str("# EOF\n");
    out
}

fn put_health(out: &mut String, health: &HealthView) {
    const REDUCED: &str = "sumpwarden_reduced";
    const PANICS: &str = "sumpwarden_panics";
    const CRASHES: &str = "sumpwarden_task_crashes";
    put(out, format_args!("# TYPE {REDUCED} gauge"));
    put(out, format_args!("# HELP {REDUCED} What is left away after crashes of the gateway, in number."));
    put(out, format_args!("{REDUCED} {}", health.reduced.len()));
    put(out, format_args!("# TYPE {PANICS} counter"));
    put(out, format_args!("# HELP {PANICS} Panics since the start."));
    put(out, format_args!("{PANICS}_total {}", health.panics));
    put(out, format_args!("# TYPE {CRASHES} counter"));
    put(out, format_args!("# HELP {CRASHES} Crashes of tasks that are started again, since the start."));
    for (task, count) in &health.task_crashes {
        // Names hold no character that would have to be escaped.
        put(out, format_args!("{CRASHES}_total{{task=\"{task}\"}} {count}"));
    }
}

/// One kind of number: its name without what its type appends, and what it counts.
struct Family {
    name: &'static str,
    counter: bool,
    help: &'static str,
}

impl Family {
    /// Its head, and a line for each of `values` with its labels. Names of things hold no character that would have to be escaped.
    fn put(&self, out: &mut String, values: impl IntoIterator<Item = (String, f64)>) {
        let Self { name, counter, help } = self;
        let (kind, end) = if *counter { ("counter", "_total") } else { ("gauge", "") };
        put(out, format_args!("# TYPE {name} {kind}"));
        if name.ends_with("_seconds") {
            put(out, format_args!("# UNIT {name} seconds"));
        } else if name.ends_with("_bytes") {
            put(out, format_args!("# UNIT {name} bytes"));
        }
        put(out, format_args!("# HELP {name} {help}"));
        for (labels, value) in values {
            put(out, format_args!("{name}{end}{labels} {value}"));
        }
    }
}

const fn counter(name: &'static str, help: &'static str) -> Family {
    Family { name, counter: true, help }
}

const fn gauge(name: &'static str, help: &'static str) -> Family {
    Family { name, counter: false, help }
}

fn put_status(out: &mut String, status: &StatusView) {
    let one = |value: u64| [(String::new(), value as f64)];
    put(out, format_args!("# TYPE sumpwarden_build info"));
    put(out, format_args!("# HELP sumpwarden_build What runs."));
    put(out, format_args!("sumpwarden_build_info{{version=\"{}\"}} 1", status.version));
    let started = Timestamp::parse(&status.started_at).map_or(0.0, |at| at.as_nanos() as f64 / 1e9);
    gauge("sumpwarden_start_time_seconds", "When it started, since 1970.")
        .put(out, [(String::new(), started)]);
    let store = &status.store;
    for (family, value) in [
        (
            counter("sumpwarden_samples_acquired", "Samples handed to the store since the start."),
            store.acquired,
        ),
        (counter("sumpwarden_samples_stored", "Samples made durable since the start."), store.stored),
        (
            counter("sumpwarden_samples_dropped", "Samples that never became durable, since the start."),
            store.dropped,
        ),
        (gauge("sumpwarden_samples_waiting", "Samples not yet durable."), store.waiting),
        (
            gauge("sumpwarden_samples_undated", "Samples kept without a date until the clock is set."),
            store.undated,
        ),
        (
            gauge("sumpwarden_samples_undatable", "Samples set aside, of starts whose clock was never set."),
            store.undatable,
        ),
        (gauge("sumpwarden_store_used_bytes", "Bytes the store uses."), store.bytes),
        (gauge("sumpwarden_store_free_bytes", "Bytes free on the disk of the store."), store.free_bytes),
        (
            counter("sumpwarden_reloads", "How often the configuration was read anew and put in force."),
            status.configuration.reloaded,
        ),
        (
            counter("sumpwarden_reloads_refused", "How often a new configuration was refused."),
            status.configuration.refused,
        ),
        (gauge("sumpwarden_alarms_unseen", "Alarms that stand and nobody has seen."), status.alarms.unseen),
    ] {
        family.put(out, one(value));
    }
    let alarms = &status.alarms;
    let by_priority = [("high", alarms.high), ("medium", alarms.medium), ("low", alarms.low)];
    gauge("sumpwarden_alarms_standing", "Alarms that stand, by priority.")
        .put(out, by_priority.map(|(word, count)| (format!("{{priority=\"{word}\"}}"), count as f64)));
    put_parts(out, status);
}

fn put_parts(out: &mut String, status: &StatusView) {
    let of = |kind: &str, name: &str| format!("{{{kind}=\"{name}\"}}");
    let devices = status.buses.iter().flat_map(|bus| bus.devices.iter().map(move |device| (bus, device)));
    let of_device = |(bus, device): (&super::buses::BusView, &super::buses::DeviceView)| {
        format!("{{bus=\"{}\",device=\"{}\"}}", bus.name, device.name)
    };
    counter("sumpwarden_polls", "Requests to a device since its bus was started.")
        .put(out, devices.clone().map(|both| (of_device(both), both.1.asked as f64)));
    counter("sumpwarden_polls_answered", "Replies that were what was asked for.")
        .put(out, devices.clone().map(|both| (of_device(both), both.1.answered as f64)));
    counter("sumpwarden_polls_silent", "Requests without a reply in time.")
        .put(out, devices.map(|both| (of_device(both), both.1.silent as f64)));
    let connected = status.buses.iter().map(|bus| (of("bus", &bus.name), f64::from(u8::from(bus.connected))));
    gauge("sumpwarden_bus_connected", "Whether a bus is open.").put(out, connected);
    let brokers = || status.brokers.iter();
    gauge("sumpwarden_broker_connected", "Whether a broker is connected.")
        .put(out, brokers().map(|one| (of("broker", &one.name), f64::from(u8::from(one.connected)))));
    counter("sumpwarden_values_refused", "Values and notes of a broker's messages that were refused.")
        .put(out, brokers().map(|one| (of("broker", &one.name), one.refused as f64)));
    let forwarders = || status.forwarders.iter();
    gauge("sumpwarden_forwarder_waiting", "Points that a forwarder still owes.")
        .put(out, forwarders().filter_map(|one| Some((of("forwarder", &one.name), one.waiting? as f64))));
    counter("sumpwarden_forwarder_points", "Points taken by the other side, ever.")
        .put(out, forwarders().map(|one| (of("forwarder", &one.name), one.forwarded as f64)));
    counter("sumpwarden_forwarder_parked", "Points set aside, ever.")
        .put(out, forwarders().map(|one| (of("forwarder", &one.name), one.parked as f64)));
    gauge("sumpwarden_receiver_waiting", "Messages that wait for a receiver.")
        .put(out, status.receivers.iter().map(|one| (of("receiver", &one.name), one.waiting as f64)));
    let reached = |one: &super::ReceiverView| f64::from(u8::from(one.state == "reached"));
    gauge("sumpwarden_receiver_reached", "Whether messages get through to a receiver.")
        .put(out, status.receivers.iter().map(|one| (of("receiver", &one.name), reached(one))));
}

fn put(out: &mut String, line: std::fmt::Arguments<'_>) {
    writeln!(out, "{line}").expect("a String takes everything");
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use super::*;

    #[test]
    fn buckets_add_up() {
        let mut starts = Lateness::default();
        for micros in [90, 100, 1_000_000] {
            starts.note(Duration::from_micros(micros));
        }
        let health = HealthView {
            reduced: vec!["forwarder/db is left away".to_owned()],
            task_crashes: vec![("forwarder/db".to_owned(), 3)],
            panics: 4,
        };
        let status = StatusView { version: "1.2".to_owned(), ..StatusView::default() };
        let text = write(&starts, &health, 2, &status);
        assert!(text.contains("sumpwarden_build_info{version=\"1.2\"} 1\n"), "{text}");
        let value =
            |line: &str| text.lines().find_map(|l| l.strip_prefix(line)).unwrap_or_default().to_owned();
        assert_eq!(value("sumpwarden_poll_start_late_seconds_bucket{le=\"8e-5\"} "), "0");
        assert_eq!(value("sumpwarden_poll_start_late_seconds_bucket{le=\"0.000104\"} "), "2");
        assert_eq!(value("sumpwarden_poll_start_late_seconds_bucket{le=\"+Inf\"} "), "3");
        assert_eq!(value("sumpwarden_poll_start_late_seconds_count "), "3");
        assert_eq!(value("sumpwarden_poll_start_late_seconds_sum "), "1.00019");
        assert_eq!(value("sumpwarden_reduced "), "1");
        assert_eq!(value("sumpwarden_panics_total "), "4");
        assert_eq!(value("sumpwarden_task_crashes_total{task=\"forwarder/db\"} "), "3");
        assert_eq!(value("sumpwarden_deeds_unwritten_total "), "2");
        assert!(text.ends_with("# EOF\n"));
    }
}
