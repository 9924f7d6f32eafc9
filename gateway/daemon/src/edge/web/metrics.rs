//! The gateway's own health for whoever collects metrics (OpenMetrics 1.0 text format).

use std::fmt::Write;

use sumpwarden_core::acquire::Lateness;

use super::HealthView;

/// Content type of the answer.
pub(super) const MEDIA_TYPE: &str = "application/openmetrics-text; version=1.0.0; charset=utf-8";

/// How late polls start, as one histogram; what has crashed, and whether anything is left away for it; how many entries of
/// the record of deeds could not be written.
pub(super) fn write(starts: &Lateness, health: &HealthView, deeds_unwritten: u64) -> String {
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
        let text = write(&starts, &health, 2);
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
