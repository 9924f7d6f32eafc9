//! A fresh Debian in a directory: made from this machine's own package sources, entered by chroot.

use std::collections::BTreeMap;
use std::fs;
use std::os::unix::fs::{MetadataExt, PermissionsExt};
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::sync::{Mutex, PoisonError};

use sumpwarden_tests::process::{TempDir, run, tool};

/// What it has beside the essential packages.
const INCLUDED: &str = "adduser,systemd-sysv,tzdata";

/// A Debian of its own: the essential packages, a service manager and what ours needs, nothing mounted in it.
pub(crate) struct Root {
    folder: TempDir,
}

impl Root {
    /// A fresh one. The packages are fetched once and kept as a tar file beside what cargo builds.
    pub(crate) fn fresh() -> Self {
        static FETCHING: Mutex<()> = Mutex::new(());
        let one_at_a_time = FETCHING.lock().unwrap_or_else(PoisonError::into_inner);
        let kept = format!("../target/debian-root-{}.tar", INCLUDED.replace(',', "-"));
        let kept = Path::new(env!("CARGO_MANIFEST_DIR")).join(kept);
        if !kept.is_file() {
            fetch(&kept);
        }
        drop(one_at_a_time);
        let root = Self { folder: TempDir::new("debian") };
        run(Command::new("tar")
            .args(["--numeric-owner", "-xpf"])
            .arg(&kept)
            .arg("-C")
            .arg(root.folder.path()));
        root
    }

    /// The service manager seems to run, and writes down what it is told.
    pub(crate) fn stand_in_for_the_manager(&self) {
        fs::create_dir_all(self.inside("/run/systemd/system")).expect("a directory");
        let systemctl = self.inside("/usr/bin/systemctl");
        fs::write(&systemctl, "#!/bin/sh\necho \"$*\" >>/run/systemctl.log\n").expect("a file");
        fs::set_permissions(&systemctl, fs::Permissions::from_mode(0o755)).expect("a mode");
    }

    /// What the service manager was told since the last look.
    pub(crate) fn told(&self) -> String {
        let log = self.inside("/run/systemctl.log");
        let told = fs::read_to_string(&log).unwrap_or_default();
        fs::remove_file(log).ok();
        told
    }

    /// A path of the root as this process sees it.
    pub(crate) fn inside(&self, path: &str) -> PathBuf {
        self.folder.path().join(path.trim_start_matches('/'))
    }

    /// A command in it, as root unless chroot is told otherwise.
    pub(crate) fn command(&self, options: &[&str]) -> Command {
        let mut command = Command::new(tool("chroot"));
        command.args(options).arg(self.folder.path()).env_clear();
        command.env("PATH", "/usr/sbin:/usr/bin:/sbin:/bin").env("DEBIAN_FRONTEND", "noninteractive");
        command
    }

    /// A command as root; what it wrote.
    #[track_caller]
    pub(crate) fn run(&self, arguments: &[&str]) -> String {
        said(self.command(&[]).args(arguments).output().expect("chroot starts"))
    }

    /// A command as the service's user.
    pub(crate) fn as_user(&self, port: u16) -> Command {
        let mut command = self.command(&["--userspec=sumpwarden:sumpwarden"]);
        command.env("SUMPWARDEN__WEB__LISTEN", format!("127.0.0.1:{port}"));
        command
    }

    /// Every file with its kind, mode and owner, but for what any package leaves in logs and lists.
    pub(crate) fn files(&self) -> BTreeMap<String, (u32, u32, u32)> {
        let mut found = BTreeMap::new();
        let mut folders = vec![self.folder.path().to_owned()];
        while let Some(folder) = folders.pop() {
            for entry in fs::read_dir(folder).expect("a directory") {
                let path = entry.expect("an entry").path();
                let meta = path.symlink_metadata().expect("it is there");
                let name = path.strip_prefix(self.folder.path()).expect("below it").display().to_string();
                if meta.is_dir() {
                    folders.push(path);
                }
                let of_any_package = ["var/lib/dpkg/", "var/log/", "var/cache/", "run/", "tmp/"];
                // Copies of the lists of users before the last change.
                let copy = name.starts_with("etc/") && name.ends_with('-');
                if !copy && !of_any_package.iter().any(|start| name.starts_with(start)) {
                    found.insert(name, (meta.mode(), meta.uid(), meta.gid()));
                }
            }
        }
        found
    }

    /// Its lists of users and groups.
    pub(crate) fn users(&self) -> [String; 2] {
        ["/etc/passwd", "/etc/group"].map(|path| fs::read_to_string(self.inside(path)).expect("a list"))
    }
}

/// The packages come from this machine's own sources.
fn fetch(kept: &Path) {
    let release = fs::read_to_string("/etc/os-release").expect("a name of this system");
    let codename = release.lines().find_map(|line| line.strip_prefix("VERSION_CODENAME=")).expect("Debian");
    let half = kept.with_extension("half.tar");
    let sources = ["/etc/apt/sources.list.d/debian.sources", "/etc/apt/sources.list"];
    let mut command = Command::new(tool("mmdebstrap"));
    command.args(["--quiet", "--variant=essential", "--include", INCLUDED, codename]).arg(&half);
    command.args(sources.iter().filter(|path| Path::new(path).is_file()));
    run(&mut command);
    fs::rename(half, kept).expect("a place beside it");
}

/// What a command wrote; it must have gone well.
#[track_caller]
pub(crate) fn said(output: Output) -> String {
    let text =
        [output.stdout, output.stderr].map(|bytes| String::from_utf8_lossy(&bytes).into_owned()).concat();
    assert!(output.status.success(), "{}: {text}", output.status);
    text
}
