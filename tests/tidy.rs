//! The repository checks itself: floors, edges, manifests, file lengths, what lies at the top.
//!
//! Each rule is a function of a directory that returns complaints, so that the same rules run over this tree and over
//! made-up trees that break them one by one.

mod tidy_data;
mod tidy_features;
mod tidy_writes;

use std::fs;
use std::path::{Path, PathBuf};

/// Floors of `gateway/core/src`, lowest first. A floor imports itself and lower ones.
const FLOORS: [&str; 10] =
    ["model", "acquire", "signal", "estimate", "checks", "alarm", "store", "notify", "engine", "book"];

/// What the pure middle may not name, and why.
const NOT_IN_CORE: [(&str, &str); 9] = [
    ("tokio", "no runtime"),
    ("std::fs", "no files"),
    ("std::net", "no sockets"),
    ("std::env", "no environment"),
    ("std::process", "no processes"),
    ("std::thread", "no threads"),
    ("std::io", "no input or output"),
    ("std::time::Instant", "no clock"),
    ("std::time::SystemTime", "no clock"),
];

/// Crates of ours each crate may depend on; `tests` may use all of them.
const MAY_DEPEND: [(&str, &[&str]); 4] = [
    ("protocol", &[]),
    ("gateway/core", &["sumpwarden-protocol"]),
    ("gateway/daemon", &["sumpwarden-protocol", "sumpwarden-core", "sumpwarden-sim"]),
    ("sim", &["sumpwarden-protocol"]),
];

/// Crates that bring a clock, a runtime, files or sockets, and so stay out of core and protocol.
const NOT_BENEATH: [&str; 10] = [
    "tokio",
    "axum",
    "config",
    "influxdb2",
    "rumqttc",
    "rumqttd",
    "rusqlite",
    "rustix",
    "tokio-modbus",
    "tokio-serial",
];

/// Longest source file, in lines.
const LINES_MAX: usize = 700;

/// All that may lie at the top of the repository.
const TOP: [&str; 21] = [
    ".ci",
    ".git",
    ".gitignore",
    ".venv",
    "CHANGELOG.md",
    "Cargo.lock",
    "Cargo.toml",
    "DEVELOPERS.md",
    "LICENSE-APACHE",
    "LICENSE-MIT",
    "README.md",
    "clippy.toml",
    "deny.toml",
    "deploy",
    "docs",
    "gateway",
    "protocol",
    "rustfmt.toml",
    "sim",
    "target",
    "tests",
];

fn repository() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().expect("the tests crate lies one level down")
}

#[test]
fn floors_import_downwards() {
    none(floors(repository()));
}

#[test]
fn edges_do_not_know_each_other() {
    none(edges(repository()));
}

#[test]
fn core_is_pure() {
    none(purity(repository()));
}

#[test]
fn crates_depend_downwards() {
    none(manifests(repository()));
}

#[test]
fn files_are_short_and_used() {
    none(lengths(repository()));
    none(unused_files(repository()));
}

#[test]
fn every_test_file_runs() {
    none(unregistered_tests(repository()));
}

#[test]
fn the_top_is_tidy() {
    none(top(repository()));
}

fn none(complaints: Vec<String>) {
    assert!(complaints.is_empty(), "\n{}\n", complaints.join("\n"));
}

/// Upward imports between the floors of core.
fn floors(root: &Path) -> Vec<String> {
    let source = root.join("gateway/core/src");
    let mut complaints = Vec::new();
    for file in rust_files(&source) {
        let module = module_of(&source, &file);
        let Some(rank) = module.first().and_then(|m| FLOORS.iter().position(|f| f == m)) else {
            if module.first().is_some_and(|m| m != "lib") {
                complaints.push(format!("{}: not one of the floors {FLOORS:?}", shown(root, &file)));
            }
            continue;
        };
        for (line, path) in paths_in(&read(&file)) {
            let target = target_in_crate(&path, module.len());
            let Some(other) = target.and_then(|t| FLOORS.iter().position(|f| *f == t)) else { continue };
            if other > rank {
                complaints.push(format!(
                    "{}:{line}: `{}` imports upwards: {} lies above {}",
                    shown(root, &file),
                    path.join("::"),
                    FLOORS[other],
                    FLOORS[rank]
                ));
            }
        }
    }
    complaints
}

