//! One sump of one case as CSV files, for tuning: hour by hour, and what happened.

use std::fs::File;
use std::io::{self, BufWriter, Write};
use std::path::Path;

use crate::case::Case;
use crate::judged::{Judged, RIVALS};
use crate::track::Track;

/// Names of what rivals tell, in the order of [`crate::judged::Hour::rivals`].
const OF_RIVALS: [&str; 3] = ["concentration_percent", "hardness_mg_l", "chip_solids_l"];

/// Writes `<case>.csv` and `<case>.events.csv` into `directory`.
pub(crate) fn write(case: &Case, track: &Track, directory: &Path) -> io::Result<()> {
    let name = format!("{}-{}-{}-{}", case.scenario.name, case.notes.word(), case.scenario.seed, track.sump);
    hours(track, &mut BufWriter::new(File::create(directory.join(format!("{name}.csv")))?))?;
    events(track, &mut BufWriter::new(File::create(directory.join(format!("{name}.events.csv")))?))
}

fn hours(track: &Track, out: &mut impl Write) -> io::Result<()> {
    write!(out, "time")?;
    for judged in Judged::ALL {
        let word = judged.word();
        write!(out, ",{word}/truth,{word}/value,{word}/low90,{word}/high90")?;
    }
    for rival in RIVALS {
        for word in OF_RIVALS {
            write!(out, ",{}/{word}", rival.replace(' ', "_"))?;
        }
    }
    writeln!(out)?;
    for hour in &track.hours {
        write!(out, "{}", hour.at)?;
        for (truth, estimate) in hour.truth.iter().zip(&hour.estimate) {
            write!(out, ",{}", cell(*truth))?;
            let values = estimate.map(|e| [e.value, e.low90, e.high90]);
            for place in 0..3 {
                write!(out, ",{}", cell(values.map(|values| values[place])))?;
            }
        }
        for value in hour.rivals.iter().flatten() {
            write!(out, ",{}", cell(*value))?;
        }
        writeln!(out)?;
    }
    Ok(())
}

fn events(track: &Track, out: &mut impl Write) -> io::Result<()> {
    let mut rows: Vec<(i64, String)> = Vec::new();
    for pour in &track.pours {
        rows.push((pour.ended.0, format!("{},truth,topup,litres,{:.2}", pour.ended, pour.litres)));
        rows.push((pour.ended.0, format!("{},truth,topup,percent,{}", pour.ended, cell(pour.percent))));
    }
    for topup in &track.topups {
        rows.push((topup.ended.0, format!("{},gateway,topup,litres,{:.2}", topup.ended, topup.litres)));
        rows.push((topup.ended.0, format!("{},gateway,topup,percent,{}", topup.ended, cell(topup.percent))));
    }
    for told in &track.events {
        let value = cell(told.value);
        rows.push((told.at.0, format!("{},gateway,{},{},{value}", told.at, told.subject, told.state)));
    }
    for (at, kind, value) in &track.notes {
        rows.push((at.0, format!("{at},person,note,{kind},{value}")));
    }
    for (begin, end) in &track.exchanges {
        rows.push((begin.0, format!("{begin},truth,exchange,begin,")));
        rows.push((end.0, format!("{end},truth,exchange,end,")));
    }
    for (leak, _) in &track.leaks {
        rows.push((leak.0, format!("{leak},truth,leak,begin,")));
    }
    for (at, what) in &track.happened {
        rows.push((at.0, format!("{at},truth,{what},,")));
    }
    for frozen in &track.frozen {
        rows.push((frozen.from.0, format!("{},truth,frozen,{},", frozen.from, frozen.probe)));
        let told = frozen.told.map(|told| (told.0, format!("{told},gateway,frozen,{},", frozen.probe)));
        rows.extend(told);
    }
    for alarm in &track.alarms {
        let verdict = match alarm.false_by_truth {
            Some(true) => "false",
            Some(false) => "right",
            None => "unknown",
        };
        rows.push((alarm.at.0, format!("{},gateway,alarm,{},{verdict}", alarm.at, alarm.name)));
    }
    rows.sort_by_key(|(at, _)| *at);
    writeln!(out, "time,who,subject,state,value")?;
    rows.iter().try_for_each(|(_, row)| writeln!(out, "{row}"))
}

fn cell(value: Option<f64>) -> String {
    value.map(|value| format!("{value:.4}")).unwrap_or_default()
}
