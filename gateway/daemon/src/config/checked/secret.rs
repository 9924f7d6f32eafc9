//! Secrets: from a file that only this user can read, or from an environment variable; never from the configuration.

use std::io::Read;
use std::os::unix::fs::MetadataExt;
use std::path::Path;

use sumpwarden_core::acquire::settings::Secret;

use super::super::variables::VARIABLE_PREFIX;
use super::notes::{At, Notes};

/// Largest secret, bytes.
const SECRET_BYTES_MAX: u64 = 64 << 10;

/// The two keys that can give one secret.
#[derive(Clone, Copy)]
pub(super) struct SecretKeys {
    /// Path of a file with it.
    pub(super) file: &'static str,
    /// The secret itself, by environment variable only.
    pub(super) direct: &'static str,
}

/// The secret, where one is given. What is wrong with it never shows it.
pub(super) fn secret(
    notes: &mut Notes<'_>,
    table: &At,
    keys: SecretKeys,
    file: Option<&str>,
    direct: Option<&str>,
) -> Option<Secret> {
    if let Some(text) = direct {
        let at = table.key(keys.direct);
        if !notes.layered.is_variable(&at.0) {
            let variable = format!("{VARIABLE_PREFIX}{}", at.0.join("__").to_uppercase().replace('-', "_"));
            let cure = format!(
                "delete it here, change it where it is used, and name a file of mode 0600 that holds it: {} = \"…\"; \
                 or set the variable {variable}",
                keys.file
            );
            notes.wrong(&at, format!("the secret `{}` stands in the file", keys.direct), cure);
            return None;
        }
        if file.is_some() {
            let what = format!("both `{}` and `{}` are set", keys.direct, keys.file);
            notes.clash(&at, what, "keep one of them", (&table.key(keys.file), "also set here"));
        }
        return accept(notes, &at, text, "the variable");
    }
    self::file(notes, table, keys.file, file?)
}

/// The secret in the file that `key` of a table names.
pub(super) fn file(notes: &mut Notes<'_>, table: &At, key: &str, path: &str) -> Option<Secret> {
    let at = table.key(key);
    let path = notes.path(path);
    let text = match read(&path) {
        Ok(text) => text,
        Err((what, cure)) => {
            notes.wrong(&at, format!("the secret file {} {what}", path.display()), cure);
            return None;
        }
    };
    accept(notes, &at, &text, "the secret file")
}

/// Takes white space off both ends, where editors leave a line end.
fn accept(notes: &mut Notes<'_>, at: &At, text: &str, from: &str) -> Option<Secret> {
    let trimmed = text.trim();
    if trimmed.is_empty() {
        notes.wrong(at, format!("{from} for `{}` is empty", at.text()), "put the secret into it");
        return None;
    }
    if trimmed.chars().any(char::is_control) {
        notes.wrong(
            at,
            format!("{from} for `{}` has more than one line", at.text()),
            "put only the secret into it",
        );
        return None;
    }
    Some(Secret::new(trimmed.to_owned()))
}

/// The text of a regular file that belongs to this user (or root) and to nobody else.
fn read(path: &Path) -> Result<String, (String, String)> {
    let here = path.display();
    let cannot =
        |error: std::io::Error| (format!("cannot be read: {error}"), "create it with mode 0600".to_owned());
    let meta = std::fs::symlink_metadata(path).map_err(cannot)?;
    if meta.is_symlink() {
        return Err(("is a link".to_owned(), "name the file itself".to_owned()));
    }
    if !meta.is_file() {
        return Err(("is no regular file".to_owned(), "name a file that holds the secret".to_owned()));
    }
    if meta.mode() & 0o077 != 0 {
        let what = format!("has mode {:04o}: others can read or write it", meta.mode() & 0o7777);
        return Err((what, format!("chmod 600 {here}, and change the secret if others were here")));
    }
    let user = rustix::process::geteuid().as_raw();
    if meta.uid() != user && meta.uid() != 0 {
        return Err((format!("belongs to user {}", meta.uid()), format!("chown {user} {here}")));
    }
    let mut text = String::new();
    let file = std::fs::File::open(path).map_err(cannot)?;
    file.take(SECRET_BYTES_MAX + 1).read_to_string(&mut text).map_err(cannot)?;
    if text.len() as u64 > SECRET_BYTES_MAX {
        return Err(("is larger than 64 KiB".to_owned(), "put only the secret into it".to_owned()));
    }
    Ok(text)
}
