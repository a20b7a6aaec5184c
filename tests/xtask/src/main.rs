//! `cargo xtask`: everything the CI does, and the generators it checks.
#![expect(clippy::print_stdout, clippy::print_stderr, reason = "a tool for a terminal")]

mod clean;
mod compatibility;
mod corpus;
mod generated;
mod layers;
mod models;
mod release;
mod scaffold;
mod seeded;
mod smoke;

use std::path::{Path, PathBuf};
use std::process::{Command, ExitCode};

fn main() -> ExitCode {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let words: Vec<&str> = arguments.iter().map(String::as_str).collect();
    let outcome = match words.as_slice() {
        ["ci"] => ci(),
        ["gen"] => generated::write(&root()),
        ["gen", "--check"] => generated::check(&root()),
        ["release-catalogue"] => release::release(&root()),
        ["layers"] => layers::check(&root()),
        ["compatibility"] => compatibility::check(&root()),
        ["new-check", id] => scaffold::new_check(&root(), id),
        ["scaffold"] => scaffold::check(&root()),
        ["smoke"] => smoke::check(&root()),
        ["seeded", rest @ ..] => seeded::run(&root(), rest),
        ["corpus", rest @ ..] => corpus::run(rest),
        _ => {
            Err("usage: cargo xtask ci | gen [--check] | layers | compatibility | smoke | release-catalogue | new-check ID | scaffold | seeded [FAMILY] | \
                  corpus FOLDER [--json] | corpus --difference BEFORE AFTER"
                .to_owned())
        }
    };
    match outcome {
        Ok(()) => ExitCode::SUCCESS,
        Err(text) => {
            eprintln!("xtask: {text}");
            ExitCode::FAILURE
        }
    }
}

/// The top of the repository.
fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).ancestors().nth(2).map_or_else(PathBuf::new, Path::to_path_buf)
}

fn ci() -> Result<(), String> {
    let root = root();
    let before = clean::state(&root)?;
    step(&root, "format", &["fmt", "--all", "--check"])?;
    step(
        &root,
        "lints",
        &[
            "clippy",
            "--workspace",
            "--all-targets",
            "--features",
            "condyle-core/testing",
            "--",
            "-D",
            "warnings",
        ],
    )?;
    println!("== layers");
    layers::check(&root)?;
    println!("== generated files");
    generated::check(&root)?;
    println!("== compatibility");
    compatibility::check(&root)?;
    step(&root, "tests", &["test", "--workspace"])?;
    on_postgres(&root)?;
    step(&root, "documentation", &["doc", "--workspace", "--no-deps", "--quiet"])?;
    step(&root, "checker alone", &["check", "--package", "condyle", "--no-default-features"])?;
    light_client(&root)?;
    step(
        &root,
        "fuzz target",
        &["check", "--locked", "--manifest-path", "core/fuzz/Cargo.toml", "--target-dir", "target"],
    )?;
    println!("== smoke test of the release binary");
    smoke::check(&root)?;
    // Last: whatever is built after it builds core again.
    println!("== scaffold: a new check, made, tested and taken back");
    scaffold::check(&root)?;
    println!("== clean tree");
    clean::check(&root, &before)
}

/// The client without the service, as a build farm has it: built and tested. Over the whole workspace, so that the
/// libraries have the features that they were built with for the tests before.
fn light_client(root: &Path) -> Result<(), String> {
    const TESTS: [&str; 8] =
        ["check", "diff", "manual", "recipes", "repair", "submit", "submit_patience", "watch"];
    let mut arguments = vec![
        "test",
        "--workspace",
        "--no-default-features",
        "--features",
        "condyle/client,condyle-core/testing",
        "--bin",
        "condyle",
    ];
    arguments.extend(TESTS.iter().flat_map(|name| ["--test", name]));
    step(root, "light client", &arguments)
}

/// The HTTP tests once more, with services that store on PostgreSQL.
fn on_postgres(root: &Path) -> Result<(), String> {
    const VARIABLE: &str = "CONDYLE_TEST_POSTGRES_URL";
    if std::env::var_os(VARIABLE).is_some() {
        return step_with(
            root,
            "the same HTTP tests, and the kills, on PostgreSQL",
            &["test", "--workspace", "--test", "it", "--test", "killed"],
            &[("CONDYLE_TEST_STORE", "postgres")],
        );
    }
    if std::env::var_os("CI").is_some() {
        return Err(format!("the HTTP tests on PostgreSQL need {VARIABLE}; see .ci/with-postgres"));
    }
    println!("== the HTTP tests on PostgreSQL are left out: {VARIABLE} is not set; see .ci/with-postgres");
    Ok(())
}

fn step(root: &Path, name: &str, arguments: &[&str]) -> Result<(), String> {
    step_with(root, name, arguments, &[])
}

fn step_with(
    root: &Path,
    name: &str,
    arguments: &[&str],
    environment: &[(&str, &str)],
) -> Result<(), String> {
    println!("== {name}: cargo {}", arguments.join(" "));
    let status = Command::new("cargo")
        .args(arguments)
        .current_dir(root)
        .env("RUSTDOCFLAGS", "-D warnings")
        .envs(environment.iter().copied())
        .status()
        .map_err(|error| format!("{name}: {error}"))?;
    if status.success() { Ok(()) } else { Err(format!("{name} failed")) }
}