/// No edges in that sense: every edge may ask the time, show that it lives, and have points for injected faults.
const FOR_EDGES: [&str; 9] = [
    "clock",
    "data_files",
    "hex",
    "precedence",
    "pulse",
    "secret_file",
    "small_file",
    "spreadsheet",
    "faults",
];

/// Edges that import each other, or what wires them.
fn edges(root: &Path) -> Vec<String> {
    let source = root.join("gateway/daemon/src");
    let mut complaints = Vec::new();
    for file in rust_files(&source.join("edge")) {
        let module = module_of(&source, &file);
        let Some(own) = module.get(1) else { continue };
        let foreign = |word: &str| word != own && !FOR_EDGES.contains(&word);
        for (line, path) in paths_in(&read(&file)) {
            let words: Vec<&str> = path.iter().map(String::as_str).collect();
            let supers = words.iter().take_while(|w| **w == "super").count();
            let other = match words.as_slice() {
                ["crate", "edge", other, ..] if foreign(other) => Some(*other),
                ["crate", upward, ..] if *upward != "edge" && foreign(upward) => Some(*upward),
                _ if supers > 0 && supers + 1 == module.len() => {
                    words.get(supers).copied().filter(|w| is_edge(&source, w) && foreign(w))
                }
                _ => None,
            };
            if let Some(other) = other {
                complaints.push(format!(
                    "{}:{line}: `{}`: the edge {own} may not know {other}",
                    shown(root, &file),
                    path.join("::")
                ));
            }
        }
    }
    complaints
}

fn is_edge(source: &Path, name: &str) -> bool {
    let edge = source.join("edge");
    edge.join(name).is_dir() || edge.join(format!("{name}.rs")).is_file()
}

/// Names in core that stand for the world outside.
fn purity(root: &Path) -> Vec<String> {
    let mut complaints = Vec::new();
    for file in rust_files(&root.join("gateway/core/src")) {
        for (line, path) in paths_in(&read(&file)) {
            let path = path.join("::");
            for (name, why) in NOT_IN_CORE {
                if path == name || path.starts_with(&format!("{name}::")) {
                    complaints.push(format!("{}:{line}: `{path}` in core: {why}", shown(root, &file)));
                }
            }
        }
    }
    complaints
}

/// Dependencies that turn the layers round.
fn manifests(root: &Path) -> Vec<String> {
    let mut complaints = Vec::new();
    for (folder, allowed) in MAY_DEPEND {
        let path = root.join(folder).join("Cargo.toml");
        let manifest: toml::Table = match read(&path).parse() {
            Ok(table) => table,
            Err(error) => {
                complaints.push(format!("{}: {error}", shown(root, &path)));
                continue;
            }
        };
        for section in ["dependencies", "dev-dependencies", "build-dependencies"] {
            let Some(entries) = manifest.get(section).and_then(toml::Value::as_table) else { continue };
            for name in entries.keys() {
                let ours = name.starts_with("sumpwarden");
                let beneath = ["protocol", "gateway/core"].contains(&folder);
                if ours && !allowed.contains(&name.as_str()) {
                    complaints.push(format!("{folder}/Cargo.toml [{section}]: {name} lies above {folder}"));
                } else if beneath && NOT_BENEATH.contains(&name.as_str()) {
                    complaints.push(format!("{folder}/Cargo.toml [{section}]: {name} belongs to the edges"));
                }
            }
        }
    }
    complaints
}

/// Source files that have grown too long.
fn lengths(root: &Path) -> Vec<String> {
    sources(root)
        .iter()
        .filter_map(|file| {
            let lines = read(file).lines().count();
            (lines > LINES_MAX)
                .then(|| format!("{}: {lines} lines; split it, {LINES_MAX} is the most", shown(root, file)))
        })
        .collect()
}

