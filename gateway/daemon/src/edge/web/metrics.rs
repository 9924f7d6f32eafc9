//! The gateway's own health for whoever collects metrics (OpenMetrics 1.0 text format).

use std::fmt::Write;

use sumpwarden_core::acquire::Lateness;

/// Content type of the answer.
pub(super) const MEDIA_TYPE: &str = "application/openmetrics-text; version=1.0.0; charset=utf-8";

/// How late polls start, as one histogram.
pub(super) fn write(starts: &Lateness) -> String {
    const NAME: &str = "sumpwarden_poll_start_late_seconds";
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
    out.push_str("# EOF\n");
    out
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
        let text = write(&starts);
        let value =
            |line: &str| text.lines().find_map(|l| l.strip_prefix(line)).unwrap_or_default().to_owned();
        assert_eq!(value("sumpwarden_poll_start_late_seconds_bucket{le=\"8e-5\"} "), "0");
        assert_eq!(value("sumpwarden_poll_start_late_seconds_bucket{le=\"0.000104\"} "), "2");
        assert_eq!(value("sumpwarden_poll_start_late_seconds_bucket{le=\"+Inf\"} "), "3");
        assert_eq!(value("sumpwarden_poll_start_late_seconds_count "), "3");
        assert_eq!(value("sumpwarden_poll_start_late_seconds_sum "), "1.00019");
        assert!(text.ends_with("# EOF\n"));
    }
}
