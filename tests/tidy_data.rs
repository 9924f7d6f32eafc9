//! Who writes into the data directory takes the name from the list that the box is cleared by.

use std::path::Path;

use super::{MadeUp, complains_of, none, read, repository, rust_files, shown};

/// Where the list stands, and what joins names that are on it.
const LIST: &str = "edge/data_files.rs";

/// Where what lies in the data directory is written and read.
const WRITERS: [&str; 2] = ["edge", "supervise"];

#[test]
fn names_in_the_data_directory_are_on_the_list() {
    none(made_up_names(repository()));
}

/// Places that put a name of their own behind a directory. Tests may.
fn made_up_names(root: &Path) -> Vec<String> {
    let source = root.join("gateway/daemon/src");
    let files = WRITERS.iter().flat_map(|folder| rust_files(&source.join(folder)));
    let mut complaints = Vec::new();
    for file in files.filter(|file| !file.ends_with(LIST) && !shown(root, file).contains("tests")) {
        let text = read(&file);
        let code = text.split("#[cfg(test)]").next().unwrap_or_default();
        for (number, line) in (1..).zip(code.lines()) {
            let joins = ["directory.join(", "directory().join(", "place.join("];
            if joins.iter().any(|join| line.contains(join)) && !line.contains("store_aside(") {
                complaints.push(format!(
                    "{}:{number}: a name that is not in {LIST}: `wipe` would leave the file behind",
                    shown(root, &file)
                ));
            }
        }
    }
    complaints
}

#[test]
fn a_name_that_is_not_on_the_list_is_found() {
    let tree = MadeUp::new(
        "data",
        &[
            ("gateway/daemon/src/edge/data_files.rs", "directory.join(self.name)\n"),
            ("gateway/daemon/src/edge/web/key.rs", "fn f() {}\nlet path = directory.join(\"new-key\");\n"),
            ("gateway/daemon/src/edge/store/tests.rs", "directory.join(\"x\")\n"),
            ("gateway/daemon/src/supervise/starts.rs", "#[cfg(test)]\nmod tests { directory.join(\"x\") }\n"),
            ("gateway/daemon/src/supervise/page.rs", "store.directory().join(NAME)\n"),
        ],
    );
    complains_of(&made_up_names(&tree.0), &["key.rs:2", "page.rs:1"]);
}
