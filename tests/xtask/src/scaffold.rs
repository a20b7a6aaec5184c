//! `cargo xtask new-check FAMILY/NAME`: the file pair of a new check, registered; and its test, which makes one,
//! compiles it, runs its page, and takes it back.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

/// Makes the file pair and registers it.
pub(crate) fn new_check(root: &Path, id: &str) -> Result<(), String> {
    for path in make(root, id)? {
        println!("wrote {}", path.display());
    }
    println!("now say what it measures; `cargo xtask gen` renews the index");
    Ok(())
}

/// Makes a check, holds it to the tests every check is held to, and takes it back whatever happened.
pub(crate) fn check(root: &Path) -> Result<(), String> {
    let id = "structure/scaffold-sample";
    let kept = Kept::of(root, id)?;
    make(root, id)?;
    let run = |test: &str, filter: Option<&str>| {
        let mut command = Command::new("cargo");
        // Over the whole workspace, so that the libraries have the features that they were built with before.
        command.args(["test", "--quiet", "--workspace", "--test", test]).current_dir(root);
        if let Some(filter) = filter {
            command.args(["--", filter]);
        }
        let output = command.output().map_err(|error| error.to_string())?;
        let text = String::from_utf8_lossy(&output.stdout).into_owned();
        if !output.status.success() {
            return Err(format!(
                "a new check fails {test}:\n{text}\n{}",
                String::from_utf8_lossy(&output.stderr)
            ));
        }
        Ok(text)
    };
    let outcome = run("catalogue", None).and_then(|_| run("pages", Some(id))).and_then(|text| {
        // A filter that meets nothing passes too.
        if text.contains(" 0 passed") { Err("the page of a new check has no example".into()) } else { Ok(()) }
    });
    drop(kept);
    outcome
}

/// Files as they were; they are put back when this goes.
struct Kept(Vec<(PathBuf, Option<Vec<u8>>)>);

impl Kept {
    fn of(root: &Path, id: &str) -> Result<Self, String> {
        let places = Places::of(root, id)?;
        let all = [places.code, places.page, places.family, places.registry, places.ids];
        Ok(Self(all.into_iter().map(|path| (path.clone(), fs::read(path).ok())).collect()))
    }
}

impl Drop for Kept {
    fn drop(&mut self) {
        for (path, before) in &self.0 {
            let outcome = match before {
                Some(bytes) => fs::write(path, bytes),
                None => fs::remove_file(path),
            };
            if let Err(error) = outcome {
                eprintln!("xtask: {} is not as it was: {error}", path.display());
            }
        }
    }
}

struct Places {
    family_name: String,
    stem: String,
    code: PathBuf,
    page: PathBuf,
    family: PathBuf,
    registry: PathBuf,
    ids: PathBuf,
}

impl Places {
    fn of(root: &Path, id: &str) -> Result<Self, String> {
        let word = |text: &str| {
            !text.is_empty()
                && text.starts_with(|c: char| c.is_ascii_lowercase())
                && text.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-')
        };
        let (family_name, name) = id
            .split_once('/')
            .filter(|(family, name)| word(family) && word(name))
            .ok_or_else(|| format!("{id} is no id: FAMILY/NAME, lower case, digits and hyphens"))?;
        let core = root.join("core");
        let folder = core.join("src/checks").join(family_name);
        if !folder.is_dir() {
            return Err(format!("there is no family {family_name}: make {} first", folder.display()));
        }
        let stem = name.replace('-', "_");
        Ok(Self {
            code: folder.join(format!("{stem}.rs")),
            page: folder.join(format!("{stem}.md")),
            family: folder.join("mod.rs"),
            registry: core.join("src/check/registry.rs"),
            ids: core.join("tests/catalogue_ids.txt"),
            family_name: family_name.to_owned(),
            stem,
        })
    }
}

fn make(root: &Path, id: &str) -> Result<Vec<PathBuf>, String> {
    let places = Places::of(root, id)?;
    if places.code.exists() || places.page.exists() {
        return Err(format!("{id} is there already"));
    }
    let read = |path: &Path| fs::read_to_string(path).map_err(|error| format!("{}: {error}", path.display()));
    let family = with_line(&read(&places.family)?, "pub mod ", &format!("pub mod {};", places.stem));
    let line = format!("    &{}::{}::CHECK,", places.family_name, places.stem);
    let registry = with_line(&read(&places.registry)?, "    &", &line);
    let ids = with_line(&read(&places.ids)?, "", id);
    let (code, page) =
        (CODE.replace("FAMILY/NAME", id).replace("STEM", &places.stem), PAGE.replace("FAMILY/NAME", id));
    let files = [
        (places.code, code),
        (places.page, page),
        (places.family, family),
        (places.registry, registry),
        (places.ids, ids),
    ];
    for (path, text) in &files {
        fs::write(path, text).map_err(|error| format!("{}: {error}", path.display()))?;
    }
    Ok(files.into_iter().map(|(path, _)| path).collect())
}

