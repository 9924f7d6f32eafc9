//! Answers against the configuration's own checks: a draft is written aside, loaded as the daemon would load it, and gone.

use std::fs::{DirBuilder, OpenOptions};
use std::io::Write;
use std::os::unix::fs::{DirBuilderExt, OpenOptionsExt};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU32, Ordering};

use sumpwarden_core::estimate::tank::Tank;
use sumpwarden_core::model::Unit;

use super::answers::Answers;
use super::draft::{Draft, draft};
use super::scanned::Scanned;
use crate::config::quantity::Measure;
use crate::config::report::Weight;
use crate::config::{Loaded, load_with};

/// What is wrong, and what would be right.
pub(super) type Wrong = (String, String);

/// A directory that only this user can look into, gone when this is dropped.
struct Scratch(PathBuf);

impl Scratch {
    fn new() -> std::io::Result<Self> {
        static MADE: AtomicU32 = AtomicU32::new(0);
        let made = MADE.fetch_add(1, Ordering::Relaxed);
        let path = std::env::temp_dir().join(format!("sumpwarden-init-{}-{made}", std::process::id()));
        DirBuilder::new().mode(0o700).create(&path)?;
        Ok(Self(path))
    }
}

impl Drop for Scratch {
    fn drop(&mut self) {
        // A temporary directory that stays behind does no harm.
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

/// Makes the secrets of a draft that are not there yet, with what stands in for them; says which were made.
pub(super) fn put_secrets(directory: &Path, draft: &Draft) -> std::io::Result<Vec<&'static str>> {
    let mut made = Vec::new();
    for (name, stand_in, _) in &draft.secrets {
        let mut options = OpenOptions::new();
        match options.write(true).create_new(true).mode(0o600).open(directory.join(name)) {
            Ok(mut file) => {
                writeln!(file, "{stand_in}")?;
                made.push(*name);
            }
            Err(error) if error.kind() == std::io::ErrorKind::AlreadyExists => {}
            Err(error) => return Err(error),
        }
    }
    Ok(made)
}

/// The configuration of these answers as the daemon would take it, or what is wrong.
pub(super) fn check(answers: &Answers, scanned: &Scanned) -> Result<Loaded, Vec<Wrong>> {
    if let Some(wrong) = Draft::same_names(answers) {
        return Err(vec![wrong]);
    }
    let draft = draft(answers, scanned);
    if !draft.wrong.is_empty() {
        return Err(draft.wrong);
    }
    load(&draft)
}

fn load(draft: &Draft) -> Result<Loaded, Vec<Wrong>> {
    let failed = |error: std::io::Error| {
        let cure = "make room in the directory for temporary files, or name another one by TMPDIR";
        vec![(format!("the answers cannot be checked: {error}"), cure.to_owned())]
    };
    let scratch = Scratch::new().map_err(failed)?;
    let file = scratch.0.join("shop.toml");
    std::fs::write(&file, &draft.text).and_then(|()| put_secrets(&scratch.0, draft)).map_err(failed)?;
    load_with(&file, &[]).map_err(|report| {
        let mistakes = report.mistakes.iter().filter(|mistake| mistake.weight == Weight::Mistake);
        mistakes.map(|mistake| (mistake.what.clone(), mistake.cure.clone())).collect()
    })
}

/// Litres of this tank, written as in the configuration, between two heights.
pub(super) fn litres_between(tank: &str, low: &str, high: &str) -> Result<f64, Wrong> {
    let cure = || {
        "write two heights in this tank, the lower one first, as in \"290 mm; 312 mm\", or litres".to_owned()
    };
    let height = |text: &str| {
        let text =
            super::words::tidy(super::words::Form::Measure, text).map_err(|(what, _)| (what, cure()))?;
        let measure = Measure::parse(&text).map_err(|wrong| (wrong.what, cure()))?;
        let unit = measure.unit.ok_or_else(|| (format!("\"{text}\" has no unit"), cure()))?;
        unit.convert(measure.value, Unit::Millimetre)
            .ok_or_else(|| (format!("\"{text}\" is no height"), cure()))
    };
    let (low, high) = (height(low)?, height(high)?);
    let sump = format!(
        "[site]\nname = \"shop\"\n[water.mains]\nhardness = \"0 \
         mg/L\"\n[fluid.coolant]\nrefractometer_factor = 1\n\
         conductivity_curve = [[0, 5], [3, 455], [5, 735], [8, 1135], [12, 1635]]\n[sump.s]\nfluid = \"coolant\"\n\
         water = \"mains\"\ntarget_percent = 7\nfill_mark = \"1 mm\"\ntank = {tank}\n"
    );
    let loaded = load(&Draft { text: sump, secrets: Vec::new(), wrong: Vec::new() });
    let loaded = loaded.map_err(|mut wrong| wrong.remove(0))?;
    let tank = Tank::new(&loaded.settings.engine.sumps[0].tank).expect("a tank that was checked");
    if !(0.0..high).contains(&low) || high > tank.height_mm() {
        let what = format!(
            "{low:.0} mm and {high:.0} mm are no two heights of a tank of {:.0} mm",
            tank.height_mm()
        );
        return Err((what, cure()));
    }
    Ok(tank.volume_l(high) - tank.volume_l(low))
}

/// Litres of a sump at its fill mark and to the brim.
pub(super) fn litres(loaded: &Loaded, name: &str) -> Option<(f64, f64)> {
    let sump = loaded.settings.engine.sumps.iter().find(|sump| sump.name.as_str() == name)?;
    let tank = Tank::new(&sump.tank).ok()?;
    Some((tank.volume_l(sump.fill_mark_mm), tank.capacity_l()))
}
