//! Bars of progress: on a terminal (a pseudo-terminal, as `posix_openpt` of POSIX makes one), in a pipe, and for who wants
//! none.
#![cfg(all(unix, feature = "client"))]
#![expect(clippy::unwrap_used, reason = "a test may stop at the first surprise")]

use std::fs::File;
use std::io::Read as _;
use std::path::Path;
use std::process::{Command, Stdio};

use condyle_tests::Service;
use rustix::fs::{Mode, OFlags};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{Winsize, tcsetwinsize};

const FILES: usize = 12;

fn plans() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    for number in 0..FILES {
        let name = format!("crab-{number}");
        let plan = condyle_tests::plan(&name).to_string();
        std::fs::write(folder.path().join(format!("{name}.plan.json")), plan).unwrap();
    }
    folder
}

fn condyle(folder: &Path, arguments: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_condyle"));
    for name in ["CONDYLE_TOKEN", "CONDYLE_TOKEN_FILE", "CONDYLE_LABEL", "CONDYLE_CA_FILE", "NO_COLOR"] {
        command.env_remove(name);
    }
    command.env("TERM", "xterm").current_dir(folder).args(arguments).stdin(Stdio::null());
    command
}

/// Runs a command whose standard error is a terminal of 30 lines and 100 columns; what came on it.
fn on_a_terminal(mut command: Command) -> String {
    let near = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY).unwrap();
    grantpt(&near).unwrap();
    unlockpt(&near).unwrap();
    tcsetwinsize(&near, Winsize { ws_row: 30, ws_col: 100, ws_xpixel: 0, ws_ypixel: 0 }).unwrap();
    let name = ptsname(&near, Vec::new()).unwrap();
    let far = rustix::fs::open(name, OFlags::RDWR | OFlags::NOCTTY, Mode::empty()).unwrap();
    let mut child = command.stdout(Stdio::null()).stderr(far).spawn().unwrap();
    // The command holds the far end, too; when the last copy is closed, reading ends.
    drop(command);
    let reader = std::thread::spawn(move || {
        let (mut near, mut drawn, mut buffer) = (File::from(near), Vec::new(), [0; 4_096]);
        // Linux tells the end as an error (EIO), other systems as no bytes.
        while let Ok(read @ 1..) = near.read(&mut buffer) {
            drawn.extend_from_slice(&buffer[..read]);
        }
        String::from_utf8_lossy(&drawn).into_owned()
    });
    assert_eq!(child.wait().unwrap().code(), Some(0));
    reader.join().unwrap()
}

/// Runs a command whose standard error is a pipe; what came out of it.
fn in_a_pipe(mut command: Command) -> String {
    let output = command.output().unwrap();
    assert_eq!(output.status.code(), Some(0));
    String::from_utf8_lossy(&output.stderr).into_owned()
}

/// Of a terminal: erase the whole line (ECMA-48 §8.3.41, EL with 2).
const ERASE: &str = "\u{1b}[2K";

/// That a bar for all files was drawn, and taken away.
fn assert_drawn(drawn: &str) {
    let (_, after) = drawn.rsplit_once(&format!(" of {FILES} files")).unwrap_or_else(|| panic!("{drawn:?}"));
    assert!(after.contains(ERASE), "the bar is left on the terminal: {drawn:?}");
}

fn assert_nothing(told: &str) {
    assert!(!told.contains(&format!("of {FILES} files")) && !told.contains('\u{1b}'), "{told:?}");
}

#[test]
fn a_check_of_many_files_is_watched_on_a_terminal_alone() {
    let folder = plans();
    let check = |more: &[&str]| condyle(folder.path(), &[&["check", "."], more].concat());
    assert_drawn(&on_a_terminal(check(&[])));
    assert_nothing(&on_a_terminal(check(&["--quiet"])));
    assert_nothing(&in_a_pipe(check(&[])));
}

#[tokio::test(flavor = "multi_thread")]
async fn a_submission_is_watched_on_a_terminal_alone() {
    let service = Service::start().await;
    let folder = plans();
    let submit = |label: &str, more: &[&str]| {
        let fixed = ["submit", ".", "--production", "tidepool", "--server", &service.base, "--label", label];
        condyle(folder.path(), &[&fixed, more].concat())
    };
    let drawn = on_a_terminal(submit("v1", &[]));
    assert_drawn(&drawn);
    assert!(drawn.contains("crab-0.plan.json"), "a file has a bar of its own: {drawn:?}");
    assert_nothing(&on_a_terminal(submit("v2", &["--always", "--quiet"])));
    assert_nothing(&in_a_pipe(submit("v3", &["--always"])));
}
