//! Secrets: from a file that only this user can read, or from an environment variable; never from the configuration.
//!
//! A file may be a credential that the service manager hands to the service (`LoadCredential=`): its path then begins
//! with `$CREDENTIALS_DIRECTORY/`.

use std::path::{Path, PathBuf};

use sumpwarden_core::acquire::settings::{Secret, SecretFile};

use super::super::variables::VARIABLE_PREFIX;
use super::notes::{At, Notes};
use crate::edge::secret_file;

/// The variable in which the service manager says where a service's credentials are.
const CREDENTIALS: &str = "CREDENTIALS_DIRECTORY";
/// Where they are while the service runs, for commands beside it (`alarm`, `note`, …) by its user or root.
const CREDENTIALS_OF_SERVICE: &str = "/run/credentials/sumpwarden.service";

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
    let handed = is_handed(path);
    let file = SecretFile { path: place(notes, &at, path)?, handed };
    let text = match secret_file::read(&file) {
        Ok(text) => text,
        Err((what, cure)) => {
            notes.wrong(&at, format!("the secret file {} {what}", file.path.display()), cure);
            return None;
        }
    };
    Some(accept(notes, &at, &text, "the secret file")?.read_from(file))
}

/// Where the file lies that `text` names: among the credentials handed to this service, or as any path in the file.
pub(super) fn place(notes: &mut Notes<'_>, at: &At, text: &str) -> Option<PathBuf> {
    if !is_handed(text) {
        return Some(notes.path(text));
    }
    let beside = || Some(PathBuf::from(CREDENTIALS_OF_SERVICE)).filter(|directory| directory.is_dir());
    let directory = std::env::var_os(CREDENTIALS).map(PathBuf::from).or_else(beside);
    match credential(text, directory.as_deref()) {
        Ok(path) => Some(path),
        Err((what, cure)) => {
            notes.wrong(at, what, cure);
            None
        }
    }
}

/// Whether this names a credential that the service manager hands over.
fn is_handed(text: &str) -> bool {
    text.strip_prefix('$')
        .and_then(|rest| rest.strip_prefix(CREDENTIALS))
        .is_some_and(|rest| rest.starts_with('/'))
}

/// The path of a credential in `directory`.
fn credential(text: &str, directory: Option<&Path>) -> Result<PathBuf, (String, String)> {
    let (_, name) = text.split_once('/').unwrap_or_default();
    if name.is_empty() || name.contains('/') {
        let what = format!("\"{text}\" names no credential");
        return Err((what, format!("credentials lie side by side: \"${CREDENTIALS}/NAME\"")));
    }
    let Some(directory) = directory else {
        let what =
            format!("no credentials were handed over: {CREDENTIALS} is not set and the service does not run");
        let cure = format!(
            "the unit hands it over with LoadCredential={name}:FILE; to check before it runs, as root: \
             {CREDENTIALS}=DIRECTORY-OF-FILE sumpwarden check …"
        );
        return Err((what, cure));
    };
    Ok(directory.join(name))
}

fn accept(notes: &mut Notes<'_>, at: &At, text: &str, from: &str) -> Option<Secret> {
    match secret_file::accept(text) {
        Ok(secret) => Some(secret),
        Err((what, cure)) => {
            notes.wrong(at, format!("{from} for `{}` {what}", notes.text(at)), cure);
            None
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_credential_lies_where_the_manager_says_and_nowhere_else() {
        let directory = Path::new("/run/credentials/sumpwarden.service");
        let found = |text| credential(text, Some(directory));
        assert_eq!(found("$CREDENTIALS_DIRECTORY/shop.password").unwrap(), directory.join("shop.password"));
        for text in
            ["$CREDENTIALS_DIRECTORY/", "$CREDENTIALS_DIRECTORY//etc/shadow", "$CREDENTIALS_DIRECTORY/../x"]
        {
            assert!(found(text).unwrap_err().0.contains("names no credential"), "{text}");
        }
        let (what, cure) = credential("$CREDENTIALS_DIRECTORY/shop.password", None).unwrap_err();
        assert!(what.contains("CREDENTIALS_DIRECTORY is not set"), "{what}");
        assert!(cure.contains("LoadCredential=shop.password:FILE"), "{cure}");
        for (text, handed) in [
            ("$CREDENTIALS_DIRECTORY/a", true),
            ("$CREDENTIALS_DIRECTORY", false),
            ("$CREDENTIALS_DIRECTORYS/a", false),
            ("a/$CREDENTIALS_DIRECTORY/a", false),
        ] {
            assert_eq!(is_handed(text), handed, "{text}");
        }
    }
}