/// Source files that no `mod` line names, which the compiler therefore never sees.
fn unused_files(root: &Path) -> Vec<String> {
    let mut complaints = Vec::new();
    for folder in ["protocol/src", "gateway/core/src", "gateway/daemon/src", "sim/src"] {
        let files = rust_files(&root.join(folder));
        let all: String = files.iter().map(|f| read(f)).collect();
        for file in &files {
            let stem = match stem(file).as_str() {
                "lib" | "main" => continue,
                "mod" => stem(file.parent().expect("a file in a folder")),
                other => other.to_owned(),
            };
            if !declares(&all, &stem) {
                complaints.push(format!("{}: no `mod {stem}` names it", shown(root, file)));
            }
        }
    }
    complaints
}

/// Files with tests in them that `cargo test` would pass over without a word.
fn unregistered_tests(root: &Path) -> Vec<String> {
    let folder = root.join("tests");
    let manifest: toml::Table = read(&folder.join("Cargo.toml")).parse().expect("cargo has read it");
    let registered: Vec<PathBuf> = manifest
        .get("test")
        .and_then(toml::Value::as_array)
        .into_iter()
        .flatten()
        .filter_map(|t| Some(folder.join(t.get("path")?.as_str()?)))
        .chain([folder.join("support/lib.rs")])
        .collect();
    let files = rust_files(&folder);
    let declared: String = files.iter().map(|f| read(f)).collect();
    let mut complaints = Vec::new();
    for file in &files {
        let text = read(file);
        let has_tests = text.lines().any(|l| {
            let l = l.trim();
            l == "#[test]" || l.starts_with("#[tokio::test") || l.starts_with("proptest!")
        });
        if has_tests && !registered.contains(file) && !declares(&declared, &stem(file)) {
            complaints.push(format!("{}: has tests but no [[test]] in tests/Cargo.toml", shown(root, file)));
        }
    }
    for path in registered.iter().filter(|p| !p.is_file()) {
        complaints.push(format!("{}: registered as [[test]] but not there", shown(root, path)));
    }
    complaints
}

/// What lies at the top, and what must.
fn top(root: &Path) -> Vec<String> {
    let mut complaints: Vec<String> = fs::read_dir(root)
        .expect("the repository can be listed")
        .map(|entry| entry.expect("the repository can be listed").file_name().to_string_lossy().into_owned())
        .filter(|name| !TOP.contains(&name.as_str()))
        .map(|name| {
            format!("{name}: nothing of that name belongs at the top; if it does, name it in tests/tidy.rs")
        })
        .collect();
    complaints.sort();
    for name in ["LICENSE-APACHE", "LICENSE-MIT"] {
        if fs::metadata(root.join(name)).map_or(true, |m| m.len() < 1000) {
            complaints.push(format!("{name}: missing or empty; the licence is MIT OR Apache-2.0"));
        }
    }
    complaints
}

/// First module of the crate a path leads to; `depth` is how deep the file's own module lies.
fn target_in_crate(path: &[String], depth: usize) -> Option<&str> {
    let supers = path.iter().take_while(|w| *w == "super").count();
    match path.first().map(String::as_str) {
        Some("crate") => path.get(1).map(String::as_str),
        // A module inside the file (its tests) lies one deeper than the file; taking the shallower reading of
        // `super` there can only complain too much.
        Some("super") if supers >= depth => path.get(supers).map(String::as_str),
        _ => None,
    }
}

/// Module path of a file below a crate's `src`: `acquire/plan.rs` is `[acquire, plan]`, `acquire/mod.rs` `[acquire]`.
fn module_of(source: &Path, file: &Path) -> Vec<String> {
    let below = file.strip_prefix(source).expect("listed below it").with_extension("");
    let mut module: Vec<String> = below.iter().map(|c| c.to_string_lossy().into_owned()).collect();
    if module.last().is_some_and(|m| m == "mod") {
        module.pop();
    }
    module
}