/// The text with one more line among those that begin alike, which stand together and sorted.
fn with_line(text: &str, start: &str, line: &str) -> String {
    // `_` sorts after letters in code and `-` before them in ids: compared as ids.
    let key = |line: &str| line.replace("r#", "").replace('_', "-");
    let mut lines: Vec<&str> = text.lines().collect();
    let alike: Vec<usize> = (0..lines.len()).filter(|at| lines[*at].starts_with(start)).collect();
    let place = alike.iter().find(|at| key(lines[**at]) > key(line)).copied();
    let place = place.or_else(|| alike.last().map(|at| at + 1)).unwrap_or(lines.len());
    lines.insert(place, line);
    lines.join("\n") + "\n"
}

const CODE: &str = r#"//! Joints with more children than a body has (say what it is about).

use crate::check::wording::count;
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Fact, Subject, Unit};
use crate::model::{JointId, Reads};
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "FAMILY/NAME",
    summary: "a joint has many children (say in one line what is found)",
    why: "say what goes wrong later",
    rule: Rule { title: "common practice", section: "" },
    page: include_str!("STEM.md"),
    on: On::BOTH,
    bands: &[Band {
        name: "many",
        case: "",
        on: On::BOTH,
        bound: Bound::Above,
        limit: 3.0,
        unit: "children",
        severity: Some(Severity::Note),
    }],
    requires: &[Need::Joints],
    reads: Reads::JOINTS,
    settings: &[],
    plantable: Plantable::Boolean,
    stability: Stability::Preview,
    since: "1.0.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    for (index, children) in ctx.facts.tree().children.iter().enumerate() {
        let Some(hit) = sink.judge("", children.len() as f64) else { continue };
        let joint = JointId::new(index);
        let text = message(ctx.name(joint), children.len() as u64, hit.bound());
        let fact = Fact::new(Subject::Joint(joint), text).evidence(
            "children",
            children.len() as f64,
            hit.limit,
            Unit::Count,
        );
        sink.report(hit, fact);
    }
}

fn message(joint: &str, children: u64, limit: f64) -> String {
    format!("{joint} has {} (limit {limit})", count(children, "child", "children"))
}
"#;

const PAGE: &str = r"# FAMILY/NAME

Finds joints with many children (say what it finds).

## Why it matters

Say what goes wrong later, and who notices.

## How it is measured

Say what is measured, in which pose and frame, and what is left out.

## Limits

| name | on | limit | unit | severity |
|---|---|---|---|---|
| many | both | above 3 | children | note |

## Source

No standard states it: it is common practice.

## Examples that fire

A plan.

```rig
plan
joint hips at 0 1 0 tip 0 1.2 0 parent none   # expect: FAMILY/NAME note
joint a at 0.1 1 0 tip 0.2 1 0 parent hips
joint b at 0.1 1 0.1 tip 0.2 1 0.1 parent hips
joint c at 0.1 1 0.2 tip 0.2 1 0.2 parent hips
joint d at 0.1 1 0.3 tip 0.2 1 0.3 parent hips
```

A glTF.

```rig
gltf
joint hips at 0 1 0 tip 0 1.2 0 parent none   # expect: FAMILY/NAME note
joint a at 0.1 1 0 tip 0.2 1 0 parent hips
joint b at 0.1 1 0.1 tip 0.2 1 0.1 parent hips
joint c at 0.1 1 0.2 tip 0.2 1 0.2 parent hips
joint d at 0.1 1 0.3 tip 0.2 1 0.3 parent hips
body tubes radius 0.02
```

## Examples that are clean

At the limit.

```rig
plan
joint hips at 0 1 0 tip 0 1.2 0 parent none
joint a at 0.1 1 0 tip 0.2 1 0 parent hips
joint b at 0.1 1 0.1 tip 0.2 1 0.1 parent hips
joint c at 0.1 1 0.2 tip 0.2 1 0.2 parent hips
```

A chain.

```rig
plan
joint hips at 0 1 0 parent none
joint spine at 0 1.2 0
joint neck at 0 1.4 0
joint head at 0 1.5 0 tip 0 1.7 0
```

## How to fix it

Say what a person does.
";

#[cfg(test)]
mod tests {
    use super::with_line;

    #[test]
    fn a_line_goes_where_its_id_sorts() {
        let text = "//! A list.\n\npub mod cycle;\npub mod duplicate_name;\npub mod root;\n";
        let wanted =
            "//! A list.\n\npub mod cycle;\npub mod depth;\npub mod duplicate_name;\npub mod root;\n";
        assert_eq!(with_line(text, "pub mod ", "pub mod depth;"), wanted);
        assert_eq!(with_line("a/b\n", "", "c/d"), "a/b\nc/d\n");
    }
}
