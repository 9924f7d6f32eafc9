//! Files that hold a secret: who may see into them, what of them counts, and whether they hold another one by now.
//!
//! Passwords and tokens are changed while the daemon runs. Whoever is refused looks here whether the file holds another one; so
//! a rotated secret works by itself, without a restart. What a secret is for is not known here.

use std::io::Read;
use std::os::unix::fs::MetadataExt;

use sumpwarden_core::acquire::settings::{Secret, SecretFile};

/// Largest secret, bytes.
const SECRET_BYTES_MAX: u64 = 64 << 10;

/// Takes off both ends what editors leave there: line ends of any kind, blanks, the mark of UTF-8.
///
/// # Errors
/// What is wrong with it, and what would be right; never the text.
pub fn accept(text: &str) -> Result<Secret, (&'static str, &'static str)> {
    let trimmed = text.trim_start_matches('\u{feff}').trim();
    if trimmed.is_empty() {
        return Err(("is empty", "put the secret into it"));
    }
    if trimmed.chars().any(char::is_control) {
        return Err(("has more than one line", "put only the secret into it"));
    }
    Ok(Secret::new(trimmed.to_owned()))
}

/// Another secret that the file of this one holds by now. None where it is the same, was in no file, or the file cannot be used
/// at the moment: it may be half written, and the old one goes on.
pub async fn renewed(secret: &Secret) -> Option<Secret> {
    let (file, before) = (secret.file()?.clone(), secret.clone());
    // A file may lie where reading takes its time.
    let read = tokio::task::spawn_blocking(move || (read(&file), file)).await;
    let (text, file) = read.ok()?;
    let found = text.map_err(|(what, _)| what);
    match found.and_then(|text| accept(&text).map_err(|(what, _)| what.to_owned())) {
        Ok(found) => Some(found.read_from(file)).filter(|found| *found != before),
        Err(what) => {
            tracing::warn!(file = %file.path.display(), what, "the secret is not read anew; the one before goes on");
            None
        }
    }
}

/// Puts another secret in place of this one where its file holds one; whether it did.
pub async fn renew(secret: &mut Secret) -> bool {
    let found = renewed(secret).await;
    let is_new = found.is_some();
    if let Some(found) = found {
        *secret = found;
    }
    is_new
}

/// The text of a regular file that belongs to this user (or root) and to nobody else. One that was `handed` over may look
/// as if a group could read it: the manager lets the service's user in by an access list, whose mask stands there. Or it
/// belongs to the service's user, and root reads it.
///
/// # Errors
/// What is wrong with it, and what would be right.
pub fn read(file: &SecretFile) -> Result<String, (String, String)> {
    let SecretFile { path, handed } = file;
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
    let closed_to = if *handed { 0o037 } else { 0o077 };
    if meta.mode() & closed_to != 0 {
        let what = format!("has mode {:04o}: others can read or write it", meta.mode() & 0o7777);
        return Err((what, format!("chmod 600 {here}, and change the secret if others were here")));
    }
    let user = rustix::process::geteuid().as_raw();
    if meta.uid() != user && meta.uid() != 0 && !(*handed && user == 0) {
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

#[cfg(test)]
mod tests {
    use std::fs;
    use std::os::unix::fs::PermissionsExt;

    use super::*;

    #[test]
    fn what_editors_leave_at_the_ends_is_no_part_of_a_secret() {
        for text in ["right", "right\n", "right\r\n", "\u{feff}right\r\n", " right \n\n"] {
            assert_eq!(accept(text).unwrap().reveal(), "right", "{text:?}");
        }
        for text in ["", "\n", "\u{feff}\r\n", "two\nlines", "two\r\nlines\r\n", "a\0b"] {
            assert!(accept(text).is_err(), "{text:?}");
        }
    }

    #[tokio::test]
    async fn another_secret_is_found_and_a_file_that_cannot_be_used_changes_nothing() {
        let path = std::env::temp_dir().join(format!("sumpwarden-renewed-{}", std::process::id()));
        let write = |text: &str, mode: u32| {
            fs::write(&path, text).unwrap();
            fs::set_permissions(&path, fs::Permissions::from_mode(mode)).unwrap();
        };
        write("old\n", 0o600);
        let file = SecretFile { path: path.clone(), handed: false };
        let mut secret = accept(&read(&file).unwrap()).unwrap().read_from(file);
        assert!(!renew(&mut secret).await, "the same");
        for (text, mode) in [("", 0o600), ("two\nlines", 0o600), ("everybody's", 0o644)] {
            write(text, mode);
            assert!(!renew(&mut secret).await, "{text:?}");
        }
        fs::remove_file(&path).unwrap();
        assert!(!renew(&mut secret).await && secret.reveal() == "old");
        write("new\r\n", 0o600);
        assert!(renew(&mut secret).await && secret.reveal() == "new");
        assert!(!renew(&mut secret).await, "and then that one is the same");
        fs::remove_file(&path).unwrap();
        assert!(!renew(&mut Secret::new("in no file".to_owned())).await);
    }

    #[test]
    fn an_access_list_shows_as_a_group_that_reads_and_nothing_wider_is_taken() {
        let path = std::env::temp_dir().join(format!("sumpwarden-credential-{}", std::process::id()));
        fs::write(&path, "right\n").unwrap();
        let mut taken = Vec::new();
        for mode in [0o400, 0o600, 0o440, 0o640, 0o460, 0o444, 0o450] {
            fs::set_permissions(&path, fs::Permissions::from_mode(mode)).unwrap();
            taken.push([false, true].map(|handed| read(&SecretFile { path: path.clone(), handed }).is_ok()));
        }
        fs::remove_file(&path).unwrap();
        let (both, handed, none) = ([true, true], [false, true], [false, false]);
        assert_eq!(taken, [both, both, handed, handed, none, none, none]);
    }
}
