//! Many points of one series: what does not change is checked and written once.

use std::fmt::Write as _;

use super::{FieldValue, Line, LineError, SPECIAL, check_timestamp, check_value, write_escaped, write_value};

/// Measurement, tags and names of fields, checked.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Series {
    /// Measurement and tags as they are written.
    head: Box<str>,
    fields: &'static [&'static str],
}

impl Line<'_> {
    /// The series of this point, whose points have fields of these names.
    pub fn series(mut self, fields: &'static [&'static str]) -> Result<Series, LineError> {
        self.fields = fields.iter().map(|key| (*key, FieldValue::Boolean(true))).collect();
        self.tags.sort_unstable();
        self.check()?;
        let mut head = String::new();
        self.write_series(&mut head)?;
        Ok(Series { head: head.into(), fields })
    }
}

impl Series {
    /// Appends the line of one point to `out`, its values in the order of the names, `None` left out. On an error `out`
    /// is as it was.
    ///
    /// # Panics
    /// If there are more values than names.
    pub fn write(
        &self,
        values: &[Option<FieldValue<'_>>],
        timestamp: i64,
        out: &mut String,
    ) -> Result<(), LineError> {
        assert!(values.len() <= self.fields.len(), "each value has a name");
        for (key, value) in self.fields.iter().zip(values) {
            value.map_or(Ok(()), |value| check_value(key, value))?;
        }
        check_timestamp(timestamp)?;
        let given = self.fields.iter().zip(values).filter_map(|(key, value)| Some((key, (*value)?)));
        if given.clone().next().is_none() {
            return Err(LineError::NoField);
        }
        out.push_str(&self.head);
        let mut before = ' ';
        for (key, value) in given {
            out.push(before);
            write_escaped(key, SPECIAL, out);
            out.push('=');
            write_value(value, out);
            before = ',';
        }
        writeln!(out, " {timestamp}").expect("a String takes everything");
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    const FIELDS: &[&str] = &["value", "raw count", "text"];

    fn line() -> Line<'static> {
        Line::new("probe").tag("sump", "lathe 3").tag("probe", "ph")
    }

    proptest! {
        #[test]
        fn a_point_of_a_series_is_the_line_that_stands_alone(
            value: Option<f64>, raw: Option<i64>, text in prop::option::of("[a-z\"\\\\\n]{0,5}"), at: i64
        ) {
            let values =
                [value.map(FieldValue::Float), raw.map(FieldValue::Integer), text.as_deref().map(FieldValue::Text)];
            let mut alone = "kept\n".to_owned();
            let single = FIELDS.iter().zip(values).filter_map(|(key, value)| Some((*key, value?)));
            let single = single.fold(line(), |line, (key, value)| line.field(key, value)).timestamp(at);
            let expected = single.write(&mut alone).map_err(|error| error.to_string());
            let mut found = "kept\n".to_owned();
            let written = line().series(FIELDS).unwrap().write(&values, at, &mut found);
            prop_assert_eq!(written.map_err(|error| error.to_string()), expected);
            prop_assert_eq!(found, alone);
        }
    }

    #[test]
    fn what_no_line_may_hold_is_refused_before_the_first_point() {
        let refused = |line: Line<'_>, fields| line.series(fields).unwrap_err().to_string();
        assert!(refused(line().tag("k", "a\nb"), FIELDS).contains("line break"));
        assert!(refused(line().tag("value", "v"), FIELDS).contains("\"value\" occurs twice"));
        assert!(refused(line(), &[]).contains("without a field"));
        assert!(refused(line(), &["time"]).contains("time"));
    }
}
