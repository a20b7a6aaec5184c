//! Completions as bash uses them, and manual pages as `man` and `mandoc` read them.
#![allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
#![allow(clippy::unnecessary_wraps, reason = "every trial has one shape")]

use std::process::{Command, ExitCode};

use libtest_mimic::{Arguments, Failed, Trial};

const BINARY: &str = env!("CARGO_BIN_EXE_condyle");

fn main() -> ExitCode {
    let arguments = Arguments::from_args();
    let trial = |name: &str, tool: &str, run: fn() -> Result<(), Failed>| {
        let there = Command::new("sh").args(["-c", &format!("command -v {tool}")]).output();
        let absent = !there.is_ok_and(|output| output.status.success());
        let why = if absent { format!(" (needs {tool})") } else { String::new() };
        Trial::test(format!("{name}{why}"), run).with_ignored_flag(absent && std::env::var_os("CI").is_none())
    };
    let trials = vec![
        trial("bash_completes_a_subcommand_and_its_flags", "bash", bash),
        trial("the_pages_are_free_of_warnings_for_man", "man", man),
        trial("the_pages_are_free_of_errors_for_mandoc", "mandoc", mandoc),
        Trial::test("every_shell_gets_a_script", shells),
    ];
    libtest_mimic::run(&arguments, trials).exit_code()
}

fn script(shell: &str) -> Result<String, Failed> {
    let output = Command::new(BINARY).args(["completions", shell]).output()?;
    assert_eq!(output.status.code(), Some(0));
    Ok(String::from_utf8(output.stdout)?)
}

/// What bash offers for the last of some words.
fn offered(words: &[&str]) -> Result<Vec<String>, Failed> {
    let folder = tempfile::tempdir()?;
    let file = folder.path().join("condyle.bash");
    std::fs::write(&file, script("bash")?)?;
    // As complete(1) of bash calls what was registered for the command: its name, the word, the word before.
    let body = "set -eu; set +u; source \"$1\"; shift; f=$(complete -p condyle | sed 's/.*-F \\([^ ]*\\).*/\\1/'); \
                COMP_WORDS=(\"$@\"); COMP_CWORD=$(($# - 1)); COMP_LINE=\"$*\"; COMP_POINT=${#COMP_LINE}; COMPREPLY=(); \
                \"$f\" condyle \"${COMP_WORDS[COMP_CWORD]}\" \"${COMP_WORDS[COMP_CWORD-1]}\" || true; \
                printf '%s\\n' \"${COMPREPLY[@]}\"";
    let output = Command::new("bash").args(["--norc", "-c", body, "bash"]).arg(&file).args(words).output()?;
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    Ok(String::from_utf8(output.stdout)?.lines().map(str::to_owned).collect())
}

fn bash() -> Result<(), Failed> {
    assert_eq!(offered(&["condyle", "wat"])?, ["watch"]);
    let all = offered(&["condyle", ""])?;
    for name in ["check", "diff", "watch", "completions"] {
        assert!(all.iter().any(|word| word == name), "{all:?}");
    }
    assert_eq!(offered(&["condyle", "check", "--as"])?, ["--as-of"]);
    let forms = offered(&["condyle", "check", "--format", "s"])?;
    assert_eq!(forms, ["sarif"]);
    Ok(())
}

fn shells() -> Result<(), Failed> {
    for shell in ["bash", "elvish", "fish", "powershell", "zsh"] {
        assert!(script(shell)?.contains("trial-bind"), "{shell}");
    }
    Ok(())
}

fn pages() -> Result<(tempfile::TempDir, Vec<std::path::PathBuf>), Failed> {
    let folder = tempfile::tempdir()?;
    assert!(Command::new(BINARY).arg("manual").arg(folder.path().join("man")).status()?.success());
    let mut pages: Vec<_> = std::fs::read_dir(folder.path().join("man"))?
        .map(|entry| entry.map(|e| e.path()))
        .collect::<Result<_, _>>()?;
    pages.sort();
    let names: Vec<String> =
        pages.iter().map(|path| path.file_name().unwrap().to_string_lossy().into_owned()).collect();
    for name in ["condyle.1", "condyle-check.1", "condyle-profile-check.1", "condyle-watch.1"] {
        assert!(names.iter().any(|one| one == name), "{names:?}");
    }
    Ok((folder, pages))
}

fn man() -> Result<(), Failed> {
    let (_kept, pages) = pages()?;
    for page in pages {
        let output = Command::new("man")
            .args(["--warnings", "--local-file"])
            .arg(&page)
            .envs([("LC_ALL", "C.UTF-8"), ("MANWIDTH", "100"), ("MANROFFSEQ", "")])
            .output()?;
        let (out, err) = (String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
        assert!(output.status.success() && err.is_empty(), "{}: {err}", page.display());
        assert!(out.contains("SYNOPSIS"), "{}: {out}", page.display());
    }
    Ok(())
}

/// Its warnings are about the generator's habits alone (a line break beside vertical space, no date), which change nothing
/// that a reader sees.
fn mandoc() -> Result<(), Failed> {
    let (_kept, pages) = pages()?;
    let output = Command::new("mandoc").args(["-T", "lint", "-W", "error"]).args(&pages).output()?;
    let told =
        String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{told}");
    Ok(())
}
