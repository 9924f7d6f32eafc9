//! Where a configuration says that things lie, whatever else is wrong with it: for whoever clears a box away, when secrets and
//! devices may be gone already.

use std::path::{Path, PathBuf};

use config::{Value, ValueKind};

use super::report::{Mistake, Report, Weight};
use super::{DATA_DIRECTORY, layered};

/// Where things lie.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Places {
    /// The data directory.
    pub data: PathBuf,
    /// Files of the configuration, the main one first.
    pub files: Vec<PathBuf>,
    /// Files that it names: secrets, certificates, templates. A credential stands as it is written.
    pub named: Vec<PathBuf>,
}

/// Reads where things lie from the file at `path`, the fragments beside it and these variables.
///
/// # Errors
/// If a file cannot be read or parsed, or what says where the data lies is no text: the rest may be what says it.
pub fn places(path: &Path, variables: &[(String, String)]) -> Result<Places, Report> {
    let mut report = Report::default();
    let (layered, _) = layered(path, variables, &mut report);
    let base = path.parent().unwrap_or(Path::new(""));
    let store = table(layered.root()).and_then(|root| root.get("store"));
    let directory = match store.and_then(table).and_then(|store| store.get("directory")).map(|v| &v.kind) {
        None => Some(DATA_DIRECTORY),
        Some(ValueKind::String(text)) if !text.is_empty() && !text.contains('\0') => Some(text.as_str()),
        Some(_) => None,
    };
    if directory.is_none() {
        report.mistakes.push(Mistake {
            place: layered.value_place(&["store".to_owned(), "directory".to_owned()]),
            weight: Weight::Mistake,
            what: "`directory` names no directory".to_owned(),
            cure: "write a path, as in \"data\"".to_owned(),
            other: None,
        });
    }
    let Some(directory) = directory.filter(|_| !report.refuses()) else { return Err(report) };
    let mut named = Vec::new();
    name_files(layered.root(), "", base, &mut named);
    named.sort();
    named.dedup();
    let files = report.files.iter().map(|file| file.path.clone()).collect();
    Ok(Places { data: base.join(directory), files, named })
}

fn table(value: &Value) -> Option<&config::Map<String, Value>> {
    match &value.kind {
        ValueKind::Table(table) => Some(table),
        _ => None,
    }
}

fn name_files(value: &Value, key: &str, base: &Path, named: &mut Vec<PathBuf>) {
    match &value.kind {
        ValueKind::Table(table) => {
            for (below, value) in table {
                // A table of files, each under a name of its own.
                let key = if key.ends_with("_files") { "_file" } else { below };
                name_files(value, key, base, named);
            }
        }
        ValueKind::String(text) if key.ends_with("_file") => {
            let credential = text.starts_with('$');
            named.push(if credential { PathBuf::from(text) } else { base.join(text) });
        }
        _ => {}
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn places_are_found_in_a_configuration_that_is_refused() {
        let directory = std::env::temp_dir().join(format!("sumpwarden-places-{}", std::process::id()));
        std::fs::create_dir_all(directory.join("conf.d")).unwrap();
        let file = directory.join("shop.toml");
        let text = "[store]\ndirectory = \"d\"\n[receiver.a]\nwebhook = { url_file = \"$CREDENTIALS_DIRECTORY/u\", \
                    header_files = { X = \"h\" } }\n[broker.b]\npassword_file = \"/gone\"\ncolour = 1\n";
        std::fs::write(&file, text).unwrap();
        let fragment = directory.join("conf.d/more.toml");
        std::fs::write(&fragment, "[forward.c]\ntoken_file = \"t\"\n").unwrap();
        assert!(super::super::load_with(&file, &[]).is_err());
        let found = places(&file, &[]).unwrap();
        assert_eq!(found.data, directory.join("d"));
        assert_eq!(found.files, [file.clone(), fragment.clone()]);
        let mut named = ["$CREDENTIALS_DIRECTORY/u", "/gone"].map(PathBuf::from).to_vec();
        named.extend(["h", "t"].map(|name| directory.join(name)));
        named.sort();
        assert_eq!(found.named, named);
        let elsewhere = [("SUMPWARDEN__STORE__DIRECTORY".to_owned(), "/e".to_owned())];
        assert_eq!(places(&file, &elsewhere).unwrap().data, Path::new("/e"));
        // What cannot be read may say that it lies elsewhere.
        std::fs::write(&fragment, "[forward.c\n").unwrap();
        assert!(places(&file, &[]).is_err());
        std::fs::write(&fragment, "[store]\ndirectory = \"f\"\n").unwrap();
        assert!(places(&file, &[]).is_err(), "two say different things");
        std::fs::remove_dir_all(&directory).unwrap();
    }
}