/// Every path of two words or more in a source, with its line: `use` trees spread out, comments and strings left out.
fn paths_in(source: &str) -> Vec<(usize, Vec<String>)> {
    let mut found = Vec::new();
    let code = without_comments_and_strings(source);
    let mut rest = code.as_str();
    let mut line = 1;
    while let Some(start) = rest.find(|c: char| c.is_alphabetic() || c == '_') {
        line += rest[..start].matches('\n').count();
        let before = rest[..start].chars().next_back();
        rest = &rest[start..];
        let (paths, used) = path_tree(rest);
        // A word that goes on from a path (`<T as U>::name`, `a.b::c`) starts nothing by itself.
        if before != Some(':') {
            found.extend(paths.into_iter().filter(|p| p.len() > 1).map(|p| (line, p)));
        }
        line += rest[..used].matches('\n').count();
        rest = &rest[used..];
    }
    found
}

/// The paths that start here, and how many bytes they take: `a::{b, c::d}` is `a::b` and `a::c::d`.
fn path_tree(text: &str) -> (Vec<Vec<String>>, usize) {
    let word = text.find(|c: char| !(c.is_alphanumeric() || c == '_')).unwrap_or(text.len());
    let head = text[..word].to_owned();
    let mut at = word + blank(&text[word..]);
    if !text[at..].starts_with("::") {
        return (vec![vec![head]], word.max(1));
    }
    at += 2;
    at += blank(&text[at..]);
    let mut tails = Vec::new();
    if text[at..].starts_with('{') {
        at += 1;
        loop {
            at += blank(&text[at..]);
            match text[at..].chars().next() {
                Some(c) if c.is_alphabetic() || c == '_' => {
                    let (paths, used) = path_tree(&text[at..]);
                    tails.extend(paths);
                    at += used;
                }
                Some('}') => {
                    at += 1;
                    break;
                }
                Some(c) => at += c.len_utf8(),
                None => break,
            }
        }
    } else if text[at..].starts_with(|c: char| c.is_alphabetic() || c == '_') {
        let (paths, used) = path_tree(&text[at..]);
        tails = paths;
        at += used;
    } else {
        tails.push(Vec::new());
    }
    let paths = tails.into_iter().map(|tail| [vec![head.clone()], tail].concat()).collect();
    (paths, at)
}

fn blank(text: &str) -> usize {
    text.find(|c: char| !c.is_whitespace()).unwrap_or(text.len())
}

/// The code alone; comments and literals become spaces, line breaks stay.
fn without_comments_and_strings(source: &str) -> String {
    let mut code = String::with_capacity(source.len());
    let mut rest = source;
    while let Some(c) = rest.chars().next() {
        let skipped = if rest.starts_with("//") {
            rest.find('\n').unwrap_or(rest.len())
        } else if rest.starts_with("/*") {
            rest.find("*/").map_or(rest.len(), |end| end + 2)
        } else if c == '"' {
            string_len(rest)
        } else if c == 'r' && (rest.starts_with("r\"") || rest.starts_with("r#\"")) {
            raw_string_len(rest)
        } else if c == '\'' {
            char_len(rest)
        } else {
            0
        };
        if skipped == 0 {
            code.push(c);
            rest = &rest[c.len_utf8()..];
        } else {
            code.push(' ');
            code.extend(rest[..skipped].chars().filter(|c| *c == '\n'));
            rest = &rest[skipped..];
        }
    }
    code
}

fn string_len(text: &str) -> usize {
    let mut escaped = false;
    for (at, c) in text.char_indices().skip(1) {
        match c {
            _ if escaped => escaped = false,
            '\\' => escaped = true,
            '"' => return at + 1,
            _ => {}
        }
    }
    text.len()
}

fn raw_string_len(text: &str) -> usize {
    let hashes = text[1..].chars().take_while(|c| *c == '#').count();
    let end = format!("\"{}", "#".repeat(hashes));
    text[hashes + 2..].find(&end).map_or(text.len(), |at| hashes + 2 + at + end.len())
}

