//! `people`: who may log in on the page, through the running daemon, with the key of its data directory.

use axum::http::Method;
use rustix::termios::{LocalModes, OptionalActions, tcgetattr, tcsetattr};
use serde_json::{Value, json};
use std::io::{BufRead, Write};

use super::running::OfDaemon;
use super::{Exit, console, load, running};
use crate::config::Settings;
use crate::edge::web::access::Role;

/// What the command is told.
#[derive(clap::Args, Debug)]
pub struct Options {
    #[command(flatten)]
    daemon: OfDaemon,
    #[command(subcommand)]
    deed: Option<Deed>,
}

/// What can be done about people; without, they are listed.
#[derive(clap::Subcommand, Clone, Debug)]
enum Deed {
    /// One more; asks for their password, or reads it from the input
    Add {
        /// Name to log in with: letters, digits, - and _
        name: String,
        /// look, log (notes, calibration, alarms) or manage (people, stickers, everything)
        #[arg(long, default_value = "log")]
        role: WordOfRole,
    },
    /// Another role; they are logged out
    Role {
        /// Whose
        name: String,
        /// look, log or manage
        role: WordOfRole,
    },
    /// A new password, asked for or read from the input; they are logged out
    Password {
        /// Whose
        name: String,
    },
    /// They are out at once
    Remove {
        /// Who
        name: String,
    },
}

#[derive(clap::ValueEnum, Clone, Copy, Debug)]
enum WordOfRole {
    Look,
    Log,
    Manage,
}

impl From<WordOfRole> for Role {
    fn from(word: WordOfRole) -> Self {
        match word {
            WordOfRole::Look => Self::Look,
            WordOfRole::Log => Self::Log,
            WordOfRole::Manage => Self::Manage,
        }
    }
}

/// Lists people, or does something about one.
pub fn run(options: &Options) -> Exit {
    let settings = match load(&options.daemon.config) {
        Ok(settings) => settings,
        Err(exit) => return exit,
    };
    let done = match &options.deed {
        None => list(&settings, options.daemon.json),
        Some(deed) => act(&settings, deed),
    };
    done.map_or_else(|exit| exit, |()| Exit::Success)
}

fn list(settings: &Settings, json: bool) -> Result<(), Exit> {
    let found = running::with_key(settings, Method::GET, "/people", None)?;
    if json {
        console::say(&found["people"].to_string());
        return Ok(());
    }
    let people = found["people"].as_array().map(Vec::as_slice).unwrap_or_default();
    if people.is_empty() {
        console::say("nobody can log in yet: sumpwarden people add NAME --role manage");
    }
    let text = |person: &Value, key: &str| console::plain(person[key].as_str().unwrap_or_default());
    people
        .iter()
        .for_each(|person| console::say(&format!("{:<24} {}", text(person, "name"), text(person, "role"))));
    Ok(())
}

fn act(settings: &Settings, deed: &Deed) -> Result<(), Exit> {
    let change = |name: &str, body: &Value| {
        running::with_key(settings, Method::PUT, &format!("/people/{}", in_path(name)?), Some(body))
    };
    match deed {
        Deed::Add { name, role } => {
            let body = json!({"name": name, "role": Role::from(*role), "password": password()?});
            running::with_key(settings, Method::POST, "/people", Some(&body))?;
            console::say(&format!("{name} can log in"));
        }
        Deed::Role { name, role } => {
            change(name, &json!({"role": Role::from(*role)}))?;
            console::say(&format!("{name} has the new role, and logs in again"));
        }
        Deed::Password { name } => {
            change(name, &json!({"password": password()?}))?;
            console::say(&format!("{name} has the new password, and logs in again"));
        }
        Deed::Remove { name } => {
            running::with_key(settings, Method::DELETE, &format!("/people/{}", in_path(name)?), None)?;
            console::say(&format!("{name} is out"));
        }
    }
    Ok(())
}

/// A name as a part of a path; no name holds anything that would mean something there.
fn in_path(name: &str) -> Result<&str, Exit> {
    sumpwarden_core::model::Name::new(name).map(|_| name).map_err(|error| {
        console::complain(&format!("there is nobody of that name: {error}"));
        Exit::Usage
    })
}

/// A password: from a terminal unseen and twice, from a pipe its first line.
fn password() -> Result<String, Exit> {
    let stdin = std::io::stdin();
    let Ok(shown) = tcgetattr(&stdin) else { return line() };
    let mut hidden = shown.clone();
    hidden.local_modes.remove(LocalModes::ECHO);
    let failed = |error: rustix::io::Errno| {
        console::complain(&format!("the terminal cannot hide what is typed: {error}; pipe the password in"));
        Exit::Outside
    };
    tcsetattr(&stdin, OptionalActions::Flush, &hidden).map_err(failed)?;
    let typed = ask("Password: ").and_then(|first| Ok((first, ask("Again: ")?)));
    tcsetattr(&stdin, OptionalActions::Flush, &shown).map_err(failed)?;
    let (first, again) = typed?;
    if first == again {
        return Ok(first);
    }
    console::complain("these are two different passwords; try again");
    Err(Exit::Usage)
}

fn ask(words: &str) -> Result<String, Exit> {
    let mut terminal = std::io::stderr();
    let _ = write!(terminal, "{words}").and_then(|()| terminal.flush());
    let typed = line();
    let _ = writeln!(terminal);
    typed
}

fn line() -> Result<String, Exit> {
    let mut text = String::new();
    match std::io::stdin().lock().read_line(&mut text) {
        Ok(read) if read > 0 => Ok(text.trim_end_matches(['\r', '\n']).to_owned()),
        _ => {
            console::complain("no password came in: type it, or pipe it in on one line");
            Err(Exit::Usage)
        }
    }
}