/// Length of a character literal, 0 for a lifetime.
fn char_len(text: &str) -> usize {
    let mut chars = text.char_indices().skip(1);
    match (chars.next(), chars.next()) {
        (Some((_, '\\')), Some(_)) => text[3..].find('\'').map_or(0, |at| at + 4),
        (Some(_), Some((at, '\''))) => at + 1,
        _ => 0,
    }
}

fn declares(source: &str, module: &str) -> bool {
    source.lines().any(|l| {
        let l = l
            .trim()
            .trim_start_matches("pub ")
            .trim_start_matches("pub(crate) ")
            .trim_start_matches("pub(super) ");
        l.strip_prefix("mod ").is_some_and(|rest| rest.trim_end_matches([';', '{', ' ']) == module)
    })
}

fn sources(root: &Path) -> Vec<PathBuf> {
    ["protocol", "gateway", "sim", "tests"].iter().flat_map(|f| rust_files(&root.join(f))).collect()
}

fn rust_files(folder: &Path) -> Vec<PathBuf> {
    let mut files = Vec::new();
    let Ok(entries) = fs::read_dir(folder) else { return files };
    for entry in entries.filter_map(Result::ok) {
        let path = entry.path();
        if path.is_dir() && path.file_name().is_none_or(|n| n != "target") {
            files.extend(rust_files(&path));
        } else if path.extension().is_some_and(|e| e == "rs") {
            files.push(path);
        }
    }
    files.sort();
    files
}

fn stem(path: &Path) -> String {
    path.file_stem().map(|s| s.to_string_lossy().into_owned()).unwrap_or_default()
}

fn read(path: &Path) -> String {
    fs::read_to_string(path).unwrap_or_default()
}

fn shown(root: &Path, path: &Path) -> String {
    path.strip_prefix(root).unwrap_or(path).display().to_string()
}

/// A made-up tree that breaks rules on purpose; gone when dropped.
struct MadeUp(PathBuf);

impl MadeUp {
    fn new(name: &str, files: &[(&str, &str)]) -> Self {
        let root = std::env::temp_dir().join(format!("sumpwarden-tidy-{name}-{}", std::process::id()));
        for (path, text) in files {
            let path = root.join(path);
            fs::create_dir_all(path.parent().expect("below the root")).expect("a temporary folder");
            fs::write(path, text).expect("a temporary file");
        }
        Self(root)
    }
}

impl Drop for MadeUp {
    fn drop(&mut self) {
        fs::remove_dir_all(&self.0).ok();
    }
}

/// Exactly these places are complained of, in this order.
fn complains_of(complaints: &[String], places: &[&str]) {
    assert_eq!(complaints.len(), places.len(), "{complaints:#?}");
    for (complaint, place) in complaints.iter().zip(places) {
        assert!(complaint.contains(place), "{complaint:?} does not speak of {place:?}");
    }
}

#[test]
fn an_upward_import_is_found_however_it_is_written() {
    let tree = MadeUp::new(
        "floors",
        &[
            ("gateway/core/src/lib.rs", "pub mod model;\npub use crate::engine::Engine;\n"),
            ("gateway/core/src/model/mod.rs", "// crate::engine is above\nuse std::fmt;\n"),
            ("gateway/core/src/alarm/mod.rs", "use crate::model::Name;\nuse crate::store::record;\n"),
            ("gateway/core/src/signal/mod.rs", "use crate::{\n    acquire::X,\n    estimate::Y,\n};\n"),
            (
                "gateway/core/src/acquire/plan.rs",
                "fn f() { let s = \"crate::alarm\"; super::super::signal::g(s) }\n",
            ),
            (
                "gateway/core/src/acquire/schedule.rs",
                "use super::plan;\nfn f<'a>() -> crate::engine::E<'a> {}\n",
            ),
            ("gateway/core/src/misc.rs", ""),
        ],
    );
    complains_of(
        &floors(&tree.0),
        &[
            "acquire/plan.rs:1: `super::super::signal::g`",
            "acquire/schedule.rs:2: `crate::engine::E`",
            "alarm/mod.rs:2: `crate::store::record`",
            "misc.rs: not one of the floors",
            "signal/mod.rs:1: `crate::estimate::Y`",
        ],
    );
}

#[test]
fn an_edge_that_knows_another_is_found() {
    let tree = MadeUp::new(
        "edges",
        &[
            ("gateway/daemon/src/edge/mod.rs", "pub mod mqtt;\npub mod store;\n"),
            (
                "gateway/daemon/src/edge/store.rs",
                "use crate::edge::store::Inner;\nuse crate::config::File;\n",
            ),
            (
                "gateway/daemon/src/edge/mqtt/mod.rs",
                "mod session;\nuse super::store::Store;\nuse session::S;\n",
            ),
            ("gateway/daemon/src/edge/mqtt/session.rs", "use super::Settings;\nuse crate::edge::store;\n"),
        ],
    );
    complains_of(
        &edges(&tree.0),
        &[
            "mqtt/mod.rs:2: `super::store::Store`",
            "session.rs:2: `crate::edge::store`",
            "store.rs:2: `crate::config::File`",
        ],
    );
}

#[test]
fn the_world_outside_is_found_in_core() {
    let tree = MadeUp::new(
        "purity",
        &[(
            "gateway/core/src/engine.rs",
            "use std::{collections::BTreeMap, time::{Duration, Instant}};\nfn f() { std::fs::read(\"x\"); }\n\
             /* std::net */ use std::time::Duration;\nasync fn g() { tokio::time::sleep(D).await }\n",
        )],
    );
    complains_of(
        &purity(&tree.0),
        &["engine.rs:1: `std::time::Instant`", ":2: `std::fs::read`", ":4: `tokio::time"],
    );
}

#[test]
fn a_dependency_that_turns_the_layers_round_is_found() {
    let fine = "[dependencies]\nserde = \"1\"\n";
    let tree = MadeUp::new(
        "manifests",
        &[
            ("protocol/Cargo.toml", "[dependencies]\nsumpwarden-core.workspace = true\n"),
            ("gateway/core/Cargo.toml", "[dev-dependencies]\ntokio.workspace = true\n"),
            ("gateway/daemon/Cargo.toml", fine),
            ("sim/Cargo.toml", "[dependencies]\nsumpwarden-protocol = \"1\"\nsumpwarden-core = \"1\"\n"),
        ],
    );
    complains_of(
        &manifests(&tree.0),
        &[
            "protocol/Cargo.toml [dependencies]: sumpwarden-core",
            "core/Cargo.toml [dev-dependencies]: tokio",
            "sim/Cargo.toml",
        ],
    );
}

#[test]
fn long_unused_and_unregistered_files_are_found() {
    let long = "//\n".repeat(LINES_MAX + 1);
    let tree = MadeUp::new(
        "files",
        &[
            ("sim/src/lib.rs", "pub mod world;\n"),
            ("sim/src/world/mod.rs", &long),
            ("sim/src/forgotten.rs", ""),
            (
                "tests/Cargo.toml",
                "[[test]]\nname = \"a\"\npath = \"a.rs\"\n[[test]]\nname = \"c\"\npath = \"c.rs\"\n",
            ),
            ("tests/a.rs", "mod shared;\n#[test]\nfn t() {}\n"),
            ("tests/shared.rs", "#[test]\nfn t() {}\n"),
            ("tests/e2e/b.rs", "#[tokio::test]\nasync fn t() {}\n"),
            ("tests/support/lib.rs", ""),
        ],
    );
    complains_of(&lengths(&tree.0), &["sim/src/world/mod.rs: 701 lines"]);
    complains_of(&unused_files(&tree.0), &["sim/src/forgotten.rs: no `mod forgotten`"]);
    complains_of(&unregistered_tests(&tree.0), &["tests/e2e/b.rs: has tests", "tests/c.rs: registered"]);
}

#[test]
fn a_stray_file_and_a_missing_licence_are_found_at_the_top() {
    let tree = MadeUp::new("top", &[("notes.txt", ""), ("LICENSE-MIT", "")]);
    complains_of(&top(&tree.0), &["notes.txt", "LICENSE-APACHE", "LICENSE-MIT"]);
}
